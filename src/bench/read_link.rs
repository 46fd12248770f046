//! Reads the links of a bench file.

use super::patience::read_codes;
use super::read::Reader;
use super::read_rules::read_task;
use super::read_wording::{read_answer, read_pattern};
use super::{
    Link, LinkKind, OwnRetry, ProcessLink, Proof, ScpiLink, ScpiTasks, SimulatedLink, TaskKind, WhoIsThere,
};
use crate::diagnostic::Code;
use crate::document::{Node, nearest};
use crate::quantity::Dimension;
use noctule_ground::fields;
use noctule_ground::section::{Described, Field, Given, Kind, Range, Section, TIME, plain};

/// The kinds of links.
pub(super) const LINKS: &[&Section] = &[SIMULATED, SCPI, PROCESS];

const TIMEOUT: Field = Field::or(
    "timeout",
    "1 s",
    Kind::Quantity(Dimension::TIME, Range::Held(0.01, f64::INFINITY)),
    "Longest wait for one answer.",
);

const RETRY: Field = Field::optional(
    "retry",
    OwnRetry::PART,
    "How its failures are met, where that differs from the other links.",
);

fields! {
    SIMULATED = "Simulated", "A link to a microscope that is simulated in this process." with [TIMEOUT, RETRY] {
        needed "world", Kind::Text, "Name of a shipped world, or path of a world file.";
    }

    PROCESS = "Process", "A link to a driver process that speaks JSON-RPC 2.0, one object a line, on stdin and stdout." with [TIMEOUT, RETRY] {
        needed "command", Kind::List(&Kind::Text), "Program and arguments; relative paths are relative to the bench file.";
    }

    SCPI = "Scpi", "A link to an instrument that speaks SCPI, or any other lines of text." with [TIMEOUT, RETRY] {
        needed "address", Kind::Text, "`host:port`, or `serial:/dev/…@baud` in a build with serial ports.";
        or "terminator" = "\n", Kind::Text, "Ends each message.";
        optional "reply_terminator", Kind::Text, "Ends each reply; else the same as `terminator`.";
        optional "acknowledge", Kind::Text, "What it answers to each set where a channel does not say otherwise; else nothing.";
        optional "errors", Kind::Text, "Query of the error queue after each write; else there is no queue.";
        optional "passing", Kind::List(&plain(Range::Any)), "Numbers of errors in that queue that pass by themselves, like -221: the command is tried again.";
        optional "power_on", Kind::Text, "Query that says whether it was off since it was asked last, like `*ESR?`; bit 7 of the answer.";
        optional "greeting", Kind::List(&Kind::Text), "Messages sent once after connecting.";
        optional "farewell", Kind::List(&Kind::Text), "Messages sent before a connection is given up on purpose.";
        optional "identity", Kind::Part(&[NOBODY, IDENTITY]), "Who is expected there.";
        optional "marker", Kind::Text, "What is put behind each query, with `{n}` for a number from 0 to 255 that comes back at the end of the reply.";
        optional "proof", Kind::Part(&[PROOF]), "A query whose answer is known.";
        or "silence" = "50 ms", TIME, "A new connection must be silent for so long before anything is said on it.";
        or "pause" = "0 s", TIME, "Least time between an answer and the next message.";
        optional "tasks", Kind::Part(&[TASKS]), "How tasks are started and asked for, if this instrument does any.";
    }

    NOBODY = "Nobody", "An instrument that can't say who it is." {
    }

    IDENTITY = "Identity", "Who is expected at the end of a link." {
        or "query" = "*IDN?", Kind::Text, "The query for it.";
        optional "answer", Kind::Text, "What it answers, `{*}` for any text; else anybody is welcome.";
    }

    PROOF = "Proof", "What must be answered before a link counts as being in step." {
        needed "query", Kind::Text, "The query.";
        needed "answer", Kind::Text, "Its answer, `{*}` for any text.";
        or "every" = "0 s", TIME, "Asked after a reading if the last proof is older than this.";
    }

    TASKS = "Tasks", "SCPI messages for what takes a while." {
        needed "start", Kind::Map(&Kind::Text), "Message that starts each task, by its name; `{x_m}` stands for the argument of that name.";
        needed "busy", Kind::Text, "Query that answers 1 while a task runs and 0 after.";
        needed "report", Kind::Text, "Query of the last task's report: `1,\"remark\"` or `0,\"remark\"`.";
        needed "data", Kind::Text, "Query of the last task's data, comma-separated numbers in SI.";
        needed "abort", Kind::Text, "Message that ends a running task safely.";
    }
}

pub(super) fn read_links(node: Node<'_>, reader: &mut Reader) -> Vec<Link> {
    let entries = node.fields(reader).rest();
    entries.into_iter().map(|(name, node)| read_link(name, node, reader)).collect()
}

fn read_link(name: String, node: Node<'_>, reader: &mut Reader) -> Link {
    let label = node.label().unwrap_or("");
    let Some(section) = LINKS.iter().find(|section| section.name == label) else {
        let help = nearest(label, LINKS.iter().map(|section| section.name));
        let message = format!("`{label}` is no kind of link; there are Simulated, Scpi and Process");
        reader.report(Code::BenchField, node, message, help.map(|near| format!("did you mean `{near}`?")));
        // It still counts as a link, or every channel on it would be reported as well.
        return Link {
            name,
            timeout_s: 1.0,
            retry: OwnRetry::default(),
            kind: LinkKind::Process(ProcessLink::unknown()),
        };
    };
    let mut given = section.open(node, reader);
    let timeout_s = given.get("timeout", reader).unwrap_or_default();
    let kind = match section.name {
        "Simulated" => {
            let world: Option<String> = given.get("world", reader);
            LinkKind::Simulated(SimulatedLink { world: world.unwrap_or_default() })
        }
        "Scpi" => LinkKind::Scpi(Box::new(read_scpi(&mut given, reader))),
        _ => {
            let command: Option<Vec<String>> = given.get("command", reader);
            if command.as_ref().is_some_and(Vec::is_empty) {
                reader.report(Code::BenchField, given.at("command"), "the command is empty", None);
            }
            LinkKind::Process(ProcessLink { command: command.unwrap_or_default() })
        }
    };
    let retry = given.get::<Option<OwnRetry>>("retry", reader).flatten().unwrap_or_default();
    given.finish(reader);
    Link { name, timeout_s, retry, kind }
}

fn read_scpi(given: &mut Given<'_>, reader: &mut Reader) -> ScpiLink {
    let address: String = given.get("address", reader).unwrap_or_default();
    if !address.is_empty() && !address.contains(':') {
        let help = Some("write `host:port`, like \"127.0.0.1:5025\"".to_owned());
        reader.report(Code::BenchField, given.at("address"), format!("`{address}` has no port"), help);
    }
    let terminator: String = given.get("terminator", reader).unwrap_or_default();
    let reply_terminator: Option<String> = given.get("reply_terminator", reader);
    for name in ["terminator", "reply_terminator"] {
        if given.find(name).is_some_and(|node| node.source() == "\"\"") {
            let message = "without an end nobody knows when a message is whole";
            reader.report(Code::BenchField, given.at(name), message, None);
        }
    }
    let marker: Option<String> = given.get("marker", reader);
    if let Some(marker) = &marker
        && !(marker.contains("{n}") && marker.contains('?'))
    {
        let help = Some("like \"*ESE {n};*ESE?\"".to_owned());
        let message = "a marker sends the number {n} and asks for it, or for its echo";
        reader.report(Code::BenchField, given.at("marker"), message, help);
    }
    ScpiLink {
        address,
        reply_terminator: reply_terminator.unwrap_or_else(|| terminator.clone()),
        terminator,
        acknowledge: given.find("acknowledge").and_then(|node| read_pattern(node, reader)),
        error_query: given.get("errors", reader),
        passing: given.find("passing").map(|node| read_codes(node, reader)).unwrap_or_default(),
        power_on: given.get("power_on", reader),
        greeting: given.get("greeting", reader).unwrap_or_default(),
        farewell: given.get("farewell", reader).unwrap_or_default(),
        identity: given.find("identity").map(|node| read_identity(node, reader)).unwrap_or_default(),
        marker,
        proof: given.find("proof").and_then(|node| read_proof(node, reader)),
        silence_s: given.get("silence", reader).unwrap_or_default(),
        pause_s: given.get("pause", reader).unwrap_or_default(),
        tasks: given.find("tasks").map(|node| read_tasks(node, reader)),
    }
}

/// `Nobody` where the instrument can't say who it is, or its query and what it answers.
fn read_identity(node: Node<'_>, reader: &mut Reader) -> WhoIsThere {
    if node.source() == NOBODY.name {
        return WhoIsThere { query: None, answer: None };
    }
    let mut given = IDENTITY.open(node, reader);
    let query = given.get("query", reader);
    let answer = given.find("answer").and_then(|node| read_answer(node, reader));
    given.finish(reader);
    WhoIsThere { query, answer }
}

fn read_proof(node: Node<'_>, reader: &mut Reader) -> Option<Proof> {
    let mut given = PROOF.open(node, reader);
    let query = given.get("query", reader);
    let answer = given.node("answer", reader).and_then(|node| read_answer(node, reader));
    let every_s = given.get("every", reader);
    given.finish(reader);
    Some(Proof { query: query?, answer: answer?, every_s: every_s? })
}

fn read_tasks(node: Node<'_>, reader: &mut Reader) -> ScpiTasks {
    let mut given = TASKS.open(node, reader);
    let mut tasks = ScpiTasks::default();
    let starts = given.node("start", reader).map(|node| node.fields(reader).rest()).unwrap_or_default();
    for (name, value) in starts {
        let kind = read_task(&name, value, reader);
        if let Some(message) = value.string(reader) {
            if let Some(kind) = kind {
                check_places(kind, &message, value, reader);
            }
            tasks.start.insert(name, message);
        }
    }
    let [busy, report, data, abort] =
        ["busy", "report", "data", "abort"].map(|name| given.get(name, reader).unwrap_or_default());
    given.finish(reader);
    ScpiTasks { busy, report, data, abort, ..tasks }
}

/// Everything in braces must be an argument of the task, or the run would find out in the middle of the night.
fn check_places(kind: TaskKind, message: &str, at: Node<'_>, reader: &mut Reader) {
    let known = kind.arguments();
    let mut rest = message;
    while let Some(open) = rest.find('{') {
        let after = &rest[open + 1..];
        let Some(close) = after.find('}') else {
            reader.report(Code::BenchField, at, format!("a `{{` is never closed in `{message}`"), None);
            return;
        };
        let name = &after[..close];
        if !known.contains(&name) {
            let all: Vec<String> = known.iter().map(|name| format!("{{{name}}}")).collect();
            // A forgotten unit, {x} for {x_m}, is too short to be near.
            let near = nearest(name, known.iter().copied())
                .filter(|near| name.len() > 2 || near.starts_with(name))
                .or_else(|| known.iter().copied().find(|k| !name.is_empty() && k.starts_with(name)));
            let help = match near {
                Some(near) => format!("did you mean `{{{near}}}`? it has {}", all.join(", ")),
                None if known.is_empty() => "it has no arguments, so nothing stands in braces".to_owned(),
                None => format!("it has {}", all.join(", ")),
            };
            let message = format!("the task {} has no argument `{{{name}}}`", kind.name());
            reader.report(Code::BenchName, at, message, Some(help));
        }
        rest = &after[close + 1..];
    }
}
