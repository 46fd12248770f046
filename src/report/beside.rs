//! Tonight beside an earlier run: line, width, height, noise, drift, helium, pressures, and what changed by more than it
//! scatters.

use super::account::Account;
use crate::analysis::order;
use crate::bench::Role;
use crate::quantity::{Unit, rounded, significant, value_in};
use crate::record::RunFile;
use serde::Serialize;
use std::path::Path;

/// A change beyond so many times what both scatter together is flagged.
const BEYOND: f64 = 3.0;
/// Spectra that are read for the noise.
const MOST_SPECTRA: usize = 40;
/// Runs that are looked at for the one before.
const MOST_LOOKED_AT: usize = 40;

/// One quantity in two runs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Compared {
    /// What it is.
    pub what: String,
    /// In the earlier run; empty where it has none.
    pub before: String,
    /// In this run; empty where it has none.
    pub now: String,
    /// Whether it changed by more than it scatters; none where one of them is missing.
    pub changed: Option<bool>,
}

/// A number with what it scatters by, or with its error.
#[derive(Debug, Clone, Copy)]
struct Level {
    value: f64,
    scatter: f64,
}

/// Compares a run with an earlier one.
pub fn compare(before: &Account, now: &Account) -> Vec<Compared> {
    let sides = [before, now].map(levels);
    let mut names: Vec<&String> = sides.iter().flatten().map(|(name, ..)| name).collect();
    let mut seen = Vec::new();
    names.retain(|name| {
        !seen.contains(name) && {
            seen.push(*name);
            true
        }
    });
    let found = |side: usize, name: &str| sides[side].iter().find(|(known, ..)| known == name);
    let row = |name: &String| {
        let pair = [found(0, name), found(1, name)];
        let [before, now] = pair.map(|one| one.map_or(String::new(), |(_, unit, level)| shown(*level, unit)));
        let changed = pair[0]
            .zip(pair[1])
            .map(|((_, _, a), (_, _, b))| (b.value - a.value).abs() > BEYOND * a.scatter.hypot(b.scatter));
        Compared { what: name.clone(), before, now, changed }
    };
    names.into_iter().map(row).collect()
}

fn shown(level: Level, unit: &Unit) -> String {
    let (value, scatter) = (unit.from_si(level.value), unit.from_si(level.scatter));
    let suffix = if unit.text.is_empty() { String::new() } else { format!(" {}", unit.text) };
    if scatter > 0.0 && scatter.is_finite() {
        // Two digits of a pressure of 4e-11 are no decimals.
        let small = value != 0.0 && value.abs() < 1e-4;
        let number = if small {
            format!("{} ± {}", significant(value, 2), significant(scatter, 1))
        } else {
            rounded(value, scatter)
        };
        return format!("{number}{suffix}");
    }
    value_in(level.value, unit, 4)
}

fn unit(text: &str) -> Unit {
    Unit::parse(text).or_else(|| Unit::parse("")).expect("a plain number is a unit")
}

/// What a run shows, in the order of the table.
fn levels(account: &Account) -> Vec<(String, Unit, Level)> {
    let mut all = Vec::new();
    let mut put = |name: &str, unit: Unit, level: Option<Level>| {
        all.extend(level.filter(|level| level.value.is_finite()).map(|level| (name.to_owned(), unit, level)));
    };
    let proved = account.history.claims.iter().rev().find(|claim| claim.moment_mu_b.is_some());
    let known = |known: crate::history::Known| Level { value: known.value, scatter: known.error };
    put("moment (μB)", unit(""), proved.and_then(|claim| claim.moment_mu_b).map(known));
    put("tip field", unit("mT"), proved.and_then(|claim| claim.tip_field_t).map(known));
    let of_fits = |name: &str| {
        let fits = account.fits_of_sweeps().filter(|fit| fit.trusted);
        typical(fits.filter_map(|fit| fit.parameter(name)?.value).map(f64::abs).collect())
    };
    put("width of the line", unit("MHz"), of_fits("width"));
    put("height of the line", account.unit_of("LockinX"), of_fits("height"));
    put("noise of a point", account.unit_of("LockinX"), noise(account));
    let steps = account.centres.windows(2).filter(|pair| pair[1].0 - pair[0].0 > 60.0);
    let rates = steps.map(|p| (p[1].1 - p[0].1).hypot(p[1].2 - p[0].2) / (p[1].0 - p[0].0) * 3600.0);
    put("drift in an hour", unit("nm"), typical(rates.collect()));
    let day = |m3_per_s: f64| m3_per_s * 86_400.0;
    let helium = account.helium().and_then(|helium| {
        let (loss, error) = (helium.loss_m3_per_s?, helium.loss_error_m3_per_s?);
        Some(Level { value: day(loss), scatter: day(error) })
    });
    put("helium in a day", account.unit_of("HeliumLevel"), helium);
    let watched = [
        (Role::StageTemperature, "stage"),
        (Role::PotTemperature, "pot"),
        (Role::ChamberPressure, "chamber pressure"),
        (Role::PreparationPressure, "preparation pressure"),
    ];
    for (role, name) in watched {
        let channel = account.channel_name(role.name());
        let readings = account.monitors.get(&channel);
        let level = readings.and_then(|readings| typical(readings.iter().map(|r| r.1).collect()));
        put(name, account.unit_of(&channel), level);
    }
    all
}

/// The middle value, and the scatter by the middle one of the distances from it.
fn typical(mut values: Vec<f64>) -> Option<Level> {
    values.retain(|value| value.is_finite());
    if values.len() < 3 {
        return None;
    }
    let value = order::middle_of(&mut values);
    let scatter = 1.4826 * order::middle(values.iter().map(|v| (v - value).abs()).collect());
    Some(Level { value, scatter })
}

/// Noise of a point of a spectrum, from the differences of neighbours; a line is narrow and does not count.
fn noise(account: &Account) -> Option<Level> {
    let run = RunFile::open(&account.path).ok()?;
    let wanted = account.channel_name("LockinX");
    let spectra =
        account.sweeps.iter().filter(|sweep| sweep.measured > 20 && sweep.table.fast.si_unit == "Hz");
    let of_one = |outline: &super::account::SweepOutline| {
        let read = outline.table.read.iter().position(|column| column.channel == wanted)?;
        let table = account.fill(&run, outline).ok()?;
        let steps = table.values[read].windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
        // The median of the size of a difference is 0.6745 √2 of the noise of a point (normal law, textbook).
        typical(steps).map(|level| level.value / (0.6745 * std::f64::consts::SQRT_2))
    };
    typical(spectra.take(MOST_SPECTRA).filter_map(of_one).collect())
}

/// The latest run before one that ran the same sequence on the same bench, among the folders beside its own.
pub fn earlier(run: &RunFile) -> Option<RunFile> {
    let path = run.path();
    let own = path.parent()?;
    let identity = run.identity().ok()?;
    let modified = |file: &Path| std::fs::metadata(file).and_then(|meta| meta.modified()).ok();
    let begun = modified(path)?;
    let mut others: Vec<_> = std::fs::read_dir(own.parent()?)
        .ok()?
        .flatten()
        .map(|entry| entry.path())
        .filter(|folder| folder != own)
        .filter_map(|folder| {
            Some((modified(&folder.join(path.file_name()?))?, folder.join(path.file_name()?)))
        })
        .filter(|(at, _)| *at < begun)
        .collect();
    others.sort();
    let same = |file: &RunFile| {
        file.identity().is_ok_and(|other| {
            (other.sequence, other.bench, other.rehearsal)
                == (identity.sequence.clone(), identity.bench.clone(), identity.rehearsal)
        })
    };
    let latest = others.iter().rev().take(MOST_LOOKED_AT);
    latest.filter_map(|(_, file)| RunFile::open(file).ok()).find(same)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_wild_value_changes_neither_level_nor_scatter() {
        let level = typical(vec![1.0, 1.1, 0.9, 1.05, 50.0]).unwrap();
        assert!((level.value - 1.05).abs() < 1e-12 && level.scatter < 0.2, "{level:?}");
        assert!(typical(vec![1.0, 2.0]).is_none());
        assert!(shown(Level { value: 4.1e-9, scatter: 3e-10 }, &unit("mbar")).contains('±'));
    }
}
