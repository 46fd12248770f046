//! On the real path, over the mimic: a watch of the tip between spectra, and the pot condensed anew.

use crate::common::{noctule, say, text, write};
use noctule::mimic::Mimic;
use noctule::record::{Entry, RunFile};
use noctule_sim::world::World;

const SEQUENCE: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
ramp_field(0.4.T);
let here = #{ x: 3.2.nm, y: -1.85.nm };
let reference = #{ x: -4.6.nm, y: 5.3.nm };
go_to(here.x, here.y);
recentre();
for i in 0..2 {
    let seen = watch_tip(reference, here, 1.min);
    reference = seen.reference;
    here = seen.here;
    note(`tested ${seen.tested}, changed ${seen.changed}, ${seen.verdict}`);
}
let cold = recondense();
note(`condensed ${cold.achieved}, back ${cold.found}`);
note(`after ${cold_left().pot_known}`);
park();
"#;

#[test]
fn a_tip_is_watched_and_the_pot_condensed_over_the_mimic() {
    let folder = tempfile::tempdir().unwrap();
    let world = World::shipped("night").unwrap();
    let running = Mimic::start(&world, 3, "127.0.0.1:0".parse().unwrap(), 1.0, &[]).unwrap();
    let mut bench = std::fs::read_to_string("scripts/bench_mimic.ron").unwrap();
    for (i, (_, address)) in running.addresses().iter().enumerate() {
        bench = bench.replace(&format!("127.0.0.1:{}", 5125 + i), &address.to_string());
    }
    let own_name = format!("mimic of the tip's process {}", std::process::id());
    let bench = write(folder.path(), "bench.ron", &bench.replace("Lantern cryostat (invented)", &own_name));
    let sequence = write(folder.path(), "cold.rhai", SEQUENCE);
    let run = folder.path().join("runs").join("cold");
    std::fs::create_dir(folder.path().join("runs")).unwrap();
    let arguments =
        ["run", text(&sequence), "--bench", text(&bench), "--out", text(&run), "--json", "--pace", "300"];
    let output = noctule().args(arguments).output().unwrap();
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{words}");
    let notes = RunFile::open(&run.join("run.sqlite")).unwrap().all("note").unwrap();
    let notes: Vec<String> = notes
        .into_iter()
        .filter_map(|numbered| match numbered.entry {
            Entry::Note { text, .. } => Some(text),
            _ => None,
        })
        .collect();
    let told = |wanted: &str| notes.iter().filter(|note| *note == wanted).count();
    assert_eq!(told("tested true, changed false, contrast"), 2, "{notes:?}");
    assert_eq!((told("condensed true, back true"), told("after true")), (1, 1), "{notes:?}");
    // The logbook of measured runs knows it at once.
    let nights = say(&["log", "--folder", text(&folder.path().join("runs")), "nights", "--json"]).json();
    assert!(nights["since_the_refill"][0]["pot_condensed_s"].is_i64(), "{nights}");
}
