//! The shipped night: it finishes, it repeats bit for bit, and the moment that it finds is the world's.

use crate::common::{say, text};
use noctule::drive::virtual_time::Nobody;
use noctule::record::{Durability, Entry, JudgementKind, RunFile, Store};
use noctule::run::{BenchSource, Setup, rehearse};
use noctule::script::Sequence;
use std::path::Path;
use std::sync::Mutex;

const NIGHT: &str = "scripts/overnight_field_sweep.rhai";
/// Moment of the adatoms in the shipped world: half of g along z, 1.79.
const MOMENT_MU_B: f64 = 0.895;

#[test]
fn a_newcomer_sees_a_whole_night_and_the_same_one_again() {
    let folder = tempfile::tempdir().unwrap();
    let run = |name: &str| {
        let out = folder.path().join(name);
        let said = say(&["rehearse", NIGHT, "--json", "--out", text(&out)]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        said.json()
    };
    let first = run("first");
    assert_eq!(first["outcome"], "finished");
    assert_eq!(first["limit_violations"], 0);
    assert_eq!(first["parked"], true);
    assert!(first["virtual_s"].as_f64().unwrap() > 3.0 * 3600.0, "{}", first["virtual_s"]);
    assert!(first["sweeps"].as_u64().unwrap() >= 19);
    assert!(first["points"].as_u64().unwrap() > 2000);
    assert!(first["helium_used_l"].as_f64().unwrap() > 0.0);
    let results = first["results"].as_array().unwrap().iter();
    let verdict = results.filter_map(|r| r.as_str()).rfind(|r| r.starts_with("verdict"));
    assert!(verdict.unwrap().starts_with("verdict: real"), "{verdict:?}");

    let second = run("second");
    assert_eq!(first["digest"], second["digest"], "the same seed gives the same night, bit for bit");
    let file = RunFile::open(&folder.path().join("first/run.sqlite")).unwrap();
    let integrity = file.check().unwrap();
    assert_eq!(integrity.faults, Vec::<String>::new());
    assert_eq!(integrity.digest, first["digest"].as_str().unwrap(), "the file itself gives the digest again");
}

/// The last proved law of a night with a seed: moment and its standard error.
fn moment(seed: u64, folder: &Path) -> (f64, f64) {
    let sequence = Sequence::load(Path::new(NIGHT)).unwrap();
    let setup = Setup::for_rehearsal(sequence, BenchSource::load(None).unwrap(), None, seed, None).unwrap();
    let path = folder.join(format!("{seed}.sqlite"));
    let store = Store::create(&path, Durability::ProcessEnd, &setup.documents()).unwrap();
    let done = rehearse(&setup, Box::new(store), Box::new(Nobody), "2026-01-01T22:00:00+00:00[UTC]");
    assert_eq!(done.oracle.violations, 0, "{:?}", done.oracle.first);
    let lines = RunFile::open(&path).unwrap().all("judgement").unwrap();
    let last = lines.into_iter().rev().find_map(|n| match n.entry {
        Entry::Judgement { what: JudgementKind::Verdict, body, .. } if body["law"].is_object() => Some(body),
        _ => None,
    });
    let last = last.unwrap_or_else(|| panic!("seed {seed} has no proved law: {:?}", done.script));
    let number = |key: &str| last["law"][key].as_f64().unwrap();
    (number("moment_mu_b"), number("moment_error"))
}

#[test]
fn twenty_nights_agree_with_the_world() {
    let folder = tempfile::tempdir().unwrap();
    let found = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for worker in 0..2_u64 {
            let (found, folder) = (&found, folder.path());
            let work = move || {
                for seed in (1..=20).filter(|seed| seed % 2 == worker) {
                    let (value, error) = moment(seed, folder);
                    found.lock().unwrap().push((seed, (value - MOMENT_MU_B) / error, value, error));
                }
            };
            std::thread::Builder::new().stack_size(8 << 20).spawn_scoped(scope, work).unwrap();
        }
    });
    let mut found = found.into_inner().unwrap();
    found.sort_by_key(|f| f.0);
    for (seed, pull, value, error) in &found {
        println!("seed {seed:2}: {value:.5} ± {error:.5} μB, {pull:+.2} errors from the world");
    }
    assert_eq!(found.len(), 20);
    let outliers: Vec<_> = found.iter().filter(|f| f.1.abs() > 3.0).collect();
    assert!(outliers.len() <= 1, "more than one of twenty lies beyond three errors: {outliers:?}");
    assert!(found.iter().all(|f| (f.2 - MOMENT_MU_B).abs() < 0.002), "no night is far off");
}

#[test]
fn every_shipped_sequence_is_rehearsed_with_the_result_it_should_find() {
    let folder = tempfile::tempdir().unwrap();
    let background = folder.path().join("background");
    let said = say(&[
        "rehearse",
        "scripts/background.rhai",
        "--start",
        "12:00",
        "--until",
        "13:30",
        "--json",
        "--out",
        text(&background),
    ]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let json = said.json();
    assert!(json["virtual_s"].as_f64().unwrap() < 5400.0, "it is over in time");
    assert!(json["sweeps"].as_u64().unwrap() >= 8, "{json}");
}

#[test]
fn a_finished_night_can_be_judged_anew_with_other_settings() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("night");
    let said = say(&["rehearse", NIGHT, "--json", "--out", text(&out)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let kept = say(&["brief", text(&out)]);
    assert!(kept.stdout.contains("Verdict: REAL"), "{}", kept.stdout);
    // Only other moments are looked for, so what is there is not found.
    let anew = say(&["brief", text(&out), "--rejudge", "g_to=1.5"]);
    assert_eq!(anew.code, 0, "{}", anew.stderr);
    assert!(!anew.stdout.contains("Verdict: REAL"), "{}", anew.stdout);
    let wrong = say(&["brief", text(&out), "--rejudge", "larjest=1"]);
    assert_eq!(wrong.code, 2);
    assert!(wrong.stderr.contains("larjest"), "{}", wrong.stderr);
}
