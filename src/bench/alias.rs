//! Two channels that set the same thing: each would have its own limits, and neither would know where the other put it.

use super::read::Reader;
use super::{Address, Channel, Link, LinkKind};
use crate::diagnostic::Code;
use crate::document::Node;

/// Reports a channel, and the earlier one, if both set the same thing at the same instrument.
pub(super) fn check_alias<'d>(
    (channel, node): (&Channel, Node<'d>),
    others: &[(Channel, Node<'d>)],
    links: &[Link],
    reader: &mut Reader,
) {
    let same = |other: &&(Channel, Node<'d>)| {
        other.0.settable
            && same_instrument(&links[other.0.link], &links[channel.link])
            && message(&other.0).is_some_and(|set| Some(set) == message(channel))
    };
    let Some((other, other_node)) = others.iter().filter(|_| channel.settable).find(same) else { return };
    for (one, two, node) in [(other, channel, *other_node), (channel, other, node)] {
        let text = format!(
            "`{}` sets the same as `{}`, so neither would know where the other has put it",
            one.name, two.name
        );
        let help = "set it by one channel; the other can read it if it has no `min`, `max` and set message";
        reader.report(Code::BenchLimits, node, text, Some(help.to_owned()));
    }
}

fn same_instrument(one: &Link, two: &Link) -> bool {
    match (&one.kind, &two.kind) {
        (LinkKind::Scpi(a), LinkKind::Scpi(b)) => a.address.trim().eq_ignore_ascii_case(b.address.trim()),
        // Each simulated link is a microscope of its own.
        (LinkKind::Process(a), LinkKind::Process(b)) => a == b,
        _ => one.name == two.name,
    }
}

/// What is sent to set it, however it is spaced and whatever the size of its letters.
fn message(channel: &Channel) -> Option<String> {
    match &channel.address {
        Address::Signal(signal) => Some(format!("{signal:?}")),
        Address::Named(name) => Some(name.clone()),
        Address::Scpi(scpi) => {
            let set = scpi.set.as_ref()?;
            let words: Vec<&str> = set.split_whitespace().collect();
            Some(words.join(" ").to_lowercase().trim_start_matches(':').to_owned())
        }
    }
}
