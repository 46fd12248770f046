//! Fits in noise that is not the usual one: with points far off, or with memory.

use nalgebra::DMatrix;

use super::colour::{self, Apart};
use super::evidence::{SURELY_WHITE, clustered, take};
use super::{Doubt, Fit, FitError, Noise, Options, Residuals};

/// Standard deviations from which on a point counts less; with it the errors in Gaussian noise are 2.5 % larger than those of
/// least squares (Huber's constant, common practice).
const FAR: f64 = 1.345;

/// Median of the sizes of Gaussian numbers, in standard deviations.
const MEDIAN: f64 = 0.674_489_750_196_081_7;

/// Most rounds of new weights.
const ROUNDS: usize = 100;

/// Fits with weights that follow from the residuals, where the options ask for it; else once. `fit` is given options and a
/// start.
pub(super) fn robustly(
    points: usize,
    options: &Options,
    start: &[f64],
    mut fit: impl FnMut(&Options, &[f64]) -> Result<Fit, FitError>,
) -> Result<Fit, FitError> {
    if options.noise != Noise::Outliers {
        return fit(options, start);
    }
    let usual = Options { noise: Noise::Independent, ..options.clone() };
    let sigmas = if options.sigmas.is_empty() { vec![1.0; points] } else { options.sigmas.clone() };
    let mut found = fit(&usual, start)?;
    for round in 0..ROUNDS {
        let residuals = over(&found.deviations, &sigmas);
        let Some(scale) = scale(&residuals) else { return Ok(found) };
        let weight = |r: &f64| (FAR * scale / r.abs()).min(1.0);
        let weighted: Vec<f64> = sigmas.iter().zip(&residuals).map(|(s, r)| s / weight(r).sqrt()).collect();
        let inner = Options { sigmas: weighted, relative_sigmas: true, ..usual.clone() };
        let next = fit(&inner, &found.values())?;
        let moved = found.parameters.iter().zip(&next.parameters).filter(|(_, new)| !new.fixed);
        let moved = moved.map(|(old, new)| ((new.value - old.value) / new.standard_error).abs());
        let settled = moved.fold(0.0, f64::max) < 1e-8;
        found = next;
        if settled {
            break;
        }
        if round + 1 == ROUNDS {
            found.converged = false;
            found.doubts.push(Doubt::NoConvergence);
        }
    }
    conclude(&mut found, &sigmas, options);
    Ok(found)
}

fn over(deviations: &[f64], sigmas: &[f64]) -> Vec<f64> {
    deviations.iter().zip(sigmas).map(|(d, s)| d / s).collect()
}

/// Standard deviation of noise from the median of its sizes; none where there is no noise.
fn scale(residuals: &[f64]) -> Option<f64> {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    let scale = crate::analysis::order::median(&mut sizes) / MEDIAN;
    (scale.is_finite() && scale > 0.0).then_some(scale)
}

/// Errors of a fit with these weights: P. J. Huber's formula for its covariance, Ann. Statist. 1 (1973) 799,
/// doi 10.1214/aos/1176342503 (from memory, not checked), with the mean of the weights for their place in it.
fn conclude(fit: &mut Fit, sigmas: &[f64], options: &Options) {
    let residuals = over(&fit.deviations, sigmas);
    let Some(scale) = scale(&residuals) else { return };
    let n = residuals.len() as f64;
    let freedom = fit.degrees_of_freedom as f64;
    let sizes = || residuals.iter().map(|r| r.abs() / scale);
    let near = sizes().filter(|u| *u <= FAR).count() as f64 / n;
    let mean_weight = sizes().map(|u| (FAR / u).min(1.0)).sum::<f64>() / n;
    let squares: f64 = sizes().map(|u| u.min(FAR).powi(2)).sum();
    let correction = 1.0 + (n - freedom) / n * (1.0 - near) / near;
    let variance = (correction * scale / near).powi(2) * squares / freedom;
    let factor = mean_weight * variance / fit.reduced_chi_square;
    for row in &mut fit.covariance {
        row.iter_mut().for_each(|v| *v *= factor);
    }
    for (i, parameter) in fit.parameters.iter_mut().enumerate() {
        parameter.standard_error = fit.covariance[i][i].sqrt();
    }
    fit.residual_sum_of_squares = residuals.iter().map(|r| r * r).sum();
    fit.reduced_chi_square = scale * scale;
    fit.residual_standard_deviation = scale;
    fit.weighted = !options.sigmas.is_empty();
    fit.residuals = Residuals { largest: sizes().fold(0.0, f64::max), ..fit.residuals };
    fit.doubts.retain(|doubt| *doubt != Doubt::OutlyingPoint);
}

/// Gives a finished fit the errors that it has where neighbouring points err together. The columns are the derivatives by
/// the free parameters over the sigmas, set after set in the order of the data.
pub(super) fn allow_for_memory(
    fit: &mut Fit,
    columns: &[Vec<f64>],
    order: Option<&[usize]>,
    lengths: &[usize],
    options: &Options,
) {
    let free: Vec<usize> = (0..fit.parameters.len()).filter(|j| !fit.parameters[*j].fixed).collect();
    let length = |c: &Vec<f64>| c.iter().map(|v| v * v).sum::<f64>().sqrt();
    let sizes: Vec<f64> = columns.iter().map(length).collect();
    let sound = fit.converged && sizes.iter().all(|l| l.is_finite() && *l > 0.0);
    if !sound || columns.len() != free.len() {
        return;
    }
    let place = |i: usize| order.map_or(i, |order| order[i]);
    let sigma = |i: usize| options.sigmas.get(i).copied().unwrap_or(1.0);
    let mut normal: DMatrix<f64> = DMatrix::zeros(free.len(), free.len());
    let mut spread = normal.clone();
    let (mut slow, mut gathered, mut first) = (false, false, 0);
    for &n in lengths {
        let points: Vec<usize> = (first..first + n).map(place).collect();
        first += n;
        let residuals: Vec<f64> = points.iter().map(|i| fit.deviations[*i] / sigma(*i)).collect();
        let scaled = |j: usize| -> Vec<f64> { points.iter().map(|i| columns[j][*i] / sizes[j]).collect() };
        let own: Vec<(usize, Vec<f64>)> =
            (0..columns.len()).map(|j| (j, scaled(j))).filter(|(_, c)| c.iter().any(|v| *v != 0.0)).collect();
        let (places, own): (Vec<usize>, Vec<Vec<f64>>) = own.into_iter().unzip();
        if n < colour::FEWEST.max(own.len() + 2) {
            return;
        }
        let apart = Apart::new(&residuals, &own);
        let all = apart.weighed();
        if all.is_empty() {
            return;
        }
        slow |= all.iter().filter(|u| u.white()).map(|u| u.weight).sum::<f64>() < SURELY_WHITE;
        gathered |= clustered(&residuals);
        let (part, errors) = (apart.normal(), apart.mean_spread(&all, options.scaled_by_residuals()));
        for (a, i) in places.iter().enumerate() {
            for (b, j) in places.iter().enumerate() {
                normal[(*i, *j)] += part[(a, b)];
                spread[(*i, *j)] += errors[(a, b)];
            }
        }
    }
    fit.slow_noise = slow;
    if let Some(inverse) = normal.try_inverse().filter(|_| slow) {
        take(fit, &free, &(&inverse * spread * &inverse), &sizes);
    }
    fit.doubts.retain(|doubt| *doubt != Doubt::CorrelatedResiduals);
    if gathered {
        fit.doubts.push(Doubt::CorrelatedResiduals);
    }
}
