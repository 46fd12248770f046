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
    let terms = Terms { befalls: Befalls::Nothing, drawn: true, visits, change: None };
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

fn rehearsed(text: &str, faults: Option<&str>, extra: &[&str]) -> History {
    let folder = tempfile::tempdir().unwrap();
    let sequence = folder.path().join("plan.rhai");
    std::fs::write(&sequence, text).unwrap();
    let out = folder.path().join("run");
    let mut args = vec!["rehearse", self::text(&sequence), "--json", "--out", self::text(&out)];
    let file = folder.path().join("faults.ron");
    if let Some(faults) = faults {
        std::fs::write(&file, faults).unwrap();
        args.extend(["--faults", self::text(&file)]);
    }
    args.extend(extra);
    let said = say(&args);
    // 6: it finished, and achieved nothing.
    assert!(matches!(said.code, 0 | 6), "{}{}", said.stdout, said.stderr);
    let file = RunFile::open(&out.join("run.sqlite")).unwrap();
    History::of(&file, &noctule::bench::builtin(), u64::MAX).unwrap()
}

#[test]
fn what_is_beyond_the_budget_is_refused_by_the_engine() {
    let text = r#"
goal("a good tip", "tip proved");
budget(#{ ends_after: 2.h, atoms: 2, areas: 0, pulses: 0 });
approach();
let refused = [];
for attempt in 0..3 {
    try { pick_up(); } catch (error) { refused.push(error.what); note(error.message); }
}
try { pulse(3.V, 50.ms); } catch (error) { refused.push(error.what); }
try { withdraw(); coarse_shift(2, 0); } catch (error) { refused.push(error.what); }
let what = choose_next([#{ name: "too long", goal: "a good tip", time: 3.h }, #{ name: "short", goal: "a good tip", time: 1.h }]);
result("made", `${refused} ${what}`);
park();
"#;
    let history = rehearsed(text, None, &["--world", "hard"]);
    let said = history.declared.unwrap().about;
    assert_eq!(said, r#"["forbidden", "forbidden", "forbidden"] short"#);
    assert_eq!(history.goals.used.atoms, 2);
}

#[test]
fn people_are_asked_and_the_plan_goes_on() {
    let text = r#"
fn asked() {
    ask_people("pulse", #{ question: "May the tip be pulsed?", answers: ["yes", "no"], within: 3.h, otherwise: "no" })
}
let said = [asked()];
wait(1.h);
said.push(asked());
wait(90.min);
said.push(asked());
wait(90.min);
said.push(asked());
result("made", `${said}`);
"#;
    let about = |history: History| history.declared.unwrap().about;
    let nobody = rehearsed(text, None, &[]);
    assert_eq!(about(nobody), r#"["", "", "", "no"]"#);
    // What is no answer changes nothing, and the first one that is holds.
    let faults = "Faults(faults: [Answers(at: \"65 min\", question: \"pulse\", says: \"perhaps\"), Answers(at: \"2 h\", question: \"pulse\", says: \"yes\"), Answers(at: \"130 min\", question: \"pulse\", says: \"no\")])";
    let somebody = rehearsed(text, Some(faults), &[]);
    assert_eq!(about(somebody), r#"["", "", "yes", "yes"]"#);
}

#[test]
fn a_plan_falls_back_on_what_it_says_for_a_named_reason() {
    let text = r#"
import "campaign" as campaign;
goal("a spin proved", "resonance proved");
campaign::pursue(#{
    ends_after: 9.h, atoms: 0, areas: 1, pulses: 0,
    fallbacks: #{ "no contrast": |lab| { note("fell back"); lab } },
});
"#;
    let history = rehearsed(text, None, &["--world", "bare"]);
    let goal = history.goals.of("a spin proved").unwrap();
    assert_eq!(goal.in_words(), "given up: no contrast");
    assert!(history.steps.iter().any(|step| step.name == "what the plan wants for: no contrast"));
}

/// A warm stage hides the contrast of a good tip, which must not be lifted for that.
#[test]
fn a_warm_stage_is_no_blind_tip() {
    let text = r#"
import "campaign_tip" as tips;
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
ramp_field(0.4.T);
set("StageHeater", 420.uW);
wait(10.min);
let lab = tips::look_round(#{ areas_seen: 1, precious: #{ x: 0.nm, y: 0.nm }, here: () });
let warm = tips::tested_on(lab.lone[0]);
set("StageHeater", 0.W);
result("made", `${warm}, then ${tips::tested_on(lab.lone[0])}`);
park();
"#;
    let history = rehearsed(text, None, &["--world", "weekend", "--drawn", "--seed", "3"]);
    assert_eq!(history.declared.unwrap().about, "too warm, then good");
}

#[test]
fn the_odds_are_one_page_and_say_what_would_change_them() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = folder.path().join("plan.rhai");
    let text = "goal(\"a good tip\", \"tip proved\", #{ worth: 2 });\nbudget(#{ ends_after: 5.h, atoms: 3, areas: 0, pulses: 0 });\napproach();\nimage(#{ x: 0.nm, y: 0.nm, size: 20.nm, pixels: 32, line_time: 200.ms });\ntest_tip();\ngive_up(\"a good tip\", \"no time\", \"a short plan\");\npark();\n";
    std::fs::write(&sequence, text).unwrap();
    let page = folder.path().join("odds.html");
    let said = say(&[
        "nights",
        self::text(&sequence),
        "--world",
        "weekend",
        "--drawn",
        "--without-faults",
        "--count",
        "3",
        "--what-if",
        "--page",
        self::text(&page),
    ]);
    assert_eq!(said.code, 0, "{}{}", said.stdout, said.stderr);
    for words in ["what would change the odds", "a refill before", "the worst courses"] {
        assert!(said.stdout.contains(words), "{words}: {}", said.stdout);
    }
    let page = std::fs::read_to_string(page).unwrap();
    for words in ["two hours more", "given up", "<svg", "Seed ", "no time"] {
        assert!(page.to_lowercase().contains(&words.to_lowercase()), "{words}");
    }
    // Without goals there are no odds of a plan; the table is told all the same.
    std::fs::write(&sequence, "note(\"nothing\");\n").unwrap();
    let said = say(&[
        "nights",
        self::text(&sequence),
        "--count",
        "1",
        "--page",
        self::text(&folder.path().join("none.html")),
    ]);
    assert_eq!(said.code, 2, "{}", said.stdout);
    assert!(said.stderr.contains("says no goals") && said.stdout.contains("1 nights"), "{}", said.stderr);
}

/// Thirty laboratories, each with a world file of its own, and three plans among them: what `nights` says of each goal from
/// hidden worlds is held against what happens in others. The odds must be as often right as they say, and say more than how
/// often such goals are reached anywhere. Runs with `NOCTULE_CAMPAIGN=full` alone, since it takes a thousand courses.
#[test]
fn odds_are_calibrated() {
    if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|value| value == "full") {
        calibrate(30, 24, 8);
    } else {
        calibrate(1, 1, 1);
    }
}

/// A laboratory: what is known of its tip, and its plan.
fn laboratory(number: u64) -> (String, String) {
    let part = |k: u64| (0.5 + 0.618_033_988_749 * (number * 3 + k) as f64).fract();
    let tip = format!(
        "changes_per_hour: {:.4}, apex: Apex(polarisation: {:.3}),",
        10f64.powf(-2.3 + 2.0 * part(0)),
        0.12 + 0.3 * part(1),
    );
    let world = noctule::instrument::simulated::World::shipped_text("weekend").unwrap();
    let world = world.replace("changes_per_hour: 0.01,", &tip);
    assert!(world.contains(&tip));
    let world = world.replace("double_tip_chance: 0.08", &format!("double_tip_chance: {:.3}", 0.3 * part(2)));
    let asked = [
        "ends_after: 60.h, atoms: 20",
        "ends_after: 3.h, atoms: 20",
        "ends_after: 24.h, atoms: 1, areas: 1, pulses: 0",
    ];
    let plan = format!(
        "import \"campaign\" as campaign;\ngoal(\"a good tip\", \"tip proved\", #{{ worth: 4 }});\ngoal(\"a spin proved\", \"resonance proved\", #{{ worth: 10 }});\ngoal(\"against field\", \"line mapped\", #{{ against: \"field\", places: 12, worth: 6 }});\ngoal(\"against power\", \"line mapped\", #{{ against: \"power\", places: 6, worth: 4 }});\ncampaign::pursue(#{{ {} }});\n",
        asked[(number % 3) as usize]
    );
    (world, plan)
}

/// Says odds from so many hidden worlds in each laboratory, and holds them against others; prints the reliability table.
fn calibrate(laboratories: u64, said_from: u64, held_against: u64) {
    let folder = tempfile::tempdir().unwrap();
    // What was said of a goal, and whether it happened.
    let mut pairs: Vec<(f64, bool)> = Vec::new();
    // Of each laboratory, how much more often goals were reached there than was said.
    let mut more: Vec<f64> = Vec::new();
    for number in 0..laboratories {
        let (world, plan) = laboratory(number);
        let file = folder.path().join("world.ron");
        std::fs::write(&file, world).unwrap();
        let source = BenchSource::load(None).unwrap();
        let sequence = Sequence::from_text("plan.rhai", &plan);
        let setup = Setup::for_rehearsal(sequence, source, Some(text(&file)), 1, None).unwrap();
        let visits = read_faults("Faults(faults: [Refill(below: \"13 L\")])", &setup.bench).unwrap().faults;
        let terms = Terms { befalls: Befalls::Nothing, drawn: true, visits, change: None };
        let threads = if laboratories > 1 { 2 } else { 1 };
        let (known, ..) = nights(&setup, terms.clone(), 10_000 * number + 1, said_from, threads);
        let odds = add_up(&known, (0, 0), 1, 0.0, "noctule").plan.expect("it has goals");
        let (happened, ..) = nights(&setup, terms, 10_000 * number + 5001, held_against, threads);
        let before = pairs.len();
        for goal in &odds.goals {
            // One half and one added: a share of nothing seen is not said to be impossible.
            let said = (goal.reached.count as f64 + 0.5) / (goal.reached.of as f64 + 1.0);
            for night in &happened {
                let ends = &night.course.as_ref().expect("a course").goals;
                let end = ends.iter().find(|end| end.name == goal.name);
                pairs.push((said, end.is_some_and(|end| end.state == GoalState::Reached)));
            }
        }
        let here = &pairs[before..];
        more.push(
            here.iter().map(|(said, happened)| f64::from(u8::from(*happened)) - said).sum::<f64>()
                / here.len() as f64,
        );
    }
    let mean = |of: &dyn Fn(&(f64, bool)) -> f64| pairs.iter().map(of).sum::<f64>() / pairs.len() as f64;
    let base = mean(&|(_, happened)| f64::from(u8::from(*happened)));
    let brier = mean(&|(said, happened)| (said - f64::from(u8::from(*happened))).powi(2));
    let (said, by_base) = (mean(&|(said, _)| *said), base * (1.0 - base));
    println!(
        "{} goals of {laboratories} laboratories: said {said:.3}, happened {base:.3}; Brier {brier:.4}, base rate {by_base:.4}",
        pairs.len()
    );
    for fifth in 0..5 {
        let within = |said: f64| (said * 5.0) as usize == fifth || (fifth == 4 && said >= 1.0);
        let such: Vec<&(f64, bool)> = pairs.iter().filter(|(said, _)| within(*said)).collect();
        let said = such.iter().map(|(said, _)| said).sum::<f64>() / such.len().max(1) as f64;
        let happened = such.iter().filter(|(_, happened)| *happened).count();
        println!("  said {said:.2}: happened {happened} of {}", such.len());
    }
    assert_eq!(pairs.len() as u64, 4 * laboratories * held_against);
    if laboratories >= 30 {
        assert!(brier < by_base, "{brier} against {by_base}");
        // What happens in one laboratory goes together, so its error comes from how laboratories differ.
        let mean = more.iter().sum::<f64>() / more.len() as f64;
        let variance = more.iter().map(|one| (one - mean).powi(2)).sum::<f64>() / (more.len() - 1) as f64;
        let error = (variance / more.len() as f64).sqrt();
        println!("  more often than said by {mean:.3} ± {error:.3}");
        assert!(mean.abs() < 3.0 * error, "{mean} ± {error}");
    }
}
