//! A refill of a real run: words from another terminal, instruments over TCP, a transfer while the run is held, and a
//! run that is killed meanwhile.

use crate::common::{noctule, say, text, write};
use crate::interruptions::{campaign, intact, start, sweeps, wait_until};
use crate::keeper::{keeper_of, signal};
use crate::lab::Lab;
use noctule::record::{Entry, JudgementKind, Question, Request, RunFile};
use noctule_sim::Signal;
use serde_json::Value;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::Duration;

const PATIENCE: Duration = Duration::from_secs(120);
/// On an adatom of the shipped world; decisions by forecast and by worth before a long sweep.
const SEQUENCE: &str = r#"// Invented.
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
go_to(3.2.nm, -1.85.nm);
if !recentre().found { stop("no adatom here"); }
let done = agenda([
    #{ name: "too much helium", worth: 9, helium: 1000.L, body: || { pulse(1.V, 10.ms); } },
    #{ name: "short", worth: 1, time: 1.min, helium: 0.1.L, body: || { wait(1.s); } },
]);
if done[0].done || !done[1].done { stop("the agenda was not kept"); }
set("RfLevel", -3.dBm);
set("RfOutput", 1);
let spectrum = sweep(#{ name: "esr", channel: "RfFrequency", from: 13.GHz, to: 13.2.GHz, points: 150,
    read: ["LockinX", "Current"], dwell: 200.ms, average: 2, settle: 100.ms });
note(`points: ${spectrum.points}`);
"#;

fn status(folder: &Path) -> Option<Value> {
    let said = say(&["status", text(folder), "--json"]);
    (said.code == 0).then(|| said.json())
}

/// A run that measures, then held for a refill with the tip out.
fn held_for_refill(lab: &Lab, sequence: &Path, folder: &Path) -> Child {
    let run =
        ["run", text(sequence), "--bench", text(&lab.bench), "--out", text(folder), "--pace", "40", "--json"];
    let child = noctule().args(run).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    wait_until("it measures", PATIENCE, || {
        status(folder).is_some_and(|s| s["points"].as_u64().unwrap_or(0) > 5)
    });
    let said = say(&["hold", text(folder), "--for", "refill"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    wait_until("the tip is out", PATIENCE, || lab.read(Signal::Approached) == 0.0);
    child
}

fn own_centring(file: &RunFile) -> Value {
    let judged = file.all("judgement").unwrap();
    let own = judged.into_iter().rev().find_map(|numbered| match numbered.entry {
        Entry::Judgement { n: u64::MAX, what: JudgementKind::Recentre, body, .. } => Some(body),
        _ => None,
    });
    own.expect("the engine has put the tip back on its spot")
}

fn every_point_once(file: &RunFile, points: usize) {
    let all = sweeps(file);
    assert_eq!(all.len(), 1);
    assert_eq!(all[0].x.len(), points);
    assert!(all[0].x.windows(2).all(|pair| pair[1] > pair[0]), "a point came twice");
}

#[test]
fn a_run_is_held_filled_and_goes_on_where_it_was() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "spin.rhai", SEQUENCE);
    let folder = lab.scratch.path().join("run");
    let child = held_for_refill(&lab, &sequence, &folder);
    lab.mimic.with_microscope(|microscope| microscope.begin_transfer(64.0)).expect("a transfer");
    wait_until("the stage is warm", PATIENCE, || lab.read(Signal::StageTemperature) > 0.55);
    let unanswered = say(&["release", text(&folder)]);
    assert!(unanswered.code == 2 && unanswered.stderr.contains("--clear-by NAME"), "{}", unanswered.stderr);
    assert!(unanswered.stderr.contains("CAUTION, Magnet"), "{}", unanswered.stderr);
    assert!(say(&["status", text(&folder)]).stdout.contains("waits for an operator's release"));
    // In a hurry: the bath is not full, the stage still warm.
    let said = say(&["release", "--clear-by", "A", text(&folder)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let mut warmest_k: f64 = 0.0;
    wait_until("the tip is in again", PATIENCE, || {
        let stage_k = lab.read(Signal::StageTemperature);
        let back = lab.read(Signal::Approached) == 1.0;
        if !back {
            warmest_k = warmest_k.max(stage_k);
        }
        assert!(!back || stage_k < 0.55, "the tip came in at {stage_k} K");
        back
    });
    assert!(warmest_k > 0.55);
    let output = child.wait_with_output().expect("a child");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let file = intact(&folder);
    every_point_once(&file, 150);
    let centred = own_centring(&file);
    println!("{centred}");
    assert_eq!(centred["found"], true);
}

#[test]
fn a_run_killed_while_it_is_held_comes_back_to_its_spot() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "spin.rhai", SEQUENCE);
    let folder = lab.scratch.path().join("run");
    let mut child = held_for_refill(&lab, &sequence, &folder);
    child.kill().expect("a child can be killed");
    child.wait().expect("a child");
    wait_until("the keeper has parked the bench", PATIENCE, || lab.is_parked());
    // The bench is the keeper's until it has read back its last step; then nobody has said that people are clear.
    let unanswered = || say(&["resume", text(&folder), "--pace", "40"]);
    let mut said = unanswered();
    wait_until("the keeper has let go of the bench", PATIENCE, || {
        let busy = said.code == 2 && said.stderr.contains("is in use by the keeper");
        if busy {
            said = unanswered();
        }
        !busy
    });
    assert!(said.code == 2 && said.stderr.contains("--clear-by NAME"), "{}", said.stderr);
    assert!(lab.is_parked() && intact(&folder).all("resumed").unwrap().is_empty(), "nothing has moved");
    let said = say(&["resume", "--clear-by", "A", text(&folder), "--pace", "40", "--json"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(said.json()["outcome"], "finished");
    let file = intact(&folder);
    every_point_once(&file, 150);
    assert_eq!(own_centring(&file)["found"], true);
    // What was decided before is not decided anew: the forecast stands in the record once for each step.
    let asked = file.all("call").unwrap();
    let outlooks = asked
        .iter()
        .filter(|n| matches!(&n.entry, Entry::Call { request: Request::Ask(Question::HeliumOutlook), .. }));
    assert_eq!(outlooks.count(), 2);
}

/// With everything that must not happen twice before a sweep that is long enough to be held in.
const POWER_CUT: &str = r#"// Invented.
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
go_to(3.2.nm, -1.85.nm);
if !recentre().found { stop("no adatom here"); }
pulse(200.mV, 10.ms);
recentre();
note(`picked up: ${pick_up().achieved}`);
note(`put down: ${put_down().achieved}`);
if !recentre().found { stop("no adatom here"); }
set("RfLevel", -3.dBm);
set("RfOutput", 1);
let spectrum = sweep(#{ name: "esr", channel: "RfFrequency", from: 13.GHz, to: 13.2.GHz, points: 900,
    read: ["LockinX", "Current"], dwell: 200.ms, average: 2, settle: 100.ms });
note(`points: ${spectrum.points}`);
"#;

/// What was in hand when a run was cut, by the last line of its sequence that the record knows.
fn in_hand(file: &RunFile) -> &'static str {
    let calls = file.all("call").unwrap().len() + file.all("bulk").unwrap().len();
    let begun = file.all("intent").unwrap().len() > file.all("call").unwrap().iter().filter(|n| {
        matches!(&n.entry, Entry::Call { request: Request::Task(task), .. } if task.kind().once_only())
    }).count();
    match (calls, begun) {
        (_, true) => "a pulse, a pick-up or a put-down",
        (0..=1, _) => "settings",
        (2, _) => "approach",
        (3, _) => "move",
        (4 | 6, _) => "recentring",
        (5 | 7 | 8, _) => "before a pulse, a pick-up or a put-down",
        (9, _) => "recentring",
        _ => "the sweep",
    }
}

/// Points of the sweep in hand, read within this process: a command line takes its time on a busy machine.
fn points(folder: &Path) -> u64 {
    RunFile::open(&folder.join("run.sqlite")).and_then(|file| file.count_points()).unwrap_or(0)
}

/// A run that is cut with its keeper; gives what was in hand.
fn cut(lab: &Lab, folder: &Path, turn: usize) -> &'static str {
    let sequence = write(lab.scratch.path(), "spin.rhai", POWER_CUT);
    let run = ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(folder), "--pace", "40"];
    let mut child = start(&run);
    wait_until("it has begun", PATIENCE, || (lab.read(Signal::Bias) - 0.06).abs() < 1e-6);
    // From the approach through centring, the pulse and the pick-up; every fifth into the middle of the sweep.
    let most_ms = if turn % 5 == 4 { 5000 } else { 2300 };
    std::thread::sleep(Duration::from_millis(619 * (turn as u64 + 1) % most_ms));
    // A keeper that is killed is replaced; one that is stopped does not notice that its runner goes.
    let keeper = keeper_of(folder);
    signal(keeper, "-STOP");
    child.kill().expect("a child can be killed");
    child.wait().expect("a child");
    signal(keeper, "-KILL");
    in_hand(&RunFile::open(&folder.join("run.sqlite")).expect("a run file"))
}

/// Cut at any moment with its keeper, as by a power cut that spares the instruments, taken up again, and only then
/// held: the spot that the sequence had centred on is in the record alone.
#[test]
fn after_a_power_cut_a_hold_comes_back_to_the_spot() {
    let mut moments = std::collections::BTreeMap::<_, usize>::new();
    let turns = campaign(2, 50);
    for turn in 0..turns {
        let lab = Lab::new(|bench| bench);
        let folder = lab.scratch.path().join("run");
        let cut_in = cut(&lab, &folder, turn);
        let treat_as = if turn % 2 == 0 { "not-done" } else { "done" };
        let resume =
            ["resume", "--clear-by", "A", text(&folder), "--pace", "40", "--treat-as", treat_as, "--json"];
        let before = points(&folder);
        let mut child =
            noctule().args(resume).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
        let mut ended = false;
        wait_until("it measures again", PATIENCE, || {
            ended = child.try_wait().expect("a child").is_some();
            ended || points(&folder) > before + 5
        });
        if ended {
            // Where a pulse or a put-down has taken the spot away, the run ends where it can do no harm.
            let output = child.wait_with_output().expect("a child");
            let words = String::from_utf8_lossy(&output.stderr);
            let Some((ending, parked)) = intact(&folder).ending().unwrap() else {
                panic!("turn {turn}, cut in {cut_in}: it did not begin: {words}");
            };
            assert!(parked && lab.is_parked(), "turn {turn}, cut in {cut_in}: {words}");
            let lost =
                ["no adatom here", "was not found again"].iter().any(|why| ending.reason.contains(why));
            assert!(lost, "turn {turn}, cut in {cut_in}: it ended: {words}");
            *moments.entry((cut_in, "parked without a spot")).or_default() += 1;
            continue;
        }
        assert_eq!(say(&["hold", text(&folder), "--for", "refill"]).code, 0, "turn {turn}");
        wait_until("the tip is out", PATIENCE, || lab.read(Signal::Approached) == 0.0);
        assert_eq!(say(&["release", "--clear-by", "A", text(&folder)]).code, 0, "turn {turn}");
        let output = child.wait_with_output().expect("a child");
        let words = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "turn {turn}, cut in {cut_in}: {words}");
        let file = intact(&folder);
        every_point_once(&file, 900);
        let held = file.all("held").unwrap().last().expect("it was held").seq;
        let released = file.all("released").unwrap().last().expect("it was released").seq;
        let back = file.all("judgement").unwrap().into_iter().find(|numbered| {
            (held..released).contains(&numbered.seq)
                && matches!(
                    &numbered.entry,
                    Entry::Judgement { n: u64::MAX, what: JudgementKind::Recentre, .. }
                )
        });
        let Some(Entry::Judgement { body, .. }) = back.map(|numbered| numbered.entry) else {
            panic!("turn {turn}: it went on without looking for its spot");
        };
        assert_eq!(body["found"], true, "turn {turn}");
        *moments.entry((cut_in, "measured at its spot")).or_default() += 1;
    }
    println!("{moments:#?}");
    if turns >= 50 {
        let missed = ["approach", "recentring", "a pulse, a pick-up or a put-down", "the sweep"]
            .into_iter()
            .find(|cut_in| !moments.keys().any(|(one, _)| one == cut_in));
        assert_eq!(missed, None, "no cut fell into it");
    }
}
