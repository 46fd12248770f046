//! Inelastic steps in a conductance curve.

use super::linear::{even, factors, geometric};
use super::shape::{check_shape, from_starts};
use super::{Fit, FitError, Options, prepare};
use crate::analysis::model::{Model, thermal_step};

/// Most steps that are sought in one curve.
const MOST: usize = 8;

/// Fits `count` thermally broadened inelastic steps, symmetric about a common zero ([`Model::Steps`]): `step_1`,
/// `height_1` and so on in rising order, `broadening` (kT/e in the unit of x), `zero`, `offset`, `slope`.
///
/// `x` is a bias and `y` a conductance over it, both polarities or one. Hold `zero` at 0 where the data have one
/// polarity only, and `broadening` at kT/e where the temperature is known.
///
/// # Errors
/// [`FitError`]; a count of zero or above eight is a bad setting.
///
/// ```
/// use noctule::analysis::fit::{self, Options};
/// use noctule::analysis::model::thermal_step;
/// let v_mv: Vec<f64> = (-100..=100).map(|i| 0.2 * f64::from(i)).collect();
/// let y: Vec<f64> = v_mv.iter()
///     .map(|v| 1.0 + 0.3 * (thermal_step((14.0 - v) / 0.1) + thermal_step((14.0 + v) / 0.1)))
///     .collect();
/// let fit = fit::steps(&v_mv, &y, 1, &Options::new().fix("broadening", 0.1)).unwrap();
/// assert!((fit.value("step_1") - 14.0).abs() < 1e-6);
/// ```
pub fn steps(x: &[f64], y: &[f64], count: usize, options: &Options) -> Result<Fit, FitError> {
    if count == 0 || count > MOST {
        return Err(FitError::BadSetting { message: format!("the number of steps must be 1 to {MOST}") });
    }
    let model = Model::Steps { count };
    check_shape(x, y, &model, options)?;
    let starts = starts(x, y, count, options);
    let mut fit = from_starts(model, x, y, &starts, options)?;
    order_steps(&mut fit, count);
    Ok(fit)
}

/// Steps added one by one, each at the place that helps most, for a few broadenings.
fn starts(x: &[f64], y: &[f64], count: usize, options: &Options) -> Vec<Vec<f64>> {
    let zero = options.given("zero").unwrap_or(0.0);
    let far = x.iter().fold(0.0_f64, |a, x| a.max((x - zero).abs()));
    let (low, high) = prepare::range(x);
    let spacing = (high - low) / (x.len() - 1) as f64;
    let broadenings: Vec<f64> = match options.given("broadening") {
        Some(held) => vec![held],
        None => geometric(0.2 * spacing, 0.1 * far, 5).collect(),
    };
    let mut found: Vec<(f64, Vec<f64>)> = Vec::new();
    for broadening in broadenings {
        let column = |step: f64| -> Vec<f64> {
            let pair = |v: f64| thermal_step((step - v) / broadening) + thermal_step((step + v) / broadening);
            x.iter().map(|x| pair(x - zero)).collect()
        };
        let mut columns = vec![vec![1.0; x.len()], x.iter().map(|x| x - zero).collect()];
        let mut places = Vec::new();
        let mut last = None;
        for _ in 0..count {
            let mut best: Option<(f64, f64, Vec<f64>)> = None;
            for step in even(0.02 * far, 0.98 * far, 97) {
                columns.push(column(step));
                if let Some((f, left)) = factors(&columns, y)
                    && best.as_ref().is_none_or(|(sum, _, _)| left < *sum)
                {
                    best = Some((left, step, f));
                }
                columns.pop();
            }
            let Some((left, step, f)) = best else { break };
            columns.push(column(step));
            places.push(step);
            last = Some((left, f));
        }
        if let Some((left, f)) = last.filter(|_| places.len() == count) {
            let pairs = places.iter().zip(&f[2..]).flat_map(|(step, height)| [*step, *height]);
            found.push((left, pairs.chain([broadening, zero, f[0], f[1]]).collect()));
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.into_iter().take(2).map(|(_, start)| start).collect()
}

/// Numbers the steps in rising order, unless the caller steered one of them by its number.
fn order_steps(fit: &mut Fit, count: usize) {
    let steered = fit.parameters[..2 * count].iter().any(|p| p.fixed);
    if steered {
        return;
    }
    let mut rank: Vec<usize> = (0..count).collect();
    rank.sort_by(|a, b| fit.parameters[2 * a].value.total_cmp(&fit.parameters[2 * b].value));
    let mut from: Vec<usize> = rank.iter().flat_map(|k| [2 * k, 2 * k + 1]).collect();
    from.extend(2 * count..fit.parameters.len());
    fit.reorder(&from);
}
