//! Fits with one feature other than a resonance, each with starting values from the data.

use super::linear::{factors, geometric};
use super::resonance::line_starts;
use super::shape::{check_shape, from_starts};
use super::{Fit, FitError, Options, prepare};
use crate::analysis::model::Model;

/// Fits a Lorentzian line with a linear background ([`Model::Lorentzian`]): `centre`, `width`, `height`, `offset`
/// (at the middle of the range), `slope`.
///
/// # Errors
/// [`FitError`].
pub fn lorentzian(x: &[f64], y: &[f64], options: &Options) -> Result<Fit, FitError> {
    let (low, high) = prepare::range(x);
    bell(Model::Lorentzian { reference: 0.5 * (low + high) }, x, y, options)
}

/// Fits a Gaussian line with a linear background ([`Model::Gaussian`]): `centre`, `width` (full width at half
/// maximum), `height`, `offset` (at the middle of the range), `slope`.
///
/// # Errors
/// [`FitError`].
pub fn gaussian(x: &[f64], y: &[f64], options: &Options) -> Result<Fit, FitError> {
    let (low, high) = prepare::range(x);
    bell(Model::Gaussian { reference: 0.5 * (low + high) }, x, y, options)
}

fn bell(model: Model, x: &[f64], y: &[f64], options: &Options) -> Result<Fit, FitError> {
    check_shape(x, y, &model, options)?;
    from_starts(model, x, y, &bell_starts(x, y, &options.sigmas), options)
}

/// Starts of a symmetric line: where an asymmetric one fits, without its asymmetry.
pub(super) fn bell_starts(x: &[f64], y: &[f64], sigmas: &[f64]) -> Vec<Vec<f64>> {
    let mut starts = Vec::new();
    for place in line_starts(x, y, sigmas) {
        let [centre, width, height, asymmetry, offset, slope] = place;
        // The maximum of an asymmetric line lies beside its centre; a symmetric line belongs there.
        let beside = (1.0 + asymmetry * asymmetry).sqrt();
        let shift = if asymmetry.abs() < 1e-3 { 0.5 * asymmetry } else { (beside - 1.0) / asymmetry };
        let tall = if height * asymmetry.abs() > 0.0 || height != 0.0 { 0.5 * (1.0 + beside) } else { 1.0 };
        let centre = centre + 0.5 * width * shift.clamp(-1.0, 1.0);
        starts.push(vec![centre, width, height * tall.clamp(1.0, 10.0), offset, slope]);
    }
    starts
}

/// Fits an exponential decay with an offset ([`Model::Decay`]): `height` (at the lowest x), `time` (to 1/e),
/// `offset`.
///
/// # Errors
/// [`FitError`].
///
/// ```
/// use noctule::analysis::fit::{self, Options};
/// let t_s: Vec<f64> = (0..50).map(|i| 0.1 * f64::from(i)).collect();
/// let y: Vec<f64> = t_s.iter().map(|t| 2.0 + 5.0 * (-t / 0.8).exp()).collect();
/// let fit = fit::decay(&t_s, &y, &Options::new()).unwrap();
/// assert!(fit.trusted() && (fit.value("time") - 0.8).abs() < 1e-8);
/// ```
pub fn decay(x: &[f64], y: &[f64], options: &Options) -> Result<Fit, FitError> {
    let model = Model::Decay { reference: prepare::range(x).0 };
    check_shape(x, y, &model, options)?;
    from_starts(model, x, y, &decay_starts(x, y), options)
}

/// Fits current against tip distance ([`Model::Approach`]): `current` (at the lowest x), `kappa` (so that the current
/// falls as exp(-2 kappa x)), `offset`.
///
/// # Errors
/// [`FitError`].
pub fn approach(x: &[f64], y: &[f64], options: &Options) -> Result<Fit, FitError> {
    let model = Model::Approach { reference: prepare::range(x).0 };
    check_shape(x, y, &model, options)?;
    from_starts(model, x, y, &approach_starts(x, y), options)
}

/// Starts of height, time and offset: the best of a grid of times.
pub(super) fn decay_starts(x: &[f64], y: &[f64]) -> Vec<Vec<f64>> {
    let (low, high) = prepare::range(x);
    let range = high - low;
    let shortest = 0.3 * range / (x.len() - 1) as f64;
    let mut best: Option<(f64, Vec<f64>)> = None;
    for time in geometric(shortest, 10.0 * range, 40) {
        let falling = x.iter().map(|x| (-(x - low) / time).exp()).collect();
        let Some((f, left)) = factors(&[falling, vec![1.0; x.len()]], y) else { continue };
        if best.as_ref().is_none_or(|(sum, _)| left < *sum) {
            best = Some((left, vec![f[0], time, f[1]]));
        }
    }
    best.map(|(_, start)| start).into_iter().collect()
}

/// Starts of current, kappa and offset.
pub(super) fn approach_starts(x: &[f64], y: &[f64]) -> Vec<Vec<f64>> {
    decay_starts(x, y).into_iter().map(|s| vec![s[0], 0.5 / s[1], s[2]]).collect()
}
