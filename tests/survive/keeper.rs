//! Runs over TCP that are killed at any moment: the keeper parks the bench, nothing acknowledged is missing,
//! and resumed to the end the run has every point exactly once.
//!
//! `NOCTULE_CAMPAIGN=full` kills 200 times, and 100 times at real pace; a number kills so many times.

use crate::common::{say, text, write};
use crate::interruptions::{campaign, intact, kill_at_row, rows, start_with_words, sweeps, wait_until};
use crate::lab::{Lab, wall_sweeps};
use noctule::record::{Outcome, RunFile};
use noctule::run::lock;
use noctule_sim::Signal;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::Path;
use std::time::Duration;

const PACE: &str = "100";

fn run_arguments<'a>(sequence: &'a Path, bench: &'a Path, folder: &'a Path) -> Vec<&'a str> {
    vec!["run", text(sequence), "--bench", text(bench), "--out", text(folder), "--pace", PACE, "--json"]
}

#[test]
fn an_undisturbed_run_over_tcp_finishes_and_its_keeper_goes_quietly() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "short.rhai", &wall_sweeps(3, 20));
    let folder = lab.scratch.path().join("run");
    let said = say(&run_arguments(&sequence, &lab.bench, &folder));
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    eprintln!("{}", said.stdout);
    assert!(lab.is_parked());
    assert_eq!(said.json()["points"], 60);
    let file = intact(&folder);
    assert_eq!(file.all("end").unwrap().len(), 1);
    assert!(!folder.join("keeper.json").exists());
}

/// Every sweep has every point of its plan exactly once.
fn every_point_once(folder: &Path, turns: usize, points: usize) {
    let file = intact(folder);
    let tables = sweeps(&file);
    assert_eq!(tables.len(), turns);
    for table in tables {
        assert_eq!(table.x.len(), points, "sweep {}", table.sweep);
        assert!(table.x.windows(2).all(|pair| pair[1] > pair[0]), "sweep {} has points twice", table.sweep);
        let mut next = 0;
        file.points(table.sweep, |point| {
            assert_eq!(point.i, next);
            next += 1;
        })
        .expect("points");
    }
    assert_eq!(file.all("sweep_end").expect("ends").len(), turns);
}

/// Sweeps that the sequence was told are done must be in the record, to their last point.
fn nothing_acknowledged_is_missing(folder: &Path, words: &Path, points: usize) -> usize {
    let file = intact(folder);
    let told = std::fs::read_to_string(words).expect("words");
    let acknowledged =
        told.lines().filter_map(|line| line.strip_prefix("sweep ")?.strip_suffix(" is acknowledged"));
    let mut count = 0;
    for sweep in acknowledged {
        let sweep: u64 = sweep.parse().expect("a number");
        assert_eq!(file.sweep(sweep).expect("the sweep").x.len(), points, "sweep {sweep} was acknowledged");
        count += 1;
    }
    count
}

#[test]
fn a_killed_run_is_parked_by_its_keeper_and_goes_on_with_every_point_once() {
    const TURNS: usize = 6;
    const POINTS: usize = 40;
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "short.rhai", &wall_sweeps(TURNS, POINTS));
    let undisturbed = lab.scratch.path().join("undisturbed");
    let said = say(&run_arguments(&sequence, &lab.bench, &undisturbed));
    assert_eq!(said.code, 0, "{}", said.stderr);
    every_point_once(&undisturbed, TURNS, POINTS);
    let total = rows(&undisturbed);

    let seed = std::env::var("NOCTULE_CAMPAIGN_SEED").ok().and_then(|seed| seed.parse().ok());
    let mut random = ChaCha8Rng::seed_from_u64(seed.unwrap_or(3));
    let (mut slowest, mut cut, mut acknowledged) = (Duration::ZERO, 0, 0);
    for i in 0..campaign(4, 200) {
        let folder = lab.scratch.path().join(format!("cut{i}"));
        let words = lab.scratch.path().join(format!("words{i}"));
        let child = start_with_words(&run_arguments(&sequence, &lab.bench, &folder), &words);
        let row = 1 + random.random_range(0..total);
        let later = Duration::from_micros(random.random_range(0..5000));
        let mut over = kill_at_row(child, &folder, row, later);
        cut += usize::from(!over);
        // One resume in three is killed as well.
        while !over {
            let took = wait_until("the keeper parks", Duration::from_secs(5), || lab.is_parked());
            slowest = slowest.max(took);
            assert!(took < Duration::from_secs(2), "parking took {took:?}");
            acknowledged += nothing_acknowledged_is_missing(&folder, &words, POINTS);
            wait_until("the keeper writes it down", Duration::from_secs(20), || {
                let ending = RunFile::open(&folder.join("run.sqlite")).and_then(|file| file.ending());
                matches!(ending, Ok(Some((ending, true))) if ending.outcome == Outcome::Fault)
                    && is_free(&lab)
            });
            let resume = ["resume", "--clear-by", "A", text(&folder), "--pace", PACE, "--json"];
            if random.random_bool(0.3) {
                let row = rows(&folder) + random.random_range(0..total);
                over = kill_at_row(start_with_words(&resume, &words), &folder, row, later);
            } else {
                let said = say(&resume);
                assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
                let told = said.json();
                assert_eq!((&told["points"], &told["sweeps"]), (&(TURNS * POINTS).into(), &TURNS.into()));
                over = true;
            }
        }
        every_point_once(&folder, TURNS, POINTS);
        std::fs::remove_dir_all(&folder).expect("its own folder");
    }
    eprintln!(
        "{cut} runs were cut, parked after {slowest:?} at most, {acknowledged} sweeps had been acknowledged"
    );
    assert!(cut > 0);
}

/// As much time as a real microscope takes: nothing is paced.
#[test]
fn a_run_killed_at_real_pace_is_parked_within_two_seconds() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "long.rhai", &wall_sweeps(60, 100));
    let count = campaign(2, 100);
    let mut random = ChaCha8Rng::seed_from_u64(6);
    let mut took = Vec::new();
    let mut approached = 0;
    for i in 0..count {
        let folder = lab.scratch.path().join(format!("killed{i}"));
        let run = ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(&folder), "--json"];
        let words = lab.scratch.path().join(format!("words{i}"));
        let mut child = start_with_words(&run, &words);
        wait_until("something has moved", Duration::from_secs(60), || !lab.is_parked());
        // The campaign comes into the sweeps; two kills are for the way there as well.
        let life = Duration::from_secs_f64(random.random::<f64>() * if count > 2 { 45.0 } else { 5.0 });
        std::thread::sleep(life);
        approached += usize::from(lab.read(Signal::Approached) > 0.5);
        child.kill().unwrap();
        let parked_after = wait_until("the keeper parks", Duration::from_secs(20), || lab.is_parked());
        assert!(!child.wait().unwrap().success());
        took.push(parked_after);
        wait_until("the keeper writes it down", Duration::from_secs(20), || is_free(&lab));
        let (ending, parked) = intact(&folder).ending().unwrap().expect("an end");
        assert!(parked && ending.outcome == Outcome::Fault, "{ending:?}");
        std::fs::remove_dir_all(&folder).unwrap();
    }
    took.sort();
    let (middle, slowest) = (took[took.len() / 2], took[took.len() - 1]);
    eprintln!(
        "{count} runs were killed at pace 1, {approached} of them with the tip in range: parked after {middle:?} in the \
         middle, {slowest:?} at most"
    );
    assert!(slowest < Duration::from_secs(2), "parking took {slowest:?}");
}

/// Whether nobody holds the instruments of the bench.
pub fn is_free(lab: &Lab) -> bool {
    let text = std::fs::read_to_string(&lab.bench).expect("the bench");
    let (bench, _) = noctule::bench::read(&text, "bench.ron").expect("a good bench");
    let me = lock::Holder::me(lock::Role::Runner, "a test");
    lock::take(&lock::Instruments::of(&bench, lab.scratch.path()), &me).is_ok()
}

/// Sends a signal to one process.
pub fn signal(pid: u32, name: &str) {
    let sent = std::process::Command::new("kill").args([name, &pid.to_string()]).status();
    assert!(sent.expect("kill").success());
}

/// A run that has come into its sweeps.
fn running(lab: &Lab, name: &str) -> (std::process::Child, std::path::PathBuf) {
    let sequence = write(lab.scratch.path(), "long.rhai", &wall_sweeps(60, 100));
    let folder = lab.scratch.path().join(name);
    let words = lab.scratch.path().join(format!("{name}_words"));
    let child = start_with_words(&run_arguments(&sequence, &lab.bench, &folder), &words);
    wait_until("the run measures", Duration::from_secs(20), || rows(&folder) > 60);
    (child, folder)
}

/// The keeper of a run, found by its arguments.
pub fn keeper_of(folder: &Path) -> u32 {
    find_keeper(folder).expect("the run has a keeper")
}

/// The keeper of a run, if it has one.
pub fn find_keeper(folder: &Path) -> Option<u32> {
    let marks = ["keeper".to_owned(), text(folder).to_owned()];
    for entry in std::fs::read_dir("/proc").expect("processes").flatten() {
        let Ok(pid) = entry.file_name().to_string_lossy().parse::<u32>() else { continue };
        let line = std::fs::read(entry.path().join("cmdline")).unwrap_or_default();
        let line: Vec<String> =
            line.split(|byte| *byte == 0).map(|part| String::from_utf8_lossy(part).into_owned()).collect();
        if marks.iter().all(|mark| line.contains(mark)) {
            return Some(pid);
        }
    }
    None
}

#[test]
fn a_run_that_hangs_is_ended_and_parked_by_its_keeper() {
    let lab = Lab::new(|bench| bench);
    let (mut child, folder) = running(&lab, "hung");
    signal(child.id(), "-STOP");
    let took = wait_until("the keeper parks", Duration::from_secs(10), || lab.is_parked());
    // The bench's patience is one second, and the runner gets a moment more.
    assert!(took > Duration::from_millis(900) && took < Duration::from_secs(4), "{took:?}");
    assert!(!child.wait().expect("a child").success());
    wait_until("the keeper writes it down", Duration::from_secs(20), || is_free(&lab));
    let (ending, parked) = intact(&folder).ending().unwrap().expect("an end");
    assert!(parked && ending.reason.contains("no sign of life"), "{ending:?}");
}

#[test]
fn a_keeper_that_cannot_write_the_run_file_writes_beside_it() {
    let lab = Lab::new(|bench| bench);
    let (mut child, folder) = running(&lab, "lost");
    std::fs::rename(folder.join("run.sqlite"), folder.join("elsewhere")).unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    wait_until("the keeper parks", Duration::from_secs(2), || lab.is_parked());
    wait_until("the keeper writes", Duration::from_secs(20), || {
        is_free(&lab) && folder.join("keeper.json").exists()
    });
    let told: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("keeper.json")).unwrap()).unwrap();
    assert_eq!(told["parked"], true, "{told}");
    assert!(told["run_file"].as_str().unwrap().contains("run file"), "{told}");
    assert!(told["entries"].as_array().unwrap().iter().any(|e| e["entry"]["step"] == "withdraw"));
}

#[test]
fn a_run_that_loses_its_keeper_parks_or_goes_on_as_the_bench_says() {
    let lab = Lab::new(|bench| bench);
    let (mut child, folder) = running(&lab, "parks");
    // A lost keeper is replaced, but not for ever.
    assert_eq!(kill_keepers(&mut child, &folder), Some(5));
    assert!(lab.is_parked());
    let (ending, parked) = intact(&folder).ending().unwrap().expect("an end");
    assert!(parked && ending.reason.contains("keeper"), "{ending:?}");

    let lab = Lab::new(|bench| bench.replace("park_if_lost: true", "park_if_lost: false"));
    let (mut child, folder) = running(&lab, "goes_on");
    for lost in 1..=3 {
        signal(keeper_of(&folder), "-KILL");
        wait_until("it is noticed", Duration::from_secs(10), || {
            RunFile::open(&folder.join("run.sqlite")).unwrap().all("fault").unwrap().len() == lost
        });
    }
    let before = rows(&folder);
    wait_until("the run goes on", Duration::from_secs(20), || rows(&folder) > before + 200);
    signal(child.id(), "-TERM");
    assert_eq!(child.wait().unwrap().code(), Some(4));
    assert!(lab.is_parked());
    assert_eq!(intact(&folder).all("fault").unwrap().len(), 3);
}

/// Kills every keeper that comes up, until the run has ended.
fn kill_keepers(child: &mut std::process::Child, folder: &Path) -> Option<i32> {
    let mut killed = 0;
    wait_until("the run ends", Duration::from_secs(60), || {
        if let Some(keeper) = find_keeper(folder) {
            // It may be gone already.
            let _ = std::process::Command::new("kill").args(["-KILL", &keeper.to_string()]).status();
            killed += 1;
        }
        std::thread::sleep(Duration::from_millis(500));
        child.try_wait().unwrap().is_some()
    });
    eprintln!("{killed} keepers were killed");
    child.wait().unwrap().code()
}
