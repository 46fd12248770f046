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
        (LinkKind::Scpi(a), LinkKind::Scpi(b)) => address(&a.address) == address(&b.address),
        // Each simulated link is a microscope of its own.
        (LinkKind::Process(a), LinkKind::Process(b)) => a == b,
        _ => one.name == two.name,
    }
}

fn address(text: &str) -> String {
    let text = text.trim().to_lowercase();
    text.strip_prefix("localhost:").map_or(text.clone(), |port| format!("127.0.0.1:{port}"))
}

/// What is sent to set it, however it is spaced, whatever the size of its letters, and in SCPI whichever of its forms is
/// used.
fn message(channel: &Channel) -> Option<String> {
    match &channel.address {
        Address::Signal(signal) => Some(format!("{signal:?}")),
        Address::Named(name) => Some(name.clone()),
        Address::Scpi(scpi) => {
            let set = scpi.set.as_ref()?.to_lowercase();
            let mut words = set.trim().trim_end_matches(';').split_whitespace();
            let header = words.next().map(shortest).unwrap_or_default();
            let rest: Vec<&str> = words.collect();
            Some(format!("{header} {}", rest.join(" ")))
        }
    }
}

/// Nodes of a header that SCPI lets one leave out, in their short forms: `[SENSe:]`, `[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]`,
/// `FREQuency[:CW]`, `OUTPut[:STATe]` (SCPI 1999, volume 2).
const LEFT_OUT: [&str; 7] = ["sour", "sens", "lev", "imm", "ampl", "cw", "stat"];

/// The shortest form of a header: each word by its short form, without the suffix 1, and without what may be left out. The
/// short form of a word is its first four letters, or three where the fourth is a vowel (SCPI 1999, volume 1, 6.2.1).
fn shortest(header: &str) -> String {
    let short = |word: &str| {
        let letters = word.trim_end_matches(|c: char| c.is_ascii_digit());
        let suffix = &word[letters.len()..];
        let vowel = letters.chars().nth(3).is_some_and(|letter| "aeiou".contains(letter));
        let length = if letters.chars().count() <= 4 {
            4
        } else if vowel {
            3
        } else {
            4
        };
        let letters: String = letters.chars().take(length).collect();
        if matches!(suffix, "" | "1") { letters } else { letters + suffix }
    };
    let words: Vec<String> = header.trim_start_matches(':').split(':').map(short).collect();
    let kept: Vec<&str> = words.iter().map(String::as_str).filter(|word| !LEFT_OUT.contains(word)).collect();
    if kept.is_empty() { words.join(":") } else { kept.join(":") }
}
