//! The maps that verbs take: `#{ channel: "Bias", from: 20.mV, … }`.

use super::form::{ALONG_MAP, AXIS_MAP, FLAG, FUNCTION, LIST, MAP, PASSES, TEXT, UNTIL_ERROR_MAP};
use super::program::start;
use super::value::Value;
use super::walk::Walk;
use crate::bench::{ChannelId, Role};
use crate::diagnostic::Code;
use crate::document::nearest;
use crate::quantity::Dimension;
use crate::script::registry::{self, Deed};
use rhai::{ASTNode, Expr, Ident, Position, Stmt};
use std::collections::BTreeMap;

/// Fields of the axes of `grid`.
const FAST: &str = "channel from to points | values passes along";
const SLOW: &str = "channel from to points | values along";
/// Fields of what ends a sweep, or the readings of a point, by an error.
const UNTIL_ERROR: &str = "channel error | readings";
/// Fields of a channel that is moved along with a sweep.
const ALONG: &str = "channel | from to values by";
/// Fields as they are called elsewhere.
const OTHER_FIELDS: &[(&str, &str)] = &[
    ("repeats", "passes"),
    ("repeat", "passes"),
    ("averages", "average"),
    ("samples", "average"),
    ("start", "from"),
    ("begin", "from"),
    ("stop", "to"),
    ("end", "to"),
    ("steps", "points"),
    ("num", "points"),
    ("delay", "settle"),
    ("wait", "settle"),
    ("integration_time", "dwell"),
    ("x", "fast"),
    ("inner", "fast"),
    ("y", "slow"),
    ("outer", "slow"),
    ("resolution", "pixels"),
    ("title", "name"),
    ("label", "name"),
    ("until", "until_error"),
];

/// What a list of values takes the place of.
const EVENLY: [&str; 3] = ["from", "to", "points"];
/// Dimensions of fields that are the same in every verb.
const DIMENSIONS: &[(&str, Dimension)] = &[
    ("size", Dimension::LENGTH),
    ("x", Dimension::LENGTH),
    ("y", Dimension::LENGTH),
    ("widest", Dimension::FREQUENCY),
    ("narrowest", Dimension::FREQUENCY),
    ("error", Dimension::FREQUENCY),
    ("asymmetry", Dimension::NONE),
    ("highest", Dimension::CURRENT),
    ("helium", Dimension::VOLUME),
    ("worth", Dimension::NONE),
];
/// The least whole number of fields that count something, and the most.
const COUNTS: &[(&str, f64, f64)] = &[
    ("points", 1.0, 5e7),
    ("passes", 1.0, 2e5),
    ("average", 1.0, 4e9),
    ("pixels", 4.0, 2048.0),
    ("readings", 1.0, 2000.0),
];

/// The first verb in some statements that does more than look, with its place.
fn acts(body: &[Stmt]) -> Option<(String, Position)> {
    let mut found = None;
    for statement in body {
        statement.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
            let call = match path.last() {
                Some(ASTNode::Stmt(Stmt::FnCall(call, at)) | ASTNode::Expr(Expr::FnCall(call, at))) => {
                    (call, *at)
                }
                _ => return true,
            };
            let verb = registry::find(&call.0.name).filter(|_| !call.0.is_qualified());
            let sweeps = matches!(call.0.name.as_str(), "sweep" | "grid" | "recentre");
            let moves = |verb: &registry::Verb| {
                sweeps
                    || !verb.nature.tasks.is_empty()
                    || matches!(verb.nature.deed, Deed::Acts | Deed::Secures)
            };
            if found.is_none() && verb.is_some_and(moves) {
                found = Some((call.0.name.to_string(), call.1));
            }
            true
        });
    }
    found
}

/// Whether a value is returned somewhere.
fn returns(body: &[Stmt]) -> bool {
    let mut found = false;
    for statement in body {
        statement.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
            found |= matches!(path.last(), Some(ASTNode::Stmt(Stmt::Return(..))));
            true
        });
    }
    found
}

/// Names of a grammar: needed, then those that may be left out.
pub(super) fn split(grammar: &str) -> (Vec<&str>, Vec<&str>) {
    let (needed, optional) = grammar.split_once('|').unwrap_or((grammar, ""));
    (needed.split_whitespace().collect(), optional.split_whitespace().collect())
}

impl<'a> Walk<'a> {
    /// Checks the fields of a map against what a verb takes.
    pub(super) fn fields(&mut self, verb: &str, grammar: &str, fields: &'a [(Ident, Expr)], at: Position) {
        let (needed, optional) = split(grammar);
        let known: Vec<&str> = needed.iter().chain(&optional).copied().collect();
        let given = |name: &str| fields.iter().any(|(ident, _)| ident.name == name);
        let mut missing: Vec<&str> = needed.iter().filter(|name| !given(name)).copied().collect();
        if given("values") && known.contains(&"points") {
            missing.retain(|name| !EVENLY.contains(name));
            if let Some((ident, _)) = fields.iter().find(|(ident, _)| EVENLY.contains(&ident.name.as_str())) {
                let message = format!("`values` takes the place of `{}`: give one of the two", ident.name);
                let help = format!("leave `{}` out, or `values`", ident.name);
                self.report(Code::UnknownField, ident.pos, message, Some(help));
            }
        }
        for (ident, _) in fields {
            if !known.contains(&ident.name.as_str()) {
                let near = nearest(&ident.name, known.iter().copied()).filter(|near| !given(near));
                // A misspelt field is not missing as well.
                missing.retain(|name| Some(*name) != near);
                let help = match near {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => match OTHER_FIELDS.iter().find(|(other, _)| *other == ident.name.as_str()) {
                        Some((_, here)) => format!("here it is called `{here}`"),
                        None => format!("it takes {}", known.join(", ")),
                    },
                };
                let message = format!("`{verb}` has no field `{}`", ident.name);
                self.report(Code::UnknownField, ident.pos, message, Some(help));
            }
        }
        if !missing.is_empty() {
            let word = if missing.len() == 1 { "field" } else { "fields" };
            let names: Vec<String> = missing.iter().map(|name| format!("`{name}`")).collect();
            let message = format!("`{verb}` needs the {word} {}", names.join(", "));
            let help = format!("write #{{ {}: …, … }}", missing.join(": …, "));
            self.report(Code::UnknownField, at, message, Some(help));
        }
        if given("dwell") && !given("average") && known.contains(&"average") {
            let help = "add `average`: the number of readings that are spread over this time and averaged";
            let place =
                fields.iter().find(|(ident, _)| ident.name == "dwell").map_or(at, |(ident, _)| ident.pos);
            self.warn(Code::UnknownField, place, "`dwell` does nothing without `average`", help);
        }
        let channel = fields.iter().find(|(ident, _)| ident.name == "channel").and_then(|(_, expr)| {
            let value = self.evaluate(expr);
            let id = self.channel_argument(&value, expr)?;
            if verb != "until_error" {
                self.must_be_settable(id, start(expr));
            }
            Some(id)
        });
        let channel = channel.or_else(|| self.unnamed(verb));
        for (ident, expr) in fields {
            if known.contains(&ident.name.as_str()) {
                self.field(verb, &ident.name, expr, channel);
            }
        }
    }

    fn field(&mut self, verb: &str, name: &str, expr: &'a Expr, channel: Option<ChannelId>) {
        let value = self.evaluate(expr);
        let at = start(expr);
        if name == "read" {
            return self.channels_argument(&value, expr);
        }
        self.field_value(verb, name, &value, at, channel);
        let maps: Vec<&'a Expr> = match &value {
            Value::Map(Some(map)) => vec![map],
            Value::List(Some(Expr::Array(items, _))) if name == "along" => items.iter().collect(),
            _ => Vec::new(),
        };
        for map in maps {
            let Expr::Map(parts, place) = map else { continue };
            match name {
                "fast" => self.fields(&format!("{verb}` axis `{name}"), FAST, &parts.0, *place),
                "slow" => self.fields(&format!("{verb}` axis `{name}"), SLOW, &parts.0, *place),
                "along" => self.fields("along", ALONG, &parts.0, *place),
                "until_error" => self.fields("until_error", UNTIL_ERROR, &parts.0, *place),
                _ => {}
            }
        }
    }

    /// The entries of a map whose values are known on the way; the names were looked at before.
    pub(super) fn entries(
        &mut self,
        verb: &str,
        grammar: &str,
        entries: &BTreeMap<String, (Value<'a>, Position)>,
    ) {
        let (needed, optional) = split(grammar);
        let known: Vec<&str> = needed.into_iter().chain(optional).collect();
        let channel = match entries.get("channel") {
            Some((Value::Text(Some(name)), _)) => self.bench.find(name),
            _ => None,
        };
        let channel = channel.or_else(|| self.unnamed(verb));
        for (name, (value, at)) in entries.iter().filter(|(name, _)| known.contains(&name.as_str())) {
            match (name.as_str(), value) {
                ("fast", Value::Entries(axis)) => self.entries(verb, FAST, axis),
                ("slow", Value::Entries(axis)) => self.entries(verb, SLOW, axis),
                _ => {}
            }
            self.field_value(verb, name, value, *at, channel);
        }
    }

    /// A rule or a condition that says neither yes nor no.
    pub(super) fn must_decide(&mut self, what: &str, value: &Value<'a>) {
        let Value::Closure(name) = value else { return };
        let program = self.program;
        let Some(function) = program.functions.iter().find(|f| f.name == **name) else { return };
        // Somebody who tries it knows that it may be refused.
        let tried = |at: Position| {
            let line = super::walk::place(at).0;
            super::trial::tried_lines(program).iter().any(|lines| lines.contains(&line))
        };
        if let Some((verb, at)) = acts(&function.body).filter(|(_, at)| !tried(*at)) {
            let message = format!("`{verb}` can't be used here: {what} only looks");
            let help = "do it after the sweep or the wait".to_owned();
            self.report(Code::WrongKind, at, message, Some(help));
        }
        let Some(last) = function.body.iter().rev().find(|s| !matches!(s, Stmt::Noop(_))) else { return };
        let nothing = match last {
            Stmt::If(parts, _) => parts.branch.statements().is_empty() && !returns(&function.body),
            Stmt::FnCall(call, _) => matches!(call.name.as_str(), "note" | "hand_over" | "wait"),
            Stmt::Var(..) | Stmt::Assignment(..) | Stmt::For(..) | Stmt::While(..) => true,
            _ => false,
        };
        if nothing {
            let message = format!("{what} says true or false, and this function ends without either");
            let help = "end it with the condition, like read(\"StageTemperature\") > 1.K".to_owned();
            self.report(Code::WrongKind, super::walk::start_of(last), message, Some(help));
        }
    }

    /// Channels that are moved along with a sweep.
    fn companions(&mut self, value: &Value<'a>, at: Position) {
        self.kind("`along`", ALONG_MAP, value, at, |v| v.is_map() || v.is_list());
        let items = match value {
            Value::Map(Some(map)) => std::slice::from_ref(*map),
            Value::List(Some(Expr::Array(items, _))) => items.as_slice(),
            _ => &[],
        };
        for item in items {
            if let Expr::Map(parts, place) = item {
                self.fields("along", ALONG, &parts.0, *place);
            }
        }
    }

    /// The channel that a verb moves without naming it.
    fn unnamed(&self, verb: &str) -> Option<ChannelId> {
        let unnamed = matches!(verb, "search_resonance" | "compensated_sweep");
        unnamed.then(|| self.bench.by_role(Role::RfFrequency)).flatten()
    }

    fn field_value(
        &mut self,
        verb: &str,
        name: &str,
        value: &Value<'a>,
        at: Position,
        channel: Option<ChannelId>,
    ) {
        let what = format!("`{name}`");
        match name {
            "start" | "fix" | "within" if verb.starts_with("fit_") => {
                self.kind(&what, MAP.called("a map, like #{ width: … }"), value, at, Value::is_map);
            }
            "from" | "to" => {
                if let Some(id) = channel {
                    self.channel_value(id, value, at);
                }
            }
            "readings" if verb == "until_error" => self.count(name, (4.0, 4e9), value, at),
            "points" | "average" | "pixels" | "readings" => self.counted(name, value, at),
            "dwell" | "settle" | "line_time" | "time" => self.time(&what, value, at),
            "passes" if matches!(value, Value::Number { .. }) => self.counted(name, value, at),
            "passes" => {
                self.kind(&what, PASSES, value, at, Value::is_list);
            }
            "values" => {
                let listed = |v: &Value<'_>| v.is_list() || v.handle() == Some("numbers");
                self.kind(&what, LIST.called("a list of values"), value, at, listed);
                if let (Some(id), Value::List(Some(Expr::Array(items, _)))) = (channel, value) {
                    for item in items {
                        let value = self.evaluate(item);
                        self.channel_value(id, &value, start(item));
                    }
                }
            }
            "stop_after_point" | "stop_after_pass" => {
                self.kind(&what, FUNCTION.called("a function, |taken| …"), value, at, Value::is_function);
                self.must_decide(&what, value);
            }
            "along" => self.companions(value, at),
            "until_error" => {
                self.kind(&what, UNTIL_ERROR_MAP, value, at, Value::is_map);
                if let Value::Map(Some(Expr::Map(parts, place))) = value {
                    self.fields("until_error", UNTIL_ERROR, &parts.0, *place);
                }
            }
            "error" if verb == "until_error" => {
                let of = channel.map_or(Dimension::NONE, |id| self.bench.channel(id).dimension().change());
                self.dimension(of, &what, value, at);
            }
            // A frequency for the centre of a line, a part for its height: the verb tells.
            "error" if matches!(verb, "goal" | "plan_spectrum") => {}
            "ends_after" | "longest" => self.time(&what, value, at),
            "within" if verb == "ask_people" => self.time(&what, value, at),
            "atoms" | "areas" | "pulses" if verb == "budget" => {
                self.dimension(Dimension::NONE, &what, value, at);
            }
            "body" => self.body(&what, value, at),
            "both_ways" => self.kind(&what, FLAG, value, at, |v| matches!(v, Value::Flag(_))),
            "name" | "spin" => self.kind(&what, TEXT, value, at, |v| matches!(v, Value::Text(_))),
            "fast" | "slow" => self.kind(&what, AXIS_MAP, value, at, |v| v.is_map()),
            _ => {
                if let Some((_, dimension)) = DIMENSIONS.iter().find(|(field, _)| *field == name) {
                    self.dimension(*dimension, &what, value, at);
                }
            }
        }
    }

    fn body(&mut self, what: &str, value: &Value<'a>, at: Position) {
        if !matches!(value, Value::Nothing) {
            return self.kind(what, FUNCTION, value, at, |v| v.is_function());
        }
        let message = format!("{what} is a function, and this is called already, before the step");
        let hint = Some("write || before it, like || look()".to_owned());
        self.report(Code::WrongKind, at, message, hint);
    }

    /// A number that counts something, within the bounds of its field.
    fn counted(&mut self, name: &str, value: &Value<'a>, at: Position) {
        let bounds = COUNTS.iter().find(|(field, ..)| *field == name);
        let (least, most) = bounds.map_or((0.0, f64::INFINITY), |(_, least, most)| (*least, *most));
        self.count(name, (least, most), value, at);
    }

    fn count(&mut self, name: &str, (least, most): (f64, f64), value: &Value<'a>, at: Position) {
        self.dimension(Dimension::NONE, &format!("`{name}`"), value, at);
        if let Some((Some(number), Dimension::NONE)) = value.as_quantity()
            && (number.fract() != 0.0 || number < least || number > most)
        {
            let message = format!("`{name}` is a whole number from {least} to {most}, not {number}");
            let near = number.round().clamp(least, most);
            self.report(Code::WrongKind, at, message, Some(format!("write {name}: {near}")));
        }
    }
}
