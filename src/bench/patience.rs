//! Patience: how failures of commands are met, and how often instruments are looked at.

use super::read::Reader;
use crate::document::{Node, Problem};
use crate::quantity::Dimension;
use noctule_ground::section;
use noctule_ground::section::{Field, Kind, Range, TIME, Value, choice};

const AT_LEAST: Kind = Kind::Quantity(Dimension::TIME, Range::Held(0.05, f64::INFINITY));

section! {
    /// How failures of single commands are met.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Retry = "Retry" {
        /// Attempts in all.
        pub attempts: u32 = Kind::Whole(1, 20), "attempts" or "3";
        /// Time between them.
        pub pause_s: f64 = TIME, "pause" or "200 ms";
        /// How long a command is tried again while its instrument says that it is busy.
        pub busy_s: f64 = TIME, "busy" or "5 s";
        /// How long an instrument that gives no answer is waited for, in a hold; 0 gives up after the attempts.
        pub patience_s: f64 = TIME, "patience" or "15 min";
    }
}

section! {
    /// What the bench says of a single link; the rest is as for all of them.
    #[derive(Debug, Clone, Copy, PartialEq, Default)]
    pub struct OwnRetry = "Retry" {
        /// Attempts in all.
        pub attempts: Option<u32> = Kind::Whole(1, 20), "attempts";
        /// Time between them.
        pub pause_s: Option<f64> = TIME, "pause";
        /// How long a command is tried again while this instrument says that it is busy.
        pub busy_s: Option<f64> = TIME, "busy";
        /// How long this instrument is waited for, in a hold, when it gives no answer.
        pub patience_s: Option<f64> = TIME, "patience";
    }
}

impl OwnRetry {
    /// With what holds for all links where nothing is said of this one.
    pub fn over(self, all: Retry) -> Retry {
        Retry {
            attempts: self.attempts.unwrap_or(all.attempts),
            pause_s: self.pause_s.unwrap_or(all.pause_s),
            busy_s: self.busy_s.unwrap_or(all.busy_s),
            patience_s: self.patience_s.unwrap_or(all.patience_s),
        }
    }
}

/// What is done when an instrument is not as it was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum IfChanged {
    /// Its settings are brought back, and the current point is measured again.
    #[default]
    Restore,
    /// The sequence is held until somebody releases it; then the settings are brought back.
    Hold,
    /// The run ends parked.
    Park,
}

section! {
    /// How instruments are looked at between times.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Looks = "Look" {
        /// How often tip, RF and field are looked at.
        pub every_s: f64 = AT_LEAST, "every" or "700 ms";
        /// How often identity and all other settings are; never more often than those.
        pub others_s: f64 = AT_LEAST, "others" or "30 s";
        /// What is done about a difference.
        pub if_changed: IfChanged = Kind::Word(if_changed), "if_changed" or "Restore";
    }
}

const IF_CHANGED: [(&str, IfChanged); 3] =
    [("Restore", IfChanged::Restore), ("Hold", IfChanged::Hold), ("Park", IfChanged::Park)];

fn if_changed() -> Vec<&'static str> {
    IF_CHANGED.map(|(name, _)| name).to_vec()
}

impl Value for IfChanged {
    fn read(node: Node<'_>, _: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        choice(node, &IF_CHANGED, "what is done about a difference is Restore, Hold or Park", problems)
    }
}

/// Numbers of errors, `[-221, 7]`.
pub(super) fn read_codes(node: Node<'_>, reader: &mut Reader) -> Vec<i32> {
    let items = node.items(reader);
    items.into_iter().filter_map(|item| item.number(reader)).map(|code| code as i32).collect()
}
