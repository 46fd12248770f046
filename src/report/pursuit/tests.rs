//! Runs made of goals and turns alone.

use super::*;
use crate::analysis::joint::Verdict;
use crate::history::result::{Finding, RunResult, SaidBy, Seen};
use crate::history::{Clock, History, Known};
use crate::logbook::extract::{Event, RunLog};
use crate::record::{Evidence, Goal, GoalPlan, TipFinding, TipLife, TipTest, TipVerdict, Turn};
use std::path::Path;

const HOUR_S: f64 = 3600.0;

/// A run that began at a time of the invented week, with nothing but a name.
fn run(name: &str, started_at: &str) -> RunPart {
    let history = History::new(None);
    let mut result = RunResult::of(&history, None, Seen::Record);
    "finished".clone_into(&mut result.outcome);
    RunPart {
        name: name.to_owned(),
        path: Path::new(name).to_owned(),
        sequence: "plan.rhai".to_owned(),
        rehearsal: false,
        clock: Clock::new(Some(started_at), Some("UTC")),
        end_s: 4.0 * HOUR_S,
        intact: true,
        result,
        goals: Vec::new(),
        holds: Vec::new(),
        points: 10,
        told: true,
        touches: Vec::new(),
        changes: Vec::new(),
        handed_over: Vec::new(),
        bath: None,
    }
}

fn goal(name: &str, evidence: Evidence, course: &[(f64, GoalState, &str)]) -> Goal {
    let turns =
        course.iter().map(|(at_s, state, why)| Turn { at_s: *at_s, state: *state, why: (*why).to_owned() });
    let plan = GoalPlan { places: 5, ..GoalPlan::plain(name, evidence, 1.0) };
    Goal {
        plan,
        state: course.last().map_or(GoalState::Open, |turn| turn.1),
        why: course.last().map_or("", |turn| turn.2).to_owned(),
        shortfall: None,
        counted: Vec::new(),
        settled: 0,
        course: turns.collect(),
    }
}

fn told(parts: &[RunPart]) -> Pursuit {
    Pursuit::of(parts, Err("no logbook here".to_owned())).unwrap()
}

fn states(pursuit: &Pursuit) -> Vec<(&str, &str, &str)> {
    pursuit.goals.iter().map(|goal| (goal.name.as_str(), goal.state, goal.run.as_str())).collect()
}

use Evidence::{LineMapped, ResonanceProved, TipProved};
use GoalState::{GivenUp, Lost, Open, Reached};

#[test]
fn what_was_proved_stays_with_its_run_and_the_rest_stands_as_the_latest_run_has_it() {
    let mut friday = run("friday", "2026-11-27T20:00:00Z");
    friday.goals = vec![
        goal("spin", ResonanceProved, &[(HOUR_S, Reached, "real over 8 spectra")]),
        goal("field", LineMapped, &[(2.0 * HOUR_S, GivenUp, "no time")]),
        goal("dropped", LineMapped, &[]),
    ];
    let mut saturday = run("saturday", "2026-11-28T20:00:00Z");
    saturday.goals = vec![goal("field", LineMapped, &[]), goal("spin", ResonanceProved, &[])];
    saturday.goals[0].settled = 3;
    // They may be given in any order, and one that is given twice counts once.
    let pursuit = told(&[saturday.clone(), friday.clone(), saturday]);
    let wanted =
        [("field", "open", "saturday"), ("spin", "reached", "friday"), ("dropped", "open", "friday")];
    assert_eq!(states(&pursuit), wanted);
    assert_eq!(pursuit.goals[0].words, "open, 3 of 5 places");
    assert_eq!(pursuit.goals[1].since.as_ref().unwrap().at, "Fri 27 Nov, 21:00");
    assert_eq!(pursuit.runs.len(), 2);
    assert_eq!((pursuit.runs[0].gap_s, pursuit.runs[1].gap_s), (None, Some(20.0 * HOUR_S)));
    assert_eq!(
        (pursuit.runs[0].what_for.join(", "), pursuit.runs[1].what_for.join(", ")),
        ("spin, field, dropped".to_owned(), "field".to_owned())
    );
    assert_eq!(pursuit.runs[0].came, ["field given up", "spin reached"]);
    assert_eq!(pursuit.next.open, ["field open, 3 of 5 places", "dropped open"]);
    assert!(pursuit.headline.starts_with("1 of 3 goals reached"), "{}", pursuit.headline);
    assert_eq!(
        pursuit.span,
        "Fri 27 Nov, 20:00 to Sun 29 Nov, 00:00 (1 d 4 h: 8 h 00 min in 2 runs, 20 h 00 min between them)"
    );
}

#[test]
fn a_tip_is_carried_over_only_where_the_later_run_was_told_of_it() {
    let with_tip = |name: &str, day: u32, course: &[(f64, GoalState, &str)]| {
        let mut part = run(name, &format!("2026-11-{day}T20:00:00Z"));
        part.goals = vec![goal("tip", TipProved, course)];
        part
    };
    let first = with_tip("first", 23, &[(HOUR_S, Reached, "3 tests")]);
    let told_of_it = with_tip("second", 24, &[(0.0, Reached, "3 tests")]);
    let pursuit = told(&[first.clone(), told_of_it.clone()]);
    assert_eq!(states(&pursuit), [("tip", "reached", "first")]);
    assert_eq!(
        (pursuit.goals[0].course.len(), pursuit.doubts.len()),
        (1, 1),
        "what a run was told is no news"
    );

    let lost =
        with_tip("third", 25, &[(0.0, Reached, "3 tests"), (HOUR_S, Lost, "pulse has changed the tip")]);
    let pursuit = told(&[first.clone(), told_of_it.clone(), lost]);
    assert_eq!(states(&pursuit), [("tip", "lost", "third")]);

    let strange = RunPart { told: false, ..with_tip("third", 25, &[]) };
    let pursuit = told(&[first.clone(), told_of_it, strange]);
    assert_eq!(states(&pursuit), [("tip", "open", "third")]);
    assert!(pursuit.goals[0].why.contains("was not told"), "{:?}", pursuit.goals);
    assert!(pursuit.doubts[0].contains("third was not told of a tip"), "{:?}", pursuit.doubts);

    // What an earlier run gave up stands as the latest one has it.
    let given_up = with_tip("first", 23, &[(HOUR_S, GivenUp, "no time")]);
    assert_eq!(states(&told(&[given_up, with_tip("second", 24, &[])])), [("tip", "open", "second")]);

    // A run that says no goal, and works on the tip all the same.
    let mut other = run("other", "2026-11-25T20:00:00Z");
    other.touches = vec![(60.0, "pick_up".to_owned())];
    let pursuit = told(&[first, other]);
    assert_eq!(states(&pursuit), [("tip", "lost", "other")]);
    assert_eq!(pursuit.goals[0].why, "pick_up has changed the tip");
}

/// What the logbook reads of a run: it began so many seconds after 1970.
fn log_of(part: &RunPart, events: Vec<Event>) -> RunLog {
    RunLog {
        name: part.name.clone(),
        sequence: part.sequence.clone(),
        started_s: part.started_s().unwrap() as i64,
        started_ms: 0,
        elapsed_s: part.end_s,
        outcome: part.result.outcome.clone(),
        declared: None,
        life: TipLife::default(),
        helium_m3: None,
        told: part.told,
        events,
    }
}

#[test]
fn tips_are_those_of_the_logbook_and_a_proof_says_with_which() {
    let tested = |at_s: f64, polarisation: f64| {
        let finding = TipFinding { verdict: TipVerdict::Contrast, polarisation: Some([polarisation, 1e-3]) };
        Event::Tested(TipTest {
            at_s,
            finding,
            at_m: [0.0; 2],
            field_t: [0.0, 0.4],
            stage_k: 0.3,
            centred: true,
        })
    };
    let mut parts = [
        run("first", "2026-11-23T20:00:00Z"),
        run("second", "2026-11-24T20:00:00Z"),
        RunPart { told: false, ..run("third", "2026-11-25T20:00:00Z") },
    ];
    parts[0].goals = vec![goal("tip", TipProved, &[])];
    parts[0].changes = vec![(2.0 * HOUR_S, "the polarisation is another".to_owned())];
    parts[1].touches = vec![(HOUR_S, "pick_up".to_owned())];
    let known = Known { value: 0.9, error: 0.01 };
    let found = |from_s: f64| Finding {
        verdict: SaidBy::Verdict(Verdict::Real.into()),
        weight: Weight::Good,
        words: String::new(),
        spin: "spin 1".to_owned(),
        tip: 0,
        from_s,
        to_s: from_s,
        lost_s: None,
        moment_mu_b: Some(known),
        tip_field_t: None,
        sweeps: vec![0],
    };
    parts[0].result.found = vec![found(HOUR_S), found(3.0 * HOUR_S)];
    parts[1].result.found = vec![found(2.0 * HOUR_S)];
    let lifted =
        Event::Touched { at_s: HOUR_S, what: "pick_up".to_owned(), achieved: true, remark: String::new() };
    let logged = Logged::folded(vec![
        log_of(&parts[0], vec![tested(600.0, 0.2), tested(1200.0, 0.3)]),
        log_of(&parts[1], vec![lifted, tested(2.0 * HOUR_S, 0.25)]),
        log_of(&parts[2], vec![tested(600.0, 0.27)]),
    ]);
    let pursuit = Pursuit::of(&parts, Ok(&logged)).unwrap();
    let names: Vec<(&str, String)> =
        pursuit.tips.iter().map(|tip| (tip.name.as_str(), tip.runs.join(","))).collect();
    let wanted = [("tip 1", "first,second"), ("tip 2", "second"), ("tip 2, or another", "third")];
    assert_eq!(names, wanted.map(|(name, runs)| (name, runs.to_owned())));
    assert_eq!(pursuit.tips[0].polarisation.unwrap().value, 0.3);
    assert_eq!(pursuit.tips[1].came, "pick_up on tip 1");
    assert_eq!(pursuit.tips[1].done, "1 atom lifted in second");
    assert_eq!(pursuit.tips[0].spans, [[0.0, 4.0 * HOUR_S], [24.0 * HOUR_S, 25.0 * HOUR_S]]);
    assert!(pursuit.tips[2].came.contains("third was not told of the tip"), "{:?}", pursuit.tips[2]);
    let with: Vec<&str> = pursuit.spins.iter().map(|spin| spin.tip.as_str()).collect();
    assert_eq!(with, ["tip 1", "tip 1 as changed Mon 23 Nov, 22:00", "tip 2"]);
    assert!(
        pursuit.spins.iter().all(|spin| spin.name == "spin 1"),
        "the logbook knows no spin of these spectra"
    );
}

#[test]
fn helium_that_came_between_two_runs_is_told_apart_from_what_was_lost() {
    let bath = |first_m3: f64, last_m3: f64| PartBath {
        ends_m3: [first_m3, last_m3],
        last_m3,
        levels: vec![(0.0, first_m3), (HOUR_S, last_m3)],
        used_m3: first_m3 - last_m3,
        filled_m3: 0.0,
        transfer_m3: 1e-3,
        limit_m3: 1e-2,
        unit: crate::quantity::Unit::parse("L").unwrap(),
        due: None,
    };
    let mut parts =
        [(23, 0.050, 0.045), (24, 0.043, 0.040), (25, 0.060, 0.055)].map(|(day, first_m3, last_m3)| {
            let part = run(&day.to_string(), &format!("2026-11-{day}T20:00:00Z"));
            RunPart { bath: Some(bath(first_m3, last_m3)), ..part }
        });
    parts[0].goals = vec![goal("tip", TipProved, &[])];
    let pursuit = told(&parts);
    let helium = pursuit.helium.unwrap();
    assert_eq!(
        helium.words,
        "50 L at the beginning, 55 L at the end, 13 L used in the runs, 2 L lost between them, 20 L or more filled in between them"
    );
    assert_eq!((helium.fillings_between, helium.levels[1][0].0), (1, 24.0 * HOUR_S));
}

#[test]
fn runs_that_can_not_be_told_together_say_why() {
    let mut planned = run("planned", "2026-11-23T20:00:00Z");
    let of = |parts: &[RunPart]| Pursuit::of(parts, Err(String::new())).unwrap_err();
    assert_eq!(of(std::slice::from_ref(&planned)), NoCampaign::NoGoals);
    assert_eq!(of(&[]), NoCampaign::NoGoals);
    planned.goals = vec![goal("tip", TipProved, &[])];
    let rehearsed = RunPart { rehearsal: true, ..run("rehearsed", "2026-11-23T21:00:00Z") };
    let kinds = of(&[planned.clone(), rehearsed]).to_string();
    assert!(kinds.contains("`planned` was measured and `rehearsed` rehearsed"), "{kinds}");
    let timeless = RunPart { clock: Clock::default(), ..run("timeless", "2026-11-23T21:00:00Z") };
    assert_eq!(of(&[planned.clone(), timeless]), NoCampaign::NoTime { run: "timeless".to_owned() });
    let again = RunPart { path: Path::new("elsewhere").to_owned(), ..planned.clone() };
    assert_eq!(of(&[planned.clone(), again]), NoCampaign::TwoOfOneName { name: "planned".to_owned() });
    // Two that go on at once: the second one began before the first had ended.
    let pursuit = told(&[planned, run("early", "2026-11-23T21:00:00Z")]);
    assert_eq!(pursuit.runs[1].gap, "it began before the run before it had ended");
    assert!(
        !states(&pursuit).is_empty()
            && pursuit.weight != Weight::Good
            && Open.word() == pursuit.goals[0].state
    );
}
