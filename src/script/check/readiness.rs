//! What is known of the bench on the way: a sweep with the tip out, or over RF that is off.

use super::run::BenchNow;
use super::value::Value;
use super::walk::Walk;
use crate::bench::{Role, TaskKind};
use crate::diagnostic::Code;
use crate::script::registry::Verb;
use rhai::Position;
use std::rc::Rc;

impl<'a> Walk<'a> {
    /// What a verb finds of the bench, and what it leaves.
    pub(super) fn bench_in_run(&mut self, verb: &Verb, values: &[Value<'a>], at: Position) {
        let line = at.line().unwrap_or(0);
        self.measures(verb, values, at);
        let bench = &mut self.going().bench;
        match verb.name {
            "approach" => bench.tip = Some((true, line)),
            "withdraw" => bench.tip = Some((false, line)),
            "park" => *bench = BenchNow { tip: Some((false, line)), rf: None },
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
        let BenchNow { tip, rf } = self.going().bench;
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
