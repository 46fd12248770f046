//! Instruments that are away when the bench has to be parked: somebody tries until they are back, whoever is killed.

use crate::common::{noctule, say, text, write};
use crate::everything::EVERYTHING;
use crate::gate::Gates;
use crate::interruptions::{campaign, intact, rows, start, sweeps, try_all, wait_until};
use crate::keeper::{find_keeper, is_free, keeper_of, signal};
use crate::lab::{Lab, wall_sweeps};
use noctule::record::{Outcome, RunFile};
use noctule_sim::Signal;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

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
    let said = say(&["resume", "--clear-by", "A", text(folder), "--pace", "50", "--json"]);
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
    let log = std::fs::read_to_string(folder.join("keeper_log.txt")).unwrap_or_default();
    let keeper: u32 = find_keeper(&folder).unwrap_or_else(|| panic!("no keeper: {log}"));
    for word in ["-TERM", "-INT", "-HUP"] {
        signal(keeper, word);
    }
    let told = say(&["stop", text(&folder)]);
    assert!(told.code == 0 && told.stdout.contains("goes on trying"), "{}{}", told.stdout, told.stderr);
    std::thread::sleep(Duration::from_secs(1));
    assert!(!is_free(&lab), "neither a signal nor a plain stop gives it up");
    let told = say(&["stop", text(&folder), "--leave-as-is"]);
    assert!(told.code == 0 && told.stdout.contains("ends as not parked"), "{}{}", told.stdout, told.stderr);
    wait_until("it has gone", Duration::from_secs(20), || is_free(&lab));
    let (_, parked) = intact(&folder).ending().unwrap().expect("an end");
    assert!(!parked);
    let words = intact(&folder).all("operator").unwrap();
    assert!(format!("{words:?}").contains("LeaveAsIs"), "{words:?}");
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
        let said = say(&["resume", "--clear-by", "A", text(&folder), "--pace", "100", "--json"]);
        assert_eq!(said.code, 0, "after {life} ms: {}\n{}", said.stdout, said.stderr);
        assert_eq!(said.json()["points"], 160);
        assert!(lab.is_parked());
    }
}

/// What is done to the processes of a run while its links are away.
const DEEDS: [&str; 8] = [
    "nothing",
    "runner killed",
    "keeper killed",
    "both killed",
    "runner stopped",
    "keeper stopped",
    "told to end",
    "both told to end",
];

fn do_deed(deed: &str, child: &mut Child, folder: &Path) {
    let keeper = find_keeper(folder);
    let tell_keeper = |word: &str| keeper.iter().for_each(|pid| signal(*pid, word));
    match deed {
        "runner killed" => child.kill().unwrap(),
        "keeper killed" => tell_keeper("-KILL"),
        "both killed" => {
            tell_keeper("-STOP");
            child.kill().unwrap();
            tell_keeper("-KILL");
        }
        "runner stopped" => signal(child.id(), "-STOP"),
        "keeper stopped" => tell_keeper("-STOP"),
        "told to end" => signal(child.id(), "-TERM"),
        "both told to end" => {
            signal(child.id(), "-TERM");
            tell_keeper("-TERM");
        }
        _ => {}
    }
}

/// How one outage went: whether the run rode it out, and how long after the links were back the bench was safe.
fn one_outage(number: usize) -> (&'static str, Option<Duration>) {
    let mut random = ChaCha8Rng::seed_from_u64(1000 + number as u64);
    let gates = Gates::default();
    let lab = Lab::new(|bench| gates.lead_through(&bench));
    let sequence = write(lab.scratch.path(), "all.rhai", EVERYTHING);
    let folder = lab.scratch.path().join("run");
    let run =
        ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(&folder), "--pace", OUTAGE_PACE];
    let mut child = start(&run);
    let row = random.random_range(12..270);
    wait_until("a moment", Duration::from_secs(60), || {
        rows(&folder) >= row || child.try_wait().unwrap().is_some()
    });
    let (link, deed) = (number % 6, DEEDS[number / 6 % DEEDS.len()]);
    let shut = |shut: bool| if link == 5 { gates.shut(shut) } else { gates.shut_one(link, shut) };
    shut(true);
    // From a second to an hour in the time of the run.
    let away_s = 3600.0_f64.powf(random.random_range(0.0..1.0)) / OUTAGE_PACE.parse::<f64>().unwrap();
    let away = Duration::from_secs_f64(away_s);
    std::thread::sleep(away.mul_f64(0.3));
    let is_over = |child: &mut Child| child.try_wait().unwrap().is_some();
    if !is_over(&mut child) {
        do_deed(deed, &mut child, &folder);
    }
    let ended_parked = || {
        let ending = RunFile::open(&folder.join("run.sqlite")).and_then(|file| file.ending());
        ending.ok().flatten().map(|(_, parked)| parked)
    };
    let began = Instant::now();
    while began.elapsed() < away.mul_f64(0.7) {
        // Read in this order: what is called parked stays so.
        let told = ended_parked();
        assert!(told != Some(true) || lab.is_parked(), "case {number}: called parked while it is not");
        std::thread::sleep(Duration::from_millis(5));
    }
    shut(false);
    if deed == "both killed" {
        let _ = child.wait();
        // Nobody is left to park it; whoever resumes does.
        wait_until("nobody holds it", Duration::from_secs(20), || is_free(&lab));
        let said =
            say(&["resume", "--clear-by", "A", text(&folder), "--pace", OUTAGE_PACE, "--treat-as", "done"]);
        assert!(said.code == 0 || said.code == 2, "case {number}: {}", said.stderr);
        assert!(said.code == 2 || lab.is_parked(), "case {number}");
        return (if said.code == 0 { "resumed to the end" } else { "over before" }, None);
    }
    let back = Instant::now();
    let (mut safe, mut over) = (None, false);
    while !(over && safe.is_some()) {
        assert!(back.elapsed() < Duration::from_secs(60), "case {number}, {deed}: not safe, over {over}");
        if safe.is_none() && lab.is_parked() {
            safe = Some(back.elapsed());
        }
        over = is_over(&mut child) && is_free(&lab) && ended_parked().is_some();
        std::thread::sleep(Duration::from_millis(5));
    }
    let (ending, parked) = intact(&folder).ending().unwrap().expect("an end");
    assert!(parked && lab.is_parked(), "case {number}: {ending:?}");
    match ending.outcome {
        Outcome::Finished => ("rode it out", None),
        _ => ("parked", safe),
    }
}

/// By what was done and how it came out: how often, and the longest time until the bench was safe.
type Counts = BTreeMap<(&'static str, &'static str), (usize, Duration)>;

/// Two hundred times as fast as the clock on the wall.
const OUTAGE_PACE: &str = "200";

/// `NOCTULE_CAMPAIGN=full` takes 300 of them.
#[test]
fn whatever_is_killed_or_stopped_in_an_outage_the_bench_is_safe_soon_after_it() {
    let cases = campaign(12, 300);
    let deed_of = |number: usize| DEEDS[number / 6 % DEEDS.len()];
    let (done, failed) = try_all(0..cases, one_outage);
    let mut table = Counts::new();
    for (number, (how, safe)) in done {
        let (count, slowest) = table.entry((deed_of(number), how)).or_default();
        *count += 1;
        *slowest = (*slowest).max(safe.unwrap_or_default());
    }
    for ((deed, how), (count, slowest)) in &table {
        println!("{count:4} {deed}: {how}, safe after {slowest:?} at most");
    }
    let failures: Vec<_> = failed.iter().map(|number| (number, deed_of(*number))).collect();
    assert!(failures.is_empty(), "{} of {cases} cases: {failures:#?}", failures.len());
    assert!(table.values().all(|(_, slowest)| *slowest <= Duration::from_secs(10)));
}
