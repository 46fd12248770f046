//! What operators say, and who wants a hold.

use serde::{Deserialize, Serialize};

/// An operator's word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Word {
    /// Finish the current point, then wait.
    Hold,
    /// Go to the refill state, then wait.
    HoldForRefill,
    /// Go on.
    Release,
    /// End at the next point and park; a second time: at once.
    Stop,
    /// A goal of the plan comes first from now on.
    First,
    /// A goal of the plan is not wanted any more.
    NotWanted,
    /// An answer to what the plan asked people.
    Answer,
    /// End although the bench can't be made safe: somebody sees to it by hand.
    LeaveAsIs,
}

impl Word {
    /// For people.
    pub fn in_words(self) -> &'static str {
        match self {
            Word::Hold => "hold",
            Word::HoldForRefill => "hold for refill",
            Word::Release => "release",
            Word::Stop => "stop",
            Word::First => "this goal first",
            Word::NotWanted => "this goal is not wanted any more",
            Word::Answer => "an answer",
            Word::LeaveAsIs => "leave the bench as it is",
        }
    }
}

/// Who wants a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HeldBy {
    /// A person.
    Operator,
    /// An interlock.
    Interlock,
    /// An instrument that stands elsewhere than it was told.
    Instrument,
}

impl HeldBy {
    /// For people.
    pub fn word(self) -> &'static str {
        match self {
            HeldBy::Operator => "operator",
            HeldBy::Interlock => "interlock",
            HeldBy::Instrument => "instrument",
        }
    }
}
