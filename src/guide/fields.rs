//! The field reference: every part of every file, made from what the readers declare.

use crate::bench::BENCH;
use crate::faults::FAULTS;
use crate::instrument::simulated::{WORLD, case};
use crate::quantity::Quantity;
use noctule_ground::section::{Field, Kind, LeftOut, Range, Section};
use std::fmt::Write;

/// The kinds of files, with the part that each consists of.
pub const FILES: [(&str, &Section); 4] = [
    ("bench file", BENCH),
    ("world file", WORLD),
    ("faults file", FAULTS),
    ("case file of `noctule lines`", case::CASE),
];

/// A part of a file, and the field it stands in; none for the file as a whole.
pub struct Part {
    /// The kind of file.
    pub file: &'static str,
    /// The field it stands in, with the part that has it.
    pub within: Option<(&'static str, &'static str)>,
    /// The part.
    pub section: &'static Section,
}

/// Every part of every file, a part before those within it.
pub fn parts() -> Vec<Part> {
    let mut parts = Vec::new();
    for (file, section) in FILES {
        collect(file, None, section, &mut parts);
    }
    parts
}

fn collect(
    file: &'static str,
    within: Option<(&'static str, &'static str)>,
    section: &'static Section,
    parts: &mut Vec<Part>,
) {
    let known = |part: &Part| part.file == file && std::ptr::eq(part.section.fields, section.fields);
    if parts.iter().any(|part| part.section.name == section.name && known(part)) {
        return;
    }
    parts.push(Part { file, within, section });
    for field in section.all() {
        for inner in sections_of(&field.kind) {
            collect(file, Some((section.name, field.name)), inner, parts);
        }
    }
}

/// The parts that a field may hold.
fn sections_of(kind: &Kind) -> &'static [&'static Section] {
    match kind {
        Kind::Part(sections) => sections,
        Kind::List(kind) | Kind::Pair(kind) | Kind::Map(kind) => sections_of(kind),
        _ => &[],
    }
}

/// Pages of the parts of this name; none if there is no such part.
pub(super) fn page(name: &str) -> Option<String> {
    pages(|part| part.section.name == name)
}

/// Pages of the parts that stand in the field of this name, `Link` for those in `links`, or whose name differs from
/// this one in the size of letters only.
pub(super) fn pages_like(name: &str) -> Option<String> {
    let name = name.to_lowercase();
    let holds =
        |field: &str| field.strip_suffix('s').unwrap_or(field) == name.strip_suffix('s').unwrap_or(&name);
    pages(|part| {
        part.section.name.to_lowercase() == name || part.within.is_some_and(|(_, field)| holds(field))
    })
}

fn pages(wanted: impl Fn(&Part) -> bool) -> Option<String> {
    let found: Vec<Part> = parts().into_iter().filter(wanted).collect();
    let pages: String = found.iter().map(|part| entry(part, "#")).collect();
    (!found.is_empty()).then(|| format!("{pages}See also `noctule guide fields`.\n"))
}

/// The chapter with all parts.
pub(super) fn chapter() -> String {
    let mut out = "# Fields\n\nEvery part of a bench, world, faults and case file with its fields: what each takes, what it means where it is left out (`else`), and what it says. `noctule guide Channel` shows one part alone. A text with a unit is written like `\"5 mV\"`; a number in a world file is bare, and its name ends in its unit.\n\n".to_owned();
    for part in parts() {
        out.push_str(&entry(&part, "##"));
    }
    out
}

fn entry(part: &Part, heading: &str) -> String {
    let Part { file, within, section } = part;
    let place = match within {
        Some((owner, field)) => format!("In a {file}, in the field `{field}` of `{owner}`."),
        None => format!("A whole {file}."),
    };
    let mut out = format!("{heading} {}\n\n{} {place}\n\n", section.name, section.says.trim());
    if section.all().next().is_some() {
        out.push_str("| field | takes | says |\n|---|---|---|\n");
    }
    for field in section.all() {
        let Field { name, kind, says, .. } = field;
        let _ = writeln!(out, "| `{name}` | {}; {} | {} |", takes(kind), left_out(field), says.trim());
    }
    out.push('\n');
    out
}

fn left_out(field: &Field) -> String {
    match field.left_out {
        LeftOut::Missed => "needed".to_owned(),
        LeftOut::Nothing | LeftOut::Means("") => "may be left out".to_owned(),
        LeftOut::Means(default) => format!("else `{}`", default.escape_default()),
    }
}

/// What a field takes, in words.
fn takes(kind: &Kind) -> String {
    match *kind {
        Kind::Number(unit, _, range) => {
            format!("a number{}{}", in_unit(unit), within(range, ToString::to_string))
        }
        Kind::Numbers(count, unit, _, range) => {
            format!("{count} numbers{}{}", in_unit(unit), within(range, ToString::to_string))
        }
        Kind::Whole(0, u64::MAX) => "a whole number".to_owned(),
        Kind::Whole(least, most) => format!("a whole number, {least} to {most}"),
        Kind::Flag => "`true` or `false`".to_owned(),
        Kind::Text | Kind::Said => "a text".to_owned(),
        Kind::Named(names) => format!("one of {}", quoted(&names(), "\"")),
        Kind::Word(words) => format!("one of {}", quoted(&words(), "")),
        Kind::Quantity(dimension, range) => {
            format!("{dimension}{}", within(range, |si| Quantity::new(*si, dimension).to_string()))
        }
        Kind::OfChannel(what) => format!("{what}, in the unit of the channel"),
        Kind::Part(sections) => {
            let names: Vec<String> =
                sections.iter().map(|section| format!("`{}(…)`", section.name)).collect();
            names.join(" or ")
        }
        Kind::List(kind) => format!("a list of: {}", takes(kind)),
        Kind::Pair(kind) => format!("a pair: {}, and another", takes(kind)),
        Kind::Map(kind) => format!("names, each with {}", takes(kind)),
        Kind::Free(what) => what.to_owned(),
    }
}

fn in_unit(unit: &str) -> String {
    if unit.is_empty() { String::new() } else { format!(" in {unit}") }
}

fn quoted(names: &[&str], mark: &str) -> String {
    names.iter().map(|name| format!("`{mark}{name}{mark}`")).collect::<Vec<_>>().join(", ")
}

fn within(range: Range, show: impl Fn(&f64) -> String) -> String {
    match range {
        Range::Any => String::new(),
        Range::Positive => ", above 0".to_owned(),
        Range::NotNegative => ", 0 or above".to_owned(),
        Range::Within(low, high) => format!(", {} to {}", show(&low), show(&high)),
        Range::Halves(most) => format!(", a multiple of 1/2 up to {}", show(&most)),
        Range::Held(low, f64::INFINITY) => format!(", {} at least", show(&low)),
        Range::Held(low, high) => format!(", {} to {}", show(&low), show(&high)),
    }
}
