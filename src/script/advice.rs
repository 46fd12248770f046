//! What the engine's own errors mean, in plain sentences, and what to write instead.

use super::convert::kind_named;
use super::numbers::NumbersError;
use super::table::TableError;
use super::units::usual;
use crate::document::nearest;
use crate::quantity::QuantityError;

/// What is wrong, and what to write instead where that is known. As one sentence, that stands behind a semicolon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// What is wrong.
    pub wrong: String,
    /// What to write.
    pub help: Option<String>,
}

impl Said {
    /// What is wrong, and what to write.
    pub fn with(wrong: impl Into<String>, help: impl Into<String>) -> Self {
        Self::perhaps(wrong, Some(help))
    }

    /// What is wrong, and what to write, if that is known.
    pub fn perhaps(wrong: impl Into<String>, help: Option<impl Into<String>>) -> Self {
        Self { wrong: wrong.into(), help: help.map(Into::into) }
    }

    /// What is wrong with a name, and the one that is meant perhaps.
    pub fn meant(wrong: impl Into<String>, near: Option<impl std::fmt::Display>) -> Self {
        Self::perhaps(wrong, near.map(|near| format!("did you mean `{near}`?")))
    }
}

impl std::fmt::Display for Said {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.wrong)?;
        self.help.iter().try_for_each(|help| write!(f, "; {help}"))
    }
}

impl From<String> for Said {
    fn from(wrong: String) -> Self {
        Self { wrong, help: None }
    }
}

impl From<&String> for Said {
    fn from(wrong: &String) -> Self {
        wrong.clone().into()
    }
}

impl From<&str> for Said {
    fn from(wrong: &str) -> Self {
        wrong.to_owned().into()
    }
}

/// A loop over something that is no list.
pub fn no_items_to_go_through() -> Said {
    let help = "write map.keys() for a map, table(sweep) for a sweep, the table itself for its rows, 0..n for a number";
    Said::with("a `for` goes through a list or a range", help)
}

/// What has no items of its own, with where they are.
const ITEMS: &[(&str, &str)] = &[
    ("nothing", "push and sort change the list itself and give nothing: write list.push(x); alone"),
    ("a table", "a column is table[\"name\"], rows are cut out with table.part(2, 5)"),
    ("a trace", "its readings are trace.numbers, the first of them trace.numbers[0]"),
    ("a sweep", "a column is sweep.column(\"Current\"), its first reading sweep.column(\"Current\")[0]"),
    ("an image", "what stands out in it is found with find_spots(image)"),
    ("a fit", "a parameter is fit.value(\"centre\")"),
    ("a row of numbers", "one of them is numbers[0]; a part is cut out of a table, table.part(2, 5)"),
];

/// Functions that something does not have, with what it has instead.
const INSTEAD: &[(&str, &str, &str)] = &[
    ("len", "a table", "`table.rows` is how many rows it has"),
    ("len", "a sweep", "`sweep.points` is how many points it has"),
    ("len", "a trace", "`trace.numbers.len` is how many readings it has"),
    ("len", "a row of numbers", "`numbers.len` stands without brackets"),
    ("average", "a row of numbers", "its mean is `numbers.mean`"),
    ("mean", "a row of numbers", "`numbers.mean` stands without brackets"),
    ("std", "a row of numbers", "it is `numbers.deviation`"),
    ("max", "a row of numbers", "it is `numbers.most`"),
    ("min", "a row of numbers", "it is `numbers.least`"),
    ("sum", "a row of numbers", "it is numbers.mean * numbers.len"),
    ("push", "a table", "make another one from rows, table([\"x\", \"y\"], rows)"),
    ("push", "a row of numbers", "collect values in a list, let all = []; all.push(x);"),
];

/// Functions of plain numbers.
const PLAIN: &[&str] = &[
    "sin", "cos", "tan", "asin", "acos", "atan", "sinh", "cosh", "tanh", "exp", "ln", "log", "floor",
    "ceiling", "round", "int", "fraction", "to_int", "to_float",
];

/// Of these, the ones whose argument is a ratio in a model.
const EXPONENTS: &[&str] = &["exp", "ln", "log", "sin", "cos", "tan", "sinh", "cosh", "tanh"];

/// Whether this is a function of plain numbers only.
pub fn takes_plain_numbers(name: &str) -> bool {
    PLAIN.contains(&name)
}

/// Whether this is the made-up name of a function without a name.
pub fn is_closure(name: &str) -> bool {
    name.starts_with("anon$")
}

/// A function that does not exist for such values, from the engine's `name (type, type)`.
pub fn not_found(signature: &str) -> Said {
    let Some((name, kinds)) = signature.split_once(" (") else { return signature.into() };
    let kinds: Vec<String> = kinds
        .strip_suffix(')')
        .unwrap_or(kinds)
        .split(", ")
        .filter(|kind| !kind.is_empty())
        .map(kind_named)
        .collect();
    if is_closure(name) {
        return function_given(&kinds);
    }
    if kinds.is_empty() {
        return format!("there is no function `{name}` without arguments").into();
    }
    let given = kinds.join(" and ");
    if !name.contains(|c: char| c.is_alphanumeric()) {
        let text = kinds.iter().any(|kind| kind == "a text");
        let of = |kind: &str| kinds.iter().any(|given| given == kind);
        let help = match () {
            () if text => Some("a text shows a value in backticks, `x is ${x}`"),
            () if of("a sweep") => Some("take what was read first, spectrum(sweep, \"LockinX\")"),
            () if of("a trace") => Some("take its readings first, trace.numbers"),
            () if of("a list") => Some("take the items one by one, or make a table of them"),
            () => None,
        };
        return Said::perhaps(format!("`{name}` can't be used with {given}"), help);
    }
    let known = INSTEAD.iter().find(|(of, kind, _)| *of == name && kinds[0] == *kind);
    let help = match known {
        Some((.., instead)) => Some((*instead).to_owned()),
        None if kinds[0] == "nothing" => Some(
            "it holds nothing: push and sort change the list itself, so write list.push(x); alone".to_owned(),
        ),
        None if EXPONENTS.contains(&name) && kinds[0] == "a value with a unit" => Some(
            "the units in its brackets must cancel: divide by one of the same kind, and `**` goes before `/` and `-`"
                .to_owned(),
        ),
        None if takes_plain_numbers(name) && kinds[0] == "a value with a unit" => {
            Some(format!("take the plain number first, like (x / 1.mV).{name}()"))
        }
        None => None,
    };
    Said::perhaps(format!("`{name}` doesn't take {given}"), help)
}

/// A function that was handed over and is called with other things than it takes.
fn function_given(kinds: &[String]) -> Said {
    let names = ["", "|x|", "|x, p|", "|x, y, z|"];
    let form = names.get(kinds.len()).copied().unwrap_or("|…|");
    let form = if form.is_empty() { "||" } else { form };
    let with = if kinds.is_empty() { "nothing".to_owned() } else { kinds.join(" and ") };
    let count = match kinds.len() {
        0 => "no name".to_owned(),
        1 => "one name".to_owned(),
        n => format!("{n} names"),
    };
    let wrong = format!("this function is called with {with}");
    Said::with(wrong, format!("write it with {count} between the bars, {form} …"))
}

/// Something without items is asked for one, from the engine's `type [type]` or `type [type] = type`.
pub fn no_items(asked: &str) -> Said {
    let of = kind_named(asked.split(" [").next().unwrap_or(asked));
    if asked.contains("] =") {
        return Said::with(format!("{of} can't be changed in place"), in_place(&of));
    }
    let advice = ITEMS.iter().find(|(kind, _)| *kind == of).map_or("it is one value, not a list", |(_, a)| a);
    Said::with(format!("{of} has no items of its own"), advice)
}

/// A property that is not there, from the engine's sentence about it.
pub fn no_property(told: &str) -> Said {
    let mut quoted = told.split('\'').skip(1).step_by(2);
    let (Some(name), Some(of)) = (quoted.next(), quoted.next()) else { return told.into() };
    let of = kind_named(of);
    if told.contains("writable") {
        return Said::with(format!("`.{name}` of {of} can't be changed"), in_place(&of));
    }
    let help = match of.as_str() {
        "a list" if matches!(name, "length" | "size") => Some("list.len() is how many items it has"),
        "a list" if name == "count" => {
            Some("list.len() is how many items it has, and one of them is list[1]")
        }
        "a row of numbers" => Some("it has mean, deviation, least, most, len, gaps, errors"),
        "a list" => Some("one of its items is list[0], and a row of a table is a list of its values"),
        "nothing" => Some("it holds nothing: push and sort change the list itself"),
        "a value with a unit" => {
            Some("a unit stands there, like x.mV, and a model is given the place first, |x, p| …")
        }
        _ => None,
    };
    Said::perhaps(format!("{of} has no `.{name}`"), help)
}

fn in_place(of: &str) -> &'static str {
    if of == "a table" {
        "make another one, let t = t.with_column(\"name\", numbers);"
    } else {
        "what was measured stays as it is: take a table of it, table(sweep), and work with that"
    }
}

/// What to write for a name that a map has not got, where these are its names.
pub fn other_entry(name: &str, known: &[String]) -> String {
    // A name of one or two letters is near to any other.
    match nearest(name, known.iter().map(String::as_str)).filter(|_| name.len() > 2) {
        Some(near) => format!("did you mean `.{near}`?"),
        None if known.is_empty() => "it is empty".to_owned(),
        None => format!("it has {}", known.join(", ")),
    }
}

impl From<QuantityError> for Said {
    fn from(error: QuantityError) -> Self {
        let (a, b) = match &error {
            QuantityError::Mixed(a, b, _) => (*a, *b),
            QuantityError::WrongDimension { wanted, found, .. } => (*wanted, *found),
            _ => return error.to_string().into(),
        };
        let with_unit = if a.is_none() { b } else { a };
        let help = if a.is_none() || b.is_none() {
            let unit = usual(with_unit);
            format!("give the plain number its unit, like 5.{unit}, or take the other one without, x.{unit}")
        } else {
            "look which of the two has the wrong unit; both need the same one".to_owned()
        };
        Self::with(error.to_string(), help)
    }
}

impl From<NumbersError> for Said {
    fn from(error: NumbersError) -> Self {
        match error {
            NumbersError::Units(error) => error.into(),
            NumbersError::Lengths(..) => {
                Self::with(error.to_string(), "interpolate one of them at the places of the other")
            }
            NumbersError::Undefined { .. } => error.to_string().into(),
        }
    }
}

impl From<TableError> for Said {
    fn from(error: TableError) -> Self {
        match error {
            TableError::Numbers(error) => error.into(),
            TableError::Told(said) => said,
        }
    }
}

/// An item that a list has not got.
pub fn no_item(count: usize, index: i64) -> String {
    match count {
        0 => format!("the list is empty, so it has no item {index}"),
        1 => format!("the list has one item, [0], and no item {index}"),
        _ => format!("the list has {count} items, [0] to [{}], and no item {index}", count - 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_engine_says_becomes_a_sentence_with_what_to_write() {
        for (said, wanted) in [
            (not_found("len (table)"), "`table.rows` is how many rows it has"),
            (not_found("anon$12 (sweep)"), "one name between the bars, |x| …"),
            (not_found("anon$12 ()"), "no name between the bars, || …"),
            (not_found("* (string, i64)"), "a text shows a value in backticks"),
            (not_found("round (quantity)"), "(x / 1.mV).round()"),
            (not_found("exp (quantity)"), "must cancel"),
            (no_items("table [range]"), "table.part(2, 5)"),
            (no_items("quantity [i64]"), "one value, not a list"),
            (no_items("table [string] = array"), "with_column"),
            (
                no_property(
                    "No writable property 'Current' - a setter is not registered for type 'table' to handle 'quantity'",
                ),
                "with_column",
            ),
            (no_item(3, 3).into(), "[0] to [2]"),
        ] {
            assert!(said.to_string().contains(wanted), "{said}");
        }
    }
}
