//! Sweeps and maps.

use super::PlotError;
use crate::quantity::{Dimension, value_in};
use crate::record::Column;
use crate::record::{RunFile, SweepTable};
use crate::report::account::{Account, Fitted, SweepOutline};
use crate::report::figure::{Axis, Chart, Drawing, Heat, Ink, Place, Series, Style};

/// Places along a fitted curve.
const CURVE_PLACES: usize = 240;

/// A sweep by its number in the run, with its fit; a map where it has two axes. `channel` is one of the readings;
/// the fitted one, or the first, where none is named.
///
/// # Errors
/// No such sweep or reading; nothing measured in it; the file can't be read.
pub fn sweep(
    account: &Account,
    run: &RunFile,
    number: u64,
    channel: Option<&str>,
    size: (f64, f64),
) -> Result<Drawing, PlotError> {
    let outline = account.sweeps.iter().find(|s| s.table.sweep == number).ok_or_else(|| {
        let known = match account.sweeps.len() {
            0 => "it has no sweeps at all".to_owned(),
            n => format!("its sweeps count from 0 to {}", n - 1),
        };
        PlotError::Unknown { what: "sweep", name: number.to_string(), known }
    })?;
    let table = account.fill(run, outline)?;
    if table.x.is_empty() {
        return Err(PlotError::Nothing(format!("sweep {number} has no points")));
    }
    let read = reading(account, &table, channel)?;
    if table.slow.is_some() {
        return Ok(map(&table, outline, read).draw(size.0, size.1));
    }
    Ok(spectrum(account, outline, &table, Some(read)).draw(size.0, size.1))
}

/// Which of the readings is meant.
fn reading(account: &Account, table: &SweepTable, channel: Option<&str>) -> Result<usize, PlotError> {
    let Some(name) = channel else { return Ok(usual_reading(account, table)) };
    let wanted = account.channel_name(name);
    table.read.iter().position(|c| c.channel == wanted).ok_or_else(|| {
        let names: Vec<&str> = table.read.iter().map(|c| c.channel.as_str()).collect();
        let known = format!("sweep {} read {}", table.sweep, names.join(", "));
        PlotError::Unknown { what: "reading", name: name.to_owned(), known }
    })
}

fn usual_reading(account: &Account, table: &SweepTable) -> usize {
    let fitted = account.fit_of(table.sweep).map(|fit| account.channel_name(&fit.channel));
    fitted.and_then(|name| table.read.iter().position(|c| c.channel == name)).unwrap_or(0)
}

/// The chart of a sweep over one axis, with its fit.
pub fn spectrum(account: &Account, outline: &SweepOutline, table: &SweepTable, read: Option<usize>) -> Chart {
    let read = read.unwrap_or_else(|| usual_reading(account, table)).min(table.read.len().saturating_sub(1));
    let (x_unit, y_unit) = (Column::printed_in(&table.fast), table.read.get(read).map(Column::printed_in));
    let y_unit = y_unit.unwrap_or_else(|| x_unit.clone());
    let empty = Vec::new();
    let values = table.values.get(read).unwrap_or(&empty);
    let points: Vec<Place> =
        table.x.iter().zip(values).map(|(x, y)| (x_unit.from_si(*x), y_unit.from_si(*y))).collect();
    let name = table.read.get(read).map_or("", |c| c.channel.as_str());
    let mut series = Vec::new();
    let turn =
        outline.line.and_then(|n| usize::try_from(n).ok()).filter(|n| table.both_ways && *n < points.len());
    match turn {
        Some(turn) => {
            series.push(Series::new(points[..turn].to_vec(), Style::Dots, Ink::First).named("there"));
            series.push(Series::new(points[turn..].to_vec(), Style::Dots, Ink::Second).named("back"));
        }
        None => series.push(Series::new(points.clone(), Style::Dots, Ink::First)),
    }
    let fit = account.fit_of(table.sweep).filter(|f| account.channel_name(&f.channel) == name);
    if let Some(fit) = fit {
        series.extend(curve(fit, table).map(|curve| {
            let curve = curve.into_iter().map(|(x, y)| (x_unit.from_si(x), y_unit.from_si(y))).collect();
            let (style, ink) = if fit.trusted { (Style::Line, Ink::Fit) } else { (Style::Dashed, Ink::Warn) };
            Series::new(curve, style, ink)
        }));
    }
    let label = description(account, outline, table, fit);
    Chart {
        title: title(account, outline, fit),
        label,
        x: Axis::of(&table.fast.channel, &x_unit.text),
        y: Axis::of(name, &y_unit.text),
        series,
        marks: Vec::new(),
        left: 0.0,
    }
}

fn title(account: &Account, outline: &SweepOutline, fit: Option<&Fitted>) -> String {
    let mut title = format!("{} · {}", outline.table.sweep, outline.table.name);
    if let (Some(field), true) = (outline.field_t, account.bench.is_some()) {
        title += &format!(" · {}", value_in(field, &account.unit_of("FieldZ"), 4));
    }
    if fit.is_some_and(|f| !f.trusted) {
        title += " · ✕ not trusted";
    }
    if outline.because.is_some() {
        title += " · ended early";
    } else if outline.measured < outline.table.planned {
        title += " · incomplete";
    }
    title
}

fn description(
    account: &Account,
    outline: &SweepOutline,
    table: &SweepTable,
    fit: Option<&Fitted>,
) -> String {
    let mut words = format!(
        "{} of {} points of sweep {}, {} against {}",
        outline.measured,
        table.planned,
        table.sweep,
        table.read.iter().map(|c| c.channel.as_str()).collect::<Vec<_>>().join(", "),
        table.fast.channel
    );
    if let Some(centre) = fit.and_then(|f| f.parameter("centre")).and_then(|p| p.value) {
        words += &format!("; fitted line at {}", value_in(centre, &account.unit_of(&table.fast.channel), 6));
    }
    words
}

/// The fitted curve over the range of a sweep, SI.
fn curve(fit: &Fitted, table: &SweepTable) -> Option<Vec<Place>> {
    let (low, high) =
        table.x.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
    if high.partial_cmp(&low) != Some(std::cmp::Ordering::Greater) {
        return None;
    }
    let step = (high - low) / (CURVE_PLACES - 1) as f64;
    let places: Vec<Place> =
        (0..CURVE_PLACES).map(|i| low + step * i as f64).filter_map(|x| Some((x, fit.at(x)?))).collect();
    (places.len() == CURVE_PLACES).then_some(places)
}

/// A sweep over two axes as a map; points that go back along a line are put in their place.
pub fn map(table: &SweepTable, outline: &SweepOutline, read: usize) -> Heat {
    let (x_unit, z_unit) = (Column::printed_in(&table.fast), Column::printed_in(&table.read[read]));
    let slow = table.slow.as_ref().unwrap_or(&table.fast);
    let y_unit = Column::printed_in(slow);
    let columns = columns_of(table, outline);
    let along = if table.both_ways { 2 * columns } else { columns };
    let rows = table.x.len().div_ceil(along.max(1));
    let mut values = vec![f64::NAN; rows * columns];
    for (i, value) in table.values[read].iter().enumerate() {
        // Of the two ways along a line the first is shown.
        if i % along < columns {
            values[i / along * columns + i % along] = z_unit.from_si(*value);
        }
    }
    let along_x: Vec<f64> = table.x.iter().take(columns).map(|x| x_unit.from_si(*x)).collect();
    let rows_at: Vec<f64> = table.y.chunks(along.max(1)).map(|row| y_unit.from_si(row[0])).collect();
    // The middles of the first and the last pixel are half a pixel from the edges.
    let half = match along_x.as_slice() {
        [first, .., last] => (last - first) / (along_x.len() - 1) as f64 / 2.0,
        _ => 0.5,
    };
    let mut x = Axis::of(&table.fast.channel, &x_unit.text);
    let (first, last) = (along_x.first().copied().unwrap_or(0.0), along_x.last().copied().unwrap_or(1.0));
    x.range = Some((first - half, last + half));
    let y = Axis::of(&slow.channel, &y_unit.text);
    let one_scale = x_unit.text == y_unit.text && x_unit.dimension == Dimension::LENGTH;
    let z = Axis::of(&table.read[read].channel, &z_unit.text).label;
    let label = format!(
        "map of {z} over {} and {}, {} of {} points",
        table.fast.channel,
        slow.channel,
        table.x.len(),
        table.planned
    );
    let title = format!("{} · {}", table.sweep, table.name);
    Heat { title, label, x, y, z, columns, rows_at: Vec::new(), one_scale, values }.with_rows(&rows_at)
}

/// Points along a line of a map: from the plan, or else from where the slow axis first changes.
pub(crate) fn columns_of(table: &SweepTable, outline: &SweepOutline) -> usize {
    let planned = outline.line.and_then(|n| usize::try_from(n).ok());
    let first = table.y.first().copied().unwrap_or(0.0);
    let seen = table.y.iter().position(|y| *y != first).unwrap_or(table.y.len());
    planned.unwrap_or(if table.both_ways { seen / 2 } else { seen }).max(1)
}
