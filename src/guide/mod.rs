//! The manual: short chapters, and tables made from the registries of verbs, roles, units and codes, so
//! that it can't say what the program does not do. As text for the terminal and as one HTML file.
//!
//! ```
//! use noctule::guide;
//!
//! assert!(guide::text(Some("set")).unwrap().contains("set(channel, value)"));
//! assert!(guide::text(Some("S07")).unwrap().contains("unit"));
//! assert!(guide::text(Some("Interlock")).unwrap().contains("only_while"));
//! assert!(guide::html().starts_with("<!doctype html>"));
//! // A topic that is not known comes back with those that are like it.
//! assert_eq!(guide::text(Some("heluim")).unwrap_err(), ["helium"]);
//! ```

mod chapters;
mod definitions;
mod document;
mod faults;
pub mod fields;
mod page;
mod plain;
mod schema;
mod start;
mod tables;
mod worlds;

pub use chapters::{Topic, topics};
pub use definitions::rhai_definitions;
pub use document::{Example, examples};
pub use faults::{Fault, faults};
pub use schema::{bench_schema, world_schema};
pub use start::{StartingPoint, starting_point, starting_points};
pub use worlds::{KindCard, WorldCard, world_list};

use crate::bench::Role;
use crate::diagnostic::CODES;
use crate::document::nearest;
use crate::script::registry;

/// The manual as text: a chapter, a verb, a role, a code or a part of a file; without a topic the table of contents.
///
/// # Errors
/// Topics that look like the one asked for; all chapters if none does.
pub fn text(topic: Option<&str>) -> Result<String, Vec<String>> {
    let Some(topic) = topic else { return Ok(plain::render(&tables::contents())) };
    let topic = topic.trim();
    if let Some(page) = fields::page(topic).filter(|_| registry::find(topic).is_none()) {
        return Ok(plain::render(&page));
    }
    if let Some(chapter) = topics().iter().find(|chapter| chapter.id.eq_ignore_ascii_case(topic)) {
        return Ok(plain::render(&chapter.source()));
    }
    if let Some(verb) = registry::find(topic) {
        return Ok(plain::render(&tables::verb(verb)));
    }
    if let Some(role) = Role::ALL.iter().find(|role| role.name().eq_ignore_ascii_case(topic)) {
        return Ok(plain::render(&tables::role(*role)));
    }
    if let Some(entry) = CODES.iter().find(|entry| entry.text.eq_ignore_ascii_case(topic)) {
        return Ok(plain::render(&tables::code(entry)));
    }
    fields::pages_like(topic).map(|page| plain::render(&page)).ok_or_else(|| suggestions(topic))
}

/// Passages that are shown of a word that has no page of its own.
const MOST_PASSAGES: usize = 6;

/// Where the chapters speak of a word, as of a field of a verb; none if they don't.
///
/// ```
/// assert!(noctule::guide::passages("until_error").unwrap().contains("guide sweeps"));
/// assert!(noctule::guide::passages("safety").unwrap().contains("ask_people("));
/// assert_eq!(noctule::guide::passages("nothing_of_the_kind"), None);
/// ```
pub fn passages(word: &str) -> Option<String> {
    let quoted = [format!("`{word}`"), format!("{word}: "), format!("`{word}(")];
    let speaks = |text: &str| quoted.iter().any(|form| text.contains(form.as_str()));
    let mut found = String::new();
    let mut count = 0;
    for topic in topics() {
        let source = topic.source();
        // A row of a table stands for itself; text is told by paragraphs.
        let lines = source.lines().filter(|line| line.starts_with('|') && speaks(line));
        let rows = lines
            .map(|row| row.trim_matches('|').splitn(2, '|').map(str::trim).collect::<Vec<_>>().join(": "));
        // What is said about a verb is no help without its name.
        let told = source.split("\n\n").scan("", |verb, p| {
            *verb = if p.starts_with("**") {
                p
            } else if p.starts_with('#') {
                ""
            } else {
                *verb
            };
            Some((*verb, p))
        });
        let whole = told.filter(|(_, p)| !p.starts_with(['|', '`', '#']) && speaks(p));
        let whole = whole.map(|(verb, p)| match verb {
            "" => p.to_owned(),
            verb if verb == p => p.to_owned(),
            verb => format!("{verb}\n\n{p}"),
        });
        for passage in rows.chain(whole).take(MOST_PASSAGES - count.min(MOST_PASSAGES)) {
            found.push_str(&format!("{passage}\n\nSee `noctule guide {}`.\n\n", topic.id));
            count += 1;
        }
    }
    (count > 0).then(|| plain::render(&format!("# {word}\n\n{found}")))
}

fn suggestions(topic: &str) -> Vec<String> {
    let chapters = topics().iter().map(|chapter| chapter.id);
    let verbs = registry::all().map(|verb| verb.name);
    let roles = Role::ALL.iter().map(|role| role.name());
    let parts = fields::parts();
    let parts = parts.iter().map(|part| part.section.name);
    match nearest(topic, chapters.chain(verbs).chain(roles).chain(parts)) {
        Some(near) => vec![near.to_owned()],
        None => topics().iter().map(|chapter| chapter.id.to_owned()).collect(),
    }
}

/// The whole manual as one HTML file that needs nothing from anywhere else.
pub fn html() -> String {
    page::render(topics())
}
