//! How instruments fail.

use crate::quantity::TimePoint;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Kinds of failure that are met in different ways.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum ErrorKind {
    /// Nobody is there: the connection can't be made, or is gone.
    Absent,
    /// Somebody is there, but occupied; asking again later is right.
    Busy,
    /// It understood and will not do it.
    Refused,
    /// It answered something that makes no sense, or is no finite number.
    Garbled,
    /// It did not answer in time.
    TimedOut,
    /// Something came that nobody had asked for, or an answer that belongs to something else: what was read since
    /// the last proof is doubtful.
    OutOfStep,
    /// Settings are not what they were: it was restarted, or another hand was there. Told once; nothing was done.
    Changed,
    /// What was to be read is more than can be shown.
    AboveRange,
    /// What was to be read is less than can be shown.
    BelowRange,
}

impl ErrorKind {
    /// Whether nothing that makes sense came at all.
    pub fn is_silence(self) -> bool {
        matches!(self, ErrorKind::Absent | ErrorKind::TimedOut | ErrorKind::Garbled | ErrorKind::OutOfStep)
    }

    /// Whether trying the same again may help.
    pub fn may_pass(self) -> bool {
        !matches!(self, ErrorKind::Refused)
    }

    /// The word in messages.
    pub fn word(self) -> &'static str {
        match self {
            ErrorKind::Absent => "absent",
            ErrorKind::Busy => "busy",
            ErrorKind::Refused => "refused",
            ErrorKind::Garbled => "garbled",
            ErrorKind::TimedOut => "timed out",
            ErrorKind::OutOfStep => "out of step",
            ErrorKind::Changed => "changed",
            ErrorKind::AboveRange => "above its range",
            ErrorKind::BelowRange => "below its range",
        }
    }
}

/// A failure with its kind and one sentence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, thiserror::Error)]
pub struct InstrumentError {
    /// The kind.
    pub kind: ErrorKind,
    /// One plain sentence.
    pub message: String,
    /// Channels that are not as they were left, where that is what failed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changed: Vec<String>,
    /// How these channels had been left, SI, in the same order.
    #[serde(skip)]
    pub left: Vec<f64>,
    /// What was read from the instrument after this moment may be the answer to something else.
    #[serde(skip)]
    pub certain_until: Option<TimePoint>,
}

impl InstrumentError {
    /// A failure.
    pub fn new(kind: ErrorKind, message: impl Into<String>) -> Self {
        Self { kind, message: message.into(), changed: Vec::new(), left: Vec::new(), certain_until: None }
    }

    /// An instrument is not as it was left: channels, and how each had been left, SI.
    pub fn changed(message: impl Into<String>, channels: Vec<(String, f64)>) -> Self {
        let (changed, left) = channels.into_iter().unzip();
        Self { changed, left, ..Self::new(ErrorKind::Changed, message) }
    }
}

impl fmt::Display for InstrumentError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({})", self.message, self.kind.word())
    }
}
