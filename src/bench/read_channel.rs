//! Reads the channels of a bench file.

use super::read::Reader;
use super::read_wording::{WORDING, read_scpi_address};
use super::{Address, BeyondStep, Channel, Link, LinkKind, Role};
use crate::diagnostic::{Code, meant};
use crate::document::{Fields, Node, nearest};
use crate::quantity::{Dimension, Quantity, Unit, unknown_unit};
use noctule_sim::Signal;

pub(super) fn read_channels(node: Node<'_>, links: &[Link], reader: &mut Reader<'_>) -> Vec<Channel> {
    let mut channels: Vec<Channel> = Vec::new();
    for item in reader.with(|p| node.items(p)) {
        reader.named(item, "Channel");
        let mut fields = reader.with(|p| item.fields(p));
        let name_node = reader.need(&mut fields, "name");
        let name = name_node.and_then(|n| reader.text(n));
        if let (Some(name), Some(node)) = (&name, name_node) {
            check_name(name, node, &channels, reader);
        }
        let channel = read_channel(item, name.clone().unwrap_or_default(), &mut fields, links, reader);
        reader.finish(fields);
        if channel.is_none() {
            reader.lost.extend(name);
        }
        if let Some(channel) = channel {
            if let Some(role) = channel.role
                && channels.iter().any(|other| other.role == Some(role))
            {
                reader.report(Code::BenchName, item, format!("two channels have the role {role}"), None);
            }
            channels.push(channel);
        }
    }
    channels
}

fn check_name(name: &str, node: Node<'_>, channels: &[Channel], reader: &mut Reader<'_>) {
    if channels.iter().any(|other| other.name == name) {
        reader.report(Code::BenchName, node, format!("two channels are named `{name}`"), None);
    }
    let plain = name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
    if !plain {
        let help = Some("use small letters, digits and `_`, beginning with a letter".to_owned());
        reader.report(Code::BenchName, node, format!("`{name}` can't be the name of a channel"), help);
    }
}

fn read_channel(
    item: Node<'_>,
    name: String,
    fields: &mut Fields<'_>,
    links: &[Link],
    reader: &mut Reader<'_>,
) -> Option<Channel> {
    let unit = read_unit(fields, reader);
    let role = read_role(fields, unit.as_ref(), reader);
    let link = read_link(fields, links, reader);
    if link.is_none() {
        take_address(fields);
    }
    let address = link.and_then(|index| read_address(&name, fields, &links[index], unit.as_ref(), reader));
    let dimension = unit.as_ref().map_or(Dimension::NONE, |u| u.dimension);
    let min_node = fields.take("min");
    let max_node = fields.take("max");
    let settable = match (&address, min_node.is_some() || max_node.is_some()) {
        (Some(address), limits) => can_be_set(address) && limits,
        (None, limits) => limits,
    };
    let bound = |node: Option<Node<'_>>, open: f64, reader: &mut Reader<'_>| {
        node.map_or(open, |n| reader.quantity(n, dimension).unwrap_or(open))
    };
    let min = bound(min_node, f64::NEG_INFINITY, reader);
    let max = bound(max_node, f64::INFINITY, reader);
    check_limits(item, &name, (min_node, max_node), (min, max), address.as_ref(), reader);
    let step = positive(fields.take("step"), dimension, f64::INFINITY, reader);
    let slew_per_s = positive(fields.take("slew"), dimension.over(Dimension::TIME), f64::INFINITY, reader);
    let beyond_step = read_beyond(fields, reader);
    let settle_s = reader.duration(fields.take("settle"), 0.0);
    let tolerance = fields.take("tolerance").map(|n| positive(Some(n), dimension, 0.0, reader));
    let arrive_within_s = reader.duration(fields.take("arrive_within"), 120.0);
    if unit.is_none() || address.is_none() {
        // What asks for this role finds no channel, and that only follows.
        reader.lost.extend(role.map(|role| role.name().to_owned()));
    }
    Some(Channel {
        name,
        role,
        unit: unit?,
        link: link?,
        address: address?,
        settable,
        min,
        max,
        step,
        slew_per_s,
        beyond_step,
        settle_s,
        tolerance,
        arrive_within_s,
    })
}

fn read_unit(fields: &mut Fields<'_>, reader: &mut Reader<'_>) -> Option<Unit> {
    let node = reader.need(fields, "unit")?;
    let text = reader.text(node)?;
    let unit = Unit::parse(&text);
    if unit.is_none() {
        reader.report(Code::BenchQuantity, node, unknown_unit(&text).to_string(), None);
    }
    unit
}

fn read_role(fields: &mut Fields<'_>, unit: Option<&Unit>, reader: &mut Reader<'_>) -> Option<Role> {
    let node = fields.take("role")?;
    let label = reader.word(node).unwrap_or("");
    let Some(role) = Role::from_name(label) else {
        reader.lost_role = true;
        let help = meant(label, Role::ALL.iter().map(|r| r.name()));
        reader.report(Code::BenchName, node, format!("there is no role `{label}`"), help);
        return None;
    };
    if let Some(unit) = unit
        && unit.dimension != role.dimension()
    {
        let message =
            format!("{role} is {}, but the unit `{}` is {}", role.dimension(), unit.text, unit.dimension);
        reader.report(Code::BenchQuantity, node, message, None);
    }
    Some(role)
}

fn read_link(fields: &mut Fields<'_>, links: &[Link], reader: &mut Reader<'_>) -> Option<usize> {
    let node = reader.need(fields, "link")?;
    let name = reader.text(node)?;
    let found = links.iter().position(|link| link.name == name);
    if found.is_none() {
        let help = nearest(&name, links.iter().map(|l| l.name.as_str()))
            .map(|near| format!("did you mean `{near}`?"));
        reader.report(Code::BenchName, node, format!("there is no link `{name}`"), help);
    }
    found
}

/// Takes what says how a link finds a channel, where it is not known which kind of link that is.
fn take_address(fields: &mut Fields<'_>) {
    for name in WORDING.into_iter().chain(["signal", "known_as"]) {
        fields.take(name);
    }
}

fn read_address(
    name: &str,
    fields: &mut Fields<'_>,
    link: &Link,
    unit: Option<&Unit>,
    reader: &mut Reader<'_>,
) -> Option<Address> {
    match &link.kind {
        LinkKind::Simulated(_) => {
            let node = fields.take("signal");
            let wanted = node.and_then(|n| reader.text(n)).unwrap_or_else(|| name.to_owned());
            let signal = Signal::from_name(&wanted);
            if signal.is_none() {
                let help = meant(&wanted, Signal::ALL.iter().map(|s| s.name()));
                let at = node.unwrap_or_else(|| fields.owner());
                reader.report(
                    Code::BenchName,
                    at,
                    format!("the simulated microscope has no signal `{wanted}`"),
                    help,
                );
            }
            signal.map(Address::Signal)
        }
        LinkKind::Scpi(_) => {
            read_scpi_address(fields, link, unit, reader).map(|address| Address::Scpi(Box::new(address)))
        }
        LinkKind::Process(process) if process.is_unknown() => {
            take_address(fields);
            Some(Address::Named(name.to_owned()))
        }
        LinkKind::Process(_) => {
            let known = fields.take("known_as").and_then(|n| reader.text(n));
            Some(Address::Named(known.unwrap_or_else(|| name.to_owned())))
        }
    }
}

fn can_be_set(address: &Address) -> bool {
    match address {
        Address::Signal(signal) => signal.settable(),
        Address::Scpi(scpi) => scpi.set.is_some(),
        Address::Named(_) => true,
    }
}

fn check_limits(
    item: Node<'_>,
    name: &str,
    nodes: (Option<Node<'_>>, Option<Node<'_>>),
    (min, max): (f64, f64),
    address: Option<&Address>,
    reader: &mut Reader<'_>,
) {
    if let (Some(node), true) = (nodes.0, min > max) {
        reader.report(Code::BenchLimits, node, format!("`min` of `{name}` lies above its `max`"), None);
    }
    if nodes.0.is_some() != nodes.1.is_some() {
        let missing = if nodes.0.is_some() { "max" } else { "min" };
        let message = format!("`{name}` has no `{missing}`; what can be set needs both limits");
        reader.report(Code::BenchLimits, item, message, None);
    }
    let unreachable = nodes.0.is_some() && address.is_some_and(|a| !can_be_set(a));
    if let (Some(node), true) = (nodes.0, unreachable) {
        reader.report(Code::BenchLimits, node, format!("`{name}` has limits, but it can't be set"), None);
    }
}

/// A step of a level is a number of decibels; written in dBm it is understood as well.
fn of_change(node: Node<'_>, dimension: Dimension) -> Dimension {
    let written = node.source().trim_matches('"').parse::<Quantity>().map(|quantity| quantity.dimension);
    match dimension {
        _ if written == Ok(dimension) => dimension,
        _ if dimension == Dimension::LEVEL.over(Dimension::TIME) => Dimension::DECIBEL.over(Dimension::TIME),
        other => other.change(),
    }
}

fn positive(node: Option<Node<'_>>, dimension: Dimension, default: f64, reader: &mut Reader<'_>) -> f64 {
    let Some(node) = node else { return default };
    match reader.quantity(node, of_change(node, dimension)) {
        Some(value) if value > 0.0 => value,
        Some(_) => {
            reader.report(Code::BenchLimits, node, "this must be greater than zero", None);
            default
        }
        None => default,
    }
}

fn read_beyond(fields: &mut Fields<'_>, reader: &mut Reader<'_>) -> BeyondStep {
    let Some(node) = fields.take("beyond_step") else { return BeyondStep::Ramp };
    match reader.word(node) {
        Some("Ramp") => BeyondStep::Ramp,
        Some("Refuse") => BeyondStep::Refuse,
        _ => {
            reader.report(Code::BenchField, node, "this is `Ramp` or `Refuse`", None);
            BeyondStep::Ramp
        }
    }
}
