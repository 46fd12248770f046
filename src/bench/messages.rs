//! Messages: which events a program or an address outside can be told of.

use super::read::Reader;
use crate::diagnostic::Code;
use crate::document::{Node, nearest};
use noctule_ground::fields;
use noctule_ground::section::{Kind, TIME};

/// What a message can be about: its name in the bench file, and when it happens.
pub const EVENTS: [(&str, &str); 9] = [
    ("finished", "the run has ended, in whatever way"),
    ("interlock", "an interlock has tripped"),
    ("undecided", "a verdict leaves open whether a signal is real"),
    ("held", "the sequence is held"),
    ("released", "it goes on"),
    ("fault", "an instrument or the record failed"),
    ("tip", "a watch found the tip changed, or an act was refused for its sake"),
    ("question", "a plan asks people something"),
    ("helium", "the refill is due within twelve hours"),
];

/// A command or a web address told of chosen events.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MessageHook {
    /// Events it is told of.
    pub on: Vec<String>,
    /// Program with arguments, or one `http://` address.
    pub to: Vec<String>,
    /// Shortest time between two messages, s.
    pub at_most_every_s: u64,
}

fields! {
    MESSAGE (pub(super)) = "Message", "A program or an address that is told of chosen events." {
        needed "on", Kind::List(&Kind::Named(|| EVENTS.map(|(name, _)| name).to_vec())), "Events it is told of, one at least.";
        needed "to", Kind::List(&Kind::Text), "Program with arguments, or one web address.";
        or "at_most_every" = "1 min", TIME, "Shortest time between two messages.";
    }
}

pub(super) fn read_messages(node: Node<'_>, reader: &mut Reader) -> Vec<MessageHook> {
    let mut hooks = Vec::new();
    for item in node.items(reader) {
        let mut given = MESSAGE.open(item, reader);
        let on: Option<Vec<String>> = given.node("on", reader).map(|node| read_events(node, reader));
        let to: Option<Vec<String>> = given.get("to", reader);
        if let Some(to) = &to {
            check_receiver(given.at("to"), to, reader);
        }
        let every_s: Option<f64> = given.get("at_most_every", reader);
        given.finish(reader);
        if let (Some(on), Some(to), Some(every_s)) = (on, to, every_s) {
            hooks.push(MessageHook { on, to, at_most_every_s: every_s as u64 });
        }
    }
    hooks
}

/// The events, each of which must be one that comes.
fn read_events(node: Node<'_>, reader: &mut Reader) -> Vec<String> {
    let mut events = Vec::new();
    for item in node.items(reader) {
        let Some(name) = item.string(reader) else { continue };
        let known = EVENTS.map(|(known, _)| known);
        if !known.contains(&name.as_str()) {
            let help = match nearest(&name, known) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("there are {}", known.join(", ")),
            };
            let message = format!("there is no event `{name}`, so nobody would ever hear of it");
            reader.report(Code::BenchMessage, item, message, Some(help));
        }
        events.push(name);
    }
    if events.is_empty() {
        reader.report(Code::BenchMessage, node, "this message waits for no event", None);
    }
    events
}

fn check_receiver(at: Node<'_>, to: &[String], reader: &mut Reader) {
    match to.first() {
        None => {
            let help = "name a program with its arguments, or one http:// address";
            reader.report(Code::BenchMessage, at, "this message has nobody to go to", Some(help.to_owned()));
        }
        Some(address) if address.starts_with("https://") => {
            let help = "name a program that posts there; the message comes on its standard input";
            let message = "only http:// addresses are posted to";
            reader.report(Code::BenchMessage, at, message, Some(help.to_owned()));
        }
        Some(_) => {}
    }
}
