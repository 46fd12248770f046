//! Whether the feature of a fit stands out, and how large the errors are, given the noise there is.

use std::borrow::Cow;

use nalgebra::DMatrix;

use super::colour::{self, Apart};
use super::{Doubt, Fit, Options, general, prepare};
use crate::analysis::model::Model;
use crate::analysis::order::middle;

/// Weighs the feature of a finished fit against a background without it, and enlarges the errors where the noise is slow.
///
/// For models with a feature on a background; the columns are those that were fitted. `without` is the sum of squares
/// that the background alone leaves, over that of the fit, where it is known already.
pub(super) fn weigh(fit: &mut Fit, x: &[f64], y: &[f64], options: &Options, without: Option<f64>) {
    let n = x.len();
    let magnitude = general::magnitude(y);
    let mean_square = fit.deviations.iter().map(|d| d * d).sum::<f64>() / n as f64;
    // Residuals at the level of rounding are no noise, and any feature stands out of them.
    let sound = fit.converged && mean_square.is_finite() && mean_square.sqrt() > 1e-12 * magnitude;
    if !sound {
        return;
    }
    let points = Points { x, sigmas: &options.sigmas, order: general::rising(x) };
    let residuals = points.weighted(&fit.deviations);
    let free: Vec<usize> = (0..fit.parameters.len()).filter(|j| !fit.parameters[*j].fixed).collect();
    // Steps look like slow noise to a family of noises that knows nothing of them; a pattern in what they leave is a doubt.
    let tellable = !matches!(fit.model, Model::Steps { .. });
    let gain = if tellable && colour::suspected(&residuals, free.len()) {
        let residuals = residuals.into_owned();
        allow_for_colour(fit, &residuals, &points, &free, options)
    } else {
        let with = fit.residual_sum_of_squares;
        let ratio = without.unwrap_or_else(|| {
            let together = with_feature(fit, &residuals, &points);
            let wanted = |j: usize| !fit.parameters[j].fixed && background(&fit.parameters[j].name);
            left_over(&together, &points.derivatives(fit, wanted)) / with
        });
        if options.scaled_by_residuals() {
            (n - free.len()) as f64 * ratio.ln()
        } else {
            with * (ratio - 1.0)
        }
    };
    let significant = amplitudes(fit) == 0 || gain > HARDER * level(fit, x);
    if !significant {
        fit.doubts.push(Doubt::NotSignificant);
    }
}

/// The points of a fit in the order of x, each over its sigma.
struct Points<'a> {
    x: &'a [f64],
    sigmas: &'a [f64],
    order: Option<Vec<usize>>,
}

impl Points<'_> {
    fn each(&self) -> impl Iterator<Item = (usize, f64)> {
        let place = |i: usize| self.order.as_ref().map_or(i, |o| o[i]);
        (0..self.x.len()).map(place).map(|i| (i, self.sigmas.get(i).copied().unwrap_or(1.0)))
    }

    fn weighted<'b>(&self, values: &'b [f64]) -> Cow<'b, [f64]> {
        if self.order.is_none() && self.sigmas.is_empty() {
            return Cow::Borrowed(values);
        }
        self.each().map(|(i, sigma)| values[i] / sigma).collect()
    }

    /// Derivatives by the parameters that are wanted.
    fn derivatives(&self, fit: &Fit, wanted: impl Fn(usize) -> bool) -> Vec<Vec<f64>> {
        let values = fit.values();
        let mut gradient = vec![0.0; values.len()];
        let kept: Vec<usize> = (0..values.len()).filter(|j| wanted(*j)).collect();
        let mut columns = vec![vec![0.0; self.x.len()]; kept.len()];
        for (place, (i, sigma)) in self.each().enumerate() {
            fit.model.with_gradient(self.x[i], &values, &mut gradient);
            let weight = 1.0 / sigma;
            for (column, j) in columns.iter_mut().zip(&kept) {
                column[place] = gradient[*j] * weight;
            }
        }
        columns
    }
}

/// What the fit leaves over with its feature put back.
fn with_feature(fit: &Fit, residuals: &[f64], points: &Points<'_>) -> Vec<f64> {
    let values = fit.values();
    let names = fit.model.names();
    let bare: Vec<f64> =
        names.iter().zip(&values).map(|(name, v)| if height(name) { 0.0 } else { *v }).collect();
    let at = |x: f64, p: &[f64]| fit.model.at(x, p).unwrap_or(f64::NAN);
    let feature = points.each().map(|(i, s)| (at(points.x[i], &values) - at(points.x[i], &bare)) / s);
    residuals.iter().zip(feature).map(|(r, f)| r + f).collect()
}

/// Errors in slow noise, the residuals looked at anew, and the gain in twice the log likelihood over slow noise alone.
fn allow_for_colour(
    fit: &mut Fit,
    residuals: &[f64],
    points: &Points<'_>,
    free: &[usize],
    options: &Options,
) -> f64 {
    let fixed = |j: &usize| fit.parameters[*j].fixed;
    let name = |j: &usize| fit.parameters[*j].name.as_str();
    let taken: Vec<usize> = (0..fit.parameters.len()).filter(|j| !fixed(j) || height(name(j))).collect();
    let mut columns = points.derivatives(fit, |j| taken.contains(&j));
    let lengths: Vec<f64> = columns.iter().map(|c| colour::dot(c, c).sqrt()).collect();
    if !lengths.iter().all(|l| l.is_finite() && *l > 0.0) {
        return 0.0;
    }
    for (column, length) in columns.iter_mut().zip(&lengths) {
        let scale = 1.0 / length;
        column.iter_mut().for_each(|v| *v *= scale);
    }
    let places = |wanted: &dyn Fn(&usize) -> bool| -> Vec<usize> {
        (0..taken.len()).filter(|at| wanted(&taken[*at])).collect()
    };
    let (own, behind) = (places(&|j| !fixed(j)), places(&|j| !fixed(j) && background(name(j))));
    // A feature is as large as its heights: with all of it put back, what is left is the data on their background.
    let feature =
        |(j, length): (&usize, &f64)| if height(name(j)) { fit.parameters[*j].value * length } else { 0.0 };
    let feature: Vec<f64> = taken.iter().zip(&lengths).map(feature).collect();
    let whole = Apart::new(residuals, &columns);
    let none = whole.with(&behind, &feature).weighed();
    let apart = if own.len() == taken.len() { whole } else { whole.with(&own, &vec![0.0; taken.len()]) };
    let lengths: Vec<f64> = own.iter().map(|at| lengths[*at]).collect();
    let all = apart.weighed();
    let white: f64 = all.iter().filter(|u| u.white()).map(|u| u.weight).sum();
    fit.slow_noise = white < SURELY_WHITE;
    if let Some(inverse) = apart.normal().try_inverse().filter(|_| fit.slow_noise) {
        let covariance = apart.mean_spread(&all, options.scaled_by_residuals());
        take(fit, free, &(&inverse * covariance * &inverse), &lengths);
    }
    let freedom = (residuals.len() - free.len()) as f64 / residuals.len() as f64;
    let gain = 2.0 * freedom * (Apart::likelihood(&all) - Apart::likelihood(&none));
    fit.doubts.retain(|d| *d != Doubt::CorrelatedResiduals);
    if clustered(residuals) {
        fit.doubts.push(Doubt::CorrelatedResiduals);
    }
    // Slow noise has bumps, and the fit sits on the best one; what it leaves then looks quieter than it was. In noise of
    // every colour of the family, this keeps chance below one in a hundred (from simulation, see `tests/fit/trust.rs`).
    let coloured = (1.0 - white) / (1.0 - white + TRUST_IN_WHITE * white);
    gain / (1.0 + BUMPS * coloured)
}

/// Probability of white noise from which on errors are those of white noise.
pub(super) const SURELY_WHITE: f64 = 0.5;

/// Odds of white noise over those that errors are averaged with: where nothing speaks against it, a line is weighed as in
/// white noise.
const TRUST_IN_WHITE: f64 = 1.5;

/// How much more than by chance in white noise any feature has to gain: a short record of 1/f noise may pass for white.
const HARDER: f64 = 1.2;

/// How much more a line has to gain in slow noise.
const BUMPS: f64 = 1.0;

/// Puts a covariance of scaled parameters into the fit, where it is finite.
pub(super) fn take(fit: &mut Fit, free: &[usize], covariance: &DMatrix<f64>, lengths: &[f64]) {
    for (a, i) in free.iter().enumerate() {
        for (b, j) in free.iter().enumerate() {
            let value = covariance[(a, b)] / lengths[a] / lengths[b];
            if value.is_finite() {
                fit.covariance[*i][*j] = value;
            }
        }
        fit.parameters[*i].standard_error = fit.covariance[*i][*i].sqrt();
    }
}

/// Whether the residuals are gathered in one place far beyond what slow noise does: another line, or a glitch.
pub(super) fn clustered(residuals: &[f64]) -> bool {
    let n = residuals.len();
    let length = (n / 16).max(6);
    if n < length {
        return false;
    }
    // Sums of one square, of two, of four … from each point on; those in the length make it up.
    let mut doubled: Vec<f64> = residuals.iter().map(|r| r * r).collect();
    let mut sums = vec![0.0; n + 1 - length];
    let (mut covered, mut span) = (0, 1);
    while span <= length {
        if length & span != 0 {
            sums.iter_mut().zip(&doubled[covered..]).for_each(|(sum, more)| *sum += more);
            covered += span;
        }
        for i in 0..doubled.len().saturating_sub(span) {
            doubled[i] += doubled[i + span];
        }
        doubled.truncate(doubled.len().saturating_sub(span));
        span *= 2;
    }
    let largest = sums.iter().copied().fold(0.0, f64::max);
    largest > 6.0 * middle(sums).max(f64::MIN_POSITIVE)
}

/// Sum of squares that columns leave of a vector.
fn left_over(z: &[f64], columns: &[Vec<f64>]) -> f64 {
    let mut left = z.to_vec();
    let mut basis: Vec<Vec<f64>> = Vec::new();
    let project = |v: &mut Vec<f64>, u: &[f64]| {
        let along: f64 = v.iter().zip(u).map(|(a, b)| a * b).sum();
        v.iter_mut().zip(u).for_each(|(a, b)| *a -= along * b);
    };
    for column in columns {
        let mut unit = column.clone();
        basis.iter().for_each(|u| project(&mut unit, u));
        let length = unit.iter().map(|v| v * v).sum::<f64>().sqrt();
        if length > 0.0 {
            unit.iter_mut().for_each(|v| *v /= length);
            project(&mut left, &unit);
            basis.push(unit);
        }
    }
    left.iter().map(|v| v * v).sum()
}

fn background(name: &str) -> bool {
    name == "offset" || name == "slope"
}

fn height(name: &str) -> bool {
    name.starts_with("height") || name == "current"
}

/// Free heights, the dispersive part of lines counted.
fn amplitudes(fit: &Fit) -> usize {
    let heights = fit.parameters.iter().filter(|p| !p.fixed && height(&p.name)).count();
    let lopsided = fit.parameters.iter().filter(|p| !p.fixed && p.name == "asymmetry").count();
    if heights == 0 { 0 } else { heights + lopsided }
}

/// The gain that chance gives in one fit of a thousand, at the best of all places that were looked at.
fn level(fit: &Fit, x: &[f64]) -> f64 {
    let a = amplitudes(fit) as f64;
    // The upper thousandth of chi-square by its cube root (common practice).
    let part = 2.0 / (9.0 * a);
    let one_place = a * (1.0 - part + 3.09 * part.sqrt()).powi(3);
    let (low, high) = prepare::range(x);
    let least = |begins: &str| {
        let found = fit.parameters.iter().filter(|p| p.name.starts_with(begins)).map(|p| p.value.abs());
        found.fold(f64::INFINITY, f64::min)
    };
    let size = match &fit.model {
        Model::Steps { .. } => 4.0 * least("broadening"),
        Model::Decay { .. } => least("time"),
        Model::Approach { .. } => 0.5 / least("kappa"),
        _ => least("width"),
    };
    let spacing = (high - low) / (x.len() - 1) as f64;
    let places = 1.0 + 2.0 * (high - low) / size.max(spacing);
    let searched = fit.parameters.iter().filter(|p| !p.fixed && height(&p.name)).count() as f64;
    one_place + 2.0 * searched * places.ln()
}
