//! The course of the days: one run after the other.

use super::{Days, PursuedGoal, RunPart, When};
use crate::history::HoldSpan;
use crate::history::result::Weight;
use crate::quantity::in_words;
use crate::report::words::count;
use serde::Serialize;

/// A hold of a run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Held {
    /// When it began, s from the beginning of the first run.
    pub at_s: f64,
    /// How long it took, s.
    pub lasted_s: f64,
    /// Whether it was for a refill.
    pub refill: bool,
    /// Why, in words.
    pub why: String,
}

/// One run in the course of the days.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PursuedRun {
    /// Its name.
    pub name: String,
    /// The sequence.
    pub sequence: String,
    /// When it began.
    pub from: When,
    /// When it ended, or what is known of it ends.
    pub to: When,
    /// Both in words: `Fri 27 Nov, 18:00 to 18:49, 49 min`.
    pub when: String,
    /// How long it took, s.
    pub lasted_s: f64,
    /// Time between the end of the run before and its beginning, s; below 0 where both go on at once; none for the first.
    pub gap_s: Option<f64>,
    /// The same in words; empty for the first run.
    pub gap: String,
    /// What it was for: the goals of its plan that were not reached when it began, or else what it is about by its words.
    pub what_for: Vec<String>,
    /// What came of it: goals that changed in it, and what was found.
    pub came: Vec<String>,
    /// `finished`, `failed`, …, as in its own brief.
    pub outcome: String,
    /// How urgent it is.
    pub weight: Weight,
    /// Everything in one line, as in its own brief.
    pub headline: String,
    /// Points of sweeps.
    pub points: u64,
    /// Holds.
    pub holds: Vec<Held>,
    /// The same in words; empty if there were none.
    pub held: String,
}

/// Holds in words.
fn held_in_words(holds: &[Held]) -> String {
    let part = |refill: bool, what: &str| {
        let spans: Vec<f64> =
            holds.iter().filter(|held| held.refill == refill).map(|held| held.lasted_s).collect();
        let sum: f64 = spans.iter().sum();
        (!spans.is_empty()).then(|| format!("{} ({})", count(spans.len() as u64, what), in_words(sum)))
    };
    [part(false, "hold"), part(true, "refill")].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// The time before a run in words.
fn gap_in_words(gap_s: Option<f64>) -> String {
    match gap_s {
        Some(gap_s) if gap_s < 0.0 => "it began before the run before it had ended".to_owned(),
        Some(gap_s) => format!("{} after the run before", in_words(gap_s)),
        None => String::new(),
    }
}

/// From one moment to another; a day is said once.
pub(super) fn from_to(from: &When, to: &When) -> String {
    let same = from.at.split_once(", ").zip(to.at.split_once(", ")).filter(|(from, to)| from.0 == to.0);
    format!("{} to {}", from.at, same.map_or(to.at.as_str(), |(_, to)| to.1))
}

/// All runs, in the order of time.
pub(super) fn all(parts: &[&RunPart], goals: &[PursuedGoal], days: &Days) -> Vec<PursuedRun> {
    let mut ended_s: Option<f64> = None;
    let run = |part: &&RunPart| {
        let (from, to) = (days.of(part, 0.0), days.of(part, part.end_s));
        let gap_s = ended_s.map(|ended_s| from.at_s - ended_s);
        ended_s = Some(ended_s.map_or(to.at_s, |before| before.max(to.at_s)));
        let held = |span: &HoldSpan| Held {
            at_s: from.at_s + span.from_s,
            lasted_s: span.to_s.unwrap_or(part.end_s) - span.from_s,
            refill: span.refill,
            why: span.reason.clone(),
        };
        let holds: Vec<Held> = part.holds.iter().map(held).collect();
        PursuedRun {
            name: part.name.clone(),
            sequence: part.sequence.clone(),
            when: format!("{}, {}", from_to(&from, &to), in_words(part.end_s)),
            lasted_s: part.end_s,
            gap_s,
            gap: gap_in_words(gap_s),
            what_for: what_for(part, goals, from.at_s),
            came: came(part, goals),
            outcome: part.result.outcome.clone(),
            weight: part.result.weight,
            headline: part.result.headline.clone(),
            points: part.points,
            held: held_in_words(&holds),
            holds,
            from,
            to,
        }
    };
    parts.iter().map(run).collect()
}

/// What a run was for.
fn what_for(part: &RunPart, goals: &[PursuedGoal], from_s: f64) -> Vec<String> {
    let open = |name: &str| {
        let goal = goals.iter().find(|goal| goal.name == name);
        goal.is_none_or(|goal| !goal.was_reached_before(from_s))
    };
    let names = || part.goals.iter().map(|goal| goal.plan.name.clone());
    let wanted: Vec<String> = names().filter(|name| open(name)).collect();
    match (wanted.is_empty(), part.goals.is_empty()) {
        (false, _) => wanted,
        (true, true) => part.result.asked.clone(),
        (true, false) => vec![format!("once more {}", names().collect::<Vec<_>>().join(", "))],
    }
}

/// What came of a run: goals first.
fn came(part: &RunPart, goals: &[PursuedGoal]) -> Vec<String> {
    let last_turn = |goal: &PursuedGoal| {
        let turn = goal.course.iter().rev().find(|turn| turn.when.run == part.name)?;
        Some(format!("{} {}", goal.name, turn.state))
    };
    let mut came: Vec<String> = goals.iter().filter_map(last_turn).collect();
    came.extend(
        part.result.parts.iter().filter(|part| part.about == "science").map(|part| part.words.clone()),
    );
    came
}
