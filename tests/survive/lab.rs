//! A mimic within the test, and a bench file that leads to it.

use crate::common::write;
use noctule::mimic::{Mimic, Running};
use noctule_sim::Signal;
use noctule_sim::world::World;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

/// Benches of one process have names of their own, because a bench has a lock.
static BENCHES: AtomicU32 = AtomicU32::new(0);

/// A mimic, its bench file, and a folder for runs.
pub struct Lab {
    /// The simulated microscope.
    pub mimic: Running,
    /// The bench file.
    pub bench: PathBuf,
    /// A folder that goes with the test.
    pub scratch: tempfile::TempDir,
}

impl Lab {
    /// A laboratory; `change` edits the text of the shipped bench of the mimic.
    pub fn new(change: impl FnOnce(String) -> String) -> Self {
        let world = World::shipped("night").expect("a shipped world");
        let listen = "127.0.0.1:0".parse().expect("an address");
        let mimic = Mimic::start(&world, 7, listen, 1.0, &[]).expect("free ports");
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/bench_mimic.ron");
        let mut text = std::fs::read_to_string(shipped).expect("the shipped bench");
        for (port, name) in (5125..).zip(["electronics", "magnet", "source", "lockin", "monitors"]) {
            let address = mimic.address(name).expect("a port").to_string();
            text = text.replace(&format!("127.0.0.1:{port}"), &address);
        }
        let scratch = tempfile::tempdir().expect("a folder");
        let bench = write(scratch.path(), "bench.ron", &change(named(&text)));
        Self { mimic, bench, scratch }
    }

    /// What the microscope shows.
    pub fn read(&self, signal: Signal) -> f64 {
        self.mimic.with_microscope(|microscope| microscope.read(signal))
    }

    /// Whether the microscope is in the safe state that the bench file describes.
    pub fn is_parked(&self) -> bool {
        self.mimic.with_microscope(|microscope| {
            microscope.read(Signal::Approached) == 0.0
                && microscope.read(Signal::RfOutput) == 0.0
                && (microscope.read(Signal::Bias) - 0.05).abs() < 1e-6
                && microscope.read(Signal::LockinModulation) == 0.0
        })
    }
}

/// The same bench under a name that no other test has.
pub fn named(text: &str) -> String {
    let number = BENCHES.fetch_add(1, Ordering::Relaxed);
    let name = format!("Lantern cryostat {number} of process {} (invented)", std::process::id());
    text.replacen("Lantern cryostat (invented)", &name, 1)
}

/// A bench of the microscope simulated in the process of the run.
pub fn simulated(folder: &Path, change: impl FnOnce(String) -> String) -> PathBuf {
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/bench_simulated.ron");
    let text = std::fs::read_to_string(shipped).expect("the shipped bench");
    write(folder, "bench.ron", &change(named(&text)))
}

/// Sweeps for a real run: short, and with something between them.
pub fn wall_sweeps(turns: usize, points: usize) -> String {
    format!(
        r#"// Invented: a few sweeps over the real path.
step("get ready", || {{
    set("Bias", 60.mV);
    set("Setpoint", 10.pA);
    approach();
    set("RfLevel", -3.dBm);
    set("RfOutput", 1);
    set("LockinModulation", 5.mV);
}});
for turn in 0..{turns} {{
    let start = 13.GHz + random() * 1.GHz;
    let spectrum = sweep(#{{ name: "esr", channel: "RfFrequency", from: start, to: start + 0.2.GHz,
        points: {points}, read: ["LockinX", "Current"], dwell: 100.ms, average: 2, settle: 100.ms }});
    print(`sweep ${{spectrum.number}} is acknowledged`);
    let seen = trace("Current", 50, 5.ms);
    note(`turn ${{turn}}: ${{spectrum.column("Current").mean}}, scatter ${{seen.numbers.deviation}}`);
}}
"#
    )
}
