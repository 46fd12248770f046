//! Sweeps that decide, cut and taken up again: what their rules were asked is asked again in the same order, and no point
//! is measured twice or lost.

use crate::common::{say, text, write};
use crate::interruptions::{campaign, intact, kill_at_row, resume_to_end, rows, start};
use noctule::record::{Entry, RunFile};
use std::path::Path;
use std::time::Duration;

const TURNS: usize = 12;

/// Sweeps that end after 5, 6, … 9 of 30 points or after a pass in random order, with questions that are counted.
fn deciding() -> String {
    format!(
        r#"// Invented: sweeps that end when they have seen enough.
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
let asked = 0;
for turn in 0..{TURNS} {{
    let enough = 5 + turn % 5;
    let taken = sweep(#{{ name: "rule", channel: "Bias", from: 20.mV, to: 60.mV, points: 30, read: "Current", settle: 200.ms,
        along: #{{ channel: "Setpoint", from: 8.pA, to: 12.pA }},
        stop_after_point: |seen| {{ asked += 1; read("Current") < -1.nA || seen.points >= enough }} }});
    note(`turn ${{turn}}: ${{taken.points}} points, asked ${{asked}} times`);
    let passes = sweep(#{{ name: "passes", channel: "Bias", values: [20.mV, 30.mV, 50.mV], read: "Current", settle: 200.ms,
        passes: ["up", "random", "random", "down"],
        stop_after_pass: |seen| {{ asked += 100; seen.points >= 9 }} }});
    note(`turn ${{turn}}: ${{passes.points}} points, asked ${{asked}} times`);
}}
park();
"#
    )
}

/// Every sweep has its points once, ends where its rule said, and every note says what it would without a cut.
fn as_if_undisturbed(file: &RunFile) {
    let ends: Vec<u64> = file
        .all("sweep_end")
        .unwrap()
        .iter()
        .map(|n| match &n.entry {
            Entry::SweepEnd { points, because: Some(_), settings: Some(_), .. } => *points,
            other => panic!("{other:?}"),
        })
        .collect();
    let wanted: Vec<u64> = (0..TURNS as u64).flat_map(|turn| [5 + turn % 5, 9]).collect();
    assert_eq!(ends, wanted);
    for (sweep, points) in wanted.iter().enumerate() {
        let mut next = 0;
        file.points(sweep as u64, |point| {
            assert_eq!(point.i, next, "sweep {sweep}");
            next += 1;
        })
        .unwrap();
        assert_eq!(next, *points, "sweep {sweep}");
    }
    let mut asked = 0;
    let mut notes = Vec::new();
    for turn in 0..TURNS {
        asked += 5 + turn % 5;
        notes.push(format!("turn {turn}: {} points, asked {asked} times", 5 + turn % 5));
        asked += 300;
        notes.push(format!("turn {turn}: 9 points, asked {asked} times"));
    }
    let said = file.all("note").unwrap().into_iter().filter_map(|n| match n.entry {
        // What the engine itself says of the way back is none of the sequence's.
        Entry::Note { text, .. } if !text.starts_with("resume:") => Some(text),
        _ => None,
    });
    assert_eq!(said.collect::<Vec<_>>(), notes);
}

fn rehearse(sequence: &Path, folder: &Path, more: &[&str]) -> crate::common::Said {
    let mut arguments = vec!["rehearse", text(sequence), "--seed", "7", "--out", text(folder), "--json"];
    arguments.extend_from_slice(more);
    say(&arguments)
}

#[test]
fn a_sweep_with_a_rule_that_is_stopped_goes_on_at_its_next_point() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "deciding.rhai", &deciding());
    let folder = scratch.path().join("whole");
    let whole = rehearse(&sequence, &folder, &[]);
    assert_eq!(whole.code, 0, "{}\n{}", whole.stdout, whole.stderr);
    let file = intact(&folder);
    as_if_undisturbed(&file);
    let end_s = file.last_moment().unwrap().s();
    // Stopped by an operator and taken up again: what was answered comes from the record, then it goes live.
    for i in 0..campaign(4, 60) {
        let at_s = 30.0 + (end_s - 40.0) * (i as f64 + 0.5) / campaign(4, 60) as f64;
        let faults = format!(r#"Faults(faults: [Operator(at: "{at_s:.2} s", says: "stop")])"#);
        let faults = write(scratch.path(), "faults.ron", &faults);
        let folder = scratch.path().join(format!("stopped{i}"));
        let said = rehearse(&sequence, &folder, &["--faults", text(&faults)]);
        assert_eq!(said.code, 4, "at {at_s} s: {}\n{}", said.stdout, said.stderr);
        let said = say(&["resume", text(&folder), "--json"]);
        assert_eq!(said.code, 0, "at {at_s} s: {}\n{}", said.stdout, said.stderr);
        assert_eq!(said.json()["limit_violations"], 0);
        as_if_undisturbed(&intact(&folder));
    }
}

#[test]
fn a_killed_rehearsal_with_rules_ends_with_the_same_digest() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "deciding.rhai", &deciding());
    let folder = scratch.path().join("whole");
    let whole = rehearse(&sequence, &folder, &[]).json();
    let total = rows(&folder);
    for i in 0..campaign(2, 40) {
        let folder = scratch.path().join(format!("cut{i}"));
        let child = start(&["rehearse", text(&sequence), "--seed", "7", "--out", text(&folder), "--json"]);
        let row = total * (2 * i as u64 + 1) / (2 * campaign(2, 40) as u64);
        let over = kill_at_row(child, &folder, row, Duration::ZERO);
        // A late cut may fall between the last row and the end of the process: then nothing is left to resume.
        let ended = !RunFile::open(&folder.join("run.sqlite")).unwrap().all("end").unwrap().is_empty();
        if !over && !ended {
            let end = resume_to_end(&folder);
            assert_eq!(end["digest"], whole["digest"], "cut at row {row}");
        }
        as_if_undisturbed(&intact(&folder));
    }
}
