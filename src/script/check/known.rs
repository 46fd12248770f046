//! Values on the way: lists, maps and functions of which every part is known.

use super::program::{closure_name, has_method, root_name, start};
use super::run::Flow;
use super::value::Value;
use super::walk::Walk;
use crate::diagnostic::Code;
use crate::document::nearest;
use rhai::{BinaryExpr, Expr, OpAssignment, Position};
use std::collections::BTreeMap;
use std::rc::Rc;

/// The place of a list's item, counted from its end where negative; none if there is no such item.
fn item_at(index: f64, count: usize) -> Option<usize> {
    let place = if index < 0.0 { index + count as f64 } else { index };
    (place >= 0.0 && place < count as f64).then_some(place as usize)
}

impl<'a> Walk<'a> {
    /// `list[i]`.
    pub(super) fn indexed(&mut self, base: &Value<'a>, index: &Value<'a>, at: &Expr) -> Value<'a> {
        let (Value::Items(items), Value::Number { value: Some(number), .. }) = (base, index) else {
            return Value::Unknown;
        };
        if let Some(place) = item_at(*number, items.len()) {
            return items[place].clone();
        }
        let count = items.len();
        let message = match count {
            0 => format!("the list is empty here, so there is no item {number}"),
            1 => format!("the list has one item, [0], so there is no item {number}"),
            _ => format!("the list has {count} items, [0] to [{}], so there is no item {number}", count - 1),
        };
        let help = "the first item is [0]; list.len() is how many there are, list[-1] is the last";
        self.report(Code::OutOfRange, start(at), message, Some(help.to_owned()));
        Value::Unknown
    }
}

/// Methods that leave what they are called on as it is.
const LOOKING: &[&str] = &[
    "len", "contains", "is_empty", "call", "abs", "keys", "values", "index_of", "map", "filter", "reduce",
    "get",
];

impl<'a> Walk<'a> {
    /// An expression on the way: what is built of known values is known.
    pub(super) fn along(&mut self, expr: &'a Expr) -> Value<'a> {
        match expr {
            Expr::Array(items, _) => {
                Value::Items(Rc::new(items.iter().map(|item| self.evaluate(item)).collect()))
            }
            Expr::Map(parts, _) => {
                let entry = |(ident, value): &'a (rhai::Ident, Expr)| {
                    (ident.name.to_string(), (self.evaluate(value), start(value)))
                };
                Value::Entries(Rc::new(parts.0.iter().map(entry).collect()))
            }
            Expr::DynamicConstant(..) | Expr::Stmt(_) => match (closure_name(expr), expr) {
                (Some(name), _) => Value::Closure(name.into()),
                (None, Expr::Stmt(block)) => match self.run_block(block.statements()) {
                    (Flow::Next, value) => value,
                    _ => Value::Unknown,
                },
                _ => Value::Unknown,
            },
            Expr::And(parts, _) => self.all_of(parts, false),
            Expr::Or(parts, _) => self.all_of(parts, true),
            other => self.value_of(other),
        }
    }

    /// Conditions one after the other, up to the one that decides.
    fn all_of(&mut self, parts: &'a [Expr], decides: bool) -> Value<'a> {
        let mut known = true;
        for part in parts {
            match self.evaluate(part) {
                Value::Flag(Some(flag)) if flag == decides => return Value::Flag(known.then_some(decides)),
                Value::Flag(Some(_)) => {}
                // What comes after may guard itself by what is not known here.
                _ => known = false,
            }
        }
        Value::Flag(known.then_some(!decides))
    }

    /// `x = …` and `x += …` on the way.
    pub(super) fn assigned(&mut self, operator: &OpAssignment, name: &str, value: Value<'a>, at: Position) {
        let value = match operator.get_op_assignment_info() {
            None => value,
            Some((.., sign)) => {
                let before = self.lookup(name, false).unwrap_or(Value::Unknown);
                self.operator(sign, &[], &[before, value], at)
            }
        };
        self.assign(name, value);
    }

    /// What a variable holds is known by its kind only.
    pub(super) fn loosen(&mut self, name: &str) {
        let loose = match self.lookup(name, false) {
            Some(value) if value.is_list() => Value::List(None),
            Some(value) if value.is_map() => Value::Map(None),
            _ => Value::Unknown,
        };
        self.assign(name, loose);
    }

    /// A method at the end of a chain may have changed the variable at its beginning.
    pub(super) fn changed_by_method(&mut self, parts: &'a BinaryExpr, index: bool) {
        let Some(root) = root_name(&parts.lhs) else { return };
        match (&parts.lhs, &parts.rhs) {
            (Expr::Variable(..), Expr::MethodCall(call, _)) if !index => {
                if call.name == "push"
                    && let (Some(Value::Items(items)), [item]) =
                        (self.lookup(&root, false), call.args.as_slice())
                {
                    let mut items = items.to_vec();
                    items.push(self.evaluate(item));
                    self.assign(&root, Value::Items(Rc::new(items)));
                } else if !LOOKING.contains(&call.name.as_str()) {
                    self.loosen(&root);
                }
            }
            (_, rhs) if has_method(rhs) => {
                let holds = self.lookup(&root, false).is_some_and(|value| value.is_list() || value.is_map());
                if holds {
                    self.loosen(&root);
                }
            }
            _ => {}
        }
    }

    /// `map.name`.
    pub(super) fn entry(
        &mut self,
        entries: &BTreeMap<String, (Value<'a>, Position)>,
        name: &str,
        at: Position,
    ) -> Value<'a> {
        if let Some((value, _)) = entries.get(name) {
            return value.clone();
        }
        let names: Vec<&str> = entries.keys().map(String::as_str).collect();
        let near = nearest(name, names.iter().copied());
        let help = near.map(|near| format!("did you mean `.{near}`?"));
        let help = help.unwrap_or_else(|| format!("it has {}", names.join(", ")));
        self.report(Code::OutOfRange, at, format!("this map has no `{name}`"), Some(help));
        Value::Unknown
    }
}
