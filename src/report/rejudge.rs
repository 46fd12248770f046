//! Judging the spectra of a finished run anew, with other settings than those of the night.

use super::account::{Account, Judged};
use crate::analysis::joint::{Prior, SpectrumAt, judge, long_enough};
use crate::bench::Role;
use crate::record::{RunFile, VerdictFound};
use serde_json::{Map, Value};

/// What is asked, from words like `alpha=1e-4`; what is not named keeps its default.
///
/// ```
/// use noctule::report::rejudge::settings;
/// assert_eq!(settings(&["alpha=1e-4".to_owned()]).unwrap().alpha, 1e-4);
/// assert!(settings(&["alpah=1e-4".to_owned()]).unwrap_err().contains("alpah"));
/// ```
///
/// # Errors
/// One sentence for a word that is no setting.
pub fn settings(words: &[String]) -> Result<Prior, String> {
    let mut named = Map::new();
    for word in words {
        let fault = || format!("`{word}` is not like setting=number");
        let (name, value) = word.split_once('=').ok_or_else(fault)?;
        let number: f64 = value.trim().parse().map_err(|_| fault())?;
        named.insert(name.trim().to_owned(), number.into());
    }
    serde_json::from_value(Value::Object(named))
        .map_err(|error| format!("the settings can't be used: {error}"))
}

/// A spectrum with what was known when it was taken.
struct Column {
    field_t: f64,
    start_s: f64,
    upward: bool,
    setpoint_a: Option<f64>,
    f_hz: Vec<f64>,
    y: Vec<f64>,
}

/// Replaces the verdicts of an account by a new one on all its spectra whose field is known.
///
/// # Errors
/// One sentence if there is nothing to judge, or the run file can't be read.
pub fn rejudge(account: &mut Account, run: &RunFile, settings: &Prior) -> Result<(), String> {
    let mut columns: Vec<Column> = Vec::new();
    let mut began: Vec<(u64, f64)> = Vec::new();
    for outline in &account.sweeps {
        let table = &outline.table;
        let read = table.read.iter().position(|column| column.channel.starts_with("lockin_x"));
        let (Some(field_t), Some(read), "Hz", None) =
            (outline.field_t, read, table.fast.si_unit.as_str(), table.slow.as_ref())
        else {
            continue;
        };
        let table = account.fill(run, outline).map_err(|error| error.to_string())?;
        let mut points: Vec<(f64, f64)> =
            table.x.iter().copied().zip(table.values[read].iter().copied()).collect();
        let upward = table.x.first() <= table.x.last();
        let setpoint_a = outline.settings[0].as_ref().and_then(|settings| {
            let bench = account.bench.as_ref()?;
            settings.set.get(&bench.channel(bench.by_role(Role::Setpoint)?).name).copied()
        });
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        began.push((outline.table.sweep, outline.at_s));
        let read = |point: &(f64, f64)| point.1.is_finite();
        let stretches: Vec<_> =
            points.chunk_by(|a, b| read(a) == read(b)).filter(|part| read(&part[0])).collect();
        let missing = !points.iter().all(read);
        for stretch in long_enough(stretches, missing, |stretch| stretch.len()) {
            let (f_hz, y) = stretch.iter().copied().unzip();
            columns.push(Column { field_t, start_s: outline.at_s, upward, setpoint_a, f_hz, y });
        }
    }
    let spectra: Vec<SpectrumAt<'_>> = columns
        .iter()
        .map(|column| SpectrumAt {
            field_t: column.field_t,
            start_s: column.start_s,
            upward: column.upward,
            tip: 0,
            setpoint_a: column.setpoint_a,
            f_hz: &column.f_hz,
            y: &column.y,
        })
        .collect();
    let judged =
        judge(&spectra, settings).map_err(|error| format!("the spectra can't be judged anew: {error}"))?;
    account.verdicts.clear();
    account.history.claims.clear();
    for one in &judged {
        let mut body = serde_json::to_value(one).map_err(|error| error.to_string())?;
        let within = |at_s: &&(u64, f64)| (one.from_s..=one.to_s).contains(&at_s.1);
        body["sweeps"] = began.iter().filter(within).map(|(sweep, _)| *sweep).collect();
        let found = VerdictFound::read(&body);
        account.history.judged_anew("verdict", &found);
        account.verdicts.push(Judged::of(account.history.end_s, found, &body));
    }
    Ok(())
}
