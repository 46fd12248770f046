//! A rehearsal with faults that is killed and resumed ends like one that was not.

use crate::common::{say, text, write};
use noctule::record::RunFile;
use serde_json::Value;
use std::path::Path;
use std::process::Stdio;

const FAULTS: &str = r#"Faults(faults: [
    PressureBurst(at: "2 min", height: "1e-6 mbar"),
    LateReply(at: "1 min", for: "1 min", by: "20 ms", every: "3 min"),
    Operator(at: "8 min", says: "hold"), Operator(at: "9 min", says: "release"),
])"#;

const SEQUENCE: &str = r#"
    approach();
    for turn in 0..30 {
        let s = sweep(#{ name: "s", channel: "RfFrequency", from: 10.GHz, to: 10.1.GHz, points: 60,
            read: ["Current", "LockinX"], dwell: 300.ms });
        note(`turn ${turn}: ${s.column("Current").mean}`);
    }
    park();
"#;

/// Rehearses with these words, kills it at a row, resumes it; gives the JSON of its end.
fn killed_and_resumed(words: &[&str], folder: &Path, row: u64) -> Value {
    let mut child = crate::common::noctule()
        .args(words)
        .args(["--out", text(folder), "--json"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let rows = || RunFile::open(&folder.join("run.sqlite")).and_then(|file| file.next_seq()).unwrap_or(0);
    while rows() < row {
        assert!(child.try_wait().expect("a child").is_none(), "it came to its end before row {row}");
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    child.kill().expect("a child can be killed");
    child.wait().expect("a child");
    let said = say(&["resume", text(folder), "--json"]);
    assert_eq!(said.code, 0, "{}{}", said.stdout, said.stderr);
    said.json()
}

fn same_end(words: &[&str], folder: &Path) {
    let whole_folder = folder.join("whole");
    let whole = say(&[words, &["--out", text(&whole_folder), "--json"]].concat());
    assert_eq!(whole.code, 0, "{}", whole.stderr);
    let resumed = killed_and_resumed(words, &folder.join("cut"), 200);
    for key in ["digest", "points", "virtual_s", "outcome"] {
        assert_eq!(resumed[key], whole.json()[key], "{key}");
    }
}

#[test]
fn the_faults_of_a_file_come_again_when_a_rehearsal_is_resumed() {
    let folder = tempfile::tempdir().unwrap();
    let faults = write(folder.path(), "faults.ron", FAULTS);
    let sequence = write(folder.path(), "s.rhai", SEQUENCE);
    same_end(&["rehearse", text(&sequence), "--faults", text(&faults)], folder.path());
    // They do make a difference.
    let calm = folder.path().join("calm");
    let calm = say(&["rehearse", text(&sequence), "--out", text(&calm), "--json"]).json();
    let whole = RunFile::open(&folder.path().join("whole/run.sqlite")).unwrap();
    assert_ne!(calm["digest"].as_str(), whole.digest().unwrap().as_deref());
}

#[test]
fn the_faults_of_a_night_come_again_when_it_is_resumed() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(folder.path(), "s.rhai", SEQUENCE);
    // A seed whose night the sequence rides out, with something in it.
    let is_met = |seed: &u64| {
        let (plan, kinds) = noctule::run::faults::draw(*seed);
        let early = plan.faults.iter().any(|planned| planned.at_s < 900.0);
        early && kinds.iter().all(|kind| kind.promise().rides_out)
    };
    let seed = (1..1000).find(is_met).expect("such a night").to_string();
    same_end(&["rehearse", text(&sequence), "--night", &seed], folder.path());
}
