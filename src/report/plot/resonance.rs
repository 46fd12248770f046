//! Resonance against field, with the line and what is left over.

use super::{PlotError, above};
use crate::report::account::{Account, Fitted, Law};
use crate::report::figure::{Axis, Chart, Drawing, Ink, Place, Series, Style};

/// Room on the left of both charts, so that they line up.
const LEFT: f64 = 58.0;

/// Resonance against field: trusted fits with their errors, others crossed, the proved law and, below
/// it, what is left over.
///
/// # Errors
/// There is no fit whose field is known.
pub fn resonance(account: &Account, size: (f64, f64)) -> Result<Drawing, PlotError> {
    of_law(account, account.proved(), size)
}

/// The same of one of several laws: of another spin, or of another state of the tip.
///
/// # Errors
/// There is no fit whose field is known.
pub fn of_law(account: &Account, law: Option<&Law>, size: (f64, f64)) -> Result<Drawing, PlotError> {
    let alone = account.proved_laws().len() < 2;
    let used: Vec<(f64, f64, f64)> = match law {
        Some(law) => law.points.clone(),
        None => fits(account, |fit| fit.trusted),
    };
    // Beside a law stand the doubtful fits of its own spectra.
    let own = |fit: &Fitted| alone || fit.sweep.zip(law).is_some_and(|(sweep, law)| law.rests_on(sweep));
    let left_out = fits(account, |fit| !fit.trusted && own(fit));
    if used.is_empty() && left_out.is_empty() {
        return Err(PlotError::Nothing("this run has no fit whose field is known".to_owned()));
    }
    let range = range_of(used.iter().chain(&left_out).map(|p| p.0));
    let mut upper = Chart {
        label: label(law, used.len(), left_out.len()),
        x: Axis { range: Some(range), ..Axis::default() },
        y: Axis::of("resonance", "GHz"),
        left: LEFT,
        ..Chart::default()
    };
    upper.series.extend(line(law, range));
    upper.series.push(with_errors(&used, 1e-9, |_| 0.0, Style::Dots, Ink::First).named(if law.is_some() {
        "spectra"
    } else {
        "trusted fits"
    }));
    if !left_out.is_empty() {
        let crossed = with_errors(&left_out, 1e-9, |_| 0.0, Style::Crosses, Ink::Warn);
        upper.series.push(crossed.named("not trusted"));
        // A wild centre must not squeeze the others together.
        upper.y.range = Some(padded(&used, &left_out));
    }
    let Some(law) = law else {
        upper.x = Axis { range: Some(range), ..Axis::of("field", "T") };
        return Ok(upper.draw(size.0, size.1));
    };
    let expected = |field: f64| law.at(field).unwrap_or(f64::NAN);
    let mut lower = Chart {
        x: Axis { range: Some(range), ..Axis::of("field", "T") },
        y: Axis::of("residual", "MHz"),
        left: LEFT,
        ..Chart::default()
    };
    lower.series.push(Series::new(vec![(range.0, 0.0), (range.1, 0.0)], Style::Line, Ink::Fit));
    lower.series.push(with_errors(&used, 1e-6, expected, Style::Dots, Ink::First));
    let part = size.1 * 0.62;
    let (left, drawing) = (size.1 - part, upper.draw(size.0, part));
    Ok(above(drawing, lower.draw(size.0, left)))
}

fn fits(account: &Account, wanted: impl Fn(&Fitted) -> bool) -> Vec<(f64, f64, f64)> {
    let fits = account.fits.iter().filter(|fit| wanted(fit));
    fits.filter_map(|fit| {
        let centre = fit.parameter("centre")?;
        let error = centre.error.filter(|e| e.is_finite()).unwrap_or(0.0);
        Some((fit.field_t?, centre.value?, error))
    })
    .collect()
}

fn range_of(fields: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = fields.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), b| (l.min(b), h.max(b)));
    let by = if high > low { 0.05 * (high - low) } else { 0.05 * low.abs().max(0.02) };
    (low - by, high + by)
}

fn padded(used: &[(f64, f64, f64)], left_out: &[(f64, f64, f64)]) -> (f64, f64) {
    let shown = if used.len() >= 2 { used } else { left_out };
    let (low, high) = range_of(shown.iter().map(|p| p.1 * 1e-9));
    let by = 0.15 * (high - low);
    (low - by, high + by)
}

fn with_errors(
    points: &[(f64, f64, f64)],
    unit: f64,
    less: impl Fn(f64) -> f64,
    style: Style,
    ink: Ink,
) -> Series {
    let places: Vec<Place> = points.iter().map(|(b, f, _)| (*b, (f - less(*b)) * unit)).collect();
    let mut series = Series::new(places, style, ink);
    // An error larger than the plot says nothing that the cross does not say.
    series.errors =
        points.iter().map(|(_, _, e)| if style == Style::Crosses { 0.0 } else { e * unit }).collect();
    series
}

fn line(law: Option<&Law>, (from, to): (f64, f64)) -> Option<Series> {
    let law = law?;
    let places: Option<Vec<Place>> = (0..=100)
        .map(|i| from + (to - from) * f64::from(i) / 100.0)
        .map(|field| Some((field, law.at(field)? * 1e-9)))
        .collect();
    Some(Series::new(places?, Style::Line, Ink::Fit).named("line"))
}

fn label(law: Option<&Law>, used: usize, left_out: usize) -> String {
    let mut words = format!("resonance against field, {used} trusted fits");
    if left_out > 0 {
        words += &format!(", {left_out} not trusted");
    }
    if let Some(law) = law {
        words += &format!("; {}; residuals below", law.title);
    }
    words
}
