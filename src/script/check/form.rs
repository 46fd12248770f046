//! How things are written, for hints: a value of a kind, a map with these fields, a number with its unit.

use crate::bench::Channel;
use crate::quantity::{Dimension, Quantity};

/// What a value has to be, and how that is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Wanted<'w> {
    pub(super) words: &'w str,
    pub(super) form: &'w str,
}

pub(super) const TEXT: Wanted<'_> =
    Wanted { words: "a text", form: "a text stands in double quotes, \"…\"" };
pub(super) const FLAG: Wanted<'_> = Wanted { words: "true or false", form: "write true or false" };
pub(super) const NUMBER: Wanted<'_> =
    Wanted { words: "a number, with or without a unit", form: "write a number, like 5 or 5.mV" };
pub(super) const LIST: Wanted<'_> = Wanted { words: "a list", form: "write [first, second]" };
pub(super) const MAPS: Wanted<'_> =
    Wanted { words: "a list of maps", form: "write [#{ name: value, … }, …]" };
pub(super) const MAP: Wanted<'_> = Wanted { words: "a map, #{ … }", form: "write #{ name: value, … }" };
pub(super) const FUNCTION: Wanted<'_> = Wanted { words: "a function, || { … }", form: "write || { … }" };
pub(super) const PASSES: Wanted<'_> = Wanted {
    words: "a number, or a list of \"up\", \"down\" and \"random\"",
    form: "write a number, or words in a list, like [\"up\", \"down\"]",
};
pub(super) const SWEEPS: Wanted<'_> = Wanted {
    words: "a sweep or a table, or a list of them",
    form: "hand over a sweep or a table, or a list of them, as a verb gives it",
};
pub(super) const DATA: Wanted<'_> = Wanted {
    words: "a sweep, a trace, a table or a column",
    form: "hand over a sweep, a trace, a table or a column, as a verb gives it",
};
pub(super) const ALONG_MAP: Wanted<'_> = Wanted {
    words: "a map like #{ channel, from, to }",
    form: "write #{ channel: …, from: …, to: … }",
};
pub(super) const AXIS_MAP: Wanted<'_> = Wanted {
    words: "a map like #{ channel, from, to, points }",
    form: "write #{ channel: …, from: …, to: …, points: … }",
};
pub(super) const UNTIL_ERROR_MAP: Wanted<'_> =
    Wanted { words: "a map like #{ channel, error }", form: "write #{ channel: …, error: … }" };

impl<'w> Wanted<'w> {
    /// The same, called so.
    pub(super) const fn called(self, words: &'w str) -> Self {
        Self { words, ..self }
    }
}

/// How something is had that only a verb gives.
pub(super) fn handed_over(thing: &str) -> String {
    format!("hand over {thing}, as a verb gives it")
}

/// A value that stands in a text, as it is written in a sequence: `5.min` for `"5 min"`.
pub(super) fn out_of_text(text: &str, wanted: Dimension, example: &str) -> Option<String> {
    let text = text.trim();
    let switched = match text.to_lowercase().as_str() {
        "on" | "true" | "yes" => Some("true"),
        "off" | "false" | "no" => Some("false"),
        _ => None,
    };
    if wanted.is_none() && switched.is_some() {
        return switched.map(str::to_owned);
    }
    let quantity: Quantity = text.parse().ok()?;
    let unit = text.trim_start_matches(|c: char| c.is_ascii_digit() || ".+-".contains(c));
    let number = text[..text.len() - unit.len()].trim_start_matches('+');
    let own = Some(unit.trim()).filter(|unit| crate::script::units::UNIT_NAMES.contains(unit));
    match (own, example.split_once('.')) {
        (Some(unit), _) if quantity.dimension == wanted => Some(format!("{number}.{unit}")),
        (None, Some((_, unit))) if unit_free(text) => Some(format!("{number}.{unit}")),
        _ => None,
    }
}

/// The unit of another dimension with the prefix of this one: `mT` for `mV`.
pub(super) fn prefixed(own: &str, wanted: Dimension) -> Option<String> {
    if own == "m" && wanted == Dimension::TIME {
        return Some("min".to_owned());
    }
    let prefix = own.chars().next().filter(|_| own.len() > 1)?;
    let unit = format!("{prefix}{}", wanted.symbol());
    crate::script::units::UNIT_NAMES.contains(&unit.as_str()).then_some(unit)
}

fn unit_free(text: &str) -> bool {
    text.parse::<f64>().is_ok() && !text.contains(['e', 'E'])
}

/// `5.mV`, in the unit of the channel if it can be written so.
pub(super) fn unit_example(dimension: Dimension, channel: Option<&Channel>) -> String {
    let own = channel.map(|c| c.unit.text.as_str()).filter(|u| crate::script::units::UNIT_NAMES.contains(u));
    let unit = own.map_or_else(|| crate::script::units::usual(dimension), str::to_owned);
    if unit.is_empty() { "5".to_owned() } else { format!("5.{unit}") }
}
