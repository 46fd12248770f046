//! What a sequence would cost, without physics: every branch that can be reached, at least and at most.
//!
//! Times that depend on the microscope, like an approach, are not guessed but counted as untimed.

use super::flow::leaves;
use super::program::{Function, closure_name};
use super::value::Value;
use super::walk::{Walk, place};
use crate::bench::{Channel, Role};
use crate::script::registry::{self, Time};
use crate::supervisor::settle_in_time_constants;
use rhai::{Expr, FnCallExpr, Ident, Stmt};
use serde::Serialize;
use std::collections::BTreeMap;

/// Time between samples of an averaged reading, s.
const SAMPLE_SPACING_S: f64 = 0.05;

/// Time and points of a stretch of a sequence.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Cost {
    /// Shortest time, s.
    pub least_s: f64,
    /// Longest time, s; none where nothing bounds it.
    pub most_s: Option<f64>,
    /// Points measured at least.
    pub least_points: f64,
    /// Points at most.
    pub most_points: Option<f64>,
    /// Calls whose time only the microscope knows: approach, image, pulse, and so on.
    pub untimed: u32,
}

/// A step of the sequence.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OutlineStep {
    /// Line of the sequence.
    pub line: u32,
    /// Its name, if it is written out.
    pub name: String,
    /// What it costs each time.
    pub cost: Cost,
}

/// What a sequence would cost.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outline {
    /// Its steps, in the order in which they end.
    pub steps: Vec<OutlineStep>,
    /// All of it.
    pub total: Cost,
}

impl Cost {
    const NOTHING: Self =
        Self { least_s: 0.0, most_s: Some(0.0), least_points: 0.0, most_points: Some(0.0), untimed: 0 };

    const UNBOUNDED: Self = Self { most_s: None, most_points: None, ..Self::NOTHING };

    fn time(least_s: f64, most_s: Option<f64>) -> Self {
        Self { least_s, most_s, ..Self::NOTHING }
    }

    fn then(self, other: Self) -> Self {
        let sum = |a: Option<f64>, b: Option<f64>| a.zip(b).map(|(a, b)| a + b);
        Self {
            least_s: self.least_s + other.least_s,
            most_s: sum(self.most_s, other.most_s),
            least_points: self.least_points + other.least_points,
            most_points: sum(self.most_points, other.most_points),
            untimed: self.untimed.saturating_add(other.untimed),
        }
    }

    fn or(self, other: Self) -> Self {
        let larger = |a: Option<f64>, b: Option<f64>| a.zip(b).map(|(a, b)| a.max(b));
        Self {
            least_s: self.least_s.min(other.least_s),
            most_s: larger(self.most_s, other.most_s),
            least_points: self.least_points.min(other.least_points),
            most_points: larger(self.most_points, other.most_points),
            untimed: self.untimed.max(other.untimed),
        }
    }

    fn perhaps(self) -> Self {
        self.or(Self::NOTHING)
    }

    fn times(self, least: f64, most: Option<f64>) -> Self {
        // Nothing, however often, is nothing.
        let many =
            |one: Option<f64>| if one == Some(0.0) { Some(0.0) } else { one.zip(most).map(|(a, n)| a * n) };
        Self {
            least_s: self.least_s * least,
            most_s: many(self.most_s),
            least_points: self.least_points * least,
            most_points: many(self.most_points),
            untimed: self.untimed.saturating_mul(most.map_or(1, |n| n as u32)),
        }
    }
}

/// The second walk through a sequence, which adds up.
pub(super) struct Costing<'w, 'a> {
    pub(super) walk: &'w mut Walk<'a>,
    pub(super) steps: Vec<OutlineStep>,
    functions: BTreeMap<(String, usize), Cost>,
}

impl<'w, 'a> Costing<'w, 'a> {
    pub(super) fn new(walk: &'w mut Walk<'a>) -> Self {
        Self { walk, steps: Vec::new(), functions: BTreeMap::new() }
    }

    pub(super) fn block(&mut self, statements: &'a [Stmt]) -> Cost {
        self.walk.open();
        let mut cost = Cost::NOTHING;
        for statement in statements {
            cost = cost.then(self.statement(statement));
        }
        self.walk.close();
        cost
    }

    fn statement(&mut self, statement: &'a Stmt) -> Cost {
        match statement {
            Stmt::Var(parts, ..) => {
                let cost = self.expr(&parts.1);
                let value = self.walk.evaluate(&parts.1);
                self.walk.declare(&parts.0.name, parts.0.pos, value, false);
                cost
            }
            Stmt::Expr(expr) => self.expr(expr),
            Stmt::FnCall(call, at) => self.call(call, *at),
            Stmt::Assignment(parts) => self.expr(&parts.1.rhs),
            Stmt::Block(block) => self.block(block.statements()),
            Stmt::If(parts, _) => {
                let (body, branch) =
                    (self.block(parts.body.statements()), self.block(parts.branch.statements()));
                self.expr(&parts.expr).then(body.or(branch))
            }
            Stmt::Switch(parts, _) => {
                let cases = parts.1.expressions.iter().map(|case| self.expr(&case.rhs));
                let cases = cases.reduce(Cost::or).unwrap_or(Cost::NOTHING).perhaps();
                self.expr(&parts.0).then(cases)
            }
            Stmt::While(parts, _) => {
                let body = self.expr(&parts.expr).then(self.block(parts.body.statements()));
                body.times(0.0, None)
            }
            Stmt::Do(parts, ..) => {
                let body = self.block(parts.body.statements()).then(self.expr(&parts.expr));
                body.times(1.0, None)
            }
            Stmt::For(parts, _) => self.repeated(&parts.0, &parts.2),
            Stmt::TryCatch(parts, _) => {
                let body = self.block(parts.body.statements()).perhaps();
                body.then(self.block(parts.branch.statements()).perhaps())
            }
            Stmt::Return(Some(expr), ..) | Stmt::BreakLoop(Some(expr), ..) => self.expr(expr),
            _ => Cost::NOTHING,
        }
    }

    fn repeated(&mut self, item: &Ident, control: &'a rhai::FlowControl) -> Cost {
        let count = self.walk.passes(&control.expr);
        self.walk.open();
        self.walk.declare(&item.name, item.pos, Value::Unknown, false);
        let body = self.block(control.body.statements());
        self.walk.close();
        let least = if leaves(control.body.statements()) { 0.0 } else { count.unwrap_or(0.0) };
        self.expr(&control.expr).then(body.times(least, count))
    }

    fn number(&mut self, expr: &'a Expr) -> Option<f64> {
        self.walk.evaluate(expr).as_quantity().and_then(|(value, _)| value)
    }

    fn expr(&mut self, expr: &'a Expr) -> Cost {
        match expr {
            Expr::FnCall(call, at) | Expr::MethodCall(call, at) => self.call(call, *at),
            Expr::Dot(parts, ..) | Expr::Index(parts, ..) => {
                self.expr(&parts.lhs).then(self.expr(&parts.rhs))
            }
            Expr::Array(items, _) | Expr::InterpolatedString(items, _) => self.all(items.iter()),
            Expr::Map(parts, _) => self.all(parts.0.iter().map(|(_, value)| value)),
            Expr::And(parts, _) | Expr::Or(parts, _) | Expr::Coalesce(parts, _) => self.all(parts.iter()),
            Expr::Stmt(block) if closure_name(expr).is_none() => self.block(block.statements()),
            _ => Cost::NOTHING,
        }
    }

    fn all(&mut self, parts: impl Iterator<Item = &'a Expr>) -> Cost {
        parts.fold(Cost::NOTHING, |cost, part| cost.then(self.expr(part)))
    }

    fn call(&mut self, call: &'a FnCallExpr, at: rhai::Position) -> Cost {
        let args = self.all(call.args.iter());
        let name = call.name.as_str();
        if name == "step"
            && let Some(body) = call.args.last()
        {
            let mut cost = self.closure(body);
            if call.args.len() == 3 {
                cost = cost.perhaps();
            }
            let name = match self.walk.evaluate(&call.args[0]) {
                Value::Text(Some(name)) => name,
                _ => String::new(),
            };
            self.steps.push(OutlineStep { line: place(at).0, name, cost });
            return args.then(cost);
        }
        if name == "agenda"
            && let [steps] = call.args.as_slice()
        {
            return args.then(self.agenda(steps));
        }
        // Which function it is that a variable holds, or what one of another file does, is not known here.
        if name == "call" || call.is_qualified() {
            return args.then(Cost::UNBOUNDED);
        }
        let program = self.walk.program;
        if let Some(function) = program.function(name, call.args.len()).filter(|_| !call.is_qualified()) {
            return args.then(self.function(function));
        }
        args.then(self.verb(name, &call.args))
    }

    /// Each step of an agenda may be left out. Of steps that are not written out nothing is known.
    fn agenda(&mut self, steps: &'a Expr) -> Cost {
        let Value::List(Some(Expr::Array(items, _))) = self.walk.evaluate(steps) else {
            return Cost::UNBOUNDED;
        };
        let mut all = Cost::NOTHING;
        for item in items {
            let Expr::Map(parts, at) = item else { return Cost::UNBOUNDED };
            let cost = field(&parts.0, "body").map_or(Cost::UNBOUNDED, |body| self.closure(body)).perhaps();
            let name = match field(&parts.0, "name").map(|name| self.walk.evaluate(name)) {
                Some(Value::Text(Some(name))) => name,
                _ => String::new(),
            };
            self.steps.push(OutlineStep { line: place(*at).0, name, cost });
            all = all.then(cost);
        }
        all
    }

    /// A function costs the same each time, because nothing is known of its arguments.
    fn function(&mut self, function: &'a Function) -> Cost {
        let key = (function.name.clone(), function.params.len());
        if let Some(cost) = self.functions.get(&key) {
            return *cost;
        }
        // One that calls itself has no bound.
        self.functions.insert(key.clone(), Cost::UNBOUNDED);
        self.walk.open();
        for param in &function.params {
            self.walk.declare(param, function.begins, Value::Unknown, false);
        }
        let cost = self.block(&function.body);
        self.walk.close();
        self.functions.insert(key, cost);
        cost
    }

    fn closure(&mut self, expr: &'a Expr) -> Cost {
        let name = closure_name(expr);
        let program = self.walk.program;
        match name.and_then(|name| program.functions.iter().find(|f| f.name == name)) {
            Some(function) => self.block(&function.body),
            None => Cost::UNBOUNDED,
        }
    }

    fn verb(&mut self, name: &str, args: &'a [Expr]) -> Cost {
        let unbounded = |time: Option<f64>| Cost::time(time.unwrap_or(0.0), time);
        match (name, args) {
            ("wait", [time]) => unbounded(self.number(time)),
            ("settle", []) => unbounded(Some(self.lockin_settle_s())),
            ("read", [_, samples]) => unbounded(self.number(samples).map(|n| (n - 1.0) * SAMPLE_SPACING_S)),
            ("trace", [_, samples, every]) => {
                let samples = self.number(samples);
                unbounded(samples.zip(self.number(every)).map(|(n, s)| n * s))
            }
            ("set", [channel, _]) => match self.channel(channel) {
                Some(channel) => moving(channel),
                None => unbounded(None),
            },
            ("ramp_field", [_]) => match self.walk.bench.by_role(Role::FieldZ) {
                Some(id) => moving(self.walk.bench.channel(id)),
                None => unbounded(None),
            },
            ("sweep" | "grid", [plan]) | ("compensated_sweep", [plan, _]) => self.sweep(plan),
            _ => match registry::find(name) {
                Some(verb) if verb.nature.time == Time::Open => Cost { untimed: 1, ..Cost::NOTHING },
                _ => Cost::NOTHING,
            },
        }
    }

    fn channel(&mut self, expr: &'a Expr) -> Option<&'a Channel> {
        let Value::Text(Some(name)) = self.walk.evaluate(expr) else { return None };
        let bench = self.walk.bench;
        bench.find(&name).map(|id| bench.channel(id))
    }

    fn lockin_settle_s(&self) -> f64 {
        let lockin = self.walk.bench.lockin;
        lockin.time_constant_s * settle_in_time_constants(lockin.order, lockin.settle_fraction)
    }

    fn sweep(&mut self, plan: &'a Expr) -> Cost {
        let Value::Map(Some(Expr::Map(parts, _))) = self.walk.evaluate(plan) else {
            return Cost::UNBOUNDED;
        };
        let fields = &parts.0;
        let (fast, slow) = (map_of(fields, "fast"), map_of(fields, "slow"));
        let fast_fields = fast.unwrap_or(fields);
        let both_ways = matches!(field(fields, "both_ways"), Some(Expr::BoolConstant(true, _)));
        let listed = |expr: Option<&Expr>| match expr {
            Some(Expr::Array(items, _)) => Some(items.len() as f64),
            _ => None,
        };
        let once = match field(fast_fields, "points") {
            Some(points) => self.number(points),
            None => listed(field(fast_fields, "values")),
        };
        let passes = field(fast_fields, "passes")
            .map_or(Some(1.0), |passes| listed(Some(passes)).or_else(|| self.number(passes)));
        let fast_points = once.zip(passes).map(|(points, passes)| points * passes);
        let lines = slow.map_or(Some(1.0), |slow| match field(slow, "points") {
            Some(points) => self.number(points),
            None => listed(field(slow, "values")),
        });
        let points = fast_points.zip(lines).map(|(n, m)| n * m * if both_ways { 2.0 } else { 1.0 });
        let channel = field(fast_fields, "channel").and_then(|expr| self.channel(expr));
        let settle_s = match field(fields, "settle") {
            Some(expr) => self.number(expr),
            None if self.reads_lockin(field(fields, "read")) => Some(self.lockin_settle_s()),
            None => Some(0.0),
        };
        let average = field(fields, "average").map_or(Some(1.0), |expr| self.number(expr));
        let dwell = field(fields, "dwell").map_or(Some(0.0), |expr| self.number(expr));
        let reading = average.zip(dwell).map(|(n, dwell)| dwell * (n - 1.0) / n.max(1.0));
        let each = settle_s.zip(reading).map(|(a, b)| a + b + channel.map_or(0.0, |c| c.settle_s));
        // Where each point has an error to reach, it is read as often as it may be.
        let again = map_of(fields, "until_error").and_then(|rule| field(rule, "readings"));
        let readings = again.map_or(Some(1.0), |readings| self.number(readings));
        let time = points.zip(each).zip(readings).map(|((n, each), readings)| n * each * readings);
        // The way to the first point is not known; the ways between points are within its bound.
        let way = channel.map_or(Some(0.0), |c| moving(c).most_s);
        let ways = way.zip(lines).map(|(way, lines)| way * lines * 2.0);
        // A rule may end it after its first point.
        let ends_early = ["stop_after_point", "stop_after_pass", "until_error"]
            .iter()
            .any(|rule| field(fields, rule).is_some());
        let surely = if ends_early { 0.0 } else { 1.0 };
        Cost {
            least_s: surely * time.unwrap_or(0.0),
            most_s: time.zip(ways).map(|(a, b)| a + b),
            least_points: surely * points.unwrap_or(0.0),
            most_points: points,
            untimed: 0,
        }
    }

    fn reads_lockin(&mut self, read: Option<&'a Expr>) -> bool {
        let items: Vec<&Expr> = match read {
            Some(Expr::Array(items, _)) => items.iter().collect(),
            Some(one) => vec![one],
            None => Vec::new(),
        };
        let lockin = [Some(Role::LockinX), Some(Role::LockinY)];
        items.into_iter().any(|item| self.channel(item).is_some_and(|channel| lockin.contains(&channel.role)))
    }
}

/// Setting a channel from an unknown value: at most through its whole range.
fn moving(channel: &Channel) -> Cost {
    let range = channel.max - channel.min;
    let ramp =
        if channel.slew_per_s.is_finite() && range.is_finite() { range / channel.slew_per_s } else { 0.0 };
    let arrival = if channel.tolerance.is_some() { channel.arrive_within_s } else { 0.0 };
    Cost::time(channel.settle_s, Some(channel.settle_s + ramp + arrival))
}

fn field<'a>(fields: &'a [(Ident, Expr)], name: &str) -> Option<&'a Expr> {
    fields.iter().find(|(ident, _)| ident.name == name).map(|(_, expr)| expr)
}

fn map_of<'a>(fields: &'a [(Ident, Expr)], name: &str) -> Option<&'a [(Ident, Expr)]> {
    match field(fields, name)? {
        Expr::Map(parts, _) => Some(&parts.0),
        _ => None,
    }
}
