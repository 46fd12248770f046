//! The parts of the manual that are made from the registries.

use super::chapters::topics;
use super::document::{Block, blocks};
use super::faults::fault;
use crate::bench::Role;
use crate::diagnostic::{CODES, CodeEntry};
use crate::script::registry::{self, Chapter, Kind, Param, Verb};
use crate::script::units::UNIT_NAMES;
use std::fmt::Write;

/// The table of contents.
pub(super) fn contents() -> String {
    let mut out = "# Guide\n\nAsk for a chapter, a verb, a role, a code or a part of a file: `noctule guide units`, `noctule guide sweep`, `noctule guide S07`, `noctule guide Channel`. `noctule guide --html guide.html` writes everything into one file.\n\n| chapter | about |\n|---|---|\n".to_owned();
    for topic in topics() {
        let _ = writeln!(out, "| `{}` | {} |", topic.id, topic.about);
    }
    out
}

fn title(chapter: Chapter) -> &'static str {
    match chapter {
        Chapter::Bench => "Setting, reading, waiting",
        Chapter::Sweeps => "Sweeps, maps, traces",
        Chapter::Tables => "Tables, noise, own analysis",
        Chapter::Tip => "Moving the tip",
        Chapter::Analysis => "Fits and verdicts",
        Chapter::Flow => "Steps, notes, decisions, the end",
    }
}

/// All verbs, by chapter.
pub(super) fn verbs() -> String {
    let mut out = "# Verbs\n\nA verb is what a sequence can do. Names of channels and roles are texts. What stands in square brackets may be left out. A number may be written with or without a point.\n\n".to_owned();
    let mut all: Vec<&Verb> = registry::all().collect();
    all.sort_by_key(|verb| verb.chapter);
    let mut current = None;
    for verb in all {
        if current != Some(verb.chapter) {
            current = Some(verb.chapter);
            let _ = writeln!(out, "## {}\n", title(verb.chapter));
        }
        out.push_str(&entry(verb));
    }
    let _ = writeln!(out, "## Units\n\nUnits that can stand behind a number: {}.\n", UNIT_NAMES.join(", "));
    out
}

/// One verb as a page of its own.
pub(super) fn verb(verb: &Verb) -> String {
    let chapter = match verb.chapter {
        Chapter::Bench => "bench",
        Chapter::Sweeps => "sweeps",
        Chapter::Tables => "own-analysis",
        Chapter::Tip => "verbs",
        Chapter::Analysis => "analysis",
        Chapter::Flow => "resume",
    };
    format!("# {}\n\n{}See also `noctule guide {chapter}`.\n", verb.name, entry(verb))
}

fn entry(verb: &Verb) -> String {
    let gives = verb.gives.in_words();
    let mut out = format!("**{}** {gives}.\n\n{}\n\n", verb.signature(), verb.summary);
    if !verb.params.is_empty() {
        out.push_str("| argument | takes | meaning |\n|---|---|---|\n");
        for param in verb.params {
            let _ = writeln!(out, "| `{}` | {} | {} |", param.name, takes(param), param.meaning);
        }
        out.push('\n');
    }
    // An example that needs the data of a night is shown as a remark, and runs in the chapter on analysis.
    let kind = if verb.example.starts_with("//") { "text" } else { "rhai" };
    let _ = writeln!(out, "```{kind}\n{}\n```\n", verb.example);
    out
}

fn takes(param: &Param) -> String {
    match param.kind {
        Kind::Channel => "a channel or role".to_owned(),
        Kind::Channels => "a channel or role, or a list".to_owned(),
        Kind::OfChannel => "a value in the channel's unit".to_owned(),
        Kind::Time => "a time".to_owned(),
        Kind::Length => "a length".to_owned(),
        Kind::Voltage => "a voltage".to_owned(),
        Kind::Field => "a field".to_owned(),
        Kind::Number => "a number".to_owned(),
        Kind::Value => "a number with or without a unit".to_owned(),
        Kind::Text | Kind::OneOf(_) => "a text".to_owned(),
        Kind::Flag => "true or false".to_owned(),
        Kind::Function => "a function".to_owned(),
        Kind::List => "a list".to_owned(),
        Kind::Sweeps => "a sweep or a table, or a list of them".to_owned(),
        Kind::Data => "a sweep, a trace, an image, a table, a column, or names".to_owned(),
        Kind::Reading => "name of a channel, a role, or a column of a table".to_owned(),
        Kind::Parameters => "a map or a list".to_owned(),
        Kind::Handle(name) => with_article(name),
        Kind::Fields(grammar) => format!("a map {}", with_fields(grammar)),
        Kind::Steps(grammar) => format!("a list of maps {}", with_fields(grammar)),
    }
}

fn with_fields(grammar: &str) -> String {
    let (needed, optional) = grammar.split_once('|').unwrap_or((grammar, ""));
    let list = |part: &str| part.split_whitespace().collect::<Vec<_>>().join(", ");
    match (needed.trim().is_empty(), optional.trim().is_empty()) {
        (false, false) => format!("with {}; may have {}", list(needed), list(optional)),
        (false, true) => format!("with {}", list(needed)),
        _ => format!("that may have {}", list(optional)),
    }
}

fn with_article(name: &str) -> String {
    let article = if name.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
    format!("{article} {name}")
}

/// All roles.
pub(super) fn roles() -> String {
    let mut out = "# Roles\n\nA role says what a channel is for. A sequence that uses roles instead of names runs on every bench that has them.\n\n| role | kind | set or read | meaning |\n|---|---|---|---|\n".to_owned();
    for role in Role::ALL {
        let set = if role.settable() { "set and read" } else { "read" };
        let _ = writeln!(out, "| `{role}` | {} | {set} | {} |", role.dimension(), role.meaning());
    }
    out
}

/// One role.
pub(super) fn role(role: Role) -> String {
    let set = if role.settable() { "can be set and read" } else { "can only be read" };
    format!(
        "# {role}\n\n{} It is {} and {set}.\n\nSee also `noctule guide roles`.\n",
        role.meaning(),
        role.dimension()
    )
}

/// All codes.
pub(super) fn codes() -> String {
    let mut out = "# Codes\n\nA code stands for one kind of fault and keeps its meaning. Codes with B are about bench and world files, codes with S about sequences. Some are warnings: the sequence may run, but look at it.\n\n| code | meaning |\n|---|---|\n".to_owned();
    for entry in CODES {
        let _ = writeln!(out, "| `{}` | {} |", entry.text, entry.meaning);
    }
    out.push_str("\nAn example for each: what causes it, then what was meant.\n\n");
    for entry in CODES {
        let _ = writeln!(out, "## {}\n", entry.text);
        out.push_str(&example(entry.text));
    }
    out
}

/// What triggers a code, and what was meant.
fn example(code: &str) -> String {
    let Some(fault) = fault(code) else { return String::new() };
    let kind = match code {
        "S01" => "sh",
        code if code.starts_with('B') => "ron",
        _ => "rhai",
    };
    format!("```{kind} wrong\n{}\n```\n\n```{kind} right\n{}\n```\n\n", fault.wrong, fault.right)
}

/// One code, with where to read on.
pub(super) fn code(entry: &CodeEntry) -> String {
    let chapter = match entry.text {
        "B07" => "worlds",
        "B09" => "live",
        "B06" | "B08" | "B10" | "S08" | "S13" | "S16" | "S20" => "interlocks",
        text if text.starts_with('B') => "bench",
        "S05" | "S17" | "S21" => "roles",
        "S07" | "S10" | "S11" | "S23" => "units",
        "S24" => "resume",
        "S14" | "S15" | "S12" | "S02" | "S01" | "S06" => "first-night",
        _ => "verbs",
    };
    let mut out = format!("# {}\n\n{}\n\n", entry.text, entry.meaning);
    if let Some(about) = extra(entry.text) {
        out.push_str(about);
        out.push_str("\n\n");
    }
    if fault(entry.text).is_some() {
        out.push_str("What causes it, then what was meant:\n\n");
        out.push_str(&example(entry.text));
    }
    let _ = writeln!(out, "See also `noctule guide {chapter}`.");
    debug_assert!(blocks(&out).iter().any(|block| matches!(block, Block::Heading(1, _))));
    out
}

/// What is worth knowing beyond the one sentence.
fn extra(code: &str) -> Option<&'static str> {
    Some(match code {
        "S09" => {
            "The language lets a function of the sequence take the place of a verb without a word. A harmless name like `wait` would then do something else in the whole file."
        }
        "S10" => {
            "Whole numbers divided by whole numbers give whole numbers: `1 / 2` is 0. Write one of them with a point, `1 / 2.0`."
        }
        "S11" => {
            "A fraction like 0.1 is stored rounded, so ten steps of 0.1 don't end exactly at 1. Count in whole numbers and multiply."
        }
        "S12" => {
            "While a sequence computes, interlocks are still watched, but nothing is measured. A loop that waits for something needs a verb that lets time pass, like `wait(1.s)`."
        }
        "S13" => {
            "An error that nobody hears of costs a night. Put `note(error.message);` into the block, or `throw` it on."
        }
        "S24" => {
            "A loop without a way out, or one whose only way out is `time_left()`, goes on until the window ends. Give the run a window, `--until 07:30`; `check` and `rehearse` take it too, and then say nothing. Without one, the helium ends the night."
        }
        "S16" => {
            "The bench is parked at the end of each run in any case. With `park();` the sequence says so to whoever reads it."
        }
        "S02" => {
            "The parser stops at its first error, so each statement is then looked at for itself. What stands in the faulty one is checked once it is mended."
        }
        _ => return None,
    })
}
