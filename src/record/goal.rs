//! Goals of a plan as they stand in a record: what was said of them, and how far they have come.

use super::budget::{Asked, Asking, Budget, Used};
use super::words::words;
use serde::{Deserialize, Serialize};

words! {
    /// What settles a goal: a question to what was judged, never a number that a sequence gives.
    pub enum Evidence {
        /// Tests on two atoms, or a resonance, have proved the tip that is in, and no later test has found it changed.
        TipProved = "tip proved",
        /// A verdict on spectra of the tip that is in is `real`.
        ResonanceProved = "resonance proved",
        /// Lines with a trusted fit at so many places, with the tip that is in, beside a proof with it.
        LineMapped = "line mapped",
    }
}

words! {
    /// Why a goal is given up.
    pub enum Shortfall {
        /// No tip with contrast could be made.
        NoContrast = "no contrast",
        /// No atom is left to work with.
        NoAtoms = "no atoms",
        /// There is no line where one was looked for.
        NoLine = "no line",
        /// Whether there is a line could not be told.
        Undecided = "undecided",
        /// The tip was lost, and no other one was made.
        TipLost = "tip lost",
        /// The spin was not found again.
        SpotLost = "spot lost",
        /// The time of the plan is over.
        NoTime = "no time",
        /// The helium that the plan may use is used.
        NoHelium = "no helium",
        /// The stage did not get cold.
        NotCold = "not cold",
        /// The tip is guarded.
        Guarded = "guarded",
        /// It was tried as often as the plan allows.
        TooOften = "too often",
        /// A person took it off the plan.
        NotWanted = "not wanted",
        /// What it needs was given up.
        NeedsAnother = "needs another",
    }
}

words! {
    /// How far a goal has come.
    pub enum GoalState {
        /// Not settled.
        Open = "open",
        /// Its evidence is there.
        Reached = "reached",
        /// It was reached, and the tip that it was reached with is gone.
        Lost = "lost",
        /// Given up, for a named reason.
        GivenUp = "given up",
    }
}

/// A goal as the plan says it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GoalPlan {
    /// Its name.
    pub name: String,
    /// What settles it.
    pub evidence: Evidence,
    /// What it is worth beside the others.
    pub worth: f64,
    /// Places that a map must have; 0 for what is no map.
    #[serde(default)]
    pub places: u32,
    /// What the line is mapped against; empty for what is no map.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub against: String,
    /// Largest error of the centre of a line that counts for its map, Hz; none where any will do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub centre_error_hz: Option<f64>,
    /// The same of its height, as a part of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub height_error: Option<f64>,
    /// Goals that must be reached before it is begun.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub after: Vec<String>,
}

impl GoalPlan {
    /// A goal that is no map and waits for none.
    pub fn plain(name: &str, evidence: Evidence, worth: f64) -> Self {
        let (name, against, after) = (name.to_owned(), String::new(), Vec::new());
        Self { name, evidence, worth, places: 0, against, centre_error_hz: None, height_error: None, after }
    }

    /// Whether a line is known as well as the map wants it.
    pub fn suffices(&self, found: &Precision) -> bool {
        let within = |error: Option<f64>, most: Option<f64>| {
            most.is_none_or(|most| error.is_some_and(|error| error <= most))
        };
        within(found.centre_hz, self.centre_error_hz) && within(found.height_part, self.height_error)
    }
}

/// How well a trusted fit knows its line.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Precision {
    /// Error of its centre, Hz.
    pub centre_hz: Option<f64>,
    /// Error of its height, as a part of it.
    pub height_part: Option<f64>,
}

/// One of the things that could be done next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alternative {
    /// What is done.
    pub name: String,
    /// The goal that it serves.
    pub goal: String,
    /// What it is expected to gain, in units of the worth of goals.
    pub gain: f64,
    /// How long it takes, s.
    pub time_s: f64,
    /// Helium that it takes, m³.
    pub helium_m3: f64,
    /// Chance that it costs the tip.
    pub risk: f64,
    /// Gain less what is risked, over the hours that time and helium cost.
    pub worth_an_hour: f64,
    /// Why it can't be begun, if it can't.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lacking: Option<String>,
}

/// A choice of what is next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Choice {
    /// When, s.
    #[serde(default)]
    pub at_s: f64,
    /// Number of the alternative that was taken; none where nothing could be begun.
    pub taken: Option<usize>,
    /// All that stood to choose from.
    pub of: Vec<Alternative>,
}

impl Choice {
    /// For people: what was taken, and what it was worth beside the next best.
    pub fn in_words(&self) -> String {
        let an_hour = |one: &Alternative| format!("{:.2} an hour", one.worth_an_hour);
        let Some(taken) = self.taken.and_then(|i| self.of.get(i)) else {
            let why: Vec<String> = self
                .of
                .iter()
                .filter_map(|one| Some(format!("{}: {}", one.name, one.lacking.as_ref()?)))
                .collect();
            return format!("nothing could be begun: {}", why.join("; "));
        };
        let others =
            self.of.iter().enumerate().filter(|(i, one)| Some(*i) != self.taken && one.lacking.is_none());
        let best = others.map(|(_, one)| one).max_by(|a, b| a.worth_an_hour.total_cmp(&b.worth_an_hour));
        match best {
            Some(other) => {
                format!("{}, worth {} ({}: {})", taken.name, an_hour(taken), other.name, an_hour(other))
            }
            None => format!("{}, worth {}", taken.name, an_hour(taken)),
        }
    }
}

/// What a sequence says of its plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PlanSaid {
    /// A goal.
    Goal(GoalPlan),
    /// A spectrum counts for the map of a goal, at a place of it.
    Counts {
        /// The goal.
        goal: String,
        /// The sweep.
        sweep: u64,
        /// Where in the map.
        place: String,
    },
    /// A goal is given up.
    GivenUp {
        /// The goal.
        goal: String,
        /// The named reason.
        shortfall: Shortfall,
        /// More on it.
        why: String,
    },
    /// What is done next was chosen.
    Choice(Choice),
    /// What the plan may use.
    Budget(Budget),
    /// People are asked something.
    Asked(Asked),
}

/// A step in the course of a goal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Turn {
    /// When, s.
    pub at_s: f64,
    /// What it became.
    pub state: GoalState,
    /// By what.
    pub why: String,
}

/// A goal with what is known of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Goal {
    /// As the plan says it.
    #[serde(flatten)]
    pub plan: GoalPlan,
    /// How far it is.
    pub state: GoalState,
    /// By what it came so far.
    pub why: String,
    /// The named reason, where it is given up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shortfall: Option<Shortfall>,
    /// Spectra that count for its map: sweep and place.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub counted: Vec<(u64, String)>,
    /// Places of its map that are settled.
    pub settled: u32,
    /// What it became, in order.
    pub course: Vec<Turn>,
}

impl Goal {
    /// Whether nothing is left to do for it.
    pub fn is_over(&self) -> bool {
        matches!(self.state, GoalState::Reached | GoalState::GivenUp)
    }

    /// Its state for people: `reached`, `3 of 5 places`, `given up: no atoms`.
    pub fn in_words(&self) -> String {
        match (self.state, self.shortfall) {
            (GoalState::GivenUp, Some(shortfall)) => format!("given up: {}", shortfall.word()),
            (GoalState::Open | GoalState::Lost, _) if self.settled > 0 => {
                format!("{}, {} of {} places", self.state.word(), self.settled, self.plan.places)
            }
            (state, _) => state.word().to_owned(),
        }
    }
}

/// The goals of a run: the fold of what is recorded of them.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Goals {
    /// The goals, in the order in which they were said.
    pub all: Vec<Goal>,
    /// What was chosen last.
    pub chosen: Option<Choice>,
    /// How often something was chosen.
    pub choices: u64,
    /// What the plan may use.
    #[serde(skip_serializing_if = "Budget::is_empty")]
    pub budget: Budget,
    /// What it is given beyond what it says, where a rehearsal wants to know what that would change.
    #[serde(skip)]
    pub more: Budget,
    /// How often it has done what its budget bounds.
    pub used: Used,
    /// What people were asked.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub asked: Vec<Asking>,
    /// Since when the tip that is in is what it is, s; none where nothing has changed it in this run.
    pub tip_since_s: Option<f64>,
    /// The last proof of a resonance with it: when its first spectrum began, s, and in words.
    pub proof: Option<(f64, String)>,
    /// Sweeps in rising order, and when they began, s.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub began: Vec<(u64, f64)>,
    /// Sweeps whose last fit is trusted, and how well it knows the line.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub trusted: Vec<(u64, Precision)>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_lead_back_to_what_they_mean() {
        for word in Evidence::WORDS {
            assert_eq!(Evidence::of(word).unwrap().word(), *word);
        }
        for word in Shortfall::WORDS {
            assert_eq!(Shortfall::of(word).unwrap().word(), *word);
        }
        assert_eq!((Shortfall::of("luck"), GoalState::of("given up")), (None, Some(GoalState::GivenUp)));
    }

    #[test]
    fn a_choice_is_told_with_the_next_best() {
        let one = |name: &str, worth_an_hour, lacking: Option<&str>| Alternative {
            name: name.to_owned(),
            goal: "g".to_owned(),
            gain: 1.0,
            time_s: 3600.0,
            helium_m3: 0.0,
            risk: 0.0,
            worth_an_hour,
            lacking: lacking.map(str::to_owned),
        };
        let of = vec![one("prove", 5.0, None), one("map", 9.0, Some("no time")), one("test", 2.0, None)];
        let choice = Choice { at_s: 0.0, taken: Some(0), of };
        assert_eq!(choice.in_words(), "prove, worth 5.00 an hour (test: 2.00 an hour)");
        let none = Choice { taken: None, ..choice };
        assert_eq!(none.in_words(), "nothing could be begun: map: no time");
    }
}
