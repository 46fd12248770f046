//! Patience: how failures of commands are met, and how often instruments are looked at.

use super::read::Reader;
use crate::diagnostic::{Code, meant};
use crate::document::Node;

/// How failures of single commands are met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Retry {
    /// Attempts in all.
    pub attempts: u32,
    /// Time between them, s.
    pub pause_s: f64,
    /// How long a command is tried again while its instrument says that it is busy, s.
    pub busy_s: f64,
    /// How long an instrument that gives no answer is waited for, in a hold, s; 0 gives up after the attempts.
    pub patience_s: f64,
}

impl Default for Retry {
    fn default() -> Self {
        Self { attempts: 3, pause_s: 0.2, busy_s: 5.0, patience_s: 900.0 }
    }
}

/// What the bench says of a single link; the rest is as for all of them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct OwnRetry {
    attempts: Option<u32>,
    pause_s: Option<f64>,
    busy_s: Option<f64>,
    patience_s: Option<f64>,
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
    /// Its settings are brought back, and the point in hand is measured again.
    #[default]
    Restore,
    /// The sequence is held until somebody releases it; then the settings are brought back.
    Hold,
    /// The run ends parked.
    Park,
}

/// How instruments are looked at between times.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Looks {
    /// How often tip, RF and field are looked at, s.
    pub every_s: f64,
    /// How often identity and all other settings are, s.
    pub others_s: f64,
    /// What is done about a difference.
    pub if_changed: IfChanged,
}

impl Default for Looks {
    fn default() -> Self {
        Self { every_s: 0.7, others_s: 30.0, if_changed: IfChanged::Restore }
    }
}

pub(super) fn read_own(node: Option<Node<'_>>, reader: &mut Reader<'_>) -> OwnRetry {
    let Some(node) = node else { return OwnRetry::default() };
    reader.named(node, "Retry");
    let mut inner = reader.with(|p| node.fields(p));
    let attempts = inner.take("attempts").map(|n| reader.whole(Some(n), 3));
    let mut time = |name| inner.take(name).map(|n| reader.duration(Some(n), 0.0));
    let own = OwnRetry {
        attempts: attempts.map(|n| u32::try_from(n).unwrap_or(u32::MAX).clamp(1, 20)),
        pause_s: time("pause"),
        busy_s: time("busy"),
        patience_s: time("patience"),
    };
    reader.finish(inner);
    own
}

const IF_CHANGED: [(&str, IfChanged); 3] =
    [("Restore", IfChanged::Restore), ("Hold", IfChanged::Hold), ("Park", IfChanged::Park)];

pub(super) fn read_looks(node: Option<Node<'_>>, reader: &mut Reader<'_>) -> Looks {
    let default = Looks::default();
    let Some(node) = node else { return default };
    reader.named(node, "Look");
    let mut inner = reader.with(|p| node.fields(p));
    let every_s = reader.duration(inner.take("every"), default.every_s).max(0.05);
    let others_s = reader.duration(inner.take("others"), default.others_s).max(every_s);
    let if_changed = inner.take("if_changed").and_then(|node| {
        let word = reader.word(node).unwrap_or("");
        let found = IF_CHANGED.iter().find(|(name, _)| *name == word).map(|(_, action)| *action);
        if found.is_none() {
            let help = meant(word, IF_CHANGED.iter().map(|(name, _)| *name));
            let message = "what is done about a difference is Restore, Hold or Park";
            reader.report(Code::BenchField, node, message, help);
        }
        found
    });
    reader.finish(inner);
    Looks { every_s, others_s, if_changed: if_changed.unwrap_or_default() }
}

/// Numbers of errors, `[-221, 7]`.
pub(super) fn read_codes(node: Option<Node<'_>>, reader: &mut Reader<'_>) -> Vec<i32> {
    let Some(node) = node else { return Vec::new() };
    let items = reader.with(|p| node.items(p));
    items.into_iter().filter_map(|item| reader.with(|p| item.number(p))).map(|code| code as i32).collect()
}
