//! A campaign: what a group pursues over days in many runs, told as one.
//!
//! It is folded from the results of the runs, so it says of each run what its own brief says. Goals of one name are one
//! goal; what was proved or mapped in one run stays so in the next, and a tip is the same in two runs only where the
//! later one was told of it. Tips and spins have the ids of the logbook.

mod bath;
mod goals;
mod part;
mod tips;

pub use bath::Bath;
pub use goals::{PursuedGoal, PursuedTurn};
pub use part::{PartBath, RunPart};
pub use tips::{Change, Logged, ProvedSpin, PursuedTip};

use crate::history::Clock;
use crate::history::result::Weight;
use crate::quantity::in_words;
use crate::record::GoalState;
use crate::report::words::count;
use serde::Serialize;
use std::path::PathBuf;

/// Why runs are no campaign.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoCampaign {
    /// No goal.
    #[error(
        "none of these runs says a goal, so they are no campaign; `noctule guide campaign` tells how a plan says one"
    )]
    NoGoals,
    /// Real and simulated.
    #[error(
        "`{measured}` was measured and `{rehearsed}` rehearsed; a campaign has runs of one kind, so give the others alone"
    )]
    TwoKinds {
        /// One of the measured runs.
        measured: String,
        /// One of the rehearsed runs.
        rehearsed: String,
    },
    /// No time of day.
    #[error(
        "`{run}` does not say when it began, so nobody knows its place among the days; give the other runs alone"
    )]
    NoTime {
        /// The run.
        run: String,
    },
}

/// A moment of a campaign.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Moment {
    /// When, s from the beginning of the first run.
    pub at_s: f64,
    /// The same for people: `Fri 27 Nov, 22:10`.
    pub at: String,
    /// In which run; empty for what was between two runs.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub run: String,
}

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
    pub from: Moment,
    /// When it ended, or what is known of it ends.
    pub to: Moment,
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

/// What is next, by the last run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ahead {
    /// The last run.
    pub run: String,
    /// Whether it goes on.
    pub goes_on: bool,
    /// Goals that are not reached, each with its state.
    pub open: Vec<String>,
    /// What was chosen last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chosen: Option<String>,
    /// Words of the writer of the sequence for the next shift.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub handed_over: Vec<String>,
    /// What people do, in order.
    pub people: Vec<String>,
}

/// A campaign of many runs. See the [module](self).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pursuit {
    /// The worst of its goals and of its last run.
    pub weight: Weight,
    /// Everything in one line.
    pub headline: String,
    /// Whether its runs were rehearsed.
    pub rehearsal: bool,
    /// When the first run began.
    pub from: Moment,
    /// When the last run ended, or what is known of it ends.
    pub to: Moment,
    /// How long it was in runs, s.
    pub in_runs_s: f64,
    /// From, to, and how much of it in runs, in words.
    pub span: String,
    /// Goals, in the order of the last plan.
    pub goals: Vec<PursuedGoal>,
    /// Runs, in the order of time.
    pub runs: Vec<PursuedRun>,
    /// Tips that were in.
    pub tips: Vec<PursuedTip>,
    /// Spins that were proved.
    pub spins: Vec<ProvedSpin>,
    /// Helium over the days.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub helium: Option<Bath>,
    /// What is next.
    pub next: Ahead,
    /// What can't be told, and why.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub doubts: Vec<String>,
    /// The clock of the first run.
    #[serde(skip)]
    pub clock: Clock,
}

/// Times of a campaign, from the beginning of its first run on.
#[derive(Debug, Clone, Default)]
struct Days {
    clock: Clock,
    first_s: f64,
}

impl Days {
    fn moment(&self, since_1970_s: f64, run: &str) -> Moment {
        let at_s = since_1970_s - self.first_s;
        Moment { at_s, at: self.clock.dated(at_s), run: run.to_owned() }
    }

    /// A moment of a run.
    fn of(&self, part: &RunPart, at_s: f64) -> Moment {
        self.moment(part.started_s().unwrap_or(self.first_s) + at_s, &part.name)
    }
}

/// From one moment to another; a day is said once.
fn from_to(from: &Moment, to: &Moment) -> String {
    let same = from.at.split_once(", ").zip(to.at.split_once(", ")).filter(|(from, to)| from.0 == to.0);
    format!("{} to {}", from.at, same.map_or(to.at.as_str(), |(_, to)| to.1))
}

/// How many of these runs say goals.
pub fn with_goals<'p>(parts: impl IntoIterator<Item = &'p RunPart>) -> usize {
    parts.into_iter().filter(|part| !part.goals.is_empty()).count()
}

impl Pursuit {
    /// Whether runs can be told together.
    ///
    /// # Errors
    /// They are no campaign.
    pub fn fits_together(parts: &[RunPart]) -> Result<(), NoCampaign> {
        fit_together(&parts.iter().collect::<Vec<_>>())
    }

    /// Folds runs, in any order, and asks the logbook of their folder about tips and spins.
    ///
    /// # Errors
    /// They are no campaign.
    pub fn read(parts: &[RunPart]) -> Result<Self, NoCampaign> {
        Self::fits_together(parts)?;
        let files: Vec<(PathBuf, String)> =
            parts.iter().map(|part| (part.path.clone(), part.name.clone())).collect();
        let logged =
            Logged::of(&files, parts.iter().any(|part| part.rehearsal)).map_err(|error| error.to_string());
        Self::of(parts, logged.as_ref().map_err(String::clone))
    }

    /// Folds runs, in any order. Without a logbook nothing is told of tips, and spins have no ids.
    ///
    /// # Errors
    /// They are no campaign.
    pub fn of(parts: &[RunPart], logged: Result<&Logged, String>) -> Result<Self, NoCampaign> {
        let mut parts: Vec<&RunPart> = parts.iter().collect();
        let mut told = std::collections::BTreeSet::new();
        parts.retain(|part| told.insert(&part.path));
        parts.sort_by(|a, b| a.started_s().partial_cmp(&b.started_s()).unwrap_or(std::cmp::Ordering::Equal));
        let (Some(first), Some(last)) = (parts.first().copied(), parts.last().copied()) else {
            return Err(NoCampaign::NoGoals);
        };
        fit_together(&parts)?;
        let days = Days { clock: first.clock.clone(), first_s: first.started_s().unwrap_or(0.0) };
        let goals = goals::all(&parts, &days);
        let runs = runs(&parts, &goals, &days);
        let mut doubts = doubts(&parts);
        let tips = match &logged {
            Ok(logged) => tips::tips(&parts, logged, &days),
            Err(why) => {
                doubts.push(format!("Which tip was in is not told: {why}."));
                Vec::new()
            }
        };
        let spins = tips::spins(&parts, &tips, logged.ok(), &days);
        let next = ahead(last, &goals);
        let to = runs.iter().map(|run| &run.to).max_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let mut pursuit = Self {
            weight: Weight::Good,
            headline: String::new(),
            rehearsal: first.rehearsal,
            from: days.of(first, 0.0),
            to: to.cloned().unwrap_or_else(|| days.of(last, last.end_s)),
            in_runs_s: parts.iter().map(|part| part.end_s).sum(),
            span: String::new(),
            goals,
            runs,
            tips,
            spins,
            helium: bath::Bath::of(&parts, &days),
            next,
            doubts,
            clock: days.clock,
        };
        (pursuit.weight, pursuit.headline) = pursuit.in_a_line(last);
        pursuit.span = pursuit.span_in_words();
        Ok(pursuit)
    }

    /// How many goals are reached, in words.
    pub fn reached_in_words(&self) -> String {
        let reached = self.goals.iter().filter(|goal| is_reached(goal)).count();
        format!("{reached} of {} goals reached", self.goals.len())
    }

    fn in_a_line(&self, last: &RunPart) -> (Weight, String) {
        let open = match self.next.open.as_slice() {
            [] => String::new(),
            open => format!(" ({})", open.join("; ")),
        };
        let goals = format!("{}{open}", self.reached_in_words());
        let runs = format!("{} over {}", count(self.runs.len() as u64, "run"), in_words(self.to.at_s));
        let all = self.next.open.is_empty() || last.goes_on();
        let weight = if all { Weight::Good } else { Weight::Look };
        let headline = format!("{goals}; {runs}; the last one {}", last.result.outcome);
        (weight.max(last.result.weight), headline)
    }

    fn span_in_words(&self) -> String {
        let whole_s = self.to.at_s;
        let between_s =
            self.runs.iter().filter_map(|run| run.gap_s).filter(|gap_s| *gap_s > 0.0).sum::<f64>();
        format!(
            "{} ({}: {} in {}, {} between them)",
            from_to(&self.from, &self.to),
            in_words(whole_s),
            in_words(self.in_runs_s),
            count(self.runs.len() as u64, "run"),
            in_words(between_s)
        )
    }
}

fn fit_together(parts: &[&RunPart]) -> Result<(), NoCampaign> {
    let of_kind = |rehearsal: bool| parts.iter().find(|part| part.rehearsal == rehearsal);
    if let (Some(measured), Some(rehearsed)) = (of_kind(false), of_kind(true)) {
        let [measured, rehearsed] = [measured, rehearsed].map(|part| part.name.clone());
        return Err(NoCampaign::TwoKinds { measured, rehearsed });
    }
    if with_goals(parts.iter().copied()) == 0 {
        return Err(NoCampaign::NoGoals);
    }
    match parts.iter().find(|part| part.started_s().is_none()) {
        Some(part) => Err(NoCampaign::NoTime { run: part.name.clone() }),
        None => Ok(()),
    }
}

fn runs(parts: &[&RunPart], goals: &[PursuedGoal], days: &Days) -> Vec<PursuedRun> {
    let mut ended_s: Option<f64> = None;
    let run = |part: &&RunPart| {
        let (from, to) = (days.of(part, 0.0), days.of(part, part.end_s));
        let gap_s = ended_s.map(|ended_s| from.at_s - ended_s);
        ended_s = Some(ended_s.map_or(to.at_s, |before| before.max(to.at_s)));
        let held = |span: &crate::history::HoldSpan| Held {
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

fn is_reached(goal: &PursuedGoal) -> bool {
    goal.state == GoalState::Reached.word()
}

fn ahead(last: &RunPart, goals: &[PursuedGoal]) -> Ahead {
    let open = goals.iter().filter(|goal| !is_reached(goal));
    Ahead {
        run: last.name.clone(),
        goes_on: last.goes_on(),
        open: open.map(|goal| format!("{} {}", goal.name, goal.words)).collect(),
        chosen: last.result.chosen.clone(),
        handed_over: last.handed_over.clone(),
        people: last.result.next.clone(),
    }
}

/// What a reader must know of what the records do not say.
fn doubts(parts: &[&RunPart]) -> Vec<String> {
    let mut doubts = Vec::new();
    for part in parts.iter().filter(|part| !part.intact) {
        let name = &part.name;
        doubts.push(format!("The file of {name} is damaged; what is told of it is from its intact part."));
    }
    for part in parts.iter().skip(1).filter(|part| !part.told) {
        let name = &part.name;
        doubts.push(format!("{name} was not told of a tip when it began: no record says that it had the tip of the run before."));
    }
    doubts
}

#[cfg(test)]
mod tests;
