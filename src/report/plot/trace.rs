//! Traces, histograms, images, and channels that were watched.

use super::PlotError;
use crate::analysis::contrast::{ContrastVerdict, contrast_of_trace};
use crate::instrument::Task;
use crate::quantity::Unit;
use crate::record::RunFile;
use crate::report::account::{Account, BulkOutline};
use crate::report::figure::{Axis, Chart, Drawing, Heat, Ink, Place, Series, Style};

fn bulk<'a>(account: &'a Account, verb: &'static str, which: usize) -> Result<&'a BulkOutline, PlotError> {
    let all: Vec<&BulkOutline> = account.bulks.iter().filter(|b| b.verb() == verb).collect();
    all.get(which).copied().ok_or_else(|| PlotError::Unknown {
        what: verb,
        name: which.to_string(),
        known: match all.len() {
            0 => "it has none at all".to_owned(),
            n => format!("they count from 0 to {}", n - 1),
        },
    })
}

fn unit_of(account: &Account, bulk: &BulkOutline) -> Unit {
    let unit = account.unit_of(bulk.name());
    let si = Unit::parse(bulk.unit()).or_else(|| Unit::parse("")).expect("a plain number is a unit");
    if unit.dimension == si.dimension { unit } else { si }
}

/// A trace by its place among the traces of the run, from 0.
///
/// # Errors
/// No such trace; the file can't be read.
pub fn trace(account: &Account, run: &RunFile, which: usize, size: (f64, f64)) -> Result<Drawing, PlotError> {
    let bulk = bulk(account, "trace", which)?;
    let unit = unit_of(account, bulk);
    let numbers = run.bulk(bulk.seq)?;
    let at = |(i, value): (usize, &f64)| (i as f64 * bulk.interval_s(), unit.from_si(*value));
    let points: Vec<Place> = numbers.iter().enumerate().map(at).collect();
    let chart = Chart {
        title: format!("{} at {}", bulk.name(), account.history.clock.short(bulk.at_s)),
        label: format!("trace of {}, {} samples", bulk.name(), points.len()),
        x: Axis::of("time", "s"),
        y: Axis::of(bulk.name(), &unit.text),
        series: vec![Series::new(points, Style::Line, Ink::First)],
        marks: Vec::new(),
        left: 0.0,
    };
    Ok(chart.draw(size.0, size.1))
}

/// The histogram of a trace.
///
/// # Errors
/// No such trace; no numbers in it; the file can't be read.
pub fn histogram(
    account: &Account,
    run: &RunFile,
    which: usize,
    bins: usize,
    size: (f64, f64),
) -> Result<Drawing, PlotError> {
    let bulk = bulk(account, "trace", which)?;
    let unit = unit_of(account, bulk);
    let numbers: Vec<f64> =
        run.bulk(bulk.seq)?.into_iter().map(|v| unit.from_si(v)).filter(|v| v.is_finite()).collect();
    let bins = bins.clamp(1, 10_000);
    let least = numbers.iter().copied().fold(f64::INFINITY, f64::min);
    let most = numbers.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if numbers.is_empty() {
        return Err(PlotError::Nothing(format!("trace {which} has no numbers")));
    }
    let width = if most > least { (most - least) / bins as f64 } else { 1.0 };
    let mut counts = vec![0_u64; bins];
    for value in &numbers {
        counts[(((value - least) / width) as usize).min(bins - 1)] += 1;
    }
    let middle = |(i, count): (usize, &u64)| (least + (i as f64 + 0.5) * width, *count as f64);
    let points: Vec<Place> = counts.iter().enumerate().map(middle).collect();
    let tallest = counts.iter().copied().max().unwrap_or(1) as f64;
    let mut y = Axis::of("samples in a bin", "");
    y.range = Some((0.0, 1.05 * tallest));
    let mut x = Axis::of(bulk.name(), &unit.text);
    x.range = Some((least, least + width * bins as f64));
    let chart = Chart {
        title: format!("{} at {}", bulk.name(), account.history.clock.short(bulk.at_s)),
        label: format!("histogram of {}, {} samples in {bins} bins", bulk.name(), numbers.len()),
        x,
        y,
        series: std::iter::once(Series::new(points, Style::Bars, Ink::First))
            .chain(levels(&numbers, bulk.interval_s(), tallest))
            .collect(),
        ..Chart::default()
    };
    Ok(chart.draw(size.0, size.1))
}

/// The two levels of a trace as lines through its histogram, where they are proved.
fn levels(numbers: &[f64], interval_s: f64, tallest: f64) -> Vec<Series> {
    let Ok(judged) = contrast_of_trace(numbers, interval_s) else { return Vec::new() };
    if !matches!(judged.verdict, ContrastVerdict::Contrast | ContrastVerdict::Jump) {
        return Vec::new();
    }
    let name = judged.polarisation.map_or("two levels".to_owned(), |(value, error)| {
        format!("levels, polarisation {}", crate::quantity::rounded(value, error))
    });
    let line = |at: f64| Series::new(vec![(at, 0.0), (at, 1.05 * tallest)], Style::Dashed, Ink::Fit);
    let [lower, upper] = judged.mixture.means;
    vec![line(lower).named(&name), line(upper)]
}

/// An image by its place among the images of the run, from 0.
///
/// # Errors
/// No such image; the file can't be read.
pub fn image(account: &Account, run: &RunFile, which: usize, size: (f64, f64)) -> Result<Drawing, PlotError> {
    let bulk = bulk(account, "image", which)?;
    let Task::Image { x_m, y_m, size_m, .. } = bulk.task else {
        return Err(PlotError::Nothing(format!("what was done there is no image: {}", bulk.verb())));
    };
    let (x, y, side) = (x_m * 1e9, y_m * 1e9, size_m * 1e9);
    let columns = bulk.shape.last().and_then(|n| usize::try_from(*n).ok()).unwrap_or(1);
    let axis = |name: &str, middle: f64| Axis {
        range: Some((middle - side / 2.0, middle + side / 2.0)),
        ..Axis::of(name, "nm")
    };
    let heat = Heat {
        title: format!("image at {}", account.history.clock.short(bulk.at_s)),
        label: format!("image of heights, {side:.1} nm wide, {columns} pixels a line"),
        x: axis("x", x),
        y: axis("y", y),
        z: "height (pm)".to_owned(),
        columns,
        rows_at: Vec::new(),
        one_scale: true,
        values: run.bulk(bulk.seq)?.into_iter().map(|v| v * 1e12).collect(),
    };
    Ok(heat.draw(size.0, size.1))
}

/// A watched channel against time.
///
/// # Errors
/// It was not watched.
pub fn watched(account: &Account, channel: &str, size: (f64, f64)) -> Result<Drawing, PlotError> {
    let name = account.channel_name(channel);
    if !account.monitors.contains_key(&name) {
        let known = format!("watched were {}", super::watched_names(account).join(", "));
        return Err(PlotError::Unknown { what: "watched channel", name, known });
    }
    Ok(watched_chart(account, &name).draw(size.0, size.1))
}

/// The chart of a watched channel; empty if it was not watched.
pub fn watched_chart(account: &Account, name: &str) -> Chart {
    let unit = account.unit_of(name);
    let empty = Vec::new();
    let readings = account.monitors.get(name).unwrap_or(&empty);
    let points: Vec<Place> = readings.iter().map(|(t, v)| (t / 3600.0, unit.from_si(*v))).collect();
    let (least, most) =
        points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, m), p| (l.min(p.1), m.max(p.1)));
    let (low, high) = points
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(l, h), p| (if p.1 > 0.0 { l.min(p.1) } else { l }, h.max(p.1)));
    let mut y = Axis::of("", &unit.text);
    if high > DECADES * low && points.iter().all(|p| p.1 > 0.0) {
        y = y.with_decades((low / 1.3, high * 1.3));
    }
    Chart {
        title: name.to_owned(),
        label: format!(
            "{name} against time, {} readings from {} to {} {}",
            points.len(),
            crate::quantity::significant(least, 4),
            crate::quantity::significant(most, 4),
            unit.text
        ),
        x: clock_axis(account, account.history.end_s),
        y,
        series: vec![Series::new(points, Style::Line, Ink::First)],
        ..Chart::default()
    }
}

/// Above this ratio of the greatest to the least value decades count.
const DECADES: f64 = 10.0;

/// An axis of the time of day, in hours of the run, up to so many seconds.
pub fn clock_axis(account: &Account, to_s: f64) -> Axis {
    let ticks = account.history.clock.ticks(to_s, MOST_TICKS).into_iter();
    Axis {
        range: Some((0.0, (to_s / 3600.0).max(1e-3))),
        words: ticks.map(|(at_s, words)| (at_s / 3600.0, words)).collect(),
        ..Axis::default()
    }
}

/// Times along an axis.
const MOST_TICKS: usize = 6;
