//! Reads how an instrument words its replies.

use super::read::Reader;
use super::{Link, LinkKind, Meaning, Pattern, Ready, ReplyForm, ScpiAddress, Verify};
use crate::diagnostic::Code;
use crate::document::{Fields, Node};
use crate::quantity::{Dimension, Unit, unknown_unit};

/// Every field that says how a channel is worded on a link that speaks SCPI.
pub(super) const WORDING: [&str; 18] = [
    "set",
    "query",
    "field",
    "fields",
    "reply",
    "speaks",
    "scale",
    "offset",
    "table",
    "words",
    "list",
    "list_from",
    "bit",
    "over_range",
    "under_range",
    "acknowledge",
    "ready",
    "verify",
];
/// A set keeps its link for no longer than this, s: whatever else is there is not read meanwhile.
const LONGEST_READY_S: f64 = 60.0;

pub(super) fn read_pattern(node: Node<'_>, reader: &mut Reader<'_>) -> Option<Pattern> {
    let text = reader.text(node)?;
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
pub(super) fn read_answer(node: Node<'_>, reader: &mut Reader<'_>) -> Option<Pattern> {
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
    fields: &mut Fields<'_>,
    link: &Link,
    unit: Option<&Unit>,
    reader: &mut Reader<'_>,
) -> Option<ScpiAddress> {
    let LinkKind::Scpi(scpi) = &link.kind else { return None };
    let set_node = fields.take("set");
    let set = set_node.and_then(|n| reader.text(n));
    if let (Some(node), Some(set)) = (set_node, &set)
        && !set.contains("{}")
    {
        let message = format!("the message `{set}` has no place `{{}}` for the number");
        let help = Some(format!("put {{}} where the number goes, like \"{} {{}}\"", set.trim_end()));
        reader.report(Code::BenchField, node, message, help);
    }
    let query = fields.take("query").and_then(|n| reader.text(n));
    if query.is_none() {
        let at = fields.owner();
        reader.report(Code::BenchField, at, "a channel on an SCPI link needs a `query`", None);
    }
    let dimension = unit.map_or(Dimension::NONE, |unit| unit.dimension);
    let (meaning, spoken) = read_meaning(fields, unit, reader);
    if let (Some(node), false) = (set_node, meaning.can_be_said()) {
        reader.report(Code::BenchField, node, "a single bit can be read, not set", None);
    }
    let reply = read_form(fields, meaning, reader);
    let acknowledge = fields.take("acknowledge").and_then(|n| read_pattern(n, reader));
    let acknowledge = acknowledge.or_else(|| scpi.acknowledge.clone()).filter(|_| set.is_some());
    let ready = fields.take("ready").and_then(|n| read_ready(n, reader));
    let verify = fields.take("verify").and_then(|n| read_verify(n, dimension, reader));
    Some(ScpiAddress { set, query, unit: spoken?, reply, acknowledge, ready, verify })
}

fn read_form(fields: &mut Fields<'_>, meaning: Meaning, reader: &mut Reader<'_>) -> ReplyForm {
    let field_node = fields.take("field");
    let count_node = fields.take("fields");
    let size = |node: Option<Node<'_>>, default: u64, reader: &mut Reader<'_>| {
        usize::try_from(reader.whole(node, default)).unwrap_or(usize::MAX)
    };
    let field = size(field_node, 0, reader);
    let count = size(count_node, 1, reader);
    match (field_node, count_node) {
        (Some(node), None) => {
            let help =
                Some("add `fields`, how many numbers come; another number of them is no reply".to_owned());
            reader.report(Code::BenchField, node, "it is not said how many fields the reply has", help);
        }
        (_, Some(node)) if field >= count || count > 1000 => {
            let message = format!("of {count} fields, counted from 0, there is no field {field}");
            reader.report(Code::BenchField, node, message, None);
        }
        _ => {}
    }
    let pattern_node = fields.take("reply");
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
    let mut beyond = |name| fields.take(name).and_then(|n| reader.text(n));
    let beyond = (beyond("over_range"), beyond("under_range"));
    ReplyForm { fields: count, field, pattern, meaning, beyond }
}

/// What the value stands for, and the unit in which the instrument speaks.
fn read_meaning(
    fields: &mut Fields<'_>,
    unit: Option<&Unit>,
    reader: &mut Reader<'_>,
) -> (Meaning, Option<Unit>) {
    let dimension = unit.map_or(Dimension::NONE, |unit| unit.dimension);
    let (speaks, scale, offset) = (fields.take("speaks"), fields.take("scale"), fields.take("offset"));
    let (table, words, list, bit) =
        (fields.take("table"), fields.take("words"), fields.take("list"), fields.take("bit"));
    let first = fields.take("list_from");
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
        let first = first.and_then(|n| reader.with(|p| n.number(p))).unwrap_or(0.0) as i64;
        let items = reader.with(|p| node.items(p));
        let values: Vec<f64> = items.into_iter().filter_map(|n| reader.quantity(n, dimension)).collect();
        if values.is_empty() {
            reader.report(Code::BenchField, node, "the list has no values", None);
        }
        Meaning::Listed { first, values }
    } else if let Some(node) = bit {
        let bit = reader.whole(Some(node), 0);
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
    reader: &mut Reader<'_>,
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
        Some(node) => reader.text(node).and_then(|text| {
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
            match reader.quantity(node, dimension.over(said)) {
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
    let offset = offset_node.and_then(|n| reader.quantity(n, dimension.change())).unwrap_or(0.0);
    (Meaning::Number { scale, offset }, spoken)
}

fn read_words(node: Node<'_>, dimension: Dimension, reader: &mut Reader<'_>) -> Vec<(String, f64)> {
    let mut entries = reader.with(|p| node.fields(p));
    let mut words: Vec<(String, f64)> = Vec::new();
    for (word, value) in entries.rest() {
        words.extend(reader.quantity(value, dimension).map(|si| (word, si)));
    }
    if words.is_empty() {
        let help = Some("like {\"ON\": \"1\", \"OFF\": \"0\"}".to_owned());
        reader.report(Code::BenchField, node, "no word is given", help);
    }
    words
}

/// Pairs of what the instrument says and what that stands for. What it says must rise from pair to pair; what that
/// stands for rises or falls, or a value could not be told to the instrument.
fn read_table(
    node: Node<'_>,
    said: Dimension,
    dimension: Dimension,
    reader: &mut Reader<'_>,
) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    for item in reader.with(|p| node.items(p)) {
        let pair = reader.with(|p| item.items(p));
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
        if let (Some(from), Some(to)) = (reader.quantity(*from, said), reader.quantity(*to, dimension)) {
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

fn read_ready(node: Node<'_>, reader: &mut Reader<'_>) -> Option<Ready> {
    reader.named(node, "Ready");
    let mut inner = reader.with(|p| node.fields(p));
    let query = reader.need(&mut inner, "query").and_then(|n| reader.text(n));
    let answer = reader.need(&mut inner, "answer").and_then(|n| read_answer(n, reader));
    let within_node = inner.take("within");
    let within_s = reader.duration(within_node, 1.0);
    if let (Some(node), true) = (within_node, within_s > LONGEST_READY_S) {
        let message =
            format!("the link does nothing else meanwhile, so no longer than {LONGEST_READY_S} s is waited");
        let help = "for a longer way give the channel a `tolerance` and `arrive_within`";
        reader.report(Code::BenchField, node, message, Some(help.to_owned()));
    }
    let every_s = reader.duration(inner.take("every"), 0.1).max(0.001);
    reader.finish(inner);
    Some(Ready { query: query?, answer: answer?, within_s: within_s.min(LONGEST_READY_S), every_s })
}

fn read_verify(node: Node<'_>, dimension: Dimension, reader: &mut Reader<'_>) -> Option<Verify> {
    reader.named(node, "Verify");
    let mut inner = reader.with(|p| node.fields(p));
    let within_node = reader.need(&mut inner, "within");
    let within = within_node.and_then(|n| reader.quantity(n, dimension.change()));
    if let (Some(node), Some(value)) = (within_node, within)
        && value < 0.0
    {
        reader.report(Code::BenchLimits, node, "a difference can't be negative", None);
    }
    let query = inner.take("query").and_then(|n| reader.text(n));
    reader.finish(inner);
    Some(Verify { within: within?, query })
}
