//! What the page shows at one moment: a status in words, and pictures.

use super::follow::Follower;
use crate::bench::expression::Readings;
use crate::bench::{Bench, ChannelId, Interlock, Role};
use crate::cautions::{self, Act};
use crate::drive::Outlook;
use crate::history::result::{RunResult, Seen};
use crate::quantity::{Dimension, Quantity, Unit, in_words, significant, value_in};
use crate::report::account::Account;
use crate::report::pursuit::Pursuit;
use crate::supervisor::{HoldStage, PresentHold};
use serde_json::{Value, json};
use std::sync::Arc;

/// A picture as it goes to the page.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Its place on the page.
    pub name: String,
    /// Rises whenever it is drawn anew.
    pub version: u64,
    /// JSON with its SVG, for wide windows.
    pub wide: Arc<str>,
    /// The same for narrow ones.
    pub narrow: Arc<str>,
}

/// What the page shows at one moment.
#[derive(Debug, Clone, Default)]
pub struct Frame {
    /// Status as one JSON object.
    pub status: Arc<str>,
    /// Pictures, in the order of the page.
    pub pictures: Vec<Picture>,
}

/// Last lines of messages that are shown.
const MESSAGES: usize = 14;

/// The result of the run, as far as it has come.
pub fn result(account: &Account, said: Option<&Value>) -> RunResult {
    let seen = if said.is_some() { Seen::Answers } else { Seen::Record };
    RunResult::of(&account.history, account.bench.as_ref(), seen)
}

/// The status: from the run itself where it answers (`said`), else from the record; with the campaign that it belongs to.
pub fn status(follower: &Follower, said: Option<&Value>, campaign: Option<&Pursuit>) -> Value {
    let account = follower.account();
    let elapsed_s = said.and_then(|s| s["elapsed_s"].as_f64()).unwrap_or(account.history.end_s);
    let step = account
        .history
        .steps
        .iter()
        .rev()
        .find(|step| step.to_s.is_none() && account.history.ending.is_none());
    let sweep = follower.present.as_ref().map(|present| {
        let table = &present.outline.table;
        json!({ "number": table.sweep, "name": table.name, "done": present.outline.measured,
            "planned": table.planned, "ended": present.outline.ended })
    });
    let state = state_of(account, said);
    let window = said.and_then(|s| s["window_left_s"].as_f64());
    let window = window.or_else(|| account.window_s.map(|w| w - elapsed_s));
    json!({
        "run": account.name(),
        "sequence": account.identity.as_ref().map(|i| i.sequence.clone()),
        "bench": account.bench.as_ref().map(|b| b.name.clone()),
        "rehearsal": account.identity.as_ref().is_some_and(|i| i.rehearsal),
        "state": state,
        "hold": said.filter(|_| account.history.ending.is_none()).and_then(hold),
        "not_safe_yet": said.and_then(|s| s["not_safe_yet"].as_str()),
        "parked": account.history.parked,
        "answers": said.is_some(),
        "elapsed_s": elapsed_s,
        "elapsed": in_words(elapsed_s),
        "clock": account.history.clock.long(elapsed_s),
        "window_left": window.filter(|_| account.history.ending.is_none()).map(in_words),
        "ahead": said.filter(|_| account.history.ending.is_none()).and_then(|said| ahead(account, said, elapsed_s)),
        "step": step.map(|s| s.name.clone()),
        "step_for": step.map(|s| in_words((elapsed_s - s.from_s).max(0.0))),
        "sweep": sweep,
        "points": account.history.points,
        "channels": channels(account, said),
        "helium": helium(account, elapsed_s),
        "interlocks": interlocks(account, said),
        "result": result(account, said),
        "campaign": campaign,
        "messages": messages(account),
    })
}

/// What lies ahead, as the run itself reckons it.
fn ahead(account: &Account, said: &Value, elapsed_s: f64) -> Option<Value> {
    let ahead: Outlook = serde_json::from_value(said["outlook"].clone()).ok()?;
    Some(json!({
        "left": ahead.left_words(),
        "ends": ahead.left.map(|left| account.history.clock.long(elapsed_s + left.s)),
        "basis": ahead.basis,
        "sweep_left": ahead.sweep_left_s.map(in_words),
        "too_long": ahead.is_too_long(),
    }))
}

/// The hold that is on, as the run itself tells of it.
fn hold(said: &Value) -> Option<Value> {
    let hold: PresentHold = serde_json::from_value(said["hold"].clone()).ok()?;
    let lasts = (hold.stage != HoldStage::Asked).then(|| in_words(hold.for_s));
    let act = if hold.refill { Act::Fill } else { Act::Work };
    let told = |act| cautions::at(act).map(|c| format!("{}: {}", c.title, c.text)).collect::<Vec<_>>();
    Some(
        json!({ "lasts": lasts, "words": hold.in_words(), "cautions": told(act), "before_release": told(Act::GoOn) }),
    )
}

fn state_of(account: &Account, said: Option<&Value>) -> String {
    let heard = said.and_then(|s| s["state"].as_str());
    match (&account.history.ending, heard) {
        (Some(ending), _) => ending.outcome.word().to_owned(),
        (None, Some(state)) => state.to_owned(),
        (None, None) => "no answer".to_owned(),
    }
}

/// Which part of the bench a channel belongs to, for the tables of the page.
fn group_of(role: Option<Role>) -> &'static str {
    match role {
        Some(Role::StageTemperature | Role::PotTemperature | Role::StageHeater) => "temperature",
        Some(Role::ChamberPressure | Role::PreparationPressure) => "pressure",
        Some(Role::HeliumLevel) => "helium",
        Some(Role::FieldZ | Role::FieldX | Role::MagnetVoltage) => "field",
        Some(Role::RfFrequency | Role::RfLevel | Role::RfOutput) => "rf",
        Some(Role::LockinX | Role::LockinY | Role::LockinOverload | Role::LockinTimeConstant) => "lock-in",
        Some(Role::LockinReference | Role::LockinModulation | Role::LockinOrder) => "lock-in",
        Some(Role::Bias | Role::Setpoint | Role::Feedback | Role::Current | Role::Height) => "junction",
        Some(Role::TipX | Role::TipY | Role::Approached) => "junction",
        None => "other",
    }
}

fn channels(account: &Account, said: Option<&Value>) -> Vec<Value> {
    let Some(bench) = &account.bench else { return Vec::new() };
    let live = said.and_then(|s| s["channels"].as_array());
    let row = |name: &str, value: String, age_s: f64| {
        let role = bench.find(name).and_then(|id| bench.channel(id).role);
        json!({ "name": name, "value": value, "group": group_of(role),
            "age": (age_s.is_finite() && age_s >= 2.0).then(|| in_words(age_s.round())) })
    };
    if let Some(live) = live {
        let told = live.iter().filter_map(|c| {
            let age_s = c["age_s"].as_f64().unwrap_or(f64::INFINITY);
            Some(row(c["name"].as_str()?, c["value"].as_str()?.to_owned(), age_s))
        });
        return told.collect();
    }
    let known = bench.ids().filter_map(|id| {
        let channel = bench.channel(id);
        let standing = account.history.channel(&channel.name)?;
        Some(row(&channel.name, channel.show(standing.si), account.history.end_s - standing.at_s))
    });
    known.collect()
}

fn helium(account: &Account, elapsed_s: f64) -> Option<Value> {
    let helium = account.helium()?;
    let bench = account.bench.as_ref()?;
    let due = helium.due_at_s;
    Some(json!({
        "level": helium.level(bench),
        "limit": helium.in_unit_of(bench, helium.limit_m3),
        "used": helium.used,
        "loss": helium.loss(bench),
        "due": due.map(|due| account.history.clock.long(due)),
        "due_in": due.map(|due| in_words(due - elapsed_s)),
    }))
}

fn interlocks(account: &Account, said: Option<&Value>) -> Vec<Value> {
    let Some(bench) = &account.bench else { return Vec::new() };
    let live = said.and_then(|s| s["interlocks"].as_array());
    let from_file = FromFile { account, bench };
    let row = |lock: &Interlock| {
        let found = live.and_then(|all| all.iter().find(|l| l["name"] == lock.name.as_str()));
        let (distance, tripped) = match found {
            Some(found) => {
                let pair = (found["distance"][0].as_f64(), found["distance"][1].as_f64());
                (pair.0.zip(pair.1), found["tripped"].as_bool().unwrap_or(false))
            }
            None => (lock.trip.distance(&from_file), account.history.tripped.contains(&lock.name)),
        };
        let shown = distance
            .map(|(value, mark)| how_far(lock.trip.written().map(|written| &written.unit), value, mark));
        json!({ "name": lock.name, "action": lock.action.name(), "condition": lock.trip.text,
            "tripped": tripped, "value": shown.as_ref().map(|s| &s.0), "limit": shown.as_ref().map(|s| &s.1),
            "part": shown.as_ref().and_then(|s| s.2).map(|part| if tripped { 1.0 } else { part }) })
    };
    let mut rows: Vec<Value> = bench.interlocks.iter().map(row).collect();
    // The worst first: those that have tripped, then those that are nearest to it.
    let part = |row: &Value| row["part"].as_f64().unwrap_or(0.0);
    let tripped = |row: &Value| row["tripped"] == true;
    rows.sort_by(|a, b| tripped(b).cmp(&tripped(a)).then(part(b).total_cmp(&part(a))));
    rows
}

/// Value and mark in the unit in which the mark is written, and how much of the way to the mark is gone.
fn how_far(unit: Option<&Unit>, value: f64, mark: f64) -> (String, String, Option<f64>) {
    let show = |si: f64| match unit {
        Some(unit) if unit.dimension == Dimension::TIME => in_words(si),
        // Ten thousand femtoampere are ten picoampere.
        Some(unit) if unit.dimension == Dimension::CURRENT => {
            Quantity::new(significant(si, 3).parse().unwrap_or(si), unit.dimension).to_string()
        }
        Some(unit) => value_in(si, unit, 3),
        None => significant(si, 3),
    };
    // An interlock at rest is on the good side of its mark, so the side tells which way is dangerous.
    let (small, large) = if value.abs() < mark.abs() { (value, mark) } else { (mark, value) };
    let part = (value * mark >= 0.0 && large != 0.0).then(|| (small / large).abs());
    (show(value), show(mark), part)
}

struct FromFile<'a> {
    account: &'a Account,
    bench: &'a Bench,
}

impl Readings for FromFile<'_> {
    fn latest(&self, channel: ChannelId) -> Option<f64> {
        Some(self.account.history.channel(&self.bench.channel(channel).name)?.si)
    }

    fn rate_per_s(&self, _: ChannelId) -> Option<f64> {
        None
    }

    fn age_s(&self, channel: ChannelId) -> f64 {
        let standing = self.account.history.channel(&self.bench.channel(channel).name);
        standing.map_or(f64::INFINITY, |s| self.account.history.end_s - s.at_s)
    }

    fn frozen_s(&self, _: ChannelId) -> f64 {
        f64::NAN
    }

    fn unreadable(&self, _: ChannelId) -> bool {
        false
    }

    fn clock_jump_s(&self) -> f64 {
        0.0
    }
}

fn messages(account: &Account) -> Vec<Value> {
    let happened = account.happenings.iter().map(|h| (h.at_s, h.text.clone(), h.grave));
    let noted = account.remarks.iter().map(|r| {
        let text = match &r.decided {
            Some((answer, reason)) => {
                let answer = if *answer { "yes" } else { "no" };
                let why = if reason.is_empty() { String::new() } else { format!(" — {reason}") };
                format!("{} {answer}{why}", r.text)
            }
            None => r.text.clone(),
        };
        (r.at_s, text, false)
    });
    let mut all: Vec<(f64, String, bool)> = happened.chain(noted).collect();
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    all.truncate(MESSAGES);
    let told = all
        .into_iter()
        .map(|(at_s, text, grave)| json!({ "at": account.history.clock.short(at_s), "text": text, "grave": grave }));
    told.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_distance_of_an_interlock_is_told_in_the_unit_of_its_mark() {
        let how_far = |unit: &str, value, mark| how_far(Unit::parse(unit).as_ref(), value, mark);
        let (value, mark, part) = how_far("L", 0.0412, 0.006);
        assert_eq!((value.as_str(), mark.as_str()), ("41.2 L", "6 L"));
        assert!((part.unwrap() - 6.0 / 41.2).abs() < 1e-12);
        let (value, _, part) = how_far("mK/min", 0.01 / 60.0, 0.05 / 60.0);
        assert_eq!(value, "10 mK/min");
        assert!((part.unwrap() - 0.2).abs() < 1e-12);
        let (value, mark, _) = how_far("fA", 10.34e-12, 20e-15);
        assert_eq!((value.as_str(), mark.as_str()), ("10.3 pA", "20 fA"));
        assert_eq!(how_far("min", 4.5, 120.0).0, "4.5 s");
        let (_, _, part) = how_far("", 0.0, 0.5);
        assert_eq!(part, Some(0.0));
    }
}
