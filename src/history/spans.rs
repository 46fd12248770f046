//! Steps of the sequence, interlocks that tripped, results in a line.

use crate::record::{Cause, Entry, HeldBy, JudgementKind, Place};
use serde::Serialize;

/// A named step of the sequence.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepSpan {
    /// Its name.
    pub name: String,
    /// How deep it is nested.
    pub depth: usize,
    /// When it began, s.
    pub from_s: f64,
    /// When it ended, s; none if it did not.
    pub to_s: Option<f64>,
    /// Why it was left out.
    pub left_out: Option<String>,
    /// Its number.
    #[serde(skip)]
    pub step: u64,
    /// Where in the sequence.
    #[serde(skip)]
    pub place: Place,
    /// Sweeps that began in it.
    #[serde(skip)]
    pub sweeps: u64,
}

/// Takes in the beginning or the end of a step.
pub(super) fn step(steps: &mut Vec<StepSpan>, at_s: f64, entry: &Entry) {
    match entry {
        Entry::StepBegin { step, name, place, parent, .. } => {
            let above = parent.and_then(|parent| steps.iter().rfind(|s| s.step == parent));
            steps.push(StepSpan {
                name: name.clone(),
                depth: above.map_or(0, |above| above.depth + 1),
                from_s: at_s,
                to_s: None,
                left_out: None,
                step: *step,
                place: place.clone(),
                sweeps: 0,
            });
        }
        Entry::StepEnd { step, left_out, .. } => {
            if let Some(span) = steps.iter_mut().rfind(|s| s.step == *step) {
                span.to_s = Some(at_s);
                span.left_out.clone_from(left_out);
            }
        }
        _ => {}
    }
}

/// An interlock that tripped.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trip {
    /// Its name.
    pub name: String,
    /// When, s.
    pub at_s: f64,
    /// What it did.
    pub action: String,
    /// What tripped it.
    pub value: String,
    /// Line of the sequence that was at work.
    pub line: u32,
    /// Channels that gave it no number, where it acted for that.
    #[serde(skip)]
    pub unseen: Vec<String>,
}

impl Trip {
    pub(super) fn of(at_s: f64, entry: &Entry) -> Option<Self> {
        let Entry::Interlock { name, action, place, cause, .. } = entry else { return None };
        let unseen = if let Cause::Blind(unseen) = cause { unseen.as_slice() } else { &[] };
        Some(Self {
            name: name.clone(),
            at_s,
            action: action.name().to_owned(),
            value: entry.what_tripped(),
            line: place.line,
            unseen: unseen.iter().map(|one| one.channel.clone()).collect(),
        })
    }
}

/// A time in which the sequence was held.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HoldSpan {
    /// From, s.
    pub from_s: f64,
    /// To, s; none while it goes on.
    pub to_s: Option<f64>,
    /// Who wanted it.
    #[serde(skip)]
    pub by: HeldBy,
    /// One sentence.
    pub reason: String,
    /// Whether the bench went to its refill state in it.
    #[serde(skip)]
    pub refill: bool,
}

/// The hold that goes on has ended.
pub(super) fn hold_ends(spans: &mut [HoldSpan], at_s: f64) {
    if let Some(last) = spans.last_mut() {
        last.to_s.get_or_insert(at_s);
    }
}

/// One line of what was worked out from data.
#[derive(Debug, Clone, PartialEq)]
pub struct ResultLine {
    /// What it is.
    pub what: JudgementKind,
    /// For people, with the first doubt if there are doubts.
    pub words: String,
}

impl ResultLine {
    /// `why` is what speaks against it.
    pub(super) fn of(what: &JudgementKind, title: &str, why: &[String]) -> Self {
        let doubt =
            if why.is_empty() { String::new() } else { format!(" — not to be trusted: {}", first_of(why)) };
        Self { what: what.clone(), words: format!("{title}{doubt}") }
    }
}

/// The first of several doubts, and how many more there are; the page and the export have them all.
pub fn first_of(doubts: &[String]) -> String {
    match doubts {
        [] => String::new(),
        [one] => one.clone(),
        [first, more @ ..] => format!("{first} (and {} more)", more.len()),
    }
}
