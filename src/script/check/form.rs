//! How things are written, for hints: a value of a kind, a map with these fields, a number with its unit.

use crate::bench::Channel;
use crate::quantity::{Dimension, Quantity};

/// How a value of a kind is written.
pub(super) fn form_of(wanted: &str) -> String {
    let form = match wanted {
        text if text.starts_with("a text") => "a text stands in double quotes, \"…\"",
        flag if flag.starts_with("true") => "write true or false",
        list if list.starts_with("a list of maps") => "write [#{ name: value, … }, …]",
        list if list.starts_with("a list") => "write [first, second]",
        map if map.starts_with("a map like ") => {
            return format!("write {}", spelt_out(&map["a map like ".len()..]));
        }
        number if number.starts_with("a number, or a list") => {
            "write a number, or words in a list, like [\"up\", \"down\"]"
        }
        map if map.starts_with("a map") => "write #{ name: value, … }",
        function if function.starts_with("a function") => "write || { … }",
        number if number.contains("unit") => "write a number, like 5 or 5.mV",
        thing => return format!("hand over {thing}, as a verb gives it"),
    };
    form.to_owned()
}

/// `#{ channel: …, error: … }` for `#{ channel, error }`.
pub(super) fn spelt_out(map: &str) -> String {
    let inside = map.trim_start_matches("#{ ").trim_end_matches(" }");
    if inside.contains(':') {
        return map.to_owned();
    }
    let fields: Vec<String> = inside.split(", ").map(|field| format!("{field}: …")).collect();
    format!("#{{ {} }}", fields.join(", "))
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
