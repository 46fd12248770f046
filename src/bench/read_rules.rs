//! Reads permits, interlocks and the steps to safe states.

use super::read::Reader;
use super::{
    Action, Bench, ChannelId, Condition, Interlock, Permit, Step, StepAction, Subject, TaskKind, expression,
};
use crate::diagnostic::{Code, meant};
use crate::document::{Node, Problem, nearest};
use crate::quantity::Dimension;
use noctule_ground::fields;
use noctule_ground::section::{Field, Given, Kind, Range, TIME, choice, quantity};

pub(super) fn read_condition(node: Node<'_>, bench: &Bench, reader: &mut Reader) -> Option<Condition> {
    let text = node.string(reader)?;
    let lookup = |name: &str| bench.find(name).map(|id| (id, bench.channel(id).dimension()));
    match expression::parse(&text, &lookup, &bench.names()) {
        Ok(condition) => Some(condition),
        Err(error) if error.unknown.as_ref().is_some_and(|name| reader.follows(name)) => None,
        Err(error) => {
            let before = reader.len();
            reader.report(Code::BenchExpression, node, error.message, error.help);
            // Point into the text: past the opening quote, at the word in question.
            if let Some(Problem { column, .. }) = reader.get_mut(before) {
                *column += 1 + u32::try_from(error.column).unwrap_or(0);
            }
            None
        }
    }
}

fn task_names() -> Vec<&'static str> {
    TaskKind::ALL.iter().map(|kind| kind.name()).collect()
}

fields! {
    PERMIT (pub(super)) = "Permit", "A condition for setting a channel or starting a task." {
        needed "name", Kind::Text, "Its name, for messages.";
        optional "set", Kind::Text, "The channel whose setting it is about; this or `task`.";
        optional "task", Kind::Named(task_names), "The task that it is about.";
        optional "above", Kind::OfChannel("a value"), "It applies only to targets whose size is above this.";
        needed "when", Kind::Text, "The condition that must hold, like `helium_level > 6 L`.";
        or "because" = "", Kind::Text, "The reason, for people.";
    }

    INTERLOCK (pub(super)) = "Interlock", "A condition that is watched all the time." {
        needed "name", Kind::Text, "Its name, unique on the bench.";
        needed "trip", Kind::Text, "It trips when this condition holds, like `helium_level < 4 L`.";
        or "lasting" = "0 s", TIME, "How long that must hold before it trips.";
        optional "clear", Kind::Text, "It clears when this condition holds; else as soon as `trip` does not.";
        optional "only_while", Kind::Text, "It is watched only while this condition holds.";
        or "every" = "2 s", Kind::Quantity(Dimension::TIME, Range::Held(0.01, f64::INFINITY)), "How often the channels it needs are read.";
        needed "action", Kind::Word(actions), "What it does.";
        optional "patience", TIME, "How long it may not be known whether it trips; else 10 s, or three times `every` if that is longer.";
        optional "blind", Kind::Word(actions), "What it does after that; else its `action`.";
        or "because" = "", Kind::Text, "The reason, for people.";
    }
}

const WITHIN: Field = Field::or("within", "1 min", TIME, "Longest time for it.");
const CHANNEL: Field = Field::needed("channel", Kind::Text, "The channel.");
fields! {
    WITHDRAW = "Withdraw", "A step: withdraw the tip." with [WITHIN] {
    }
}
fields! {
    SET = "Set", "A step: bring a channel to a value, at its permitted slew." with [CHANNEL, WITHIN] {
        needed "to", Kind::OfChannel("a value"), "The value, within the limits.";
    }
}
fields! {
    KEEP = "Keep", "A step: leave a channel as it is, on purpose, and say so." with [CHANNEL, WITHIN] {
    }
}

/// Steps towards a safe state.
pub(super) const STEPS: Kind = Kind::List(&Kind::Part(&[WITHDRAW, SET, KEEP]));

pub(super) fn read_permits(node: Node<'_>, bench: &Bench, reader: &mut Reader) -> Vec<Permit> {
    let mut permits = Vec::new();
    for item in node.items(reader) {
        let mut given = PERMIT.open(item, reader);
        let name: Option<String> = given.get("name", reader);
        let subject = read_subject(&mut given, bench, reader);
        let above = given.find("above").and_then(|node| match subject {
            Some(Subject::Channel(id)) => quantity(node, bench.channel(id).dimension(), reader),
            _ => None,
        });
        let condition = given.node("when", reader).and_then(|node| read_condition(node, bench, reader));
        let because: Option<String> = given.get("because", reader);
        given.finish(reader);
        if let (Some(name), Some(subject), Some(condition), Some(because)) =
            (name, subject, condition, because)
        {
            let of_level =
                matches!(subject, Subject::Channel(id) if bench.channel(id).dimension() == Dimension::LEVEL);
            permits.push(Permit { name, subject, above, of_level, condition, because });
        }
    }
    permits
}

fn read_subject(given: &mut Given<'_>, bench: &Bench, reader: &mut Reader) -> Option<Subject> {
    match (given.find("set"), given.find("task")) {
        (Some(node), None) => read_channel_name(node, bench, reader).map(Subject::Channel),
        (None, Some(node)) => read_task(&node.string(reader)?, node, reader).map(Subject::Task),
        _ => {
            reader.report(Code::BenchField, given.owner(), "a permit is about either `set` or `task`", None);
            None
        }
    }
}

/// The task of a name.
pub(super) fn read_task(name: &str, node: Node<'_>, reader: &mut Reader) -> Option<TaskKind> {
    let kind = TaskKind::from_name(name);
    if let Some(now) = kind.map(TaskKind::name).filter(|now| *now != name) {
        reader.report(Code::BenchRenamed, node, format!("the task `{name}` is called `{now}` now"), None);
    }
    if kind.is_none() {
        let help = nearest(name, task_names()).map(|near| format!("did you mean `{near}`?"));
        reader.report(Code::BenchName, node, format!("there is no task `{name}`"), help);
    }
    kind
}

pub(super) fn read_channel_name(node: Node<'_>, bench: &Bench, reader: &mut Reader) -> Option<ChannelId> {
    let name = node.string(reader)?;
    let found = bench.find(&name);
    if found.is_none() && !reader.follows(&name) {
        let names = bench.names();
        let help = meant(&name, names.iter().map(String::as_str));
        reader.report(Code::BenchName, node, format!("there is no channel `{name}`"), help);
    }
    found
}

pub(super) fn read_interlocks(node: Node<'_>, bench: &Bench, reader: &mut Reader) -> Vec<Interlock> {
    let mut interlocks: Vec<Interlock> = Vec::new();
    let mut places = Vec::new();
    for item in node.items(reader) {
        let mut given = INTERLOCK.open(item, reader);
        let name: Option<String> = given.get("name", reader);
        if let Some(name) = name.as_ref().filter(|name| interlocks.iter().any(|other| other.name == **name)) {
            let message = format!("two interlocks are named `{name}`");
            reader.report(Code::BenchName, given.at("name"), message, None);
        }
        let lock = read_interlock(&mut given, name, bench, reader);
        given.finish(reader);
        if let Some(lock) = lock {
            interlocks.push(lock);
            places.push(item);
        }
    }
    warn_of_disarming(&interlocks, &places, bench, reader);
    interlocks
}

fn read_interlock(
    given: &mut Given<'_>,
    name: Option<String>,
    bench: &Bench,
    reader: &mut Reader,
) -> Option<Interlock> {
    let trip = given.node("trip", reader).and_then(|node| read_condition(node, bench, reader));
    let clear = given.find("clear").and_then(|node| read_condition(node, bench, reader));
    if let (Some(trip), Some(clear)) = (&trip, &clear)
        && trip.may_hold_with(clear)
    {
        let message = format!("`{}` can hold while the interlock still trips at `{}`", clear.text, trip.text);
        let help = "the limit for clearing lies on the safe side of the one for tripping";
        reader.report(Code::BenchLimits, given.at("clear"), message, Some(help.to_owned()));
    }
    if let Some(clear) = &clear
        && clear.lies_beyond(|id| bench.channel(id).ends())
    {
        let message = format!("`{}` can never be so within the limits of the channel", clear.text);
        let help = "what waits for it would wait in vain";
        reader.report(Code::BenchLimits, given.at("clear"), message, Some(help.to_owned()));
    }
    let only_while = given.find("only_while").and_then(|node| read_condition(node, bench, reader));
    let (lasting_s, every_s) = (given.get("lasting", reader), given.get::<f64>("every", reader));
    let action = given.node("action", reader).and_then(|node| read_action(node, reader));
    let patience_s = given.get("patience", reader);
    let blind = given.find("blind").and_then(|node| read_action(node, reader));
    let because = given.get("because", reader);
    let (every_s, action) = (every_s?, action?);
    Some(Interlock {
        name: name?,
        trip: trip?,
        lasting_s: lasting_s?,
        clear,
        every_s,
        action,
        only_while,
        patience_s: patience_s.unwrap_or(PATIENCE_S.max(3.0 * every_s)),
        blind: blind.unwrap_or(action),
        because: because?,
    })
}

/// How long it may not be known whether an interlock trips, where the bench does not say, s.
const PATIENCE_S: f64 = 10.0;
/// A channel that is silent for longer than this must be told by something, s.
const LONG_S: f64 = 600.0;

/// Warns of interlocks that protect the tip or the magnet and that one silent or stuck channel would disarm unnoticed.
fn warn_of_disarming(interlocks: &[Interlock], places: &[Node<'_>], bench: &Bench, reader: &mut Reader) {
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
                reader.report(Code::BenchBlind, *at, message, Some(help));
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
                reader.report(Code::BenchBlind, *at, message, Some(help));
            }
        }
    }
}

const ACTIONS: [(&str, Action); 7] = [
    ("Warn", Action::Warn),
    ("Hold", Action::Hold),
    ("Withdraw", Action::Withdraw),
    ("Condense", Action::Condense),
    ("Refill", Action::Refill),
    ("Park", Action::Park),
    ("ParkLatch", Action::ParkLatch),
];

fn actions() -> Vec<&'static str> {
    ACTIONS.map(|(name, _)| name).to_vec()
}

fn read_action(node: Node<'_>, reader: &mut Reader) -> Option<Action> {
    choice(
        node,
        &ACTIONS,
        "an interlock's action is Warn, Hold, Withdraw, Condense, Refill, Park or ParkLatch",
        reader,
    )
}

pub(super) fn read_steps(node: Node<'_>, bench: &Bench, reader: &mut Reader) -> Vec<Step> {
    let items = node.items(reader);
    items.into_iter().filter_map(|item| read_step(item, bench, reader)).collect()
}

fn read_step(item: Node<'_>, bench: &Bench, reader: &mut Reader) -> Option<Step> {
    let section = [WITHDRAW, SET, KEEP].into_iter().find(|section| Some(section.name) == item.label());
    let Some(section) = section else {
        reader.report(Code::BenchField, item, "a step is Withdraw, Set or Keep", None);
        return None;
    };
    let mut given = section.open(item, reader);
    let within_s = given.get("within", reader);
    let action = match section.name {
        "Set" => read_set(&mut given, bench, reader),
        "Keep" => {
            let node = given.node("channel", reader);
            let channel = node.and_then(|node| read_channel_name(node, bench, reader));
            channel.map(|channel| StepAction::Keep { channel })
        }
        _ => Some(StepAction::Withdraw),
    };
    given.finish(reader);
    Some(Step { action: action?, within_s: within_s? })
}

fn read_set(given: &mut Given<'_>, bench: &Bench, reader: &mut Reader) -> Option<StepAction> {
    let id = given.node("channel", reader).and_then(|node| read_channel_name(node, bench, reader));
    let (node, id) = (given.node("to", reader), id?);
    let (node, channel) = (node?, bench.channel(id));
    let value = quantity(node, channel.dimension(), reader)?;
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
