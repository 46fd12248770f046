//! One asymmetric line on a sloping background: the fit behind every resonance.

use nalgebra::DMatrix;

use super::candidates::candidates;
use super::finish::Solution;
use super::separable::{Limits, Point, Scaled, Settled};
use super::shape::{self, check_shape};
use super::{Doubt, Fit, FitError, Noise, Options, covariance, evidence, general, noise, prepare};
use crate::analysis::model::Model;

/// How the data were brought to the unit range.
struct Scale {
    reference: f64,
    half: f64,
    middle: f64,
    height: f64,
    sigma: f64,
}

/// Fits one asymmetric line with a linear background ([`Model::Fano`]).
///
/// `x` is a frequency in Hz, or any other swept quantity, in any order and spacing; `y` a signal in any unit.
/// Parameters: `centre`, `width` (full width at half maximum of the symmetric part), `height`, `asymmetry`,
/// `offset` (background at the middle of the range), `slope`. Starting values are found from the data. A fit is
/// doubted if the line is insignificant over the searched range, narrower than the spacing of the points, wider
/// than the range or outside it, and for everything that is common to all fits.
///
/// # Errors
/// [`FitError`] for fewer than seven different x, constant y, equal x, or values that are not finite.
pub fn resonance(x: &[f64], y: &[f64], options: &Options) -> Result<Fit, FitError> {
    if options.noise == Noise::Outliers {
        return noise::robustly(x.len(), options, &[], |options, _| resonance(x, y, options));
    }
    let (low, high) = prepare::range(x);
    let model = Model::Fano { reference: 0.5 * (low + high) };
    check_shape(x, y, &model, options)?;
    let order = general::rising(x);
    let (scale, scaled) = scale(x, y, &options.sigmas, order.as_deref());
    let spacing = 2.0 / (x.len() - 1) as f64;
    let limits = Limits { centre: (-1.5, 1.5), width: (0.25 * spacing, 8.0) };
    let Some(settled) = best(&scaled, limits) else {
        return Err(FitError::BadSetting { message: "no position of a line fits these points".to_owned() });
    };
    if options.steered() {
        // The separable scheme knows no bounds; it gives the start.
        let start = raw(&settled.point, &scale);
        return shape::from_starts(model, x, y, &[start], options);
    }
    Ok(conclude(x, y, options, order, (&scale, &scaled), settled, spacing))
}

/// Starting values of one line on a sloping background for other fits: centre, width, height, asymmetry, offset at
/// the middle of the range, slope. Empty where no line can be placed. The columns must have been checked.
pub(super) fn line_starts(x: &[f64], y: &[f64], sigmas: &[f64]) -> Vec<[f64; 6]> {
    if prepare::degenerate(prepare::range(y)) {
        return Vec::new();
    }
    let order = general::rising(x);
    let (scale, scaled) = scale(x, y, sigmas, order.as_deref());
    let spacing = 2.0 / (x.len() - 1) as f64;
    let limits = Limits { centre: (-1.0, 1.0), width: (0.5 * spacing, 2.0) };
    let settled = best(&scaled, limits).map(|s| s.point);
    let others = candidates(&scaled, limits).into_iter().take(2).filter_map(|(c, w)| scaled.point(c, w));
    let places = settled.into_iter().chain(others);
    let starts = places.filter_map(|point| raw(&point, &scale).try_into().ok());
    starts.filter(|s: &[f64; 6]| s.iter().all(|v| v.is_finite())).collect()
}

/// Parameters in the units of the data.
fn raw(point: &Point, scale: &Scale) -> Vec<f64> {
    let [b0, b1, h, k] = point.linear;
    vec![
        scale.reference + scale.half * point.centre,
        scale.half * point.width,
        scale.height * h,
        k / h,
        scale.middle + scale.height * b0,
        scale.height * b1 / scale.half,
    ]
}

fn scale(x: &[f64], y: &[f64], sigmas: &[f64], order: Option<&[usize]>) -> (Scale, Scaled) {
    let (low, high) = prepare::range(x);
    let (bottom, top) = prepare::range(y);
    let scale = Scale {
        reference: 0.5 * (low + high),
        half: 0.5 * (high - low),
        middle: 0.5 * (bottom + top),
        height: 0.5 * (top - bottom),
        sigma: if sigmas.is_empty() { 1.0 } else { prepare::range(sigmas).0 },
    };
    // A multiplication costs less than a division.
    let [per_half, per_height] = [1.0 / scale.half, 1.0 / scale.height];
    let in_order = |values: &[f64], of: &dyn Fn(&[f64]) -> Vec<f64>| match order {
        Some(order) if !values.is_empty() => of(&order.iter().map(|i| values[*i]).collect::<Vec<_>>()),
        _ => of(values),
    };
    let t = in_order(x, &|x| x.iter().map(|x| (x - scale.reference) * per_half).collect());
    let z = in_order(y, &|y| y.iter().map(|y| (y - scale.middle) * per_height).collect());
    let w = in_order(sigmas, &|s| s.iter().map(|s| (scale.sigma / s) * (scale.sigma / s)).collect());
    let scaled = Scaled::new(t, z, w);
    (scale, scaled)
}

/// The best of the two most promising starts.
fn best(scaled: &Scaled, limits: Limits) -> Option<Settled> {
    let mut starts = candidates(scaled, limits).into_iter();
    let (centre, width) = starts.next()?;
    let second = starts.find(|(c, w)| (c - centre).abs() > width.min(*w));
    let mut found = scaled.settle(scaled.point(centre, width)?, limits);
    if let Some(second) = second.and_then(|(c, w)| scaled.point(c, w))
        && let Some(other) = scaled.settle_elsewhere(second, limits, &found.point)
        && other.point.sum < found.point.sum
    {
        found = other;
    }
    Some(found)
}

/// From scaled numbers to a fit in the units of the data.
fn conclude(
    x: &[f64],
    y: &[f64],
    options: &Options,
    order: Option<Vec<usize>>,
    (scale, scaled): (&Scale, &Scaled),
    settled: Settled,
    spacing: f64,
) -> Fit {
    let point = &settled.point;
    let model = Model::Fano { reference: scale.reference };
    let values = raw(point, scale);
    let deviations: Vec<f64> =
        x.iter().zip(y).map(|(x, y)| y - model.at(*x, &values).unwrap_or(f64::NAN)).collect();
    let inverse = point
        .inverse()
        .map(|inverse| unscale(&inverse, point, scale))
        .or_else(|| from_jacobian(&model, x, &values, &options.sigmas));
    let doubts = line_doubts(point, spacing);
    let mut fit = Solution {
        model,
        values,
        inverse,
        converged: settled.converged,
        iterations: settled.iterations,
        deviations,
        order,
        magnitude: y.iter().fold(0.0, |a, v| a.max(v.abs())),
        doubts,
    }
    .finish(options);
    let ratio = scaled.background().0 / settled.point.sum;
    evidence::weigh(&mut fit, x, y, options, ratio.is_finite().then_some(ratio));
    fit
}

/// Inverse normal matrix for centre, width, height, asymmetry, offset, slope from the scaled one.
fn unscale(inverse: &[[f64; 6]; 6], point: &Point, scale: &Scale) -> DMatrix<f64> {
    let [_, _, h, k] = point.linear;
    let mut map = DMatrix::zeros(6, 6);
    map[(0, 4)] = scale.half;
    map[(1, 5)] = scale.half;
    map[(2, 2)] = scale.height;
    map[(3, 2)] = -k / (h * h);
    map[(3, 3)] = 1.0 / h;
    map[(4, 0)] = scale.height;
    map[(5, 1)] = scale.height / scale.half;
    let inner = DMatrix::from_fn(6, 6, |i, j| inverse[i][j]);
    let unit = scale.sigma / scale.height;
    &map * inner * map.transpose() * (unit * unit)
}

/// The same from the derivatives of the model, for the cases that are too close to singular for sums of products.
fn from_jacobian(model: &Model, x: &[f64], values: &[f64], sigmas: &[f64]) -> Option<DMatrix<f64>> {
    let mut columns = vec![vec![0.0; x.len()]; values.len()];
    let mut gradient = vec![0.0; values.len()];
    for (i, x) in x.iter().enumerate() {
        model.with_gradient(*x, values, &mut gradient);
        let sigma = sigmas.get(i).copied().unwrap_or(1.0);
        for (column, g) in columns.iter_mut().zip(&gradient) {
            column[i] = g / sigma;
        }
    }
    covariance::of_columns(&columns)
}

/// Doubts about the line as a line.
fn line_doubts(point: &Point, spacing: f64) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    if point.centre.abs() > 1.0 {
        doubts.push(Doubt::OutsideData("centre".to_owned()));
    }
    if point.width < spacing {
        doubts.push(Doubt::TooNarrow);
    }
    if point.width > 2.0 {
        doubts.push(Doubt::TooWide);
    }
    doubts
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    fn spectrum(noise: f64, seed: u64) -> (Vec<f64>, Vec<f64>, [f64; 6]) {
        let truth = [14.11e9, 18.0e6, 55.0, -0.6, 900.0, 2.0e-7];
        let model = Model::Fano { reference: 14.1e9 };
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let normal = Normal::new(0.0, noise).unwrap();
        let x: Vec<f64> = (0..401).map(|i| 14.0e9 + 0.5e6 * f64::from(i)).collect();
        let y = x.iter().map(|x| model.at(*x, &truth).unwrap() + normal.sample(&mut rng)).collect();
        (x, y, truth)
    }

    #[test]
    fn an_exact_line_is_recovered() {
        let (x, y, truth) = spectrum(0.0, 1);
        let fit = resonance(&x, &y, &Options::new()).unwrap();
        assert!(fit.trusted(), "{:?}", fit.doubts);
        for (p, t) in fit.parameters.iter().zip(truth) {
            assert!((p.value - t).abs() < 1e-8 * t.abs(), "{}: {} for {t}", p.name, p.value);
        }
    }

    #[test]
    fn sums_and_derivatives_give_the_same_covariance() {
        let (x, y, _) = spectrum(5.0, 2);
        let sigmas: Vec<f64> = (0..401).map(|i| 5.0 + f64::from(i % 3)).collect();
        let options = Options::new().sigmas(&sigmas);
        let fit = resonance(&x, &y, &options).unwrap();
        let other = from_jacobian(&fit.model, &x, &fit.values(), &sigmas).unwrap();
        for i in 0..6 {
            let error = other[(i, i)].sqrt();
            assert!((fit.parameters[i].standard_error / error - 1.0).abs() < 1e-6, "{i}");
        }
    }

    #[test]
    fn the_order_of_points_does_not_matter() {
        let (mut x, mut y, _) = spectrum(5.0, 3);
        let first = resonance(&x, &y, &Options::new()).unwrap();
        x.reverse();
        y.reverse();
        let second = resonance(&x, &y, &Options::new()).unwrap();
        assert!((first.value("centre") - second.value("centre")).abs() < 1e-6 * first.error("centre"));
        assert!((first.residuals.largest - second.residuals.largest).abs() < 1e-6);
    }
}
