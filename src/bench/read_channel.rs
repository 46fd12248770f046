//! Reads the channels of a bench file.

use super::alias::check_alias;
use super::read::Reader;
use super::read_wording::{WORDING, read_scpi_address};
use super::{Address, BeyondStep, Channel, Link, LinkKind, Role};
use crate::diagnostic::{Code, meant};
use crate::document::{Node, nearest};
use crate::quantity::{Dimension, Quantity, Unit, unknown_unit};
use noctule_ground::fields;
use noctule_ground::section::{Given, Kind, TIME, choice, quantity, word};
use noctule_ground::signal::Signal;

fields! {
    /// What may stand in every channel.
    CHANNEL (pub(super)) = "Channel", "A quantity that can be set, read, or both." also [WORDING, PLAYED, DRIVEN] {
        needed "name", Kind::Text, "Its name, unique on the bench: small letters, digits and `_`.";
        optional "role", Kind::Word(roles), "What it is for; `noctule guide roles` lists them.";
        needed "unit", Kind::Text, "The unit it is printed in; it says what kind of quantity it is.";
        needed "link", Kind::Text, "The link that leads to it.";
        optional "min", Kind::OfChannel("a value"), "Smallest value that may be set.";
        optional "max", Kind::OfChannel("a value"), "Largest value that may be set; without both it can only be read.";
        optional "step", Kind::OfChannel("a change"), "Largest single step.";
        optional "slew", Kind::OfChannel("a change per time"), "Fastest change.";
        or "beyond_step" = "Ramp", Kind::Word(|| BEYOND.map(|(name, _)| name).to_vec()), "What happens to a larger step.";
        or "settle" = "0 s", TIME, "Waiting time after each set before anything is read.";
        optional "tolerance", Kind::OfChannel("a change"), "A set has arrived only when the value read back is this near.";
        or "arrive_within" = "2 min", TIME, "Longest wait for arrival beyond the time of the ramp.";
    }

    /// What may stand in a channel of the simulated microscope, besides.
    PLAYED = "Channel", "A channel of the simulated microscope." {
        optional "signal", Kind::Named(|| Signal::ALL.map(Signal::name).to_vec()), "On a simulated microscope: its signal; else the one of the channel's name.";
    }

    /// What may stand in a channel of a driver process, besides.
    DRIVEN = "Channel", "A channel of a driver process." {
        optional "known_as", Kind::Text, "In a driver process: the name it is known by; else the channel's name.";
    }
}

fn roles() -> Vec<&'static str> {
    Role::ALL.iter().map(|role| role.name()).collect()
}

pub(super) fn read_channels(node: Node<'_>, links: &[Link], reader: &mut Reader) -> Vec<Channel> {
    let mut channels: Vec<(Channel, Node<'_>)> = Vec::new();
    for item in node.items(reader) {
        let mut given = CHANNEL.open(item, reader);
        let name: Option<String> = given.get("name", reader);
        if let Some(name) = &name {
            check_name(name, given.at("name"), &channels, reader);
        }
        let channel = read_channel(name.clone().unwrap_or_default(), &mut given, links, reader);
        given.finish(reader);
        let Some(channel) = channel else {
            reader.lost.extend(name);
            continue;
        };
        if let Some(role) = channel.role
            && channels.iter().any(|(other, _)| other.role == Some(role))
        {
            reader.report(Code::BenchName, item, format!("two channels have the role {role}"), None);
        }
        check_alias((&channel, item), &channels, links, reader);
        channels.push((channel, item));
    }
    channels.into_iter().map(|(channel, _)| channel).collect()
}

fn check_name(name: &str, node: Node<'_>, channels: &[(Channel, Node<'_>)], reader: &mut Reader) {
    if channels.iter().any(|(other, _)| other.name == name) {
        reader.report(Code::BenchName, node, format!("two channels are named `{name}`"), None);
    }
    let plain = name.starts_with(|c: char| c.is_ascii_lowercase())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
    if !plain {
        let help = Some("use small letters, digits and `_`, beginning with a letter".to_owned());
        reader.report(Code::BenchName, node, format!("`{name}` can't be the name of a channel"), help);
    }
}

fn read_channel(name: String, given: &mut Given<'_>, links: &[Link], reader: &mut Reader) -> Option<Channel> {
    let unit = read_unit(given, reader);
    let role = read_role(given, unit.as_ref(), reader);
    let link = read_link(given, links, reader);
    let address = link.and_then(|index| read_address(&name, given, &links[index], unit.as_ref(), reader));
    let dimension = unit.as_ref().map_or(Dimension::NONE, |u| u.dimension);
    let limits = given.find("min").is_some() || given.find("max").is_some();
    let settable = limits && address.as_ref().is_none_or(can_be_set);
    let min = given.quantity("min", dimension, reader).unwrap_or(f64::NEG_INFINITY);
    let max = given.quantity("max", dimension, reader).unwrap_or(f64::INFINITY);
    check_limits(&name, given, (min, max), address.as_ref(), reader);
    let step = positive("step", given, dimension, reader).unwrap_or(f64::INFINITY);
    let slew_per_s =
        positive("slew", given, dimension.over(Dimension::TIME), reader).unwrap_or(f64::INFINITY);
    let beyond_step = read_beyond(given, reader);
    let settle_s = given.get("settle", reader);
    let tolerance = positive("tolerance", given, dimension, reader);
    let arrive_within_s = given.get("arrive_within", reader);
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
        settle_s: settle_s.unwrap_or_default(),
        tolerance,
        arrive_within_s: arrive_within_s.unwrap_or_default(),
    })
}

fn read_unit(given: &mut Given<'_>, reader: &mut Reader) -> Option<Unit> {
    let text: String = given.get("unit", reader)?;
    let unit = Unit::parse(&text);
    if unit.is_none() {
        reader.report(Code::BenchQuantity, given.at("unit"), unknown_unit(&text).to_string(), None);
    }
    unit
}

fn read_role(given: &mut Given<'_>, unit: Option<&Unit>, reader: &mut Reader) -> Option<Role> {
    let node = given.find("role")?;
    let label = word(node, reader).unwrap_or("");
    let Some(role) = Role::from_name(label) else {
        reader.lost_role = true;
        let help = meant(label, roles());
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

fn read_link(given: &mut Given<'_>, links: &[Link], reader: &mut Reader) -> Option<usize> {
    let name: String = given.get("link", reader)?;
    let found = links.iter().position(|link| link.name == name);
    if found.is_none() {
        let help = nearest(&name, links.iter().map(|l| l.name.as_str()))
            .map(|near| format!("did you mean `{near}`?"));
        reader.report(Code::BenchName, given.at("link"), format!("there is no link `{name}`"), help);
    }
    found
}

fn read_address(
    name: &str,
    given: &mut Given<'_>,
    link: &Link,
    unit: Option<&Unit>,
    reader: &mut Reader,
) -> Option<Address> {
    // What stands in channels on other kinds of links is not known here.
    let others = match &link.kind {
        LinkKind::Simulated(_) => [WORDING, DRIVEN],
        LinkKind::Scpi(_) => [PLAYED, DRIVEN],
        LinkKind::Process(process) if process.is_unknown() => return Some(Address::Named(name.to_owned())),
        LinkKind::Process(_) => [WORDING, PLAYED],
    };
    given.without(others.iter().flat_map(|section| section.all()).map(|field| field.name));
    match &link.kind {
        LinkKind::Simulated(_) => {
            let wanted = given.get("signal", reader).unwrap_or_else(|| name.to_owned());
            let signal = Signal::from_name(&wanted);
            if signal.is_none() {
                let help = meant(&wanted, Signal::ALL.iter().map(|s| s.name()));
                let message = format!("the simulated microscope has no signal `{wanted}`");
                reader.report(Code::BenchName, given.at("signal"), message, help);
            }
            signal.map(Address::Signal)
        }
        LinkKind::Scpi(scpi) => {
            read_scpi_address(given, scpi, unit, reader).map(|address| Address::Scpi(Box::new(address)))
        }
        LinkKind::Process(_) => {
            Some(Address::Named(given.get("known_as", reader).unwrap_or_else(|| name.to_owned())))
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
    name: &str,
    given: &mut Given<'_>,
    (min, max): (f64, f64),
    address: Option<&Address>,
    reader: &mut Reader,
) {
    let (has_min, has_max) = (given.find("min").is_some(), given.find("max").is_some());
    if has_min && min > max {
        let message = format!("`min` of `{name}` lies above its `max`");
        reader.report(Code::BenchLimits, given.at("min"), message, None);
    }
    if has_min != has_max {
        let missing = if has_min { "max" } else { "min" };
        let message = format!("`{name}` has no `{missing}`; what can be set needs both limits");
        reader.report(Code::BenchLimits, given.owner(), message, None);
    }
    if has_min && address.is_some_and(|address| !can_be_set(address)) {
        let message = format!("`{name}` has limits, but it can't be set");
        reader.report(Code::BenchLimits, given.at("min"), message, None);
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

fn positive(name: &str, given: &mut Given<'_>, dimension: Dimension, reader: &mut Reader) -> Option<f64> {
    let node = given.find(name)?;
    let value = quantity(node, of_change(node, dimension), reader)?;
    if value <= 0.0 {
        reader.report(Code::BenchLimits, node, "this must be greater than zero", None);
        return None;
    }
    Some(value)
}

const BEYOND: [(&str, BeyondStep); 2] = [("Ramp", BeyondStep::Ramp), ("Refuse", BeyondStep::Refuse)];

fn read_beyond(given: &mut Given<'_>, reader: &mut Reader) -> BeyondStep {
    let node = given.find("beyond_step");
    let found = node.and_then(|node| choice(node, &BEYOND, "this is `Ramp` or `Refuse`", reader));
    found.unwrap_or(BeyondStep::Ramp)
}
