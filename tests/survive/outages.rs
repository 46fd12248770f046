//! Instruments that are away when the bench has to be parked: somebody tries until they are back, whoever is killed.

use crate::common::{noctule, say, text, write};
use crate::gate::Gates;
use crate::interruptions::{intact, rows, sweeps, wait_until};
use crate::keeper::{is_free, keeper_of, signal};
use crate::lab::{Lab, wall_sweeps};
use noctule::record::Outcome;
use noctule_sim::Signal;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::time::Duration;

/// A run over gates that has come into its sweeps; its time goes fifty times faster.
fn measuring(gates: &Gates) -> (Lab, PathBuf, Child) {
    // Nobody is waited for: it is the duty to park that is looked at here.
    let lab = Lab::new(|bench| {
        gates.lead_through(&bench).replace("pause: \"200 ms\"", "pause: \"200 ms\", patience: \"0 s\"")
    });
    let sequence = write(lab.scratch.path(), "long.rhai", &wall_sweeps(8, 100));
    let folder = lab.scratch.path().join("run");
    let run = ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(&folder), "--json"];
    let child = noctule()
        .args(run)
        .args(["--pace", "50"])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    wait_until("it measures", Duration::from_secs(60), || rows(&folder) > 80);
    assert!(!lab.is_parked());
    (lab, folder, child)
}

/// Once the links are back the bench is safe soon, and the record says so.
fn safe_soon(lab: &Lab, folder: &Path, gates: &Gates) {
    assert!(!lab.is_parked(), "nothing can have reached it");
    gates.shut(false);
    let took = wait_until("it is parked", Duration::from_secs(10), || lab.is_parked());
    eprintln!("parked {took:?} after the links were back");
    wait_until("it is written down", Duration::from_secs(20), || is_free(lab));
    let (ending, parked) = intact(folder).ending().unwrap().expect("an end");
    assert!(parked && ending.outcome == Outcome::Fault, "{ending:?}");
}

#[test]
fn a_run_whose_instruments_are_all_away_parks_when_they_are_back_and_can_be_resumed() {
    let gates = Gates::default();
    let (lab, folder, mut child) = measuring(&gates);
    gates.shut(true);
    std::thread::sleep(Duration::from_secs(6));
    assert!(child.try_wait().unwrap().is_none(), "it gave up");
    let told = say(&["status", text(&folder)]);
    assert!(told.stdout.contains("NOT safe yet"), "{}\n{}", told.stdout, told.stderr);
    safe_soon(&lab, &folder, &gates);
    assert_eq!(child.wait().unwrap().code(), Some(5));
    resumed_to_the_end(&folder);
}

#[test]
fn a_keeper_parks_through_an_outage_as_patiently_as_its_runner() {
    let gates = Gates::default();
    let (lab, folder, mut child) = measuring(&gates);
    gates.shut(true);
    std::thread::sleep(Duration::from_secs(3));
    child.kill().unwrap();
    child.wait().unwrap();
    std::thread::sleep(Duration::from_secs(5));
    let told = say(&["status", text(&folder)]);
    let log = std::fs::read_to_string(folder.join("keeper_log.txt")).unwrap();
    assert!(told.stdout.contains("NOT safe yet"), "{}\n{}\n{log}", told.stdout, told.stderr);
    safe_soon(&lab, &folder, &gates);
    resumed_to_the_end(&folder);
}

/// The call whose error ended the run is asked again, and everything is measured once.
fn resumed_to_the_end(folder: &Path) {
    let said = say(&["resume", text(folder), "--pace", "50", "--json"]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let tables = sweeps(&intact(folder));
    assert_eq!(tables.iter().map(|table| table.x.len()).collect::<Vec<_>>(), [100; 8]);
    assert!(tables.iter().all(|table| table.x.windows(2).all(|pair| pair[1] > pair[0])));
}

#[test]
fn a_persons_word_releases_a_keeper_that_parks_in_vain() {
    let gates = Gates::default();
    let (lab, folder, mut child) = measuring(&gates);
    gates.shut(true);
    child.kill().unwrap();
    child.wait().unwrap();
    wait_until("the keeper is at it", Duration::from_secs(30), || {
        say(&["status", text(&folder)]).stdout.contains("NOT safe yet")
    });
    let told = say(&["stop", text(&folder)]);
    assert_eq!(told.code, 0, "{}", told.stderr);
    wait_until("it has gone", Duration::from_secs(20), || is_free(&lab));
    let (_, parked) = intact(&folder).ending().unwrap().expect("an end");
    assert!(!parked);
    let words = intact(&folder).all("operator").unwrap();
    assert!(format!("{words:?}").contains("Stop"), "{words:?}");
}

#[test]
fn a_run_whose_runner_and_keeper_were_both_killed_in_an_approach_is_resumed() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "short.rhai", &wall_sweeps(8, 20));
    for (i, life) in [200, 700, 1500].into_iter().enumerate() {
        let folder = lab.scratch.path().join(format!("run{i}"));
        let run = ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(&folder)];
        let mut child = noctule()
            .args(run)
            .args(["--pace", "20"])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        wait_until("it has begun", Duration::from_secs(20), || {
            (lab.read(Signal::Bias) - 0.06).abs() < 1e-6 && rows(&folder) > 5
        });
        std::thread::sleep(Duration::from_millis(life));
        assert!(child.try_wait().unwrap().is_none(), "it is over after {life} ms, {} rows", rows(&folder));
        let keeper = keeper_of(&folder);
        signal(keeper, "-STOP");
        child.kill().unwrap();
        child.wait().unwrap();
        signal(keeper, "-KILL");
        eprintln!("after {life} ms: {} rows, in range {}", rows(&folder), lab.read(Signal::Approached));
        let said = say(&["resume", text(&folder), "--pace", "100", "--json"]);
        assert_eq!(said.code, 0, "after {life} ms: {}\n{}", said.stdout, said.stderr);
        assert_eq!(said.json()["points"], 160);
        assert!(lab.is_parked());
    }
}
