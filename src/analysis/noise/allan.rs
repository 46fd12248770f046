//! How far means of neighbouring stretches differ, by the length of the stretches.

use serde::Serialize;

use crate::analysis::realness::{Unusable, at_least, finite};

/// The Allan deviation at one averaging time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AllanPoint {
    /// Averaging time, s.
    pub tau_s: f64,
    /// Deviation, unit of the signal.
    pub deviation: f64,
    /// Its standard error, from the number of independent neighbouring pairs (common practice).
    pub error: f64,
}

/// Overlapping Allan deviation for means over `points` values: the root of half the mean square difference of
/// neighbouring means, at every start.
///
/// # Errors
/// Refuses unusable numbers and stretches longer than half the series.
///
/// ```
/// use noctule::analysis::noise::allan_at;
/// // Steps of one between neighbours: half of the mean square is a half.
/// assert!((allan_at(&[0.0, 1.0, 0.0, 1.0], 1).unwrap() - 0.5f64.sqrt()).abs() < 1e-12);
/// ```
pub fn allan_at(values: &[f64], points: usize) -> Result<f64, Unusable> {
    at_least(points, 1, "points to average")?;
    at_least(values.len(), points.saturating_mul(2), "values")?;
    finite(values, "values")?;
    Ok(deviation(&sums(values), points))
}

/// Running sums of deviations from the first value, which keeps them small.
fn sums(values: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut list = Vec::with_capacity(values.len() + 1);
    list.push(0.0);
    for v in values {
        sum += v - values[0];
        list.push(sum);
    }
    list
}

fn deviation(sums: &[f64], m: usize) -> f64 {
    let pairs = sums.len() - 2 * m;
    let square: f64 =
        (0..pairs).map(|k| ((sums[k + 2 * m] - 2.0 * sums[k + m] + sums[k]) / m as f64).powi(2)).sum();
    (0.5 * square / pairs as f64).sqrt()
}

/// Allan deviation at averaging times of one, two, four, … steps, up to a quarter of the series.
///
/// # Errors
/// Refuses fewer than eight values, unusable numbers, and a step that is not positive.
///
/// ```
/// use noctule::analysis::noise::allan_deviation;
/// let y: Vec<f64> = (0..64).map(|i| f64::from(i % 2)).collect();
/// let points = allan_deviation(&y, 0.1).unwrap();
/// assert!((points[0].tau_s - 0.1).abs() < 1e-12 && points[1].deviation < points[0].deviation);
/// ```
pub fn allan_deviation(values: &[f64], step_s: f64) -> Result<Vec<AllanPoint>, Unusable> {
    at_least(values.len(), 8, "values")?;
    finite(values, "values")?;
    if !(step_s > 0.0 && step_s < 1e100) {
        return Err(Unusable::OutOfRange {
            what: "The time step",
            value: step_s,
            range: "the numbers above zero",
        });
    }
    let sums = sums(values);
    let mut list = Vec::new();
    let mut m = 1;
    while 4 * m <= values.len() {
        let deviation = deviation(&sums, m);
        let independent = (values.len() / m - 1) as f64;
        list.push(AllanPoint {
            tau_s: m as f64 * step_s,
            deviation,
            error: deviation / (2.0 * independent).sqrt(),
        });
        m *= 2;
    }
    Ok(list)
}
