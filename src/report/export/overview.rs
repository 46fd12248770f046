//! One table of all sweeps: when and how, how the bench stood, and what their last fit says.

use crate::quantity::Dimension;
use crate::record::Settings;
use crate::report::account::{Account, SweepOutline};
use std::collections::BTreeSet;

/// What stands in a place of a table.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Cell {
    /// Nothing is known.
    Nothing,
    /// A number, SI.
    Number(f64),
    /// A text.
    Text(String),
}

/// A column with a cell for each sweep.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Column {
    /// Its name.
    pub name: String,
    /// Its SI unit; empty for plain numbers and texts.
    pub unit: String,
    /// Its cells.
    pub cells: Vec<Cell>,
}

/// The SI unit of a channel, as it stands in tables.
fn unit_of(account: &Account, channel: &str) -> String {
    let dimension = account.unit_of(channel).dimension;
    // The symbol for volumes is the litre, but the numbers are SI.
    if dimension == Dimension::VOLUME { "m^3".to_owned() } else { dimension.symbol() }
}

fn number(value: Option<f64>) -> Cell {
    value.map_or(Cell::Nothing, Cell::Number)
}

fn flag(value: Option<bool>) -> Cell {
    number(value.map(|value| f64::from(u8::from(value))))
}

fn names_of(settings: &Settings) -> impl Iterator<Item = &String> {
    settings.set.keys().chain(settings.read.keys())
}

fn value_of(settings: Option<&Settings>, channel: &str) -> Cell {
    number(settings.and_then(|s| s.set.get(channel).or_else(|| s.read.get(channel)).copied()))
}

/// How the bench stood at both ends of a sweep: name, SI unit, values.
pub(super) fn settings_of(account: &Account, outline: &SweepOutline) -> Vec<(String, String, [Cell; 2])> {
    let both = [outline.settings[0].as_deref(), outline.settings[1].as_deref()];
    if both == [None, None] {
        return Vec::new();
    }
    let names: BTreeSet<&String> = both.iter().copied().flatten().flat_map(names_of).collect();
    let channel =
        |name: &String| (name.clone(), unit_of(account, name), both.map(|settings| value_of(settings, name)));
    let mut rows: Vec<_> = names.into_iter().map(channel).collect();
    let mut tip = |name: &str, of: fn(&Settings) -> Cell| {
        rows.push((name.to_owned(), String::new(), both.map(|settings| settings.map_or(Cell::Nothing, of))));
    };
    tip("tip segment", |s| Cell::Number(f64::from(s.tip.segment)));
    tip("tip proved", |s| flag(Some(s.tip.proved)));
    tip("tip centred", |s| flag(Some(s.tip.centred)));
    tip("spin", |s| s.spin.clone().map_or(Cell::Nothing, Cell::Text));
    rows
}

/// All sweeps, a row for each.
pub(super) fn overview(account: &Account) -> Vec<Column> {
    let mut columns: Vec<Column> = Vec::new();
    let mut put = |name: &str, unit: &str, of: &dyn Fn(&SweepOutline) -> Cell| {
        let cells = account.sweeps.iter().map(of).collect();
        columns.push(Column { name: name.to_owned(), unit: unit.to_owned(), cells });
    };
    put("sweep", "", &|s| Cell::Number(s.table.sweep as f64));
    put("name", "", &|s| Cell::Text(s.table.name.clone()));
    put("time", "s", &|s| Cell::Number(s.at_s));
    put("points", "", &|s| Cell::Number(s.measured as f64));
    put("planned", "", &|s| Cell::Number(s.table.planned as f64));
    put("ended", "", &|s| flag(Some(s.ended)));
    put("ended early because", "", &|s| s.because.clone().map_or(Cell::Nothing, Cell::Text));
    put("line of the sequence", "", &|s| Cell::Number(f64::from(s.place.line)));
    let all: Vec<_> = account.sweeps.iter().map(|s| settings_of(account, s)).collect();
    let mut known: Vec<(&str, &str)> = Vec::new();
    for (name, unit, _) in all.iter().flatten() {
        if !known.iter().any(|(other, _)| other == name) {
            known.push((name, unit));
        }
    }
    for (name, unit) in known {
        for (k, end) in ["begin", "end"].iter().enumerate() {
            let of = |rows: &Vec<(String, String, [Cell; 2])>| {
                rows.iter().find(|row| row.0 == name).map_or(Cell::Nothing, |row| row.2[k].clone())
            };
            let cells = all.iter().map(of).collect();
            columns.push(Column { name: format!("{name} {end}"), unit: unit.to_owned(), cells });
        }
    }
    columns.extend(fits(account));
    columns
}

/// What the last fit of each sweep says.
fn fits(account: &Account) -> Vec<Column> {
    let fits: Vec<_> = account.sweeps.iter().map(|s| account.fit_of(s.table.sweep)).collect();
    let mut names: Vec<&str> = Vec::new();
    for parameter in fits.iter().flatten().flat_map(|fit| &fit.parameters) {
        if !names.contains(&parameter.name.as_str()) {
            names.push(&parameter.name);
        }
    }
    let column = |name: String, cells| Column { name, unit: String::new(), cells };
    let of = |cell: &dyn Fn(&crate::report::account::Fitted) -> Cell| {
        fits.iter().map(|fit| fit.map_or(Cell::Nothing, cell)).collect::<Vec<Cell>>()
    };
    let mut columns = vec![
        column("fit of".to_owned(), of(&|fit| Cell::Text(account.channel_name(&fit.channel)))),
        column("fit trusted".to_owned(), of(&|fit| flag(Some(fit.trusted)))),
    ];
    for name in names {
        let value = |fit: &crate::report::account::Fitted| number(fit.parameter(name).and_then(|p| p.value));
        let error = |fit: &crate::report::account::Fitted| number(fit.parameter(name).and_then(|p| p.error));
        columns.push(column(format!("fit {name}"), of(&value)));
        columns.push(column(format!("fit {name} error"), of(&error)));
    }
    columns
}
