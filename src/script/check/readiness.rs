//! What is known of the bench on the way: a sweep with the tip out, or over RF that is off.

use super::run::{BenchNow, leaves_put};
use super::value::Value;
use super::walk::Walk;
use crate::bench::{BeyondStep, Role, TaskKind};
use crate::diagnostic::Code;
use crate::script::registry::Verb;
use rhai::Position;
use std::rc::Rc;

/// Part of the largest step by which rounding may exceed it.
const SLACK: f64 = 1e-9;

impl<'a> Walk<'a> {
    /// What a verb finds of the bench, and what it leaves.
    pub(super) fn bench_in_run(&mut self, verb: &Verb, values: &[Value<'a>], at: Position) {
        let line = at.line().unwrap_or(0);
        self.measures(verb, values, at);
        if verb.name == "set" {
            self.steps_too_far(values, at);
        }
        let bench = &mut self.going().bench;
        if verb.name != "set" && !leaves_put(verb.name) {
            bench.put.clear();
        }
        match verb.name {
            "approach" => bench.tip = Some((true, line)),
            "withdraw" => bench.tip = Some((false, line)),
            "park" => *bench = BenchNow { tip: Some((false, line)), ..BenchNow::default() },
            "set" => {
                let [Value::Text(Some(name)), value] = values else { return };
                let role = self.bench.find(name).and_then(|id| self.bench.channel(id).role);
                let on = value.as_quantity().and_then(|(number, _)| number).map(|n| n != 0.0);
                if role == Some(Role::RfOutput) {
                    self.going().bench.rf = on.map(|on| (on, line));
                }
            }
            _ => {}
        }
    }

    /// Complains about a step that the bench refuses to ramp, where it is known from where to where it goes.
    fn steps_too_far(&mut self, values: &[Value<'a>], at: Position) {
        let bench = self.bench;
        let [Value::Text(Some(name)), value] = values else {
            return self.going().bench.put.clear();
        };
        let Some(id) = bench.find(name) else { return };
        let channel = bench.channel(id);
        let put = self.going().bench.put.remove(&id);
        let Some((Some(to), _)) = value.as_quantity().filter(|(_, found)| *found == channel.dimension())
        else {
            return;
        };
        self.going().bench.put.insert(id, (to, at.line().unwrap_or(0)));
        let Some((from, line)) = put.filter(|_| channel.beyond_step == BeyondStep::Refuse) else { return };
        let way = (to - from).abs();
        if way <= channel.step * (1.0 + SLACK) {
            return;
        }
        let message = format!(
            "a step of {} from line {line} is larger than `{}` takes at once, {}, and the bench refuses to ramp it",
            channel.show_change(way),
            channel.name,
            channel.show_change(channel.step)
        );
        let between = from + channel.step.copysign(to - from);
        let help = format!("go there in steps, by way of {}", channel.show(between));
        self.report(Code::OutOfLimits, at, message, Some(help));
    }

    /// Complains about measuring what can't be there.
    fn measures(&mut self, verb: &Verb, values: &[Value<'a>], at: Position) {
        let plan = match values.first() {
            Some(Value::Entries(entries)) => Some(Rc::clone(entries)),
            _ => None,
        };
        let role_of = |value: &Value<'_>, bench: &crate::bench::Bench| match value {
            Value::Text(Some(name)) => bench.find(name).and_then(|id| bench.channel(id).role),
            _ => None,
        };
        let field =
            |name: &str| plan.as_ref().and_then(|plan| plan.get(name)).map(|(value, _)| value.clone());
        let read: Vec<Role> = match field("read") {
            Some(Value::Items(items)) => items.iter().filter_map(|v| role_of(v, self.bench)).collect(),
            Some(one) => role_of(&one, self.bench).into_iter().collect(),
            None => Vec::new(),
        };
        let tunnels = [Role::Current, Role::LockinX, Role::LockinY];
        let sweeps = matches!(verb.name, "sweep" | "grid");
        let needs_tip = (sweeps && read.iter().any(|role| tunnels.contains(role))) || verb.needs_tunnelling();
        let swept = field("channel").and_then(|value| role_of(&value, self.bench));
        let over_rf = (sweeps && swept == Some(Role::RfFrequency))
            || matches!(verb.name, "search_resonance" | "compensated_sweep");
        let BenchNow { tip, rf, .. } = self.going().bench.clone();
        if let (true, Some((false, line))) = (needs_tip, tip) {
            let message =
                format!("the tip is out since line {line}, so `{}` sees no tunnel current", verb.name);
            let help = "put approach(); before it";
            self.report(Code::NotReady, at, message, Some(help.to_owned()));
        }
        let coarse = [TaskKind::CoarseStep, TaskKind::CoarseShift];
        let steps = verb.nature.tasks.iter().any(|task| coarse.contains(task));
        if let (true, Some((true, line))) = (steps && !verb.nature.tasks.contains(&TaskKind::Withdraw), tip) {
            let message = format!("the tip is in range since line {line}: `{}` would drag it", verb.name);
            self.report(Code::NotReady, at, message, Some("put withdraw(); before it".to_owned()));
        }
        let reads_lockin =
            verb.name != "sweep" || read.contains(&Role::LockinX) || read.contains(&Role::LockinY);
        if let (true, true, Some((false, line))) = (over_rf, reads_lockin, rf) {
            let message = format!(
                "the RF is off since line {line}, so `{}` over its frequency shows nothing",
                verb.name
            );
            let help = "put set(\"RfOutput\", true); before it";
            self.report(Code::NotReady, at, message, Some(help.to_owned()));
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::bench::{BUILTIN_NAME, builtin, builtin_text, read};
    use crate::script::{Sequence, check};

    #[test]
    fn a_step_that_the_bench_refuses_is_told_where_both_ends_are_known() {
        let slew = "slew: \"200 mV/s\",";
        let text = builtin_text().replacen(slew, &format!("{slew} beyond_step: Refuse,"), 1);
        let (refusing, _) = read(&text, BUILTIN_NAME).expect("a bench");
        let told = |text: &str| -> Vec<(u32, String)> {
            let sequence = Sequence::from_text("night.rhai", text);
            assert!(check::check(&sequence, &builtin(), BUILTIN_NAME).is_empty(), "{text}");
            let found = check::check(&sequence, &refusing, BUILTIN_NAME);
            found.into_iter().map(|d| (d.line, d.message)).collect()
        };
        for (text, line) in [
            ("set(\"Bias\", 50.mV);\nset(\"Bias\", 80.mV);\npark();", 2),
            ("set(\"Bias\", 50.mV);\napproach();\nlet to = 80.mV;\nset(\"Bias\", to);\npark();", 4),
        ] {
            let found = told(text);
            let [(at, message)] = found.as_slice() else { panic!("{text}: {found:?}") };
            assert_eq!(*at, line, "{text}");
            let wanted = "a step of 30 mV from line 1 is larger than `bias` takes at once, 20 mV";
            assert!(message.starts_with(wanted), "{message}");
        }
        for text in [
            "set(\"Bias\", 50.mV);\nset(\"Bias\", 70.mV);\nset(\"Bias\", 80.mV);\npark();",
            "set(\"Bias\", 50.mV);\npark();\nset(\"Bias\", 80.mV);\npark();",
            "set(\"Bias\", 50.mV);\nif helium_left() > 5.L { set(\"Bias\", 65.mV); }\nset(\"Bias\", 80.mV);\npark();",
            "set(\"Bias\", 80.mV);\npark();",
        ] {
            assert!(told(text).is_empty(), "{text}: {:?}", told(text));
        }
    }
}
