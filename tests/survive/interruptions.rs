//! What the campaigns of interruptions share.
#![allow(dead_code, reason = "each test file uses its own part")]

use crate::common::{Said, noctule, text};
use noctule::record::{RunFile, SweepTable};
use serde_json::Value;
use std::path::Path;
use std::process::{Child, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// A small number by default, the large one where `NOCTULE_CAMPAIGN=full`, and any other where that is a number.
pub fn campaign(few: usize, many: usize) -> usize {
    let asked = std::env::var("NOCTULE_CAMPAIGN").ok().and_then(|size| size.parse().ok());
    if full() { many } else { asked.unwrap_or(few) }
}

/// Tries cases, three at once: what each came to, and the numbers of those that panicked.
pub fn try_all<T: Send>(
    cases: std::ops::Range<usize>,
    one: impl Fn(usize) -> T + Sync + std::panic::RefUnwindSafe,
) -> (Vec<(usize, T)>, Vec<usize>) {
    let next = Mutex::new(cases);
    let (done, failed) = (Mutex::default(), Mutex::default());
    std::thread::scope(|scope| {
        for _ in 0..3 {
            scope.spawn(|| {
                loop {
                    let Some(number) = next.lock().unwrap().next() else { return };
                    match std::panic::catch_unwind(|| one(number)) {
                        Ok(outcome) => Vec::push(&mut done.lock().unwrap(), (number, outcome)),
                        Err(_) => Vec::push(&mut failed.lock().unwrap(), number),
                    }
                }
            });
        }
    });
    (done.into_inner().unwrap(), failed.into_inner().unwrap())
}

/// Whether the large campaigns are asked for.
pub fn full() -> bool {
    std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|size| size == "full")
}

/// Many short sweeps with decisions and random numbers between them.
pub fn many_sweeps(turns: usize) -> String {
    format!(
        r#"// Invented: many short sweeps, so that an interruption can come anywhere.
step("get ready", || {{
    set("Bias", 60.mV);
    set("Setpoint", 10.pA);
    approach();
    set("RfLevel", -3.dBm);
    set("RfOutput", 1);
}});
let large = 0;
for turn in 0..{turns} {{
    step(`turn ${{turn}}`, #{{ time: 1.min }}, || {{
        let start = 13.GHz + random() * 1.GHz;
        let spectrum = sweep(#{{ name: "esr", channel: "RfFrequency", from: start, to: start + 0.2.GHz,
            points: 60, read: ["LockinX", "Current"], dwell: 100.ms, average: 2 }});
        let seen = trace("Current", 200, 5.ms);
        note(`turn ${{turn}}: ${{spectrum.column("Current").mean}}, scatter ${{seen.numbers.deviation}}`);
        if decide("is the current large?", seen.numbers.mean > 10.pA) {{
            large += 1;
            wait(random() * 2.s);
        }}
    }});
}}
note(`${{large}} turns with a large current`);
park();
"#
    )
}

/// Starts the program without words.
pub fn start(arguments: &[&str]) -> Child {
    noctule()
        .args(arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts")
}

/// Starts the program with its words going to a file.
pub fn start_with_words(arguments: &[&str], words: &Path) -> Child {
    let file = std::fs::OpenOptions::new().create(true).append(true).open(words).expect("a file for words");
    noctule()
        .args(arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(file)
        .spawn()
        .expect("the program starts")
}

/// Lets a process live for a while, then kills it. True if it had come to its end before.
pub fn kill_after(mut child: Child, life: Duration) -> bool {
    let until = Instant::now() + life;
    while Instant::now() < until {
        if child.try_wait().expect("a child").is_some() {
            return true;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    child.kill().expect("a child can be killed");
    child.wait().expect("a child").success()
}

/// Rows of a run file that are durable; 0 while there is none.
pub fn rows(folder: &Path) -> u64 {
    RunFile::open(&folder.join("run.sqlite")).and_then(|file| file.next_seq()).unwrap_or(0)
}

/// Kills a process once its record has so many rows, and so much time later: however busy the machine
/// is, the moments are spread over the whole run. True if it had come to its end before.
pub fn kill_at_row(mut child: Child, folder: &Path, row: u64, later: Duration) -> bool {
    while rows(folder) < row {
        if child.try_wait().expect("a child").is_some() {
            return true;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    std::thread::sleep(later);
    child.kill().expect("a child can be killed");
    child.wait().expect("a child").success()
}

/// Resumes a run to its end and gives its JSON.
pub fn resume_to_end(folder: &Path) -> Value {
    let said: Said = crate::common::say(&["resume", text(folder), "--json"]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    said.json()
}

/// Rows, sums and numbers of a run file are all right; returns it.
pub fn intact(folder: &Path) -> RunFile {
    let file = RunFile::open(&folder.join("run.sqlite")).expect("a run file");
    let integrity = file.check().expect("a check");
    assert!(integrity.faults.is_empty(), "{:?}", integrity.faults);
    file
}

/// Every sweep with its points.
pub fn sweeps(file: &RunFile) -> Vec<SweepTable> {
    let mut tables = file.sweeps().expect("sweeps");
    for table in &mut tables {
        file.fill(table).expect("points");
    }
    tables
}

/// Waits until something holds.
pub fn wait_until(what: &str, patience: Duration, mut holds: impl FnMut() -> bool) -> Duration {
    let began = Instant::now();
    while !holds() {
        assert!(began.elapsed() < patience, "after {patience:?}: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
    began.elapsed()
}
