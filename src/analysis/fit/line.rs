//! The straight line, in closed form.

use nalgebra::DMatrix;

use super::finish::Solution;
use super::{Fit, FitError, Noise, Options, noise, prepare};
use crate::analysis::model::Model;

/// Fits `offset + slope x` to points with errors in y; `offset` is the intercept at x = 0. The covariance of
/// the two is in the result. Sigmas of the options weight the points; a fixed offset or slope is respected.
///
/// # Errors
/// [`FitError`] for fewer than three points (or two with one parameter fixed), equal x, or values that are
/// not finite.
///
/// ```
/// use noctule::analysis::fit::{self, Options};
/// let fit = fit::line(&[0.0, 1.0, 2.0, 3.0], &[1.0, 3.1, 4.9, 7.0], &Options::new()).unwrap();
/// assert!((fit.value("slope") - 1.98).abs() < 1e-12);
/// assert!((fit.value("offset") - 1.03).abs() < 1e-12);
/// ```
pub fn line(x: &[f64], y: &[f64], options: &Options) -> Result<Fit, FitError> {
    line_about(x, y, 0.0, options)
}

/// As [`line`](fn@line), with the offset taken at `reference` instead of x = 0: in the middle of the data it does not
/// correlate with the slope.
///
/// # Errors
/// As [`line`](fn@line).
pub fn line_about(x: &[f64], y: &[f64], reference: f64, options: &Options) -> Result<Fit, FitError> {
    if options.noise == Noise::Outliers {
        return noise::robustly(x.len(), options, &[], |options, _| line_about(x, y, reference, options));
    }
    prepare::check_columns(x, y, &options.sigmas)?;
    prepare::check_values(&[reference])?;
    let model = Model::Line { reference };
    options.check(&model.names())?;
    if !options.bounds.is_empty() {
        return Err(FitError::BadSetting {
            message: "a straight line is solved in closed form and takes no bounds".to_owned(),
        });
    }
    let held = ["offset", "slope"].map(|n| options.fixed.iter().find(|(k, _)| k == n).map(|(_, v)| *v));
    let free = held.iter().filter(|h| h.is_none()).count();
    if free == 0 {
        return Err(FitError::NothingFree);
    }
    if x.len() <= free {
        return Err(FitError::TooFewPoints { points: x.len(), parameters: free });
    }
    let range = prepare::range(x);
    if held[1].is_none() && prepare::degenerate(range) {
        return Err(FitError::EqualX);
    }
    let (values, inverse) = solve(x, y, reference, held, &options.sigmas);
    let deviations: Vec<f64> =
        x.iter().zip(y).map(|(x, y)| y - values[0] - values[1] * (x - reference)).collect();
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_by(|a, b| x[*a].total_cmp(&x[*b]));
    let solution = Solution {
        model,
        values: values.to_vec(),
        inverse: Some(inverse),
        converged: true,
        iterations: 1,
        deviations,
        order: Some(order),
        magnitude: y.iter().fold(0.0, |a, v| a.max(v.abs())),
        doubts: Vec::new(),
    };
    let order = solution.order.clone();
    let mut fit = solution.finish(options);
    if options.noise == Noise::Slow {
        let sigma = |i: usize| options.sigmas.get(i).copied().unwrap_or(1.0);
        let column =
            |of: &dyn Fn(f64) -> f64| (0..x.len()).map(|i| of(x[i] - reference) / sigma(i)).collect();
        let both = [column(&|_| 1.0), column(&|x| x)];
        let free = both.into_iter().zip(held).filter(|(_, held)| held.is_none()).map(|(c, _)| c);
        noise::allow_for_memory(&mut fit, &free.collect::<Vec<_>>(), order.as_deref(), &[x.len()], options);
    }
    Ok(fit)
}

/// Offset at the reference and slope, and the inverse normal matrix of those that are free.
fn solve(
    x: &[f64],
    y: &[f64],
    reference: f64,
    held: [Option<f64>; 2],
    sigmas: &[f64],
) -> ([f64; 2], DMatrix<f64>) {
    // Weights relative to the smallest sigma keep the sums in range whatever the unit of y.
    let unit = sigmas.iter().copied().fold(f64::INFINITY, f64::min);
    let unit = if unit.is_finite() { unit } else { 1.0 };
    let weight = |i: usize| sigmas.get(i).map_or(1.0, |s| (unit / s) * (unit / s));
    let n = x.len();
    let total: f64 = (0..n).map(weight).sum();
    let mean_x = (0..n).map(|i| weight(i) * x[i]).sum::<f64>() / total;
    let mean_y = (0..n).map(|i| weight(i) * y[i]).sum::<f64>() / total;
    let lever = mean_x - reference;
    let back = unit * unit;
    match held {
        [None, None] => {
            let (mut sxx, mut sxy) = (0.0, 0.0);
            for i in 0..n {
                let dx = x[i] - mean_x;
                sxx += weight(i) * dx * dx;
                sxy += weight(i) * dx * (y[i] - mean_y);
            }
            let slope = sxy / sxx;
            let cross = -lever / sxx;
            let inverse = [1.0 / total + lever * lever / sxx, cross, cross, 1.0 / sxx];
            ([mean_y - slope * lever, slope], DMatrix::from_row_slice(2, 2, &inverse) * back)
        }
        [None, Some(slope)] => ([mean_y - slope * lever, slope], DMatrix::from_element(1, 1, back / total)),
        [Some(offset), _] => {
            let (mut sxx, mut sxy) = (0.0, 0.0);
            for i in 0..n {
                let dx = x[i] - reference;
                sxx += weight(i) * dx * dx;
                sxy += weight(i) * dx * (y[i] - offset);
            }
            ([offset, sxy / sxx], DMatrix::from_element(1, 1, back / sxx))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weighted_line_agrees_with_the_normal_equations() {
        let x = [1.0, 2.0, 4.0, 7.0];
        let y = [2.0, 2.5, 5.5, 7.0];
        let s = [0.1, 0.2, 0.1, 0.5];
        let fit = line(&x, &y, &Options::new().sigmas(&s)).unwrap();
        let w: Vec<f64> = s.iter().map(|s| 1.0 / (s * s)).collect();
        let sum = |f: &dyn Fn(usize) -> f64| (0..4).map(|i| w[i] * f(i)).sum::<f64>();
        let (s0, sx, sxx) = (sum(&|_| 1.0), sum(&|i| x[i]), sum(&|i| x[i] * x[i]));
        let (sy, sxy) = (sum(&|i| y[i]), sum(&|i| x[i] * y[i]));
        let det = s0 * sxx - sx * sx;
        assert!((fit.value("slope") - (s0 * sxy - sx * sy) / det).abs() < 1e-12);
        assert!((fit.value("offset") - (sxx * sy - sx * sxy) / det).abs() < 1e-12);
        assert!((fit.covariance[0][0] - sxx / det).abs() < 1e-12);
        assert!((fit.covariance[0][1] + sx / det).abs() < 1e-12);
        assert!((fit.covariance[1][1] - s0 / det).abs() < 1e-12);
    }

    #[test]
    fn a_far_offset_does_not_cost_digits() {
        let x: Vec<f64> = (0..50).map(|i| 1e10 + f64::from(i)).collect();
        let y: Vec<f64> = x.iter().map(|x| 5.0 + 0.25 * (x - 1e10)).collect();
        let fit = line_about(&x, &y, 1e10, &Options::new()).unwrap();
        assert!((fit.value("slope") - 0.25).abs() < 1e-12);
        assert!((fit.value("offset") - 5.0).abs() < 1e-10);
    }

    #[test]
    fn held_slope_gives_the_mean() {
        let fit = line(&[1.0, 2.0, 3.0], &[4.0, 5.0, 9.0], &Options::new().fix("slope", 0.0)).unwrap();
        assert!((fit.value("offset") - 6.0).abs() < 1e-14);
        assert_eq!(fit.error("slope"), 0.0);
        assert!((fit.error("offset") - (7.0_f64 / 3.0).sqrt()).abs() < 1e-14);
    }

    #[test]
    fn nothing_to_fit_is_said_in_words() {
        let none = Options::new();
        assert_eq!(line(&[], &[], &none), Err(FitError::Empty));
        assert_eq!(line(&[1.0; 3], &[1.0, 2.0, 3.0], &none), Err(FitError::EqualX));
        assert!(matches!(line(&[1.0, 2.0], &[1.0, 2.0], &none), Err(FitError::TooFewPoints { .. })));
    }
}
