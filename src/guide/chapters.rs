//! The chapters of the manual, in reading order.

use super::{fields, tables};
use crate::bench::EVENTS;
use crate::record::schema::{CREATE, SCHEMA_VERSION};

/// A chapter.
#[derive(Debug, Clone, Copy)]
pub struct Topic {
    /// The word to ask for it by.
    pub id: &'static str,
    /// Its title.
    pub title: &'static str,
    /// One line on what it is about.
    pub about: &'static str,
    body: Body,
}

#[derive(Debug, Clone, Copy)]
enum Body {
    Written(&'static str),
    Made(fn() -> String),
}

macro_rules! written {
    ($id:literal, $title:literal, $about:literal) => {
        Topic {
            id: $id,
            title: $title,
            about: $about,
            body: Body::Written(include_str!(concat!("chapters/", $id, ".md"))),
        }
    };
}

const TOPICS: &[Topic] = &[
    written!("first-night", "First night", "from nothing to a brief in the morning"),
    written!("units", "Units", "values with units, and three traps"),
    made("verbs", "Verbs", "everything that a sequence can do", tables::verbs),
    made("roles", "Roles", "what channels can be for", tables::roles),
    written!("sweeps", "Sweeps", "spectra, maps, traces, and the wait at each point"),
    written!("analysis", "Analysis", "fits, the resonance law, the verdict"),
    written!("own-analysis", "Your own analysis", "tables, references, own models, early ends, pandas"),
    written!("bench", "The bench file", "what is connected and what is safe"),
    written!("interlocks", "Interlocks", "limits, permits, interlocks, parking"),
    written!(
        "campaign",
        "Days alone",
        "a plan: goals with evidence, what is next, the odds before you leave"
    ),
    written!("tip", "The tip", "tests, what is guarded, what was achieved"),
    made("logbook", "The logbook", "tips, spins and people's words across runs", logbook),
    made("live", "Watching a run", "progress, status, the live page, events, messages", live),
    written!("morning", "In the morning", "the brief, the figures, last night beside tonight"),
    written!("resume", "Resume", "going on after a crash, a power cut, a refill"),
    written!("windows", "Windows and budgets", "what fits into a night, and what is skipped"),
    written!("helium", "Helium", "the budget, a transfer, and cautions for people"),
    written!("driver", "Writing a driver", "SCPI templates and JSON-RPC lines"),
    written!("faults", "Trying what goes wrong", "faults files for rehearsals and for the mimic"),
    written!("worlds", "World files", "what the simulated microscope is"),
    made("fields", "Fields", "every field of every file, with unit, range, default", fields::chapter),
    written!("salvage", "Damaged run files", "what is whole, and how to keep it"),
    made("run-file", "Run files", "the tables, and questions to ask them", run_file),
    made("codes", "Codes", "every code of every message", tables::codes),
    written!("exit-codes", "Exit codes", "what the exit code of a command means"),
];

const fn made(id: &'static str, title: &'static str, about: &'static str, body: fn() -> String) -> Topic {
    Topic { id, title, about, body: Body::Made(body) }
}

/// All chapters, in reading order.
pub fn topics() -> &'static [Topic] {
    TOPICS
}

impl Topic {
    /// Its text, in the small markup of [`document`](super::document).
    pub(super) fn source(&self) -> String {
        match self.body {
            Body::Written(text) => text.to_owned(),
            Body::Made(make) => make(),
        }
    }
}

fn live() -> String {
    let rows: String = EVENTS.iter().map(|(name, when)| format!("| `{name}` | {when} |\n")).collect();
    include_str!("chapters/live.md").replace("{events}", &format!("| event | when |\n|---|---|\n{rows}"))
}

fn logbook() -> String {
    include_str!("chapters/logbook.md").replace("{schema}", crate::logbook::SCHEMA.trim())
}

fn run_file() -> String {
    include_str!("chapters/run-file.md")
        .replace("{version}", &SCHEMA_VERSION.to_string())
        .replace("{schema}", CREATE.trim())
}
