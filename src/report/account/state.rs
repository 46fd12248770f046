//! Where the bench stood last, as far as the record shows it.

use crate::bench::{Bench, Role};
use crate::quantity::{Moment, Quantity};
use crate::record::{Entry, Place};
use serde_json::Value;
use std::collections::BTreeMap;

/// The last known value of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// SI.
    pub si: f64,
    /// When, s.
    pub at_s: f64,
    /// How it is known: `read`, `set`, `kept`.
    pub how: &'static str,
    /// A later attempt to set it failed.
    pub doubtful: bool,
}

/// Where everything stood last.
#[derive(Debug, Clone, Default)]
pub struct State {
    channels: BTreeMap<String, Standing>,
    /// Whether the tip is in tunnelling range, and since when.
    pub tip_in: Option<(bool, f64)>,
    /// When the condensation pot was last regenerated, s.
    pub regenerated_s: Option<f64>,
}

impl State {
    /// The last known value of a channel.
    pub fn of(&self, channel: &str) -> Option<&Standing> {
        self.channels.get(channel)
    }

    /// The last known value of the channel with this role.
    pub fn of_role(&self, bench: &Bench, role: Role) -> Option<&Standing> {
        self.of(&bench.channel(bench.by_role(role)?).name)
    }

    /// A point of a sweep was measured with its fast and slow channel there.
    pub fn swept(&mut self, channel: &str, si: f64, at_s: f64) {
        self.know(channel, si, at_s, "set");
    }

    fn know(&mut self, channel: &str, si: f64, at_s: f64, how: &'static str) {
        self.channels.insert(channel.to_owned(), Standing { si, at_s, how, doubtful: false });
    }

    /// Takes in an entry.
    pub fn entry(&mut self, at: Moment, entry: &Entry, bench: Option<&Bench>) {
        let at_s = at.s();
        match entry {
            Entry::Monitor { channel, value } => {
                let role = bench.and_then(|b| b.find(channel).and_then(|id| b.channel(id).role));
                if role == Some(Role::Approached) {
                    self.tip(*value > 0.5, at_s);
                }
                self.know(channel, *value, at_s, "read");
            }
            Entry::Call { verb, args, answer, .. } => self.call(at_s, verb, args, answer, bench),
            Entry::SafeStep { what, achieved, remark, .. } => {
                self.safe_step(at_s, what, *achieved, remark, bench)
            }
            _ => {}
        }
    }

    fn call(&mut self, at_s: f64, verb: &str, args: &str, answer: &Value, bench: Option<&Bench>) {
        let args: Value = serde_json::from_str(args).unwrap_or(Value::Null);
        let achieved = answer.pointer("/task/achieved").and_then(Value::as_bool) == Some(true);
        match verb {
            "set" => {
                let (Some(channel), Some(value)) = (args["channel"].as_str(), args["value"].as_f64()) else {
                    return;
                };
                if answer.get("instrument").is_some() {
                    // It may have come part of the way.
                    if let Some(standing) = self.channels.get_mut(channel) {
                        standing.doubtful = true;
                    }
                } else if answer.get("forbidden").is_none() {
                    self.know(channel, value, at_s, "set");
                }
            }
            "read" => {
                let names = args["channels"].as_array().cloned().unwrap_or_default();
                let values = answer["numbers"].as_array().cloned().unwrap_or_default();
                for (name, value) in names.iter().zip(&values) {
                    if let (Some(name), Some(value)) = (name.as_str(), value.as_f64()) {
                        self.know(name, value, at_s, "read");
                    }
                }
            }
            "move_tip" if achieved => {
                for (role, key) in [(Role::TipX, "x_m"), (Role::TipY, "y_m")] {
                    let channel = bench.and_then(|b| b.by_role(role).map(|id| &b.channel(id).name));
                    if let (Some(channel), Some(value)) = (channel, args[key].as_f64()) {
                        self.know(channel, value, at_s, "set");
                    }
                }
            }
            "approach" if achieved => self.tip(true, at_s),
            "withdraw" if achieved => self.tip(false, at_s),
            "regenerate" if achieved => self.regenerated_s = Some(at_s),
            _ => {}
        }
    }

    fn tip(&mut self, within: bool, at_s: f64) {
        if self.tip_in.is_none_or(|(was, _)| was != within) {
            self.tip_in = Some((within, at_s));
        }
    }

    /// Steps are recorded in words; the words are the supervisor's own, and hold the value.
    fn safe_step(&mut self, at_s: f64, what: &str, achieved: bool, remark: &str, bench: Option<&Bench>) {
        match what {
            "withdraw the tip" if achieved => return self.tip(false, at_s),
            "approach the tip" if achieved => return self.tip(true, at_s),
            "withdraw the tip" | "approach the tip" => {
                self.tip_in = None;
                return;
            }
            _ => {}
        }
        let kept = what.strip_prefix("leave ").and_then(|rest| rest.strip_suffix(" as it is"));
        let set = what.rsplit_once(" to ");
        let value_of = |text: &str| text.parse::<Quantity>().ok().map(|q| q.si);
        if let Some(channel) = kept {
            let said = remark.strip_prefix("it was last at ").or_else(|| remark.strip_prefix("it reads "));
            if let Some(si) = said.and_then(value_of) {
                self.know(channel, si, at_s, "kept");
            }
        } else if let Some((channel, target)) = set.filter(|(c, _)| bench.is_none_or(|b| b.find(c).is_some()))
        {
            let read = remark.strip_prefix("reads ").and_then(value_of);
            match (achieved, read.or_else(|| value_of(target))) {
                (true, Some(si)) => self.know(channel, si, at_s, "set"),
                (false, _) => {
                    if let Some(si) = read {
                        self.know(channel, si, at_s, "read");
                    }
                    if let Some(standing) = self.channels.get_mut(channel) {
                        standing.doubtful = true;
                    }
                }
                (true, None) => {}
            }
        }
    }
}

/// Where in a sequence, for people.
pub fn place_in_words(place: &Place) -> String {
    match (place.file.as_str(), place.line) {
        ("", 0) => "before the sequence began".to_owned(),
        (file, 0) => file.to_owned(),
        ("", line) => format!("line {line}"),
        (file, line) => format!("{file}, line {line}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn step(what: &str, achieved: bool, remark: &str) -> Entry {
        Entry::SafeStep { during: "park".into(), what: what.into(), achieved, remark: remark.into() }
    }

    #[test]
    fn the_last_word_about_a_channel_counts() {
        let bench = crate::bench::builtin();
        let mut state = State::default();
        let at = Moment::from_s(10.0);
        let set = |value: f64, answer: Value| Entry::Call {
            n: 0,
            verb: "set".into(),
            args: json!({ "channel": "field_z", "value": value }).to_string(),
            place: Place::default(),
            answer,
        };
        state.entry(at, &set(0.5, json!({ "done": true })), Some(&bench));
        assert_eq!(state.of_role(&bench, Role::FieldZ).unwrap().si, 0.5);
        state.entry(at, &set(0.9, json!({ "forbidden": "no" })), Some(&bench));
        assert!(!state.of("field_z").unwrap().doubtful);
        state.entry(at, &set(0.9, json!({ "instrument": {} })), Some(&bench));
        assert!(state.of("field_z").unwrap().doubtful);
        state.entry(at, &step("leave field_z as it is", true, "it was last at 0.52 T"), Some(&bench));
        assert_eq!(state.of("field_z").unwrap().si, 0.52);
        state.entry(at, &step("leave field_z as it is", true, "it reads 0.519 T"), Some(&bench));
        assert_eq!(state.of("field_z").unwrap().si, 0.519);
        state.entry(at, &step("bias to 50 mV", true, "reads 50.01 mV"), Some(&bench));
        assert!((state.of("bias").unwrap().si - 0.05001).abs() < 1e-12);
    }

    #[test]
    fn a_failed_withdrawal_leaves_the_tip_unknown() {
        let mut state = State::default();
        let approach = Entry::Call {
            n: 0,
            verb: "approach".into(),
            args: "{}".into(),
            place: Place::default(),
            answer: json!({ "task": { "achieved": true, "remark": "" } }),
        };
        state.entry(Moment::START, &approach, None);
        assert_eq!(state.tip_in, Some((true, 0.0)));
        state.entry(Moment::from_s(5.0), &step("withdraw the tip", false, "it took too long"), None);
        assert_eq!(state.tip_in, None);
        state.entry(Moment::from_s(9.0), &step("withdraw the tip", true, "reads 0"), None);
        assert_eq!(state.tip_in, Some((false, 9.0)));
    }
}
