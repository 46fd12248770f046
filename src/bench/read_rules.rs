//! Reads permits, interlocks and the steps to safe states.

use super::read::Reader;
use super::{Action, Bench, Condition, Interlock, Permit, Step, StepAction, Subject, TaskKind, expression};
use crate::diagnostic::{Code, Diagnostic, meant};
use crate::document::{Fields, Node, nearest};

pub(super) fn read_condition(node: Node<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Option<Condition> {
    let text = reader.text(node)?;
    let lookup = |name: &str| bench.find(name).map(|id| (id, bench.channel(id).dimension()));
    match expression::parse(&text, &lookup, &bench.names()) {
        Ok(condition) => Some(condition),
        Err(error) if error.unknown.as_ref().is_some_and(|name| reader.follows(name)) => None,
        Err(error) => {
            let before = reader.found.len();
            reader.report(Code::BenchExpression, node, error.message, error.help);
            // Point into the text: past the opening quote, at the word in question.
            if let Some(Diagnostic { column, .. }) = reader.found.get_mut(before) {
                *column += 1 + u32::try_from(error.column).unwrap_or(0);
            }
            None
        }
    }
}

pub(super) fn read_permits(node: Node<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Vec<Permit> {
    let mut permits = Vec::new();
    for item in reader.with(|p| node.items(p)) {
        reader.named(item, "Permit");
        let mut fields = reader.with(|p| item.fields(p));
        let name = reader.need(&mut fields, "name").and_then(|n| reader.text(n));
        let subject = read_subject(&mut fields, bench, reader);
        let above = fields.take("above").and_then(|n| match subject {
            Some(Subject::Channel(channel)) => reader.quantity(n, bench.channel(channel).dimension()),
            _ => None,
        });
        let condition = reader.need(&mut fields, "when").and_then(|n| read_condition(n, bench, reader));
        let because = fields.take("because").and_then(|n| reader.text(n)).unwrap_or_default();
        reader.finish(fields);
        if let (Some(name), Some(subject), Some(condition)) = (name, subject, condition) {
            permits.push(Permit { name, subject, above, condition, because });
        }
    }
    permits
}

fn read_subject(fields: &mut Fields<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Option<Subject> {
    let set = fields.take("set");
    let task = fields.take("task");
    match (set, task) {
        (Some(node), None) => read_channel_name(node, bench, reader).map(Subject::Channel),
        (None, Some(node)) => {
            let name = reader.text(node)?;
            let kind = TaskKind::from_name(&name);
            if kind.is_none() {
                let help = nearest(&name, TaskKind::ALL.iter().map(|k| k.name()))
                    .map(|n| format!("did you mean `{n}`?"));
                reader.report(Code::BenchName, node, format!("there is no task `{name}`"), help);
            }
            kind.map(Subject::Task)
        }
        _ => {
            let owner = fields.owner();
            reader.report(Code::BenchField, owner, "a permit is about either `set` or `task`", None);
            None
        }
    }
}

pub(super) fn read_channel_name(
    node: Node<'_>,
    bench: &Bench,
    reader: &mut Reader<'_>,
) -> Option<super::ChannelId> {
    let name = reader.text(node)?;
    let found = bench.find(&name);
    if found.is_none() && !reader.follows(&name) {
        let names = bench.names();
        let help = meant(&name, names.iter().map(String::as_str));
        reader.report(Code::BenchName, node, format!("there is no channel `{name}`"), help);
    }
    found
}

pub(super) fn read_interlocks(node: Node<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Vec<Interlock> {
    let mut interlocks: Vec<Interlock> = Vec::new();
    let mut places = Vec::new();
    for item in reader.with(|p| node.items(p)) {
        reader.named(item, "Interlock");
        let mut fields = reader.with(|p| item.fields(p));
        let name_node = reader.need(&mut fields, "name");
        let name = name_node.and_then(|n| reader.text(n));
        if let (Some(name), Some(node)) = (&name, name_node)
            && interlocks.iter().any(|other| other.name == *name)
        {
            reader.report(Code::BenchName, node, format!("two interlocks are named `{name}`"), None);
        }
        let trip = reader.need(&mut fields, "trip").and_then(|n| read_condition(n, bench, reader));
        let clear_node = fields.take("clear");
        let clear = clear_node.and_then(|n| read_condition(n, bench, reader));
        if let (Some(trip), Some(clear), Some(node)) = (&trip, &clear, clear_node)
            && trip.may_hold_with(clear)
        {
            let message =
                format!("`{}` can hold while the interlock still trips at `{}`", clear.text, trip.text);
            let help = "the mark for clearing lies on the safe side of the one for tripping";
            reader.report(Code::BenchLimits, node, message, Some(help.to_owned()));
        }
        let only_while = fields.take("only_while").and_then(|n| read_condition(n, bench, reader));
        let lasting_s = reader.duration(fields.take("lasting"), 0.0);
        let every_s = reader.duration(fields.take("every"), 2.0).max(0.01);
        let action = reader.need(&mut fields, "action").and_then(|n| read_action(n, reader));
        let patience_s = reader.duration(fields.take("patience"), PATIENCE_S.max(3.0 * every_s));
        let blind = fields.take("blind").and_then(|n| read_action(n, reader));
        let because = fields.take("because").and_then(|n| reader.text(n)).unwrap_or_default();
        reader.finish(fields);
        if let (Some(name), Some(trip), Some(action)) = (name, trip, action) {
            let blind = blind.unwrap_or(action);
            interlocks.push(Interlock {
                name,
                trip,
                lasting_s,
                clear,
                every_s,
                action,
                only_while,
                patience_s,
                blind,
                because,
            });
            places.push(item);
        }
    }
    warn_of_disarming(&interlocks, &places, bench, reader);
    interlocks
}

/// How long it may not be known whether an interlock trips, where the bench does not say, s.
const PATIENCE_S: f64 = 10.0;
/// A channel that is silent for longer than this must be told by something, s.
const LONG_S: f64 = 600.0;

/// Warns of interlocks that protect the tip or the magnet and that one silent or stuck channel would disarm unnoticed.
fn warn_of_disarming(interlocks: &[Interlock], places: &[Node<'_>], bench: &Bench, reader: &mut Reader<'_>) {
    for (lock, at) in interlocks.iter().zip(places) {
        if lock.action < Action::Withdraw {
            continue;
        }
        let watched = lock.only_while.iter().flat_map(|condition| condition.channels());
        let channels: std::collections::BTreeSet<_> = lock.trip.channels().chain(watched).collect();
        for id in channels {
            let disarms = lock.trip.is_disarmed_by(id)
                || lock.only_while.as_ref().is_some_and(|condition| condition.is_disarmed_by(id));
            let name = &bench.channel(id).name;
            if disarms && !interlocks.iter().any(|other| other.trip.notices_stuck(id)) {
                let help = format!(
                    "add an interlock on `frozen({name})`, or one that compares `{name}` with another channel"
                );
                let message =
                    format!("`{name}` stuck at one value disarms `{}`, and nothing notices", lock.name);
                reader.warn(Code::BenchBlind, *at, message, Some(help));
            }
            let sees = |other: &Interlock| other.trip.is_disarmed_by(id) && other.patience_s <= LONG_S;
            let told = interlocks.iter().any(|other| other.trip.asks_silence(id) || sees(other));
            if disarms && !told {
                let message =
                    format!("`{name}` may be silent for {} s before anything is done", lock.patience_s);
                let help = format!(
                    "make `patience` of `{}` shorter, or add an interlock on `age({name})`",
                    lock.name
                );
                reader.warn(Code::BenchBlind, *at, message, Some(help));
            }
        }
    }
}

const ACTIONS: [(&str, Action); 6] = [
    ("Warn", Action::Warn),
    ("Hold", Action::Hold),
    ("Withdraw", Action::Withdraw),
    ("Refill", Action::Refill),
    ("Park", Action::Park),
    ("ParkLatch", Action::ParkLatch),
];

fn read_action(node: Node<'_>, reader: &mut Reader<'_>) -> Option<Action> {
    let word = reader.word(node).unwrap_or("");
    let found = ACTIONS.iter().find(|(name, _)| *name == word);
    if found.is_none() {
        let message = "an interlock's action is Warn, Hold, Withdraw, Refill, Park or ParkLatch";
        let help = meant(word, ACTIONS.iter().map(|(name, _)| *name));
        reader.report(Code::BenchField, node, message, help);
    }
    found.map(|(_, action)| *action)
}

pub(super) fn read_steps(node: Node<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Vec<Step> {
    let mut steps = Vec::new();
    for item in reader.with(|p| node.items(p)) {
        let mut fields = reader.with(|p| item.fields(p));
        let within_s = reader.duration(fields.take("within"), 60.0);
        let action = match item.label() {
            Some("Withdraw") => Some(StepAction::Withdraw),
            Some("Set") => read_set(&mut fields, bench, reader),
            Some("Keep") => reader
                .need(&mut fields, "channel")
                .and_then(|n| read_channel_name(n, bench, reader))
                .map(|channel| StepAction::Keep { channel }),
            _ => {
                reader.report(Code::BenchField, item, "a step is Withdraw, Set or Keep", None);
                fields.rest();
                None
            }
        };
        reader.finish(fields);
        steps.extend(action.map(|action| Step { action, within_s }));
    }
    steps
}

fn read_set(fields: &mut Fields<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Option<StepAction> {
    let channel_node = reader.need(fields, "channel");
    let id = channel_node.and_then(|n| read_channel_name(n, bench, reader));
    let to_node = reader.need(fields, "to");
    let (id, node) = (id?, to_node?);
    let channel = bench.channel(id);
    let value = reader.quantity(node, channel.dimension())?;
    if !channel.settable {
        reader.report(Code::BenchLimits, node, format!("`{}` can't be set", channel.name), None);
    } else if !channel.within(value) {
        let message = format!(
            "{} lies outside the limits of `{}`, {} to {}",
            channel.show(value),
            channel.name,
            channel.show(channel.min),
            channel.show(channel.max)
        );
        reader.report(Code::BenchLimits, node, message, None);
    }
    Some(StepAction::Set { channel: id, value })
}
