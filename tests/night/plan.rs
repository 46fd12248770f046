//! A plan: goals are reached by evidence, in the record, the brief and the JSON alike, and a cut changes nothing.

use crate::common::{say, text};
use noctule::history::History;
use noctule::record::{GoalState, RunFile};
use noctule::run::faults::read_faults;
use noctule::run::nights::{Befalls, Terms, add_up, nights};
use noctule::run::{BenchSource, Setup};
use noctule::script::Sequence;
use serde_json::Value;
use std::path::Path;

const WEEKEND: &str = "scripts/long_weekend.rhai";

fn goals(run: &Path) -> Vec<(String, String, usize)> {
    let said = say(&["brief", text(run), "--json"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let goals = said.json()["runs"][0]["story"]["goals"].as_array().unwrap().clone();
    let of = |goal: &Value, key: &str| goal[key].as_str().unwrap().to_owned();
    let course = |goal: &Value| goal["course"].as_array().unwrap().len();
    goals.iter().map(|goal| (of(goal, "name"), of(goal, "state"), course(goal))).collect()
}

#[test]
fn a_long_weekend_reaches_its_goals() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("weekend");
    let said = say(&["rehearse", WEEKEND, "--json", "--out", text(&out)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let summary = said.json();
    assert_eq!((&summary["outcome"], &summary["limit_violations"]), (&"finished".into(), &0.into()));
    let claims = summary["truth"]["claims"].as_array().unwrap();
    assert!(claims.iter().any(|claim| claim["right"] == true), "{claims:?}");
    let run = out.join("run.sqlite");
    let told = goals(&run);
    assert_eq!(told.len(), 6);
    assert!(told.iter().all(|(_, state, course)| state == "reached" && *course >= 1), "{told:?}");

    // The fold of the record says the same, and what was chosen stands in it with what stood beside it.
    let file = RunFile::open(&run).unwrap();
    let history = History::of(&file, &noctule::bench::builtin(), u64::MAX).unwrap();
    assert!(history.goals.all.iter().all(|goal| goal.state == GoalState::Reached));
    assert!(history.choices.len() > 30 && history.choices.iter().any(|choice| choice.of.len() >= 3));
    let first = history.choices[0].of[history.choices[0].taken.unwrap()].name.clone();
    assert_eq!(first, "test the tip", "a tip is tested before anything else");
    let proof_s = history.goals.of("a spin proved").unwrap().course[0].at_s;
    assert!(proof_s < 1.5 * 3600.0, "{proof_s}");

    let said = say(&["brief", text(&run)]);
    for words in ["── Goals", "a spin proved", "Chosen last", "6 of 6 goals reached"] {
        assert!(said.stdout.contains(words), "{words}: {}", said.stdout);
    }
}

#[test]
fn a_newcomer_has_a_plan_in_fifteen_lines() {
    let text = std::fs::read_to_string(WEEKEND).unwrap();
    let own = text.lines().filter(|line| !line.trim().is_empty() && !line.starts_with("//"));
    assert!(own.count() <= 15);
}

/// Hidden worlds with tips that change, blind starts, few atoms, pots that run dry and somebody who fills. Two of them here;
/// `NOCTULE_CAMPAIGN=full` takes 200, with an optimised program in some minutes.
#[test]
fn hidden_worlds_end_with_a_proof_or_a_reason() {
    let full = std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|value| value == "full");
    let count = if full { 200 } else { 2 };
    let source = BenchSource::load(None).unwrap();
    let setup =
        Setup::for_rehearsal(Sequence::load(Path::new(WEEKEND)).unwrap(), source, Some("weekend"), 1, None)
            .unwrap();
    let visits = read_faults("Faults(faults: [Refill(below: \"13 L\")])", &setup.bench).unwrap().faults;
    let terms = Terms { befalls: Befalls::Nothing, drawn: true, visits };
    let (all, differing, _) = nights(&setup, terms, 2001, count, if full { 2 } else { 1 });
    let campaign = add_up(&all, (differing, 1), 1, 0.0, "noctule rehearse scripts/long_weekend.rhai --seed");
    let plan = campaign.plan.as_ref().expect("it has goals");
    println!("{}", serde_json::to_string_pretty(plan).unwrap());
    assert_eq!((campaign.limit_violations, campaign.hung, differing), (0, 0, 0));
    assert_eq!((plan.falsely.count, plan.target_lifted, plan.stuck.count), (0, 0, 0), "{:?}", plan.worst);
    assert!(plan.blind_part <= 0.03, "{}", plan.blind_part);
    assert!(plan.settled.share.unwrap() >= 0.9, "{:?}", plan.settled);
    if full {
        assert!(plan.proof_h.median <= 1.5, "{:?}", plan.proof_h);
        assert_eq!(plan.good_tip_touched, 0);
    }
}
