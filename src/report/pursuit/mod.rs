//! A campaign: what a group pursues over days in many runs, told as one.
//!
//! It is folded from the results of the runs, so it says of each run what its own brief says. Goals of one name are one
//! goal; what was proved or mapped in one run stays so in the next, and a tip is the same in two runs only where the
//! later one was told of it. Tips and spins have the ids of the logbook.

mod bath;
mod goals;
mod part;
mod runs;
mod spins;
mod tips;

pub use bath::Bath;
pub use goals::{PursuedGoal, PursuedTurn};
pub use part::{PartBath, RunPart};
pub use runs::{Held, PursuedRun};
pub use spins::ProvedSpin;
pub use tips::{Change, Logged, PursuedTip};

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
    /// Nobody could tell them apart.
    #[error("two of these runs are called `{name}`; give one of their folders another name")]
    TwoOfOneName {
        /// Their name.
        name: String,
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

/// When something was in a campaign.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct When {
    /// When, s from the beginning of the first run.
    pub at_s: f64,
    /// The same for people: `Fri 27 Nov, 22:10`.
    pub at: String,
    /// In which run; empty for what was between two runs.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub run: String,
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
    pub from: When,
    /// When the last run ended, or what is known of it ends.
    pub to: When,
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
    fn when(&self, since_1970_s: f64, run: &str) -> When {
        let at_s = since_1970_s - self.first_s;
        When { at_s, at: self.clock.dated(at_s), run: run.to_owned() }
    }

    /// A moment of a run.
    fn of(&self, part: &RunPart, at_s: f64) -> When {
        self.when(part.started_s().unwrap_or(self.first_s) + at_s, &part.name)
    }
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
        let runs = runs::all(&parts, &goals, &days);
        let mut doubts = doubts(&parts);
        let tips = match &logged {
            Ok(logged) => tips::all(&parts, logged, &days),
            Err(why) => {
                doubts.push(format!("Which tip was in is not told: {why}."));
                Vec::new()
            }
        };
        let spins = spins::all(&parts, &tips, logged.ok(), &days);
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
        let runs = format!("{} in {}", in_words(self.in_runs_s), count(self.runs.len() as u64, "run"));
        let gaps = self.runs.iter().filter_map(|run| run.gap_s).filter(|gap_s| *gap_s > 0.0);
        let between = gaps.reduce(|a, b| a + b).map(|gap_s| format!(", {} between them", in_words(gap_s)));
        let whole = in_words(self.to.at_s);
        format!("{} ({whole}: {runs}{})", runs::from_to(&self.from, &self.to), between.unwrap_or_default())
    }
}

fn fit_together(parts: &[&RunPart]) -> Result<(), NoCampaign> {
    let of_kind = |rehearsal: bool| parts.iter().find(|part| part.rehearsal == rehearsal);
    if let (Some(measured), Some(rehearsed)) = (of_kind(false), of_kind(true)) {
        let [measured, rehearsed] = [measured, rehearsed].map(|part| part.name.clone());
        return Err(NoCampaign::TwoKinds { measured, rehearsed });
    }
    if parts.iter().all(|part| part.goals.is_empty()) {
        return Err(NoCampaign::NoGoals);
    }
    let mut known = std::collections::BTreeMap::new();
    for part in parts {
        if *known.entry(&part.name).or_insert(&part.path) != &part.path {
            return Err(NoCampaign::TwoOfOneName { name: part.name.clone() });
        }
    }
    match parts.iter().find(|part| part.started_s().is_none()) {
        Some(part) => Err(NoCampaign::NoTime { run: part.name.clone() }),
        None => Ok(()),
    }
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
