//! Sweeps whose plan is written out: what they read, and what is asked of them later.

use super::form::TEXT;
use super::value::Value;
use super::walk::Walk;
use crate::bench::{ChannelId, Role};
use crate::diagnostic::{Code, meant};
use rhai::{Expr, Position};

impl<'a> Walk<'a> {
    /// What `sweep` gives: with its columns, where all of them are plain.
    pub(super) fn swept(&mut self, values: &[Value<'a>]) -> Value<'a> {
        let columns = match values {
            [Value::Map(Some(Expr::Map(parts, _)))] => {
                let named = |name: &str| parts.0.iter().find(|(ident, _)| ident.name == name).map(|(_, e)| e);
                let axis = named("channel").and_then(|expr| self.named_channel(expr));
                let read = named("read").and_then(|expr| match expr {
                    Expr::Array(items, _) => items.iter().map(|item| self.named_channel(item)).collect(),
                    one => self.named_channel(one).map(|id| vec![id]),
                });
                axis.zip(read).filter(|_| named("along").is_none()).map(
                    |(axis, mut read): (ChannelId, Vec<ChannelId>)| {
                        read.push(axis);
                        read
                    },
                )
            }
            [Value::Entries(entries)] => {
                let id = |value: &Value<'a>| match value {
                    Value::Text(Some(name)) => self.bench.find(name),
                    _ => None,
                };
                let axis = entries.get("channel").and_then(|(value, _)| id(value));
                let read: Option<Vec<ChannelId>> = match entries.get("read") {
                    Some((Value::Items(items), _)) => items.iter().map(id).collect(),
                    Some((one, _)) => id(one).map(|id| vec![id]),
                    None => None,
                };
                axis.zip(read).map(|(axis, mut read)| {
                    read.push(axis);
                    read
                })
            }
            _ => None,
        };
        columns.map_or_else(|| Value::Handle("sweep".to_owned()), Value::Sweep)
    }

    /// What a fit of a sweep gives: a fit on known axes, where the sweep is known.
    pub(super) fn fitted(&mut self, values: &[Value<'a>]) -> Value<'a> {
        let Some(Value::Sweep(columns)) = values.iter().find(|value| matches!(value, Value::Sweep(_))) else {
            return Value::Handle("fit".to_owned());
        };
        let named = values.iter().rev().find_map(|value| match value {
            Value::Text(Some(name)) => self.bench.find(name),
            _ => None,
        });
        let y = named.or_else(|| self.bench.by_role(Role::LockinX));
        match (columns.last(), y) {
            (Some(axis), Some(y)) => {
                let dimension = |id: ChannelId| self.bench.channel(id).dimension();
                Value::Measured("fit", dimension(*axis), dimension(y))
            }
            _ => Value::Handle("fit".to_owned()),
        }
    }

    fn named_channel(&mut self, expr: &'a Expr) -> Option<ChannelId> {
        match expr {
            Expr::StringConstant(name, _) => self.bench.find(name),
            Expr::Variable(..) => match self.evaluate(expr) {
                Value::Text(Some(name)) => self.bench.find(&name),
                _ => None,
            },
            _ => None,
        }
    }

    /// A verb that takes a sweep and a column of it.
    pub(super) fn columns(&mut self, verb: &str, values: &[Value<'a>], at: Position) {
        let Some(sweep @ Value::Sweep(_)) = values.iter().find(|value| matches!(value, Value::Sweep(_)))
        else {
            return;
        };
        match (verb, values) {
            ("fit_resonance", [_]) => self.must_be_read(sweep, Role::LockinX.name(), at),
            ("fit_resonance", [_, Value::Text(Some(column))])
            | ("fit_shape", [_, _, Value::Text(Some(column))])
            | ("fit_own", [_, Value::Text(Some(column)), ..]) => self.must_be_read(sweep, column, at),
            _ => {}
        }
    }

    /// Complains about a column that a sweep does not have.
    pub(super) fn must_be_read(&mut self, sweep: &Value<'a>, column: &str, at: Position) {
        let (Value::Sweep(columns), Some(id)) = (sweep, self.bench.find(column)) else { return };
        if columns.contains(&id) {
            return;
        }
        let bench = self.bench;
        let read = &columns[..columns.len() - 1];
        let names: Vec<String> = read.iter().map(|id| format!("`{}`", bench.channel(*id).name)).collect();
        let help = format!("name it in the plan, read: [..., \"{column}\"]");
        let message = format!("this sweep does not read `{column}`, only {}", names.join(", "));
        self.report(Code::WrongKind, at, message, Some(help));
    }

    /// One of some texts.
    pub(super) fn one_of(&mut self, what: &str, known: &[&'static str], value: &Value<'a>, at: Position) {
        self.kind(what, TEXT, value, at, |v| matches!(v, Value::Text(_)));
        let Value::Text(Some(text)) = value else { return };
        if known.contains(&text.as_str()) {
            return;
        }
        let help =
            meant(text, known.iter().copied()).or_else(|| Some(format!("there are {}", known.join(", "))));
        self.report(Code::WrongKind, at, format!("{what} can't be \"{text}\""), help);
    }
}
