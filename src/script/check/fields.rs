//! The maps that verbs take: `#{ channel: "Bias", from: 20.mV, … }`.

use super::program::start;
use super::value::Value;
use super::walk::Walk;
use crate::bench::{ChannelId, Role};
use crate::diagnostic::Code;
use crate::document::nearest;
use crate::quantity::Dimension;
use rhai::{Expr, Ident, Position};

/// Fields of an axis of `grid`.
const AXIS: &str = "channel from to points | values passes";
/// Fields of a channel that is moved along with a sweep.
const ALONG: &str = "channel | from to values by";
/// What a list of values takes the place of.
const EVENLY: [&str; 3] = ["from", "to", "points"];
/// The least whole number of fields that count something, and the most.
const COUNTS: &[(&str, f64, f64)] = &[
    ("points", 1.0, 5e7),
    ("passes", 1.0, 2e5),
    ("average", 1.0, 4e9),
    ("pixels", 4.0, 2048.0),
    ("readings", 1.0, 2000.0),
];

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
                self.error(Code::UnknownField, ident.pos, message);
            }
        }
        for (ident, _) in fields {
            if !known.contains(&ident.name.as_str()) {
                let near = nearest(&ident.name, known.iter().copied()).filter(|near| !given(near));
                // A misspelt field is not missing as well.
                missing.retain(|name| Some(*name) != near);
                let help = match near {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("it takes {}", known.join(", ")),
                };
                let message = format!("`{verb}` has no field `{}`", ident.name);
                self.report(Code::UnknownField, ident.pos, message, Some(help));
            }
        }
        if !missing.is_empty() {
            let word = if missing.len() == 1 { "field" } else { "fields" };
            let names: Vec<String> = missing.iter().map(|name| format!("`{name}`")).collect();
            let message = format!("`{verb}` needs the {word} {}", names.join(", "));
            self.report(Code::UnknownField, at, message, None);
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
        // These set one channel only, which they do not name.
        let unnamed = matches!(verb, "search_resonance" | "compensated_sweep");
        let searched = unnamed.then(|| self.bench.by_role(Role::RfFrequency)).flatten();
        let channel = channel.or(searched);
        for (ident, expr) in fields {
            if known.contains(&ident.name.as_str()) {
                self.field(verb, &ident.name, expr, channel);
            }
        }
    }

    fn field(&mut self, verb: &str, name: &str, expr: &'a Expr, channel: Option<ChannelId>) {
        let value = self.evaluate(expr);
        let at = start(expr);
        let what = format!("`{name}`");
        match name {
            "from" | "to" => {
                if let Some(id) = channel {
                    self.channel_value(id, &value, at);
                }
            }
            "read" => self.channels_argument(&value, expr),
            "points" | "average" | "pixels" | "readings" => self.count(name, &value, at),
            "dwell" | "settle" | "line_time" | "time" => self.time(&what, &value, at),
            "passes" if matches!(value, Value::Number { .. }) => self.count(name, &value, at),
            "passes" => {
                let wanted = "a number, or a list of \"up\", \"down\" and \"random\"";
                self.kind(&what, wanted, &value, at, |v| matches!(v, Value::List(_)));
            }
            "stop_after_point" | "stop_after_pass" => {
                self.kind(&what, "a function, |taken| …", &value, at, |v| matches!(v, Value::Function));
            }
            "along" => match &value {
                Value::Map(Some(Expr::Map(parts, place))) => self.fields("along", ALONG, &parts.0, *place),
                Value::List(Some(Expr::Array(items, _))) => {
                    for item in items.iter() {
                        if let Expr::Map(parts, place) = item {
                            self.fields("along", ALONG, &parts.0, *place);
                        }
                    }
                }
                _ => self.kind(&what, "a map like #{ channel, from, to }", &value, at, |v| {
                    matches!(v, Value::Map(_) | Value::List(_))
                }),
            },
            "until_error" => {
                self.kind(&what, "a map like #{ channel, error }", &value, at, |v| {
                    matches!(v, Value::Map(_))
                });
                if let Value::Map(Some(Expr::Map(parts, place))) = &value {
                    self.fields("until_error", "channel error", &parts.0, *place);
                }
            }
            "size" | "x" | "y" => self.dimension(Dimension::LENGTH, &what, &value, at),
            "error" if verb == "until_error" => {
                let of = channel.map_or(Dimension::NONE, |id| self.bench.channel(id).dimension().change());
                self.dimension(of, &what, &value, at);
            }
            "widest" | "narrowest" | "error" => self.dimension(Dimension::FREQUENCY, &what, &value, at),
            "asymmetry" => self.dimension(Dimension::NONE, &what, &value, at),
            "highest" => self.dimension(Dimension::CURRENT, &what, &value, at),
            "helium" => self.dimension(Dimension::VOLUME, &what, &value, at),
            "worth" => self.dimension(Dimension::NONE, &what, &value, at),
            "body" => {
                self.kind(&what, "a function, || { … }", &value, at, |v| matches!(v, Value::Function));
            }
            "both_ways" => {
                self.kind(&what, "true or false", &value, at, |v| matches!(v, Value::Flag(_)));
            }
            "name" => self.kind(&what, "a text", &value, at, |v| matches!(v, Value::Text(_))),
            "fast" | "slow" => {
                let wanted = "a map like #{ channel, from, to, points }";
                self.kind(&what, wanted, &value, at, |v| matches!(v, Value::Map(_)));
                if let Value::Map(Some(Expr::Map(parts, place))) = &value {
                    self.fields(&format!("{verb}` axis `{name}"), AXIS, &parts.0, *place);
                }
            }
            _ => {}
        }
    }

    fn count(&mut self, name: &str, value: &Value<'a>, at: Position) {
        self.dimension(Dimension::NONE, &format!("`{name}`"), value, at);
        let Some((_, least, most)) = COUNTS.iter().find(|(field, ..)| *field == name) else { return };
        if let Some((Some(number), Dimension::NONE)) = value.as_quantity()
            && (number.fract() != 0.0 || number < *least || number > *most)
        {
            let message = format!("`{name}` is a whole number from {least} to {most}, not {number}");
            self.error(Code::WrongKind, at, message);
        }
    }
}
