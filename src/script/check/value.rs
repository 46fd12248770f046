//! What is known of a value before anything runs.

use crate::bench::ChannelId;
use crate::quantity::{Dimension, Quantity};
use crate::script::registry::with_article;
use rhai::{Expr, Position};
use std::collections::BTreeMap;
use std::rc::Rc;

/// What is known of a value.
#[derive(Debug, Clone)]
pub(super) enum Value<'a> {
    /// Nothing is known.
    Unknown,
    /// The empty value.
    Nothing,
    /// A plain number: its value and whether it is whole, where that is known.
    Number { value: Option<f64>, whole: Option<bool> },
    /// A number with a unit.
    Quantity { si: Option<f64>, dimension: Dimension },
    /// A text.
    Text(Option<String>),
    /// True or false.
    Flag(Option<bool>),
    /// A list, with its expression if it is still what was written.
    List(Option<&'a Expr>),
    /// A map, likewise.
    Map(Option<&'a Expr>),
    /// A function.
    Function,
    /// A function by its name, where the sequence is gone along.
    Closure(Rc<str>),
    /// A list of which every item is known, where the sequence is gone along.
    Items(Rc<Vec<Value<'a>>>),
    /// A map likewise, with the places of its values.
    Entries(Rc<BTreeMap<String, (Value<'a>, Position)>>),
    /// What a verb gives back, with what its x and y are measured in.
    Measured(&'static str, Dimension, Dimension),
    /// What a verb gives back.
    Handle(String),
    /// A sweep of which all columns are known.
    Sweep(Vec<ChannelId>),
}

impl<'a> Value<'a> {
    /// What is the same of two values.
    pub(super) fn join(self, other: Self) -> Self {
        use Value::{
            Closure, Entries, Flag, Handle, Items, Measured, Nothing, Number, Quantity, Text, Unknown,
        };
        match (self, other) {
            (Number { value: a, whole: x }, Number { value: b, whole: y }) => {
                Number { value: a.filter(|_| a == b), whole: x.filter(|_| x == y) }
            }
            (Quantity { si: a, dimension: x }, Quantity { si: b, dimension: y }) if x == y => {
                Quantity { si: a.filter(|_| a == b), dimension: x }
            }
            (Text(a), Text(b)) => Text(a.filter(|text| Some(text) == b.as_ref())),
            (Flag(a), Flag(b)) => Flag(a.filter(|_| a == b)),
            (Nothing, Nothing) => Nothing,
            (Items(a), Items(b)) if Rc::ptr_eq(&a, &b) => Items(a),
            (Items(_), Items(_)) => Value::List(None),
            (Entries(a), Entries(b)) if Rc::ptr_eq(&a, &b) => Entries(a),
            (Entries(_), Entries(_)) => Value::Map(None),
            (Closure(a), Closure(b)) if a == b => Closure(a),
            (Handle(a), Handle(b)) if a == b => Handle(a),
            (Measured(a, x, y), Measured(b, u, v)) if (a, x, y) == (b, u, v) => Measured(a, x, y),
            _ => Unknown,
        }
    }

    /// A value in a few signs, if it is known.
    pub(super) fn short(&self) -> Option<String> {
        match self {
            Value::Number { value: Some(value), .. } => Some(value.to_string()),
            Value::Quantity { si: Some(si), dimension } => Some(Quantity::new(*si, *dimension).to_string()),
            Value::Text(Some(text)) if text.chars().count() < 20 => Some(format!("\"{text}\"")),
            _ => None,
        }
    }

    /// Whether it is a list.
    pub(super) fn is_list(&self) -> bool {
        matches!(self, Value::List(_) | Value::Items(_))
    }

    /// Whether it is a map.
    pub(super) fn is_map(&self) -> bool {
        matches!(self, Value::Map(_) | Value::Entries(_))
    }

    /// Whether it is a function.
    pub(super) fn is_function(&self) -> bool {
        matches!(self, Value::Function | Value::Closure(_))
    }

    pub(super) const fn number(value: Option<f64>, whole: bool) -> Self {
        Value::Number { value, whole: Some(whole) }
    }

    /// The number and dimension, if it is a number of any kind.
    pub(super) fn as_quantity(&self) -> Option<(Option<f64>, Dimension)> {
        match self {
            Value::Number { value, .. } => Some((*value, Dimension::NONE)),
            Value::Quantity { si, dimension } => Some((*si, *dimension)),
            Value::Flag(flag) => Some((flag.map(|f| f64::from(u8::from(f))), Dimension::NONE)),
            _ => None,
        }
    }

    /// The name of what a verb gave back.
    pub(super) fn handle(&self) -> Option<&str> {
        match self {
            Value::Handle(name) => Some(name),
            Value::Sweep(_) => Some("sweep"),
            Value::Measured(name, ..) => Some(name),
            _ => None,
        }
    }

    /// What it is, for messages; none if nothing is known.
    pub(super) fn describe(&self) -> Option<String> {
        Some(match self {
            Value::Unknown => return None,
            Value::Nothing => "nothing".to_owned(),
            Value::Number { value: Some(value), .. } => format!("the number {value}"),
            Value::Number { .. } => "a plain number".to_owned(),
            Value::Quantity { si: Some(si), dimension } => {
                format!("{}, {dimension}", Quantity::new(*si, *dimension))
            }
            Value::Quantity { dimension, .. } => dimension.to_string(),
            Value::Text(Some(text)) if text.chars().count() < 40 => format!("the text \"{text}\""),
            Value::Text(_) => "a text".to_owned(),
            Value::Flag(_) => "true or false".to_owned(),
            Value::List(_) | Value::Items(_) => "a list".to_owned(),
            Value::Map(_) | Value::Entries(_) => "a map".to_owned(),
            Value::Function | Value::Closure(_) => "a function".to_owned(),
            Value::Measured(name, ..) => return Value::Handle((*name).to_owned()).describe(),
            Value::Handle(name) if name == "numbers" => "a row of numbers".to_owned(),
            Value::Sweep(_) => "a sweep".to_owned(),
            Value::Handle(name) => with_article(name),
        })
    }
}
