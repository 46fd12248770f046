//! Reads the links of a bench file.

use super::read::{Reader, read_texts};
use super::read_wording::{read_answer, read_pattern};
use super::{Link, LinkKind, ProcessLink, Proof, ScpiLink, ScpiTasks, SimulatedLink, TaskKind, WhoIsThere};
use crate::diagnostic::Code;
use crate::document::{Fields, Node, nearest};

pub(super) fn read_links(node: Node<'_>, reader: &mut Reader<'_>) -> Vec<Link> {
    let mut links = Vec::new();
    let mut entries = reader.with(|p| node.fields(p));
    for (name, node) in entries.rest() {
        let mut fields = reader.with(|p| node.fields(p));
        let timeout_s = reader.duration(fields.take("timeout"), 1.0).max(0.01);
        let kind = match node.label() {
            Some("Simulated") => {
                let world = reader.need(&mut fields, "world").and_then(|n| reader.text(n));
                LinkKind::Simulated(SimulatedLink { world: world.unwrap_or_default() })
            }
            Some("Scpi") => LinkKind::Scpi(Box::new(read_scpi(&mut fields, reader))),
            Some("Process") => {
                let command = reader.need(&mut fields, "command");
                let words = command.map(|n| read_texts(n, reader)).unwrap_or_default();
                if words.is_empty()
                    && let Some(node) = command
                {
                    reader.report(Code::BenchField, node, "the command is empty", None);
                }
                LinkKind::Process(ProcessLink { command: words })
            }
            label => {
                let label = label.unwrap_or("");
                let help = nearest(label, ["Simulated", "Scpi", "Process"])
                    .map(|near| format!("did you mean `{near}`?"));
                let message = format!("`{label}` is no kind of link; there are Simulated, Scpi and Process");
                reader.report(Code::BenchField, node, message, help);
                fields.rest();
                // It still counts as a link, or every channel on it would be reported as well.
                LinkKind::Process(ProcessLink::unknown())
            }
        };
        let retry = super::patience::read_own(fields.take("retry"), reader);
        reader.finish(fields);
        links.push(Link { name, timeout_s, retry, kind });
    }
    links
}

fn read_scpi(fields: &mut Fields<'_>, reader: &mut Reader<'_>) -> ScpiLink {
    let address_node = reader.need(fields, "address");
    let address = address_node.and_then(|n| reader.text(n)).unwrap_or_default();
    if let Some(node) = address_node
        && !address.is_empty()
        && !address.contains(':')
    {
        let help = Some("write `host:port`, like \"127.0.0.1:5025\"".to_owned());
        reader.report(Code::BenchField, node, format!("`{address}` has no port"), help);
    }
    let mut text = |name| fields.take(name).and_then(|n| Some((n, reader.text(n)?)));
    let (terminator, reply_terminator) = (text("terminator"), text("reply_terminator"));
    let (error_query, marker) = (text("errors"), text("marker"));
    for (node, end) in [&terminator, &reply_terminator].into_iter().flatten() {
        if end.is_empty() {
            reader.report(
                Code::BenchField,
                *node,
                "without an end nobody knows when a message is whole",
                None,
            );
        }
    }
    if let Some((node, marker)) = &marker
        && !(marker.contains("{n}") && marker.trim_end().ends_with('?'))
    {
        let help = Some("like \"*ESE {n};*ESE?\"".to_owned());
        let message = "a marker sends the number {n} and asks for it again";
        reader.report(Code::BenchField, *node, message, help);
    }
    let terminator = terminator.map_or_else(|| "\n".to_owned(), |(_, end)| end);
    let greeting = fields.take("greeting").map(|n| read_texts(n, reader)).unwrap_or_default();
    let farewell = fields.take("farewell").map(|n| read_texts(n, reader)).unwrap_or_default();
    let plain = ScpiLink::plain(&address);
    ScpiLink {
        reply_terminator: reply_terminator.map_or_else(|| terminator.clone(), |(_, end)| end),
        terminator,
        acknowledge: fields.take("acknowledge").and_then(|n| read_pattern(n, reader)),
        error_query: error_query.map(|(_, query)| query),
        passing: super::patience::read_codes(fields.take("passing"), reader),
        power_on: fields.take("power_on").and_then(|n| reader.text(n)),
        greeting,
        farewell,
        identity: fields.take("identity").map(|n| read_identity(n, reader)).unwrap_or_default(),
        marker: marker.map(|(_, marker)| marker),
        proof: fields.take("proof").and_then(|n| read_proof(n, reader)),
        silence_s: reader.duration(fields.take("silence"), plain.silence_s),
        pause_s: reader.duration(fields.take("pause"), plain.pause_s),
        tasks: fields.take("tasks").map(|n| read_tasks(n, reader)),
        ..plain
    }
}

/// `Nobody` where the instrument can't say who it is, or its query and what it answers.
fn read_identity(node: Node<'_>, reader: &mut Reader<'_>) -> WhoIsThere {
    if node.source() == "Nobody" {
        return WhoIsThere { query: None, answer: None };
    }
    reader.named(node, "Identity");
    let mut inner = reader.with(|p| node.fields(p));
    let query = inner.take("query").and_then(|n| reader.text(n));
    let answer = inner.take("answer").and_then(|n| read_answer(n, reader));
    reader.finish(inner);
    WhoIsThere { query: query.or(WhoIsThere::default().query), answer }
}

fn read_proof(node: Node<'_>, reader: &mut Reader<'_>) -> Option<Proof> {
    reader.named(node, "Proof");
    let mut inner = reader.with(|p| node.fields(p));
    let query = reader.need(&mut inner, "query").and_then(|n| reader.text(n));
    let answer = reader.need(&mut inner, "answer").and_then(|n| read_answer(n, reader));
    let every_s = reader.duration(inner.take("every"), 0.0);
    reader.finish(inner);
    Some(Proof { query: query?, answer: answer?, every_s })
}

fn read_tasks(node: Node<'_>, reader: &mut Reader<'_>) -> ScpiTasks {
    let mut fields = reader.with(|p| node.fields(p));
    reader.named(node, "Tasks");
    let mut tasks = ScpiTasks::default();
    if let Some(starts) = reader.need(&mut fields, "start") {
        let mut entries = reader.with(|p| starts.fields(p));
        for (name, value) in entries.rest() {
            let kind = TaskKind::from_name(&name);
            if kind.is_none() {
                let help = nearest(&name, TaskKind::ALL.iter().map(|k| k.name()))
                    .map(|n| format!("did you mean `{n}`?"));
                reader.report(Code::BenchName, value, format!("there is no task `{name}`"), help);
            }
            if let Some(message) = reader.text(value) {
                if let Some(kind) = kind {
                    check_places(kind, &message, value, reader);
                }
                tasks.start.insert(name, message);
            }
        }
    }
    let mut message = |name| reader.need(&mut fields, name).and_then(|n| reader.text(n)).unwrap_or_default();
    tasks.busy = message("busy");
    tasks.report = message("report");
    tasks.data = message("data");
    tasks.abort = message("abort");
    reader.finish(fields);
    tasks
}

/// Everything in braces must be an argument of the task, or the run would find out in the middle of the night.
fn check_places(kind: TaskKind, message: &str, at: Node<'_>, reader: &mut Reader<'_>) {
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
