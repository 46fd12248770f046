//! Reads how an instrument words its replies.

use super::read::Reader;
use super::{Meaning, Pattern, Ready, ReplyForm, ScpiAddress, ScpiLink, Verify};
use crate::diagnostic::Code;
use crate::document::Node;
use crate::quantity::{Dimension, Unit, unknown_unit};
use noctule_ground::fields;
use noctule_ground::section::{Given, Kind, Range, TIME, quantity, si};

fields! {
    /// What may stand in a channel on a link that speaks SCPI, besides.
    WORDING (pub(super)) = "Channel", "A channel on a link that speaks SCPI, or other lines of text." {
        optional "set", Kind::Text, "Message that sets it; `{}` is the place of the value.";
        optional "query", Kind::Text, "Query that reads it; it must be there.";
        or "field" = "0", Kind::Whole(0, 999), "Which field of the reply is meant, from 0.";
        or "fields" = "1", Kind::Whole(1, 1000), "Fields between commas in the reply; exactly so many must come.";
        optional "reply", Kind::Text, "Form of that field; `{}` is the place of the value, `{*}` any text.";
        optional "speaks", Kind::Text, "Unit that the instrument speaks in; else the SI unit.";
        optional "scale", Kind::OfChannel("a value for each unit of the instrument"), "What a unit of the instrument stands for.";
        optional "offset", Kind::OfChannel("a change"), "What is added after that.";
        optional "table", Kind::List(&Kind::Pair(&Kind::OfChannel("a value"))), "Pairs of what the instrument says, which rises, and what that stands for.";
        optional "words", Kind::Map(&Kind::OfChannel("a value")), "Words that stand for values.";
        optional "list", Kind::List(&Kind::OfChannel("a value")), "Values that the instrument numbers.";
        optional "list_from", si("", Range::Any), "Number of the first of them; else 0.";
        optional "bit", Kind::Whole(0, 31), "One bit of a whole number is meant, from 0; the value is 0 or 1.";
        optional "over_range", Kind::Text, "Text that stands for more than the instrument can show.";
        optional "under_range", Kind::Text, "Text that stands for less than it can show.";
        optional "acknowledge", Kind::Text, "What it answers to a set; else what the link says.";
        optional "ready", Kind::Part(&[READY]), "When a set is done; else as soon as it was taken.";
        optional "verify", Kind::Part(&[VERIFY]), "How a set is read back at once.";
    }

    READY = "Ready", "A set is done when a query answers so." {
        needed "query", Kind::Text, "The query.";
        needed "answer", Kind::Text, "Its answer once the set is done, `{*}` for any text.";
        or "within" = "1 s", TIME, "Longest wait; no more than a minute, because the link does nothing else meanwhile.";
        or "every" = "100 ms", Kind::Quantity(Dimension::TIME, Range::Held(1e-3, f64::INFINITY)), "Time between two looks.";
    }

    VERIFY = "Verify", "A set is checked by reading it back at once." {
        needed "within", Kind::OfChannel("a change"), "Largest difference.";
        optional "query", Kind::Text, "Query that brings what the channel was told; else the channel's own. Looks ask it as well.";
    }
}

/// A set keeps its link for no longer than this, s: whatever else is there is not read meanwhile.
const LONGEST_READY_S: f64 = 60.0;

pub(super) fn read_pattern(node: Node<'_>, reader: &mut Reader) -> Option<Pattern> {
    let text = node.string(reader)?;
    match Pattern::parse(&text) {
        Ok(pattern) => Some(pattern),
        Err(message) => {
            let help = "like \"Bias={} V\": what is always there, and {} where the value stands";
            reader.report(Code::BenchField, node, message, Some(help.to_owned()));
            None
        }
    }
}

/// A pattern without a place for a value.
pub(super) fn read_answer(node: Node<'_>, reader: &mut Reader) -> Option<Pattern> {
    let pattern = read_pattern(node, reader)?;
    if pattern.has_value() {
        let help = Some("write {*} for any text".to_owned());
        reader.report(
            Code::BenchField,
            node,
            "no value is taken from this answer, so `{}` has no place in it",
            help,
        );
        return None;
    }
    Some(pattern)
}

pub(super) fn read_scpi_address(
    given: &mut Given<'_>,
    link: &ScpiLink,
    unit: Option<&Unit>,
    reader: &mut Reader,
) -> Option<ScpiAddress> {
    let set: Option<String> = given.get("set", reader);
    if let Some(set) = set.as_ref().filter(|set| !set.contains("{}")) {
        let message = format!("the message `{set}` has no place `{{}}` for the number");
        let help = Some(format!("put {{}} where the number goes, like \"{} {{}}\"", set.trim_end()));
        reader.report(Code::BenchField, given.at("set"), message, help);
    }
    let query: Option<String> = given.get("query", reader);
    if query.is_none() {
        reader.report(Code::BenchField, given.owner(), "a channel on an SCPI link needs a `query`", None);
    }
    let dimension = unit.map_or(Dimension::NONE, |unit| unit.dimension);
    let (meaning, spoken) = read_meaning(given, unit, reader);
    if set.is_some() && !meaning.can_be_said() {
        reader.report(Code::BenchField, given.at("set"), "a single bit can be read, not set", None);
    }
    let reply = read_form(given, meaning, reader);
    let acknowledge = given.find("acknowledge").and_then(|n| read_pattern(n, reader));
    let acknowledge = acknowledge.or_else(|| link.acknowledge.clone()).filter(|_| set.is_some());
    let ready = given.find("ready").and_then(|n| read_ready(n, reader));
    let verify = given.find("verify").and_then(|n| read_verify(n, dimension, reader));
    Some(ScpiAddress { set, query, unit: spoken?, reply, acknowledge, ready, verify })
}

fn read_form(given: &mut Given<'_>, meaning: Meaning, reader: &mut Reader) -> ReplyForm {
    let (field, count): (Option<u32>, Option<u32>) =
        (given.get("field", reader), given.get("fields", reader));
    // One that is out of range has been complained about.
    let (field, count) = (field.unwrap_or(0) as usize, count.unwrap_or(1000) as usize);
    match (given.find("field"), given.find("fields")) {
        (Some(node), None) => {
            let help = "add `fields`, how many numbers come; another number of them is no reply";
            let message = "it is not said how many fields the reply has";
            reader.report(Code::BenchField, node, message, Some(help.to_owned()));
        }
        (_, Some(node)) if field >= count => {
            let message = format!("of {count} fields, counted from 0, there is no field {field}");
            reader.report(Code::BenchField, node, message, None);
        }
        _ => {}
    }
    let pattern_node = given.find("reply");
    let pattern = pattern_node.and_then(|n| read_pattern(n, reader));
    if let (Some(node), Some(pattern)) = (pattern_node, &pattern)
        && !pattern.has_value()
    {
        let help = Some("put {} where the value stands, like \"Bias={} V\"".to_owned());
        reader.report(
            Code::BenchField,
            node,
            format!("`{}` has no place `{{}}` for the value", pattern.text),
            help,
        );
    }
    let beyond = (given.get("over_range", reader), given.get("under_range", reader));
    ReplyForm { fields: count, field, pattern, meaning, beyond }
}

/// What the value stands for, and the unit in which the instrument speaks.
fn read_meaning(given: &mut Given<'_>, unit: Option<&Unit>, reader: &mut Reader) -> (Meaning, Option<Unit>) {
    let dimension = unit.map_or(Dimension::NONE, |unit| unit.dimension);
    let (speaks, scale, offset) = (given.find("speaks"), given.find("scale"), given.find("offset"));
    let (table, words, list, bit) =
        (given.find("table"), given.find("words"), given.find("list"), given.find("bit"));
    let first = given.find("list_from");
    let ways = [
        ("words", words),
        ("list", list),
        ("bit", bit),
        ("table", table),
        ("scale", scale),
        ("offset", offset),
    ];
    let given: Vec<(&str, Node<'_>)> =
        ways.into_iter().filter_map(|(name, node)| Some((name, node?))).collect();
    if let [(one, _), (other, node), ..] = given.as_slice()
        && *one != "scale"
    {
        let message = format!("`{one}` and `{other}` say twice what the value stands for");
        reader.report(Code::BenchField, *node, message, None);
    }
    if let (Some(node), None) = (first, list) {
        reader.report(Code::BenchField, node, "`list_from` numbers a `list`, and there is none", None);
    }
    let plain = Unit::parse(&dimension.symbol());
    let meaning = if let Some(node) = words {
        Meaning::Words(read_words(node, dimension, reader))
    } else if let Some(node) = list {
        let first = first.and_then(|n| n.number(reader)).unwrap_or(0.0) as i64;
        let items = node.items(reader);
        let values: Vec<f64> = items.into_iter().filter_map(|n| quantity(n, dimension, reader)).collect();
        if values.is_empty() {
            reader.report(Code::BenchField, node, "the list has no values", None);
        }
        Meaning::Listed { first, values }
    } else if let Some(node) = bit {
        let bit = node.whole(reader).unwrap_or_default();
        if bit > 31 || !dimension.is_none() {
            let message = "a bit has a number from 0 to 31, and a plain number, 0 or 1, as its value";
            reader.report(Code::BenchField, node, message, None);
        }
        Meaning::Bit(bit.min(31) as u8)
    } else {
        return read_number(speaks, (scale, offset), table, unit, reader);
    };
    if let Some(node) = speaks {
        let message = "`speaks` is the unit of a number, and the value is none here";
        reader.report(Code::BenchField, node, message, None);
    }
    (meaning, plain)
}

fn read_number(
    speaks: Option<Node<'_>>,
    (scale_node, offset_node): (Option<Node<'_>>, Option<Node<'_>>),
    table: Option<Node<'_>>,
    unit: Option<&Unit>,
    reader: &mut Reader,
) -> (Meaning, Option<Unit>) {
    let dimension = unit.map_or(Dimension::NONE, |unit| unit.dimension);
    let spoken = match speaks {
        None if table.is_some() || scale_node.is_some() => {
            let at = table.or(scale_node);
            if let Some(at) = at {
                let help =
                    Some("add `speaks`, like `speaks: \"V\"`; a bare number is `speaks: \"\"`".to_owned());
                reader.report(
                    Code::BenchField,
                    at,
                    "it is not said in which unit the instrument speaks",
                    help,
                );
            }
            None
        }
        None => Unit::parse(&dimension.symbol()),
        Some(node) => node.string(reader).and_then(|text| {
            let spoken = Unit::parse(&text);
            if spoken.is_none() {
                reader.report(Code::BenchQuantity, node, unknown_unit(&text).to_string(), None);
            }
            spoken
        }),
    };
    let said = spoken.as_ref().map_or(dimension, |spoken| spoken.dimension);
    if let Some(node) = table {
        return (Meaning::Table(read_table(node, said, dimension, reader)), spoken);
    }
    let mut scale = 1.0;
    if let Some(node) = scale_node {
        if !dimension.scales() || !said.scales() {
            reader.report(
                Code::BenchQuantity,
                node,
                "a level in dBm has no scale; add an `offset` in dB",
                None,
            );
        } else if spoken.is_some() {
            match quantity(node, dimension.over(said), reader) {
                Some(0.0) => reader.report(Code::BenchLimits, node, "a scale of zero leaves nothing", None),
                Some(value) => scale = value,
                None => {}
            }
        }
    } else if let (Some(node), Some(unit)) = (speaks, unit)
        && spoken.is_some()
        && unit.dimension != said
    {
        let message = format!("the instrument's unit is {said}, the channel's is {}", unit.dimension);
        let help = Some("a `scale` leads from one to the other, like \"0.02 T/A\"".to_owned());
        reader.report(Code::BenchQuantity, node, message, help);
    }
    let offset = offset_node.and_then(|n| quantity(n, dimension.change(), reader)).unwrap_or(0.0);
    (Meaning::Number { scale, offset }, spoken)
}

fn read_words(node: Node<'_>, dimension: Dimension, reader: &mut Reader) -> Vec<(String, f64)> {
    let mut words: Vec<(String, f64)> = Vec::new();
    for (word, value) in node.fields(reader).rest() {
        words.extend(quantity(value, dimension, reader).map(|si| (word, si)));
    }
    if words.is_empty() {
        let help = Some("like {\"ON\": \"1\", \"OFF\": \"0\"}".to_owned());
        reader.report(Code::BenchField, node, "no word is given", help);
    }
    words
}

/// Pairs of what the instrument says and what that stands for. What it says must rise from pair to pair; what that
/// stands for rises or falls, or a value could not be told to the instrument.
fn read_table(node: Node<'_>, said: Dimension, dimension: Dimension, reader: &mut Reader) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    for item in node.items(reader) {
        let pair = item.items(reader);
        let [from, to] = pair.as_slice() else {
            let help = Some("like [\"1.2 V\", \"4.2 K\"]".to_owned());
            reader.report(
                Code::BenchField,
                item,
                "a pair of what it says and what that stands for is wanted",
                help,
            );
            continue;
        };
        if let (Some(from), Some(to)) = (quantity(*from, said, reader), quantity(*to, dimension, reader)) {
            points.push((from, to));
        }
    }
    let rises = points.windows(2).all(|pair| pair[0].0 < pair[1].0);
    let one_way = points.windows(2).all(|pair| pair[0].1 < pair[1].1)
        || points.windows(2).all(|pair| pair[0].1 > pair[1].1);
    if points.len() < 2 || !rises || !one_way {
        let message = "a table has two pairs or more; what the instrument says rises, and what it stands for only rises or only falls";
        reader.report(Code::BenchField, node, message, None);
    }
    points
}

fn read_ready(node: Node<'_>, reader: &mut Reader) -> Option<Ready> {
    let mut given = READY.open(node, reader);
    let query = given.get("query", reader);
    let answer = given.node("answer", reader).and_then(|node| read_answer(node, reader));
    let within_s: Option<f64> = given.get("within", reader);
    if within_s.is_some_and(|within_s| within_s > LONGEST_READY_S) {
        let message =
            format!("the link does nothing else meanwhile, so no longer than {LONGEST_READY_S} s is waited");
        let help = "for a longer way give the channel a `tolerance` and `arrive_within`";
        reader.report(Code::BenchField, given.at("within"), message, Some(help.to_owned()));
    }
    let every_s = given.get("every", reader);
    given.finish(reader);
    Some(Ready { query: query?, answer: answer?, within_s: within_s?, every_s: every_s? })
}

fn read_verify(node: Node<'_>, dimension: Dimension, reader: &mut Reader) -> Option<Verify> {
    let mut given = VERIFY.open(node, reader);
    let within = given.quantity("within", dimension.change(), reader);
    if within.is_some_and(|within| within < 0.0) {
        reader.report(Code::BenchLimits, given.at("within"), "a difference can't be negative", None);
    }
    let query = given.get("query", reader);
    given.finish(reader);
    Some(Verify { within: within?, query })
}
