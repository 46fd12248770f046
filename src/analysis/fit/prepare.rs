//! Checks that all fits share, before any arithmetic.

use super::FitError;

/// Largest magnitude whose square and sums of squares stay finite with room to spare.
const LARGEST: f64 = 1e100;

/// Refuses values that are not finite or too large to be squared.
pub(crate) fn check_values(values: &[f64]) -> Result<(), FitError> {
    for (index, value) in values.iter().enumerate() {
        if !value.is_finite() {
            return Err(FitError::NotFinite { index });
        }
        if value.abs() > LARGEST {
            return Err(FitError::TooLarge { index });
        }
    }
    Ok(())
}

/// Refuses empty or unequal columns, values that are not finite, and sigmas that are not positive.
pub(crate) fn check_columns(x: &[f64], y: &[f64], sigmas: &[f64]) -> Result<(), FitError> {
    if x.is_empty() && y.is_empty() {
        return Err(FitError::Empty);
    }
    if x.len() != y.len() {
        return Err(FitError::LengthMismatch { expected: x.len(), found: y.len() });
    }
    check_values(x)?;
    check_values(y)?;
    check_sigmas(y.len(), sigmas)
}

/// Refuses sigmas that are not positive, or not as many as points (none at all is fine).
pub(crate) fn check_sigmas(points: usize, sigmas: &[f64]) -> Result<(), FitError> {
    if sigmas.is_empty() {
        return Ok(());
    }
    if sigmas.len() != points {
        return Err(FitError::LengthMismatch { expected: points, found: sigmas.len() });
    }
    let usable = |s: f64| s.is_finite() && s > 1.0 / LARGEST && s < LARGEST;
    match sigmas.iter().position(|s| !usable(*s)) {
        Some(index) => Err(FitError::BadSigma { index }),
        None => Ok(()),
    }
}

/// Lowest and highest value of a checked, non-empty slice.
pub(crate) fn range(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)))
}

/// Whether a range is nothing but rounding, compared with the values themselves.
pub(crate) fn degenerate((low, high): (f64, f64)) -> bool {
    high - low <= 8.0 * f64::EPSILON * low.abs().max(high.abs())
}

/// Number of different values, counted up to `enough`.
pub(crate) fn distinct(values: &[f64], enough: usize) -> usize {
    let mut seen: Vec<f64> = Vec::with_capacity(enough);
    for value in values {
        if !seen.contains(value) {
            seen.push(*value);
            if seen.len() >= enough {
                break;
            }
        }
    }
    seen.len()
}
