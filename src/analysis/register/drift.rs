//! Drift of a place in time and when it is next worth looking.

use serde::Serialize;

use crate::analysis::forecast::student_95;
use crate::analysis::realness::{Unusable, at_least, finite, same_length};

/// A steady drift fitted to places at several times.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Drift {
    /// Rate along x, unit/s.
    pub x_rate: f64,
    /// Rate along y, unit/s.
    pub y_rate: f64,
    /// Standard error of the rate along x, unit/s.
    pub x_rate_error: f64,
    /// Standard error of the rate along y, unit/s.
    pub y_rate_error: f64,
    /// Standard error of the place at the last time, larger of the two axes, unit.
    pub place_error: f64,
    quantile: f64,
}

/// When the tip will have drifted by a tolerance since the last centring.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Due {
    /// At the fitted rate, s after the last centring; absent when nothing moves.
    pub after_s: Option<f64>,
    /// With 95 % certainty not before, s: centre again by then.
    pub centre_by_s: f64,
}

/// Fits a steady drift to places found at times in s. `errors` are the standard errors of the places on each axis.
///
/// # Errors
/// Refuses fewer than two places, unusable numbers, errors that are not positive, and times all the same.
///
/// ```
/// use noctule::analysis::register::drift;
/// let t = [0.0, 600.0, 1200.0, 1800.0];
/// let x = t.map(|t| 0.5e-12 * t); // half a picometre a second
/// let d = drift(&t, &x, &[0.0; 4], &[5e-12; 4]).unwrap();
/// assert!((d.x_rate - 0.5e-12).abs() < 1e-15);
/// let due = d.due(100e-12).unwrap();
/// assert!((due.after_s.unwrap() - 200.0).abs() < 1e-6 && due.centre_by_s < 200.0);
/// ```
pub fn drift(times_s: &[f64], xs: &[f64], ys: &[f64], errors: &[f64]) -> Result<Drift, Unusable> {
    for column in [("x", xs), ("y", ys), ("errors", errors)] {
        same_length(("times", times_s), column)?;
    }
    at_least(times_s.len(), 2, "places")?;
    for (values, what) in [(times_s, "times"), (xs, "places"), (ys, "places"), (errors, "errors")] {
        finite(values, what)?;
    }
    if let Some(&value) = errors.iter().find(|e| **e <= 0.0) {
        return Err(Unusable::OutOfRange { what: "An error", value, range: "the numbers above zero" });
    }
    let least = errors.iter().copied().fold(f64::INFINITY, f64::min);
    let weight: Vec<f64> = errors.iter().map(|e| (least / e).powi(2)).collect();
    let sum: f64 = weight.iter().sum();
    let mean = |v: &[f64]| v.iter().zip(&weight).map(|(v, w)| v * w).sum::<f64>() / sum;
    let mt = mean(times_s);
    let stt: f64 = times_s.iter().zip(&weight).map(|(t, w)| w * (t - mt).powi(2)).sum();
    if stt.is_nan() || stt <= 0.0 {
        return Err(Unusable::Constant { what: "times" });
    }
    let n = times_s.len();
    let last = times_s.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let axis = |v: &[f64]| {
        let mv = mean(v);
        let rate = (0..n).map(|i| weight[i] * (times_s[i] - mt) * (v[i] - mv)).sum::<f64>() / stt;
        let chi: f64 = (0..n).map(|i| ((v[i] - mv - rate * (times_s[i] - mt)) / errors[i]).powi(2)).sum();
        // Unsteady drift shows as scatter beyond the errors and widens them.
        let inflation = if n > 2 { (chi / (n - 2) as f64).max(1.0) } else { 1.0 };
        let rate_error = least * (inflation / stt).sqrt();
        let place = (least * least * inflation / sum + ((last - mt) * rate_error).powi(2)).sqrt();
        (rate, rate_error, place)
    };
    let (x, y) = (axis(xs), axis(ys));
    let all = [x.0, x.1, x.2, y.0, y.1, y.2];
    if all.iter().any(|v| !v.is_finite()) {
        return Err(Unusable::NotDetermined { what: "The drift rate" });
    }
    Ok(Drift {
        x_rate: x.0,
        y_rate: y.0,
        x_rate_error: x.1,
        y_rate_error: y.1,
        place_error: x.2.max(y.2),
        // Given errors carry the fit of two places; scatter has n − 2 degrees of freedom.
        quantile: if n > 4 { student_95(n - 2) } else { 2.0 },
    })
}

impl Drift {
    /// When the distance drifted since a perfect centring at the last time exceeds a tolerance.
    ///
    /// # Errors
    /// Refuses a tolerance that is not positive.
    pub fn due(&self, tolerance: f64) -> Result<Due, Unusable> {
        if !(tolerance > 0.0 && tolerance.is_finite()) {
            return Err(Unusable::OutOfRange {
                what: "The tolerance",
                value: tolerance,
                range: "the numbers above zero",
            });
        }
        let speed = self.x_rate.hypot(self.y_rate);
        let error = if speed > 0.0 {
            (self.x_rate * self.x_rate_error / speed).hypot(self.y_rate * self.y_rate_error / speed)
        } else {
            self.x_rate_error.max(self.y_rate_error)
        };
        let fastest = speed + self.quantile * error;
        let after_s = (speed > 0.0).then(|| tolerance / speed);
        Ok(Due { after_s, centre_by_s: if fastest > 0.0 { tolerance / fastest } else { f64::MAX } })
    }
}
