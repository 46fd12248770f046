//! Steps to a safe state, or back from it: what each does, and what was found when it was over.

use super::{Answer, CentrePlan, Centred, Column, Entry, Failure, Request};
use crate::bench::ChannelId;
use crate::instrument::{InstrumentError, Task};
use serde::{Deserialize, Serialize};

/// On what way steps are taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum During {
    /// To the park state.
    Park,
    /// To the hold state.
    Hold,
    /// To the state in which helium can be transferred.
    Refill,
    /// Back to where the sequence had left the bench.
    Restore,
}

impl During {
    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            During::Park => "park",
            During::Hold => "hold",
            During::Refill => "refill",
            During::Restore => "restore",
        }
    }
}

/// What one step does.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SafeAct<C = ChannelId> {
    /// End a running task.
    Abort,
    /// Withdraw the tip.
    Withdraw,
    /// Approach again.
    Approach,
    /// Condense the pot anew.
    Condense,
    /// Bring a channel to a value, SI.
    Set(C, f64),
    /// Leave a channel as it is.
    Keep(C),
    /// Put the tip back on the spot on which it stood.
    Centre(CentrePlan<C>),
}

impl<C> SafeAct<C> {
    /// The same step on channels that go by other names; nothing if one of them has none.
    pub fn renamed<D>(&self, name: impl FnOnce(&C) -> Option<D>) -> Option<SafeAct<D>> {
        Some(match self {
            SafeAct::Abort => SafeAct::Abort,
            SafeAct::Withdraw => SafeAct::Withdraw,
            SafeAct::Approach => SafeAct::Approach,
            SafeAct::Condense => SafeAct::Condense,
            SafeAct::Set(channel, value) => SafeAct::Set(name(channel)?, *value),
            SafeAct::Keep(channel) => SafeAct::Keep(name(channel)?),
            SafeAct::Centre(plan) => SafeAct::Centre(plan.renamed(name)?),
        })
    }
}

impl SafeAct<Column> {
    /// For people: `withdraw the tip`, `bias to 50 mV`.
    pub fn in_words(&self) -> String {
        match self {
            SafeAct::Abort => "end the running task".to_owned(),
            SafeAct::Withdraw => "withdraw the tip".to_owned(),
            SafeAct::Approach => "approach the tip".to_owned(),
            SafeAct::Condense => "condense the pot anew".to_owned(),
            SafeAct::Set(column, value) => format!("{} to {}", column.channel, column.show(*value)),
            SafeAct::Keep(column) => format!("leave {} as it is", column.channel),
            SafeAct::Centre(plan) => format!("find the spot again by {}", plan.channel.channel),
        }
    }
}

/// What was found when a step was over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Found {
    /// There was nothing to look at.
    Nothing,
    /// The channel of the step, or the one that shows whether the tip is in range, reads so, SI.
    Reads(f64),
    /// The channel was last told so, SI; it was not asked.
    Standing(f64),
    /// The channel answered, but gave no number.
    NoNumber,
    /// What was done could not be read back.
    Unreadable(InstrumentError),
    /// No channel of the bench shows it.
    Unseen,
    /// It took longer than the step may.
    Late,
    /// It was not tried: the steps before it had failed.
    NotTried,
    /// Where the tip was put.
    Centred(Centred),
    /// Why it was not done.
    Failed(Failure),
    /// The instrument's own words about a task.
    Remark(String),
}

impl Found {
    /// Of a reading.
    pub fn reading(value: f64) -> Self {
        if value.is_finite() { Found::Reads(value) } else { Found::NoNumber }
    }

    /// For people, about a step.
    pub fn in_words(&self, step: &SafeAct<Column>) -> String {
        let kept = matches!(step, SafeAct::Keep(_));
        let show = |value: f64| match step {
            SafeAct::Set(column, _) | SafeAct::Keep(column) => column.show(value),
            _ => value.to_string(),
        };
        match self {
            Found::Nothing => String::new(),
            Found::Reads(value) if kept => format!("it reads {}", show(*value)),
            Found::Reads(value) => format!("reads {}", show(*value)),
            Found::Standing(value) => format!("it was last at {}", show(*value)),
            Found::NoNumber if kept => "nothing was sent to it, and it gives no number".to_owned(),
            Found::NoNumber => "it gives no number".to_owned(),
            Found::Unreadable(error) if kept => {
                format!("nothing was sent to it, and it can't be read: {error}")
            }
            Found::Unreadable(error) => format!("set, but not read back: {error}"),
            Found::Unseen => "no channel shows it".to_owned(),
            Found::Late if kept => "nothing was sent to it, and it could not be read in time".to_owned(),
            Found::Late => "it took too long".to_owned(),
            Found::NotTried => "the steps before it failed".to_owned(),
            Found::Centred(centred) if centred.found => centred.title(),
            Found::Centred(centred) => centred.remark.clone(),
            Found::Failed(failure) => failure.to_string(),
            Found::Remark(words) => words.clone(),
        }
    }
}

impl Entry {
    /// Whether the pot was condensed anew here, by the sequence or by a hold.
    pub fn condenses(&self) -> bool {
        match self {
            Entry::SafeStep { step: SafeAct::Condense, achieved, .. } => *achieved,
            Entry::Call {
                request: Request::Task(Task::Regenerate),
                answer: Ok(Answer::Task(report)),
                ..
            } => report.achieved,
            _ => false,
        }
    }
}
