//! The noise of single points, whatever lines there are.

use crate::analysis::fit::FitError;
use crate::analysis::order::middle_of;

/// Standard deviation of white noise on top of a smooth curve, from second differences: their median magnitude,
/// refined by their root mean square below three times that. Lines of more than a few points do not
/// change it. Zero for data without noise.
///
/// # Errors
/// [`FitError`] for fewer than five points or values that are not finite.
///
/// ```
/// use noctule::analysis::peaks::white_noise;
/// assert_eq!(white_noise(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]).unwrap(), 0.0);
/// ```
pub fn white_noise(y: &[f64]) -> Result<f64, FitError> {
    if y.len() < 5 {
        return Err(FitError::TooFewPoints { points: y.len(), parameters: 4 });
    }
    crate::analysis::fit::check_values(y)?;
    Ok(spread(y))
}

/// As [`white_noise`], for checked values.
pub(super) fn spread(y: &[f64]) -> f64 {
    // 1.5 is the variance of y[i] - (y[i-1] + y[i+1])/2 for unit noise.
    let differences: Vec<f64> =
        y.windows(3).map(|w| (w[1] - 0.5 * (w[0] + w[2])).abs() / 1.5_f64.sqrt()).collect();
    let rough = 1.482_602_218_505_602 * median(&mut differences.clone());
    let kept: Vec<f64> = differences.into_iter().filter(|d| *d < 3.0 * rough).collect();
    if kept.is_empty() {
        return 0.0;
    }
    // The variance of a normal distribution cut off at three standard deviations is 0.97334 of the whole.
    let square = kept.iter().map(|d| d * d).sum::<f64>() / kept.len() as f64;
    (square / 0.973_337).sqrt()
}

/// The middle value; the order of the values is lost. Zero for none.
pub(super) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() { 0.0 } else { middle_of(values) }
}
