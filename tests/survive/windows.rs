//! A run that is taken up again with another window: it holds from there on, stays in the record, and changes nothing
//! of what makes a rehearsal the same each time.

use crate::common::{Said, say, text, write};
use crate::interruptions::{intact, kill_at_row, many_sweeps, rows, start, wait_until};
use crate::lab::{Lab, wall_sweeps};
use noctule::record::{Entry, NewWindow, Outcome, RunFile};
use std::path::{Path, PathBuf};
use std::time::Duration;

const TURNS: usize = 60;

/// Many sweeps that don't say how long they take, so that none is left out.
fn sequence(scratch: &Path) -> PathBuf {
    let said = "#{ time: 1.min }, ";
    assert!(many_sweeps(TURNS).contains(said));
    write(scratch, "many.rhai", &many_sweeps(TURNS).replace(said, ""))
}

fn rehearse(scratch: &Path, more: &[&str]) -> PathBuf {
    let sequence = sequence(scratch);
    let folder = scratch.join("run");
    let mut arguments = vec!["rehearse", text(&sequence), "--seed", "7", "--out", text(&folder), "--json"];
    arguments.extend_from_slice(&["--start", "22:00"]);
    arguments.extend_from_slice(more);
    assert_ne!(say(&arguments).code, 2);
    folder
}

fn resume(folder: &Path, more: &[&str]) -> Said {
    let mut arguments = vec!["resume", text(folder), "--json"];
    arguments.extend_from_slice(more);
    let said = say(&arguments);
    eprintln!("{}", said.stderr);
    said
}

/// A copy of a run folder, with what a kill has left beside the file.
fn copy(from: &Path, to: &Path) -> PathBuf {
    std::fs::create_dir(to).unwrap();
    for file in std::fs::read_dir(from).unwrap() {
        let file = file.unwrap();
        std::fs::copy(file.path(), to.join(file.file_name())).unwrap();
    }
    to.to_owned()
}

/// How each life ended, and when.
fn ends(file: &RunFile) -> Vec<(Outcome, f64)> {
    let ends = file.all("end").unwrap().into_iter();
    ends.filter_map(|n| match n.entry {
        Entry::End { ending, elapsed_s, .. } => Some((ending.outcome, elapsed_s)),
        _ => None,
    })
    .collect()
}

fn windows(file: &RunFile) -> Vec<Option<NewWindow>> {
    let resumed = file.all("resumed").unwrap().into_iter();
    resumed
        .filter_map(|n| if let Entry::Resumed { window, .. } = n.entry { Some(window) } else { None })
        .collect()
}

#[test]
fn a_rehearsal_whose_window_is_over_gets_another_and_keeps_it() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = rehearse(scratch.path(), &["--until", "22:05"]);
    let frontier = rows(&folder);
    assert!(matches!(ends(&intact(&folder))[..], [(Outcome::Stopped, end_s)] if end_s <= 300.0));
    let cut = copy(&folder, &scratch.path().join("cut"));

    // Its clock shows about 22:04 where it goes on.
    let said = resume(&folder, &["--until", "22:12"]);
    assert_eq!(said.code, 4, "{}", said.stdout);
    let file = intact(&folder);
    assert!(
        matches!(ends(&file)[1], (Outcome::Stopped, end_s) if (500.0..=720.0).contains(&end_s)),
        "{:?}",
        ends(&file)
    );
    let window = windows(&file)[0].clone().expect("the record has it");
    assert!((window.end_s - 720.0).abs() < 1.0 && window.until.contains("T22:12:00"), "{window:?}");
    let digest = said.json()["digest"].clone();

    // Killed on the way, it goes on in the window that was given last, and ends as if nothing had been. A rehearsal is quick:
    // it may have come to its end before it was killed, and is tried once more then.
    let row = frontier + (rows(&folder) - frontier) / 3;
    let killed = (0..20).map(|turn| copy(&cut, &scratch.path().join(format!("cut {turn}")))).find(|cut| {
        let arguments = ["resume", text(cut), "--json", "--until", "22:12"];
        !kill_at_row(start(&arguments), cut, row, Duration::ZERO) && ends(&intact(cut)).len() == 1
    });
    let cut = killed.expect("one of twenty is killed on the way");
    let again = resume(&cut, &[]);
    assert_eq!((again.code, &again.json()["digest"]), (4, &digest));
    let given: Vec<bool> = windows(&intact(&cut)).iter().map(Option::is_some).collect();
    assert_eq!(given, [true, false]);

    // That one is over too: without another the rest is done without one.
    let said = resume(&folder, &[]);
    assert_eq!(said.code, 0, "{}", said.stdout);
    let outcomes: Vec<Outcome> = ends(&intact(&folder)).into_iter().map(|end| end.0).collect();
    assert_eq!(outcomes, [Outcome::Stopped, Outcome::Stopped, Outcome::Finished]);
}

#[test]
fn a_window_given_in_the_middle_of_a_life_repeats_to_the_bit() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = sequence(scratch.path());
    let folder = scratch.path().join("run");
    let began =
        ["rehearse", text(&sequence), "--seed", "7", "--start", "22:00", "--out", text(&folder), "--json"];
    assert!(!kill_at_row(start(&began), &folder, 700, Duration::ZERO), "it came to its end");
    let (first, second) =
        (copy(&folder, &scratch.path().join("a")), copy(&folder, &scratch.path().join("b")));

    let whole = resume(&first, &["--until", "30 min"]);
    assert_eq!(whole.code, 4, "{}", whole.stdout);
    // A window in the middle of the life, and another in the middle of that: each holds from its own place on.
    for until in ["30 min", "12 h"] {
        let arguments = ["resume", text(&second), "--json", "--until", until];
        let row = rows(&second) + 150;
        assert!(!kill_at_row(start(&arguments), &second, row, Duration::ZERO), "it came to its end");
    }
    assert_eq!(windows(&intact(&second)).len(), 2);
    let third = copy(&second, &scratch.path().join("c"));
    let done = resume(&second, &[]);
    assert_eq!(done.code, 0, "the latest window is long enough: {}", done.stdout);
    assert_eq!(resume(&third, &[]).json()["digest"], done.json()["digest"]);
    // Without any window it ends with the same digest: a window that never ends a life is no part of what happened.
    assert_eq!(resume(&folder, &[]).json()["digest"], done.json()["digest"]);
}

#[test]
fn a_window_that_is_over_already_is_refused_and_one_that_only_parks_parks() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = rehearse(scratch.path(), &["--until", "22:05"]);
    let kept = rows(&folder);
    for until in ["22:01 today", "soon"] {
        assert_eq!(resume(&folder, &["--until", until]).code, 2, "{until}");
        assert_eq!(rows(&folder), kept);
    }
    let said = resume(&folder, &["--until", "20 s"]);
    assert_eq!(said.code, 4, "{}", said.stdout);
    let ends = ends(&intact(&folder));
    assert!(ends[1].1 - ends[0].1 < 60.0, "it is not begun where there is time for parking only: {ends:?}");
}

#[test]
fn a_measurement_whose_window_is_over_asks_for_another() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "short.rhai", &wall_sweeps(14, 40));
    let folder = lab.scratch.path().join("run");
    let paced = ["--pace", "50"];
    let mut arguments =
        vec!["run", text(&sequence), "--json", "--bench", text(&lab.bench), "--out", text(&folder)];
    arguments.extend(["--until", "4 min"].iter().chain(&paced));
    let said = say(&arguments);
    assert_eq!(said.code, 4, "{}\n{}", said.stdout, said.stderr);
    // Four minutes at that pace are five seconds.
    wait_until("the window is over", Duration::from_secs(30), || {
        let said = resume(&folder, &paced);
        said.code == 2 && said.stderr.contains("--until gives it a new one")
    });
    let said = resume(&folder, &[&["--until", "2 h", "--clear-by", "A"], &paced[..]].concat());
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let file = intact(&folder);
    assert!(windows(&file).iter().any(Option::is_some));
    assert_eq!(ends(&file).last().unwrap().0, Outcome::Finished);
    assert!(lab.is_parked());
}
