//! The figure of a card: what a sequence says that it is about, or what its data suggest.

use super::{PlotError, histogram, resonance, sweep, trace};
use crate::history::{Card, CardColumn, Figure};
use crate::record::{JudgementKind, RunFile};
use crate::report::account::{Account, BulkOutline};
use crate::report::figure::{Axis, Chart, Drawing, Heat, Ink, Place, Series, Style};

/// Bins of a histogram with two levels.
const BINS: usize = 60;
/// Cards that data suggest where the sequence says nothing.
const MOST_SUGGESTED: usize = 2;

/// The cards of a run: those of the sequence, or else what its data suggest, the weightiest first.
pub fn cards(account: &Account) -> Vec<Card> {
    if !account.history.cards.is_empty() {
        return account.history.cards.clone();
    }
    let end_s = account.history.end_s;
    let card = |figure, title: &str, source| Card {
        title: title.to_owned(),
        figure,
        source,
        columns: Vec::new(),
        rows: Vec::new(),
        planned: None,
        says: String::new(),
        at_s: end_s,
        first_s: 0.0,
    };
    let mut found = Vec::new();
    let in_field = account.fits.iter().filter(|fit| fit.field_t.is_some()).count();
    if account.proved().is_some() || in_field >= 2 {
        found.push(card(Figure::Field, "Resonance against field", None));
    }
    let with_points = || account.sweeps.iter().rev().filter(|sweep| sweep.measured >= 3);
    if let Some(grid) = with_points().find(|sweep| sweep.table.slow.is_some()) {
        found.push(card(Figure::Map, &format!("Map `{}`", grid.table.name), Some(grid.table.sweep)));
    }
    if account.judged.iter().any(|judged| judged.1 == JudgementKind::Contrast) {
        found.push(card(Figure::Levels, "Levels of the current", None));
    }
    if found.is_empty() {
        if let Some(last) = with_points().next() {
            found.push(card(Figure::Trace, &format!("Sweep `{}`", last.table.name), Some(last.table.sweep)));
        } else if account.bulks.iter().any(|bulk| bulk.verb() == "trace") {
            found.push(card(Figure::Trace, "Last trace", None));
        }
    }
    found.truncate(MOST_SUGGESTED);
    found
}

/// Draws a card; a table has no drawing.
///
/// # Errors
/// There is nothing to draw yet; the file can't be read.
pub fn card(account: &Account, run: &RunFile, card: &Card, size: (f64, f64)) -> Result<Drawing, PlotError> {
    let last_trace = || {
        let traces: Vec<&BulkOutline> = account.bulks.iter().filter(|bulk| bulk.verb() == "trace").collect();
        let before = traces.iter().rposition(|bulk| bulk.at_s <= card.at_s);
        before.ok_or_else(|| PlotError::Nothing("no trace was taken".to_owned()))
    };
    match (card.figure, card.source) {
        (Figure::Field, _) => resonance(account, size),
        (Figure::Map | Figure::Trace | Figure::Line | Figure::Power, Some(number)) => {
            sweep(account, run, number, None, size)
        }
        (Figure::Map, None) => map(card, size),
        (Figure::Power | Figure::Line, None) => law(card, size),
        (Figure::Levels, _) => histogram(account, run, last_trace()?, BINS, size),
        (Figure::Trace, None) => trace(account, run, last_trace()?, size),
        (Figure::Table, _) => Err(PlotError::Nothing("a table is not drawn".to_owned())),
    }
}

fn axis(columns: &[CardColumn], i: usize) -> Axis {
    columns.get(i).map_or_else(Axis::default, |column| Axis::of(&column.name, &column.unit))
}

/// Rows of x, y, value: each place that was measured has its cell, whatever the order.
fn map(card: &Card, size: (f64, f64)) -> Result<Drawing, PlotError> {
    let rows = card.numbers::<3>();
    let sorted = |pick: fn(&[f64; 3]) -> f64| {
        let mut all: Vec<f64> = rows.iter().map(pick).collect();
        all.sort_by(f64::total_cmp);
        let reach = all.last().zip(all.first()).map_or(0.0, |(last, first)| (last - first) * 1e-6);
        all.dedup_by(|a, b| (*a - *b).abs() <= reach);
        all
    };
    let (along, up) = (sorted(|row| row[0]), sorted(|row| row[1]));
    if along.len() < 2 || up.len() < 2 {
        return Err(PlotError::Nothing("a map needs at least two places along both axes".to_owned()));
    }
    let mut values = vec![f64::NAN; along.len() * up.len()];
    let nearest = |all: &[f64], value: f64| {
        let distance = |i: &usize| (all[*i] - value).abs();
        (0..all.len()).min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(0)
    };
    for [x, y, value] in &rows {
        values[nearest(&up, *y) * along.len() + nearest(&along, *x)] = *value;
    }
    let half = (along[along.len() - 1] - along[0]) / (along.len() - 1) as f64 / 2.0;
    let units = [0, 1].map(|i| card.columns.get(i).map_or("", |column| column.unit.as_str()));
    let z = axis(&card.columns, 2).label;
    let heat = Heat {
        title: String::new(),
        label: format!("{}: map of {z}, {} places", card.title, rows.len()),
        x: Axis { range: Some((along[0] - half, along[along.len() - 1] + half)), ..axis(&card.columns, 0) },
        y: axis(&card.columns, 1),
        z,
        columns: along.len(),
        rows_at: Vec::new(),
        one_scale: units[0] == units[1] && units[0].ends_with('m'),
        values,
    };
    Ok(heat.with_rows(&up).draw(size.0, size.1))
}

/// Rows of x, y and perhaps the error of y, with the law that fits them.
fn law(card: &Card, size: (f64, f64)) -> Result<Drawing, PlotError> {
    let power = card.figure == Figure::Power;
    let with_errors = card.numbers::<3>();
    let mut points: Vec<(f64, f64)> = card.numbers::<2>().into_iter().map(|[x, y]| (x, y)).collect();
    let mut errors: Vec<f64> = with_errors.iter().map(|row| row[2]).collect();
    if errors.len() != points.len() {
        errors.clear();
    }
    if power {
        let above = |(x, y): &(f64, f64)| *x > 0.0 && *y > 0.0;
        let kept: Vec<bool> = points.iter().map(above).collect();
        let mut keep = kept.iter();
        points.retain(|_| *keep.next().unwrap_or(&false));
        let mut keep = kept.iter();
        errors.retain(|_| *keep.next().unwrap_or(&false));
    }
    if points.is_empty() {
        return Err(PlotError::Nothing(format!("no result of `{}` yet", card.title)));
    }
    let spans = |pick: fn(&(f64, f64)) -> f64| {
        let all = points.iter().map(pick);
        let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        if power { (low / 1.3, high * 1.3) } else { (low - 0.06 * (high - low), high + 0.06 * (high - low)) }
    };
    let (x_range, y_range) = (spans(|p| p.0), spans(|p| p.1));
    let curve = fitted(&points, &errors, power, x_range);
    let mut series = Series::new(points, Style::Dots, Ink::First);
    let count = series.points.len();
    series.errors = errors;
    let scaled = |axis: Axis, range| if power { axis.with_decades(range) } else { axis };
    let mut x = scaled(axis(&card.columns, 0), x_range);
    x.range = Some(x_range);
    let y = scaled(axis(&card.columns, 1), y_range);
    let mut chart =
        Chart { label: format!("{}: {count} results; {}", card.title, card.says), x, y, ..Chart::default() };
    let name = if card.says.is_empty() { "fit" } else { card.says.as_str() };
    chart.series.extend(curve.map(|curve| Series::new(curve, Style::Line, Ink::Fit).named(name)));
    chart.series.push(series);
    Ok(chart.draw(size.0, size.1))
}

/// The weighted straight line through the points, in logarithms for a power.
fn fitted(points: &[Place], errors: &[f64], power: bool, range: (f64, f64)) -> Option<Vec<Place>> {
    use crate::analysis::fit::{Options, line};
    let to = |value: f64| if power { value.ln() } else { value };
    let from = |value: f64| if power { value.exp() } else { value };
    let x: Vec<f64> = points.iter().map(|p| to(p.0)).collect();
    let y: Vec<f64> = points.iter().map(|p| to(p.1)).collect();
    let sigmas: Vec<f64> =
        errors.iter().zip(points).map(|(error, p)| if power { error / p.1 } else { *error }).collect();
    let usable = !sigmas.is_empty() && sigmas.iter().all(|sigma| sigma.is_finite() && *sigma > 0.0);
    let options = if usable { Options::new().sigmas(&sigmas) } else { Options::new() };
    let law = line(&x, &y, &options).ok()?;
    let places: Vec<f64> =
        (0..=60).map(|i| to(range.0) + (to(range.1) - to(range.0)) * f64::from(i) / 60.0).collect();
    Some(places.iter().zip(law.curve(&places)).map(|(x, y)| (from(*x), from(y))).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn of(figure: &str, columns: &[(&str, &str)], rows: serde_json::Value) -> Card {
        let columns: Vec<_> =
            columns.iter().map(|(name, unit)| json!({ "name": name, "unit": unit })).collect();
        let body = json!({ "title": "", "figure": figure, "source": null, "columns": columns, "rows": rows });
        Card::of("a card", &body).unwrap()
    }

    #[test]
    fn single_points_in_any_order_make_one_map() {
        let columns = [("x", "nm"), ("frequency", "GHz"), ("signal", "fA")];
        let rows = json!([[0.1, 15.0, 3.0], [0.0, 14.0, 1.0], [0.1, 14.0, 2.0]]);
        let svg = map(&of("map", &columns, rows), (400.0, 300.0)).unwrap().svg();
        assert!(svg.contains("frequency (GHz)") && svg.matches("<image").count() == 2, "{svg}");
        assert!(map(&of("map", &columns, json!([[0.1, 15.0, 3.0]])), (400.0, 300.0)).is_err());
    }

    #[test]
    fn a_power_is_a_straight_line_on_decades() {
        let rows: Vec<_> = (1..6).map(|i| json!([i, 3.0 * f64::from(i).powi(2), 0.1])).collect();
        let card = of("power", &[("power", "mW"), ("width", "MHz")], json!(rows));
        let points: Vec<Place> = card.numbers::<2>().into_iter().map(|[x, y]| (x, y)).collect();
        let curve = fitted(&points, &[], true, (1.0, 10.0)).unwrap();
        assert!((curve[60].1 - 300.0).abs() < 1e-6 && (curve[0].1 - 3.0).abs() < 1e-9, "{curve:?}");
        assert!(law(&card, (400.0, 300.0)).unwrap().svg().contains("width (MHz)"));
    }
}
