//! The one result of a run: what was asked, what was found, what was not done and why, how tip and bench stand, how long
//! the helium lasts, and what is next. The brief, the live page, JSON, messages, the list of runs and the terminal take
//! it from here, so none of them says something else than the others.
//!
//! It is pure: it is made from the fold of the record and the bench alone.

mod found;
mod goals;
mod helium;
mod next;
#[cfg(test)]
mod tests;

pub use found::{Finding, SaidBy};
pub use goals::{GoalLine, QuestionLine};
pub use helium::HeliumNow;
pub use next::next;

use super::{Clock, History, HoldSpan, Known};
use crate::bench::{Action, Bench, Role};
use crate::quantity::in_words;
use crate::record::{Achieved, Choice, HeldBy, Outcome};
use serde::Serialize;

/// How urgent something is; shown by sign and word, never by colour alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weight {
    /// As it should be.
    Good,
    /// To be looked at.
    Look,
    /// Wrong.
    Wrong,
}

impl Weight {
    /// A sign that reads without colour.
    pub fn sign(self) -> &'static str {
        match self {
            Weight::Good => "✓",
            Weight::Look => "▲",
            Weight::Wrong => "✕",
        }
    }

    /// Its name in styles.
    pub fn word(self) -> &'static str {
        match self {
            Weight::Good => "good",
            Weight::Look => "look",
            Weight::Wrong => "wrong",
        }
    }
}

/// What is known of the run beside its record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Seen {
    /// The run itself answers.
    Answers,
    /// Only its record is there, and it is whole.
    Record,
    /// The record is damaged from some place on.
    Damaged,
}

/// A part of the headline.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Part {
    /// `run`, `bench`, `science`, `plan`, `time`, `helium`.
    pub about: &'static str,
    /// How urgent it is.
    pub weight: Weight,
    /// A few words.
    pub words: String,
}

/// What was planned and not done.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Missing {
    /// How many were done.
    pub done: u64,
    /// Of how many.
    pub planned: u64,
    /// What they are.
    pub words: String,
    /// Why they are missing, where that is recorded.
    pub why: String,
}

/// The result of a run. See the [module](self).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunResult {
    /// The worst of run, science and bench.
    pub weight: Weight,
    /// Everything in one line, the worst first.
    pub headline: String,
    /// What the headline is made of, in its order.
    pub parts: Vec<Part>,
    /// `running`, `held`, `finished`, `failed`, `interlock`, `stopped`, `fault`, `cut short`.
    pub outcome: String,
    /// Why it ended; empty while it goes on.
    pub reason: String,
    /// What the sequence is about, by its own words.
    pub asked: Vec<String>,
    /// What was found.
    pub found: Vec<Finding>,
    /// The goals of the plan, where there is one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub goals: Vec<GoalLine>,
    /// What was chosen last, and what stood beside it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chosen: Option<String>,
    /// What the plan may use, and has used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub budget: Option<String>,
    /// What people were asked.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub questions: Vec<QuestionLine>,
    /// What was planned and not done.
    pub missing: Vec<Missing>,
    /// How long the sequence was held, s.
    pub held_s: f64,
    /// Whether the bench is parked; none while the run goes on, or where nobody knows.
    pub parked: Option<bool>,
    /// Whether the tip is in tunnelling range; none where nobody knows.
    pub tip_in: Option<bool>,
    /// Helium.
    pub helium: Option<HeliumNow>,
    /// What to do, in order.
    pub next: Vec<String>,
}

impl RunResult {
    /// From the history of a run.
    pub fn of(history: &History, bench: Option<&Bench>, seen: Seen) -> Self {
        let helium = bench.and_then(|bench| HeliumNow::of(history.helium.as_ref()?, bench, history.end_s));
        let found = found::all(history);
        let missing = missing(history, seen);
        let mut parts = vec![run(history, bench, seen)];
        let (bench_parts, parked): (Vec<Part>, Vec<Part>) =
            machine(history, seen).into_iter().partition(|part| part.weight != Weight::Good);
        parts.extend(bench_parts);
        parts.extend(found::part(history, &found));
        parts.extend(goals::part(history, ending_of(history, seen)));
        parts.extend(plan(&missing));
        parts.extend(held(history));
        parts.extend(parked);
        parts.extend(helium.as_ref().zip(bench).map(|(helium, bench)| helium.part(bench, &history.clock)));
        // The order of the list is the order among equals.
        parts.sort_by_key(|part| std::cmp::Reverse(part.weight));
        let ending = history.ending.as_ref();
        let outcome = match (ending, seen, &history.hold) {
            (Some(ending), ..) => ending.outcome.word(),
            (None, Seen::Answers, Some(_)) => "held",
            (None, Seen::Answers, None) => "running",
            (None, ..) => "cut short",
        };
        let mut result = Self {
            weight: parts.iter().map(|part| part.weight).max().unwrap_or(Weight::Look),
            headline: headline(&parts),
            parts,
            outcome: outcome.to_owned(),
            reason: ending.map(|ending| ending.reason.clone()).unwrap_or_default(),
            asked: history.cards.iter().map(|card| card.title.clone()).collect(),
            found,
            goals: goals::lines(history),
            chosen: history.goals.chosen.as_ref().map(Choice::in_words),
            budget: goals::budget(history),
            questions: goals::questions(history),
            missing,
            held_s: held_s(history),
            parked: ending.map(|_| history.parked),
            tip_in: history.tip_in.map(|(within, _)| within),
            helium,
            next: Vec::new(),
        };
        result.next = next(history, bench, &result, seen);
        result
    }
}

impl RunResult {
    /// What is told below the outcome: everything that it does not say itself.
    pub fn told(&self) -> impl Iterator<Item = &Part> {
        self.parts.iter().filter(|part| part.words != self.outcome)
    }
}

fn headline(parts: &[Part]) -> String {
    let words: Vec<&str> =
        parts.iter().map(|part| part.words.as_str()).filter(|words| !words.is_empty()).collect();
    capital(&words.join("; ")) + "."
}

/// First letter large.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// Whether nothing more will come of it.
fn ending_of(history: &History, seen: Seen) -> bool {
    history.ending.is_some() || seen != Seen::Answers
}

/// How the run itself went.
fn run(history: &History, bench: Option<&Bench>, seen: Seen) -> Part {
    let part = |weight, words: String| Part { about: "run", weight, words };
    let at = history.clock.short(history.end_s);
    let Some(ending) = &history.ending else {
        return match (seen, &history.hold) {
            (Seen::Answers, None) => part(Weight::Good, "running".to_owned()),
            (Seen::Answers, Some(hold)) => {
                part(Weight::Look, format!("held since {}", history.clock.short(hold.since.s())))
            }
            (Seen::Damaged, _) => part(Weight::Wrong, format!("the run file is damaged from {at} on")),
            (Seen::Record, _) => part(
                Weight::Wrong,
                format!("the record ends at {at} without an end: cut short, or still going on"),
            ),
        };
    };
    let reason = ending.reason.trim().trim_end_matches('.');
    let nothing = history.declared.as_ref().is_some_and(|declared| declared.what == Achieved::Nothing);
    let words = match (ending.outcome, next::cause(history, bench)) {
        (Outcome::Finished, _) if nothing => "finished without a result".to_owned(),
        (Outcome::Finished, _) => "finished".to_owned(),
        (Outcome::Failed, _) => format!("the sequence ended itself at {at}: {reason}"),
        (Outcome::Interlock, Some(cause)) => format!("{} at {at}: {reason}", cause.what),
        (Outcome::Interlock, None) => match next::unseen(history) {
            Some(trip) => format!(
                "no number from {}: an interlock ended the run at {at}: {reason}",
                trip.unseen.join(", ")
            ),
            None => format!("an interlock ended the run at {at}: {reason}"),
        },
        (Outcome::Stopped, _) if reason.starts_with("stopped") => format!("{reason} at {at}"),
        (Outcome::Stopped, _) => format!("stopped at {at}: {reason}"),
        (Outcome::Fault, _) => format!("a fault ended the run at {at}: {reason}"),
    };
    let weight = match ending.outcome {
        Outcome::Finished if !nothing => Weight::Good,
        Outcome::Finished | Outcome::Stopped => Weight::Look,
        Outcome::Failed | Outcome::Interlock | Outcome::Fault => Weight::Wrong,
    };
    part(if seen == Seen::Damaged { Weight::Wrong } else { weight }, words)
}

/// How bench and tip were left, and what was wrong with them.
fn machine(history: &History, seen: Seen) -> Vec<Part> {
    let part = |weight, words: String| Part { about: "bench", weight, words };
    let mut parts = Vec::new();
    if history.ending.is_some() && !history.parked {
        let what = match history.not_parked.as_slice() {
            [] => String::new(),
            steps => format!(" ({} not reached)", steps.join(", ")),
        };
        parts.push(part(Weight::Wrong, format!("the bench is NOT parked{what}")));
    }
    if history.ending.is_none() && seen != Seen::Answers && history.tip_in.is_none_or(|(within, _)| within) {
        parts.push(part(Weight::Wrong, "the tip may be in tunnelling range".to_owned()));
    }
    if history.ending.is_some() && history.parked {
        parts.push(part(Weight::Good, "the bench is parked".to_owned()));
    }
    for task in history.open_tasks.values() {
        parts.push(part(Weight::Look, format!("{} may have happened", task.task.kind().name())));
    }
    if history.resumed > 0 {
        parts.push(part(Weight::Look, format!("cut and resumed, {}", times(history.resumed))));
    }
    let warned: Vec<&str> = {
        let warnings = history.trips.iter().filter(|trip| trip.action == Action::Warn.name());
        let mut names: Vec<&str> = warnings.map(|trip| trip.name.as_str()).collect();
        names.dedup();
        names
    };
    if let Some((first, others)) = warned.split_first() {
        let more = if others.is_empty() { String::new() } else { format!(" and {} more", others.len()) };
        parts.push(part(Weight::Look, format!("warning `{first}`{more}")));
    }
    parts
}

/// What was planned and not done: by the plan of a card, or else by the steps that were skipped.
fn missing(history: &History, seen: Seen) -> Vec<Missing> {
    // A run that goes on may still do it.
    let over = ending_of(history, seen);
    let why = history.steps.iter().rev().find_map(|step| step.left_out.clone());
    let of_cards = history.cards.iter().filter_map(|card| {
        let planned = card.planned.filter(|_| over)?;
        let done = match card.source.is_none() && card.rows.is_empty() {
            true => history.fits.iter().filter(|fit| fit.began_s >= card.first_s).count() as u64,
            false => card.rows.len() as u64,
        };
        let words = format!("{} of {planned} {} missing", planned.saturating_sub(done), card.figure.counts());
        (done < planned).then_some(Missing { done, planned, words, why: why.clone().unwrap_or_default() })
    });
    let found: Vec<Missing> = of_cards.collect();
    if !found.is_empty() {
        return found;
    }
    let mut shapes: Vec<(String, u64, u64, &super::StepSpan)> = Vec::new();
    for step in &history.steps {
        let shape: String = step.name.chars().filter(|letter| !letter.is_ascii_digit()).collect();
        let skipped = u64::from(step.left_out.is_some());
        match shapes.iter_mut().find(|known| known.0 == shape) {
            Some(known) => (known.1, known.2) = (known.1 + 1, known.2 + skipped),
            None => shapes.push((shape, 1, skipped, step)),
        }
    }
    let told = shapes.into_iter().filter(|shape| shape.2 > 0).map(|(shape, planned, skipped, step)| {
        let words = match planned {
            1 => format!("`{}` skipped", step.name),
            _ => format!("{skipped} of {planned} steps like `{}` skipped", step.name),
        };
        let of_shape = |name: &str| name.chars().filter(|letter| !letter.is_ascii_digit()).eq(shape.chars());
        let mut reasons =
            history.steps.iter().filter(|step| of_shape(&step.name)).filter_map(|s| s.left_out.clone());
        let why = reasons.next_back().unwrap_or_default();
        Missing { done: planned - skipped, planned, words, why }
    });
    told.collect()
}

fn times(count: u64) -> String {
    if count == 1 { "once".to_owned() } else { format!("{count} times") }
}

fn plan(missing: &[Missing]) -> Option<Part> {
    let (first, more) = missing.split_first()?;
    let why = match first.why.trim_end_matches('.') {
        "" => String::new(),
        why => format!(" (skipped: {why})"),
    };
    let words = format!("{}{why}", first.words);
    let more = if more.is_empty() { String::new() } else { format!(" and {} more", more.len()) };
    Some(Part { about: "plan", weight: Weight::Look, words: format!("{words}{more}") })
}

fn held_s(history: &History) -> f64 {
    // An empty sum of floating-point numbers is −0.
    0.0 + history.hold_spans.iter().map(|span| span.to_s.unwrap_or(history.end_s) - span.from_s).sum::<f64>()
}

/// A hold of an operator that was shorter costs nothing that anybody would ask about, s.
const SHORT_S: f64 = 60.0;

/// What a person asked for is no loss; what an interlock or an instrument held up is, however short.
fn held(history: &History) -> Option<Part> {
    let span_s = |span: &HoldSpan| span.to_s.unwrap_or(history.end_s) - span.from_s;
    let (asked, lost): (Vec<&HoldSpan>, Vec<&HoldSpan>) =
        history.hold_spans.iter().partition(|span| span.by == HeldBy::Operator);
    let (spans, weight) = if lost.is_empty() { (asked, Weight::Good) } else { (lost, Weight::Look) };
    let whole_s: f64 = spans.iter().map(|span| span_s(span)).sum();
    let longest = spans.into_iter().max_by(|a, b| span_s(a).total_cmp(&span_s(b)))?;
    let tripped = history.trips.iter().rev().find(|trip| trip.at_s <= longest.from_s + 1.0);
    let why = match (longest.by, tripped) {
        (HeldBy::Interlock, Some(trip)) if trip.unseen.is_empty() => format!("`{}`", trip.name),
        (HeldBy::Interlock, Some(trip)) => format!("no number for `{}`", trip.name),
        (HeldBy::Operator, _) if longest.refill => "refill".to_owned(),
        (HeldBy::Operator, _) => "an operator".to_owned(),
        (by, _) => by.word().to_owned(),
    };
    let round_s = if whole_s < 60.0 { whole_s.round() } else { (whole_s / 60.0).round() * 60.0 };
    let told = weight == Weight::Look || whole_s >= SHORT_S;
    told.then(|| Part { about: "time", weight, words: format!("{} held ({why})", in_words(round_s)) })
}

/// A number with its error as people write it: `0.8501 ± 0.0037`.
fn shown(known: &Known) -> String {
    crate::quantity::rounded(known.value, known.error)
}

/// Whether a bench has a gauge in this role among the channels of an interlock.
fn looks_at(bench: &Bench, name: &str, role: Role) -> bool {
    let lock = bench.interlocks.iter().find(|lock| lock.name == name);
    lock.is_some_and(|lock| lock.trip.channels().any(|id| bench.channel(id).role == Some(role)))
}

/// When something will be, from the end of the run on.
fn ahead(clock: &Clock, at_s: f64, end_s: f64) -> String {
    clock.ahead(at_s, end_s)
}
