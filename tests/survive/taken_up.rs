//! Rehearsals that were ended, not cut, and taken up again: by an interlock, an operator, the end of the window,
//! their own failure.

use crate::common::{Said, say, text, write};
use crate::interruptions::{intact, kill_at_row, many_sweeps, rows, start, sweeps};
use noctule::record::{Entry, Outcome, RunFile};
use std::path::{Path, PathBuf};
use std::time::Duration;

const TURNS: usize = 30;

fn rehearse(scratch: &Path, name: &str, sequence: &Path, more: &[&str]) -> (PathBuf, Said) {
    let folder = scratch.join(name);
    let mut arguments = vec!["rehearse", text(sequence), "--seed", "7", "--out", text(&folder), "--json"];
    arguments.extend_from_slice(more);
    let said = say(&arguments);
    (folder, said)
}

fn resume(folder: &Path, more: &[&str]) -> Said {
    let mut arguments = vec!["resume", text(folder), "--json"];
    arguments.extend_from_slice(more);
    say(&arguments)
}

/// Every sweep has every point of its plan exactly once, however many lives it took.
fn every_point_once(file: &RunFile) {
    let points: Vec<usize> = sweeps(file).iter().map(|sweep| sweep.x.len()).collect();
    assert_eq!(points, [60; TURNS]);
    for sweep in 0..TURNS as u64 {
        let mut next = 0;
        file.points(sweep, |point| {
            assert_eq!(point.i, next, "sweep {sweep}");
            next += 1;
        })
        .unwrap();
    }
    assert_eq!(file.all("sweep_end").unwrap().len(), TURNS);
}

fn outcomes(file: &RunFile) -> Vec<Outcome> {
    let ends = file.all("end").unwrap();
    ends.iter()
        .filter_map(|n| if let Entry::End { ending, .. } = &n.entry { Some(ending.outcome) } else { None })
        .collect()
}

/// A copy of a run folder.
fn copy(from: &Path, to: &Path) {
    std::fs::create_dir(to).unwrap();
    std::fs::copy(from.join("run.sqlite"), to.join("run.sqlite")).unwrap();
}

#[test]
fn a_rehearsal_stopped_by_an_operator_goes_on_and_a_kill_in_its_second_life_changes_nothing() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(TURNS));
    let faults = r#"Faults(faults: [Operator(at: "3 min", says: "stop"), NoReply(at: "4 min", for: "1 s", channel: "current")])"#;
    let faults = write(scratch.path(), "faults.ron", faults);
    let (folder, said) = rehearse(scratch.path(), "run", &sequence, &["--faults", text(&faults)]);
    assert_eq!(said.code, 4, "{}\n{}", said.stdout, said.stderr);
    let (cut, frontier) = (scratch.path().join("cut"), rows(&folder));
    copy(&folder, &cut);

    let said = resume(&folder, &[]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let whole = intact(&folder);
    assert_eq!(outcomes(&whole), [Outcome::Stopped, Outcome::Finished]);
    every_point_once(&whole);
    assert_eq!(said.json()["limit_violations"], 0);

    // The same, killed twice on the way.
    let total = rows(&folder);
    for part in [3, 2] {
        let row = frontier + (total - frontier) / part;
        let killed = kill_at_row(start(&["resume", text(&cut), "--json"]), &cut, row, Duration::ZERO);
        assert!(!killed, "it came to its end");
    }
    let again = resume(&cut, &[]);
    assert_eq!(again.code, 0, "{}\n{}", again.stdout, again.stderr);
    assert_eq!(again.json()["digest"], said.json()["digest"]);
    every_point_once(&intact(&cut));
    assert_eq!(resume(&cut, &[]).code, 2, "it has come to its end");
}

/// A rehearsal that a fault has ended by a latched interlock; the first attempt to go on is refused.
fn latched(scratch: &Path, fault: &str) -> PathBuf {
    let sequence = write(scratch, "many.rhai", &many_sweeps(TURNS));
    let faults = write(scratch, "faults.ron", &format!("Faults(faults: [{fault}])"));
    let (folder, said) = rehearse(scratch, "run", &sequence, &["--faults", text(&faults)]);
    assert_eq!(said.code, 3, "{}\n{}", said.stdout, said.stderr);
    let said = resume(&folder, &[]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("--acknowledge"), "{}", said.stderr);
    folder
}

#[test]
fn a_rehearsal_ended_by_a_latched_interlock_goes_on_once_it_is_acknowledged() {
    let scratch = tempfile::tempdir().unwrap();
    // It is over before the bench is parked.
    let fault = r#"Saturated(at: "3 min", for: "1 s", channel: "magnet_voltage", to: "3 V")"#;
    let folder = latched(scratch.path(), fault);
    let said = resume(&folder, &["--acknowledge"]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let file = intact(&folder);
    assert_eq!(outcomes(&file), [Outcome::Interlock, Outcome::Finished]);
    every_point_once(&file);
    assert_eq!(said.json()["limit_violations"], 0);
}

#[test]
fn an_acknowledgement_does_not_overrule_an_interlock_whose_cause_is_still_there() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = latched(scratch.path(), r#"WarmUp(at: "3 min", by: "10 K", for: "3 min")"#);
    let measured = |file: &RunFile| sweeps(file).iter().map(|sweep| sweep.x.len()).sum::<usize>();
    let before = measured(&intact(&folder));
    let said = resume(&folder, &["--acknowledge"]);
    assert_eq!(said.code, 3, "{}\n{}", said.stdout, said.stderr);
    let file = intact(&folder);
    assert_eq!(outcomes(&file), [Outcome::Interlock, Outcome::Interlock]);
    assert!(before > 0 && before == measured(&file), "nothing is measured on a stage that is still warm");
    assert_eq!(said.json()["limit_violations"], 0);
}

#[test]
fn a_rehearsal_whose_window_was_over_goes_on_without_one() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(TURNS));
    let window = ["--start", "22:00", "--until", "22:05"];
    let (folder, said) = rehearse(scratch.path(), "run", &sequence, &window);
    assert_eq!(said.code, 4, "{}\n{}", said.stdout, said.stderr);
    let said = resume(&folder, &[]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    every_point_once(&intact(&folder));
}

#[test]
fn a_rehearsal_that_failed_goes_on_with_the_fault_taken_out_of_its_sequence() {
    let scratch = tempfile::tempdir().unwrap();
    let good = many_sweeps(TURNS);
    let bad =
        good.replace("        if decide(", "        if turn == 9 { throw \"a slip\"; }\n        if decide(");
    assert_ne!(good, bad);
    let sequence = write(scratch.path(), "many.rhai", &bad);
    let (folder, said) = rehearse(scratch.path(), "run", &sequence, &[]);
    assert_eq!(said.code, 1, "{}\n{}", said.stdout, said.stderr);
    // As it is it fails again at the same place.
    let said = resume(&folder, &[]);
    assert_eq!(said.code, 1, "{}\n{}", said.stdout, said.stderr);
    let sequence = write(scratch.path(), "many.rhai", &good);
    let said = resume(&folder, &["--sequence", text(&sequence)]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let file = intact(&folder);
    assert_eq!(outcomes(&file), [Outcome::Failed, Outcome::Failed, Outcome::Finished]);
    every_point_once(&file);
}

#[test]
fn nobody_resumes_a_rehearsal_that_is_going_on() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(400));
    let folder = scratch.path().join("run");
    let mut child = start(&["rehearse", text(&sequence), "--seed", "7", "--out", text(&folder), "--json"]);
    crate::interruptions::wait_until("it rehearses", Duration::from_secs(60), || rows(&folder) > 10);
    let said = resume(&folder, &[]);
    assert!(child.try_wait().unwrap().is_none(), "it came to its end too soon for this test");
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains(&format!("in use by process {}", child.id())), "{}", said.stderr);
    child.kill().unwrap();
    child.wait().unwrap();
}
