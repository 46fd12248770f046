//! Records that are damaged, edited, removed or copied, and benches that have changed: what is wrong is told before
//! anything moves, and nothing that must not happen twice does.

use crate::common::{noctule, say, text, write};
use crate::gate::Gates;
use crate::interruptions::{campaign, intact, rows, start, wait_until};
use crate::keeper::{is_free, keeper_of, signal};
use crate::lab::{Lab, wall_sweeps};
use crate::once::{PULSES, watched_lab};
use noctule::record::{Durability, RunFile, Store};
use noctule_sim::Signal;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::atomic::Ordering;
use std::time::Duration;

fn begin(lab: &Lab, sequence: &str, pace: &str) -> (PathBuf, Child) {
    let sequence = write(lab.scratch.path(), "sequence.rhai", sequence);
    let folder = lab.scratch.path().join("run");
    let run = ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(&folder), "--pace", pace];
    let child = start(&run);
    wait_until("it measures", Duration::from_secs(60), || rows(&folder) > 60);
    (folder, child)
}

/// A run whose runner was killed, and whose keeper has parked the bench.
fn killed(lab: &Lab) -> PathBuf {
    let (folder, mut child) = begin(lab, &wall_sweeps(400, 100), "100");
    child.kill().unwrap();
    child.wait().unwrap();
    wait_until("the keeper lets go", Duration::from_secs(30), || {
        RunFile::open(&folder.join("run.sqlite")).unwrap().ending().unwrap().is_some() && is_free(lab)
    });
    assert!(lab.is_parked());
    folder
}

#[test]
fn a_folder_that_is_removed_while_it_measures_parks_the_bench() {
    let lab =
        Lab::new(|bench| bench.replacen("messages: [],", "spare_folder: \"spare\",\n    messages: [],", 1));
    let (folder, mut child) = begin(&lab, &wall_sweeps(400, 100), "100");
    std::fs::remove_dir_all(&folder).unwrap();
    let took = wait_until("it ends", Duration::from_secs(15), || child.try_wait().unwrap().is_some());
    eprintln!("ended {took:?} after its folder was removed");
    assert_eq!(child.wait().unwrap().code(), Some(5));
    assert!(lab.is_parked());
    let kept = lab.scratch.path().join("spare").join(folder.file_name().unwrap()).join("run.sqlite");
    let file = intact(kept.parent().unwrap());
    assert!(file.next_seq().unwrap() > 60, "{}", kept.display());
}

#[test]
fn a_run_can_be_copied_at_any_time_and_its_main_file_alone_is_a_run_file() {
    let lab = Lab::new(|bench| bench);
    let (folder, mut child) = begin(&lab, &wall_sweeps(400, 100), "100");
    let alone = lab.scratch.path().join("alone.sqlite");
    std::fs::copy(folder.join("run.sqlite"), &alone).unwrap();
    assert!(RunFile::open(&alone).unwrap().identity().is_ok());
    let copy = lab.scratch.path().join("copy.sqlite");
    let said = say(&["copy", text(&folder), "--out", text(&copy)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_ne!(say(&["copy", text(&folder), "--out", text(&copy)]).code, 0, "it was written over");
    let file = RunFile::open(&copy).unwrap();
    assert!(file.check().unwrap().faults.is_empty());
    assert!(file.next_seq().unwrap() > 60);
    assert!(child.try_wait().unwrap().is_none(), "the run went on");
    signal(child.id(), "-TERM");
    assert_eq!(child.wait().unwrap().code(), Some(4));
}

fn refused(lab: &Lab, folder: &Path, why: &str) {
    let before = rows(folder);
    let said = say(&["resume", "--clear-by", "A", text(folder), "--pace", "100"]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains(why) && said.stderr.contains("nothing was moved"), "{}", said.stderr);
    assert!(lab.is_parked());
    assert_eq!(rows(folder), before);
}

#[test]
fn rows_and_texts_that_were_edited_are_told_before_anything_moves() {
    let lab = Lab::new(|bench| bench);
    let folder = killed(&lab);
    let edit = |sql: &str| {
        let file = rusqlite::Connection::open(folder.join("run.sqlite")).unwrap();
        assert_eq!(file.execute(sql, []).unwrap(), 1, "{sql}");
    };
    edit("UPDATE document SET text = replace(text, '500 mV', '900 mV') WHERE role = 'bench'");
    refused(&lab, &folder, "is not the one that was run");
    assert_eq!(say(&["salvage", text(&folder), "--json"]).code, 0);
    assert_eq!(RunFile::open(&folder.join("run.sqlite")).unwrap().check().unwrap().faults.len(), 1);
    edit("UPDATE document SET text = replace(text, '900 mV', '500 mV') WHERE role = 'bench'");
    edit("UPDATE point SET r0 = r0 + 1 WHERE seq = (SELECT min(seq) FROM point)");
    refused(&lab, &folder, "has been altered");
    edit("DELETE FROM point WHERE seq = (SELECT min(seq) FROM point)");
    refused(&lab, &folder, "is missing");
}

/// Cut in its first moments: the file is there, and no row.
#[test]
fn a_record_without_a_row_is_told_and_nothing_moves() {
    let lab = Lab::new(|bench| bench);
    let folder = lab.scratch.path().join("run");
    std::fs::create_dir(&folder).unwrap();
    let store = Store::create(&folder.join("run.sqlite"), Durability::PowerCut, &[]).unwrap();
    drop(store);
    let said = say(&["resume", "--clear-by", "A", text(&folder), "--pace", "100"]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("nothing is recorded in it yet; if its run was cut"), "{}", said.stderr);
    assert_eq!(rows(&folder), 0);
}

#[test]
fn a_bench_that_has_become_stricter_holds_and_is_told() {
    let lab = Lab::new(|bench| bench);
    let folder = killed(&lab);
    let bench = std::fs::read_to_string(&lab.bench).unwrap();
    // The sequence works at 60 mV.
    std::fs::write(&lab.bench, bench.replacen("max: \"500 mV\", step", "max: \"55 mV\", step", 1)).unwrap();
    let said = say(&["resume", "--clear-by", "A", text(&folder), "--pace", "100"]);
    assert_eq!(said.code, 5, "{}", said.stderr);
    for part in ["`bias` had", "it is held to", "55 mV", "could not be brought back"] {
        assert!(said.stderr.contains(part), "`{part}` is not in {}", said.stderr);
    }
    assert!(lab.is_parked());
    let resumed = intact(&folder).all("resumed").unwrap();
    assert!(format!("{resumed:?}").contains("held to"), "{resumed:?}");
}

/// From 60 mV to the 50 mV of the parked bench in steps of 5 mV, where the record would let it be one.
#[test]
fn a_keeper_parks_within_the_bench_that_has_become_stricter_and_one_that_could_not_is_refused() {
    let gates = Gates::default();
    let lab = Lab::new(|bench| gates.lead_through(&bench));
    let folder = killed(&lab);
    let bench = std::fs::read_to_string(&lab.bench).unwrap();
    // Sound by itself, since it parks at 30 mV; the record parks at 50 mV, which would be beyond the new limit.
    let lower = bench.replacen("max: \"500 mV\", step", "max: \"40 mV\", step", 1);
    std::fs::write(&lab.bench, lower.replace("to: \"50 mV\"", "to: \"30 mV\"")).unwrap();
    refused(&lab, &folder, "a safe state needs `bias` at 50 mV");
    std::fs::write(&lab.bench, bench.replacen("step: \"20 mV\"", "step: \"5 mV\"", 1)).unwrap();
    let mut child = start(&["resume", "--clear-by", "A", text(&folder), "--pace", "100"]);
    let measured = rows(&folder) + 200;
    wait_until("it measures again", Duration::from_secs(60), || rows(&folder) > measured);
    let before = gates.heard("SOUR:VOLT ").len();
    child.kill().unwrap();
    child.wait().unwrap();
    wait_until("the keeper has parked", Duration::from_secs(20), || lab.is_parked() && is_free(&lab));
    let sent: Vec<f64> = gates.heard("SOUR:VOLT ")[before..].iter().map(|v| v.parse().unwrap()).collect();
    // The lock-in has the same header for its modulation, which parking brings to zero.
    let wanted = [0.055, 0.050, 0.0];
    assert_eq!(sent.len(), wanted.len(), "{sent:?}");
    assert!(sent.iter().zip(wanted).all(|(sent, wanted)| (sent - wanted).abs() < 1e-6), "{sent:?}");
}

/// Runner and keeper die at a pulse, as in a power cut, and the side file of the record loses its end.
#[test]
fn a_pulse_that_a_damaged_record_has_lost_is_not_repeated() {
    let (lab, between) = watched_lab();
    let sequence = write(lab.scratch.path(), "pulse.rhai", PULSES);
    let folder = lab.scratch.path().join("cut");
    let run = ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(&folder), "--pace", "20"];
    let mut child = start(&run);
    wait_until("it has a keeper", Duration::from_secs(20), || rows(&folder) > 2);
    let keeper = keeper_of(&folder);
    between.victim.store(child.id(), Ordering::SeqCst);
    wait_until("it is about to", Duration::from_secs(60), || {
        RunFile::open(&folder.join("run.sqlite")).unwrap().all("note").unwrap().len() == 1
    });
    signal(keeper, "-STOP");
    assert!(!child.wait().unwrap().success());
    signal(keeper, "-KILL");
    assert_eq!(between.pulses(), 1);
    wait_until("nobody holds it", Duration::from_secs(10), || is_free(&lab));
    let side = std::fs::read(folder.join("run.sqlite-wal")).unwrap();
    let (mut lost, cuts) = (0, campaign(20, 200));
    for cut in 0..=cuts {
        let copy = lab.scratch.path().join(format!("damaged{cut}"));
        std::fs::create_dir(&copy).unwrap();
        for name in ["run.sqlite", "run.acts"] {
            std::fs::copy(folder.join(name), copy.join(name)).unwrap();
        }
        let mut damaged = side.clone();
        let from = damaged.len() * cut / cuts;
        damaged[from..].fill(0x5a);
        std::fs::write(copy.join("run.sqlite-wal"), damaged).unwrap();
        let said = say(&["resume", "--clear-by", "A", text(&copy), "--pace", "20"]);
        assert_eq!(said.code, 2, "{cut}: {}", said.stderr);
        lost += usize::from(said.stderr.contains("the record has lost that row"));
        assert!(said.stderr.contains("--treat-as"), "{}", said.stderr);
        assert_eq!(between.pulses(), 1);
    }
    eprintln!("{lost} of {} damaged records had lost the pulse", cuts + 1);
    assert!(lost >= 2);
}

/// Somebody turns the bias at the instrument while the sequence waits, again and again.
#[test]
fn steps_count_from_where_a_channel_reads_after_somebody_has_moved_it() {
    let gates = Gates::default();
    let lab = Lab::new(|bench| gates.lead_through(&bench));
    let times = campaign(2, 32);
    let sequence = format!(
        "set(\"Bias\", 400.mV);\nfor i in 0..{times} {{ note(\"somebody comes\"); wait(300.s); set(\"Bias\", 410.mV); }}\n"
    );
    let sequence = write(lab.scratch.path(), "sequence.rhai", &sequence);
    let folder = lab.scratch.path().join("run");
    let run = ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(&folder), "--pace", "100"];
    let mut child = noctule().args(run).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let mut moved = Vec::new();
    for time in 1..=times {
        wait_until("it waits", Duration::from_secs(60), || {
            RunFile::open(&folder.join("run.sqlite"))
                .and_then(|file| file.all("note"))
                .is_ok_and(|all| all.len() >= time)
        });
        // Up and down, near and far, to both signs.
        let to_v = 0.49 * (time as f64 * 2.4).sin();
        lab.mimic.with_microscope(|microscope| microscope.set(Signal::Bias, to_v).unwrap());
        moved.push((gates.heard("SOUR:VOLT ").len(), to_v));
    }
    assert_eq!(child.wait().unwrap().code(), Some(0));
    let sent: Vec<f64> = gates.heard("SOUR:VOLT ").iter().map(|v| v.parse().unwrap()).collect();
    for (i, (before, to_v)) in moved.iter().enumerate() {
        let after = moved.get(i + 1).map_or(sent.len(), |(next, _)| *next);
        let mut stands = *to_v;
        // Until it has arrived; what follows the last time is parking.
        for value in &sent[*before..after] {
            if (stands - 0.41_f64).abs() < 1e-9 {
                break;
            }
            assert!((value - stands).abs() <= 0.02 + 1e-9, "time {i}: from {stands} to {value} in one step");
            stands = *value;
        }
        assert!((stands - 0.41).abs() < 1e-9, "time {i}: it came to {stands}");
    }
}
