//! The cards of a run: what its sequence is about, and the figure that shows it.

use super::page::{Cell, cards as table_of, figure, safe};
use crate::history::{Card, Figure};
use crate::quantity::significant;
use crate::record::RunFile;
use crate::report::account::{Account, Law};
use crate::report::figure::Drawing;
use crate::report::plot::{self, PlotError};
use serde_json::Value;

/// A card as a section of the page.
pub(super) struct Shown {
    /// What it shows.
    pub title: String,
    /// What it says, in a few words.
    pub says: String,
    /// Markup.
    pub content: String,
}

/// All cards that have something to show.
pub(super) fn all(account: &Account, run: &RunFile, article: usize) -> Vec<Shown> {
    let mut shown = Vec::new();
    for card in plot::cards(account) {
        let laws = account.proved_laws();
        if card.figure == Figure::Field && !laws.is_empty() {
            shown
                .extend(laws.iter().map(|law| of_law(account, &card, law, account.history.claims.len() > 1)));
        } else {
            let content = content(account, run, &card, article);
            shown.push(Shown { title: card.title, says: card.says, content });
        }
    }
    shown
}

/// Resonance against field of one spin under one state of the tip.
fn of_law(account: &Account, card: &Card, law: &Law, several: bool) -> Shown {
    let drawn = |size| plot::of_law(account, Some(law), size);
    let content = format!("{}{}", numbers(law), drawings(card, drawn));
    let title = match several {
        true => format!("{}, {}", card.title, whose(account, law)),
        false => card.title.clone(),
    };
    Shown { title, says: card.says.clone(), content }
}

/// Which spin, or which spectra, a law is about.
fn whose(account: &Account, law: &Law) -> String {
    let found = account.result().found;
    let own = found.iter().find(|finding| finding.sweeps.iter().copied().eq(law.sweeps.iter().copied()));
    let sweeps = || match (law.sweeps.iter().min(), law.sweeps.iter().max()) {
        (Some(first), Some(last)) => format!("sweeps {first} to {last}"),
        _ => "judged anew".to_owned(),
    };
    match own.map_or("", |finding| finding.spin.as_str()) {
        "" => sweeps(),
        spin => format!("{spin}, {}", sweeps()),
    }
}

/// Wide and narrow sizes of a figure.
fn sizes(figure: Figure) -> [(f64, f64); 2] {
    match figure {
        Figure::Field => [(760.0, 430.0), (370.0, 330.0)],
        Figure::Map => [(640.0, 460.0), (370.0, 320.0)],
        _ => [(680.0, 340.0), (370.0, 280.0)],
    }
}

fn content(account: &Account, run: &RunFile, card: &Card, article: usize) -> String {
    if card.figure == Figure::Table {
        return table(card);
    }
    let mut out = match card.figure {
        Figure::Field => "<p>Nothing is proved, so there is no moment and no tip field. The points are fits, each for itself.</p>".to_owned(),
        _ => String::new(),
    };
    out += &drawings(card, |size| plot::card(account, run, card, size));
    if let Some(number) = card.source {
        out += &format!("<p><a href=\"#run-{article}-sweep-{number}\">Sweep {number}</a></p>");
    }
    out
}

/// A wide and a narrow drawing: on a phone the lettering of the wide one would be too small to read.
fn drawings(card: &Card, drawn: impl Fn((f64, f64)) -> Result<Drawing, PlotError>) -> String {
    let mut out = String::new();
    for (class, size) in ["wide", "narrow"].into_iter().zip(sizes(card.figure)) {
        match drawn(size) {
            Ok(drawing) => {
                out += &format!("<div class=\"{class}\">{}</div>", figure(&drawing, caption(card)))
            }
            Err(error) if class == "wide" => {
                out += &format!("<p>Nothing to draw: {}.</p>", safe(&error.to_string()))
            }
            Err(_) => {}
        }
    }
    out
}

fn caption(card: &Card) -> &'static str {
    match card.figure {
        Figure::Field => "Error bars: one standard error; crossed: not trusted.",
        Figure::Power | Figure::Line => "Error bars are one standard error.",
        _ => "",
    }
}

/// The numbers of the proved law.
fn numbers(law: &Law) -> String {
    let number = |known: Option<(f64, f64)>, scale: f64| {
        known.map(|(value, error)| safe(&crate::quantity::rounded(value * scale, error * scale)))
    };
    let moment = number(law.moment, 1.0).map(|m| format!("Moment <b>{m} μ<sub>B</sub></b>"));
    let field = number(law.tip_field_t, 1e3).map(|b| format!("tip field <b>{b} mT</b>"));
    let spectra =
        crate::report::words::count(law.points.len() as u64, "spectrum").replace("spectrums", "spectra");
    let facts: Vec<String> = [moment, field, Some(safe(&spectra))].into_iter().flatten().collect();
    format!("<p>{}.</p>", facts.join(" · "))
}

fn table(card: &Card) -> String {
    let head: Vec<(&'static str, String)> = card
        .columns
        .iter()
        .map(|column| match column.unit.as_str() {
            "" => ("", column.name.clone()),
            unit => ("n", format!("{} ({unit})", column.name)),
        })
        .collect();
    let head: Vec<(&'static str, &str)> = head.iter().map(|(class, name)| (*class, name.as_str())).collect();
    let cell = |value: &Value| match value {
        Value::Number(number) => ("n", significant(number.as_f64().unwrap_or(f64::NAN), 5)),
        Value::String(words) => ("", safe(words)),
        other => ("", safe(&other.to_string())),
    };
    let rows: Vec<(&'static str, Vec<Cell>)> =
        card.rows.iter().map(|row| ("", row.iter().map(cell).collect())).collect();
    if rows.is_empty() {
        return "<p>No result yet.</p>".to_owned();
    }
    table_of(&card.title, &head, &rows)
}
