//! Messages: which events a program or an address outside can be told of.

use super::read::{Reader, read_texts};
use crate::diagnostic::Code;
use crate::document::{Node, nearest};

/// What a message can be about: its name in the bench file, and when it happens.
pub const EVENTS: [(&str, &str); 7] = [
    ("finished", "the run has ended, in whatever way"),
    ("interlock", "an interlock has tripped"),
    ("undecided", "a verdict leaves open whether a signal is real"),
    ("held", "the sequence is held"),
    ("released", "it goes on"),
    ("fault", "an instrument or the record failed"),
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

pub(super) fn read_messages(node: Node<'_>, reader: &mut Reader<'_>) -> Vec<MessageHook> {
    let mut hooks = Vec::new();
    for item in reader.with(|p| node.items(p)) {
        let mut inner = reader.with(|p| item.fields(p));
        let on_node = reader.need(&mut inner, "on");
        let on = on_node.map(|n| read_events(n, reader)).unwrap_or_default();
        let to_node = reader.need(&mut inner, "to");
        let to = to_node.map(|n| read_texts(n, reader)).unwrap_or_default();
        if let Some(at) = to_node {
            check_receiver(at, &to, reader);
        }
        let every_s = reader.duration(inner.take("at_most_every"), 60.0) as u64;
        reader.finish(inner);
        hooks.push(MessageHook { on, to, at_most_every_s: every_s });
    }
    hooks
}

/// The events, each of which must be one that comes.
fn read_events(node: Node<'_>, reader: &mut Reader<'_>) -> Vec<String> {
    let mut events = Vec::new();
    for item in reader.with(|p| node.items(p)) {
        let Some(name) = reader.text(item) else { continue };
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

fn check_receiver(at: Node<'_>, to: &[String], reader: &mut Reader<'_>) {
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
