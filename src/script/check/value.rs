//! What is known of a value before anything runs.

use crate::bench::ChannelId;
use crate::quantity::{Dimension, Quantity};
use rhai::Expr;

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
    /// What a verb gives back.
    Handle(String),
    /// A sweep of which all columns are known.
    Sweep(Vec<ChannelId>),
}

impl Value<'_> {
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
            Value::List(_) => "a list".to_owned(),
            Value::Map(_) => "a map".to_owned(),
            Value::Function => "a function".to_owned(),
            Value::Handle(name) if name == "numbers" => "a row of numbers".to_owned(),
            Value::Sweep(_) => "a sweep".to_owned(),
            Value::Handle(name) => {
                let article = if name.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
                format!("{article} {name}")
            }
        })
    }
}
