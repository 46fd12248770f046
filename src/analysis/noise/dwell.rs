//! How long to stay on a point for a wanted error.

use serde::Serialize;

use super::allan::allan_deviation;
use crate::analysis::realness::Unusable;

/// Whether one stay is enough.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DwellFinding {
    /// One stay of this length reaches the wanted error.
    OneStay,
    /// Drift sets in before the error is reached: shorter stays, repeated, do it.
    Repeat,
    /// Even the longest time seen leaves white noise: the dwell is continued as 1/√t beyond the record.
    Extrapolated,
}

/// The best dwell and number of repeats for a wanted error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Dwell {
    /// Time on the point in one visit, s.
    pub dwell_s: f64,
    /// Number of visits, interleaved with the other points.
    pub averages: u64,
    /// Error expected from all visits, unit of the signal.
    pub expected_error: f64,
    /// All time on this point, s.
    pub total_s: f64,
    /// How it was found.
    pub finding: DwellFinding,
}

/// Finds the shortest total time that gives the mean of a point the wanted error.
///
/// `values` is a record of the signal on one point at equal steps of `step_s`. While the Allan deviation falls, staying
/// longer is worth it; from its lowest point on only new visits help, each independent of drift.
///
/// # Errors
/// Refuses what [`allan_deviation`] refuses, a wanted error that is not positive, a record without noise, and
/// an error that would need more than a million visits.
///
/// ```
/// use noctule::analysis::noise::{DwellFinding, best_dwell};
/// let y: Vec<f64> = (0..4096).map(|i| ((i * 7919 % 1009) as f64 / 1009.0) - 0.5).collect();
/// let dwell = best_dwell(&y, 0.01, 0.05).unwrap();
/// assert!(dwell.finding == DwellFinding::OneStay && dwell.expected_error <= 0.05);
/// ```
pub fn best_dwell(values: &[f64], step_s: f64, wanted_error: f64) -> Result<Dwell, Unusable> {
    let points = allan_deviation(values, step_s)?;
    if !(wanted_error > 0.0 && wanted_error.is_finite()) {
        return Err(Unusable::OutOfRange {
            what: "The wanted error",
            value: wanted_error,
            range: "the numbers above zero",
        });
    }
    if points.iter().all(|p| p.deviation == 0.0) {
        return Err(Unusable::Constant { what: "values" });
    }
    if let Some(k) = points.iter().position(|p| p.deviation <= wanted_error) {
        let here = points[k];
        // Between two octaves the deviation is followed as a power law.
        let dwell_s = match k.checked_sub(1).map(|j| points[j]) {
            Some(before) if here.deviation > 0.0 => {
                let slope = (here.deviation / before.deviation).ln() / (here.tau_s / before.tau_s).ln();
                before.tau_s * ((wanted_error / before.deviation).ln() / slope).exp()
            }
            _ => here.tau_s,
        };
        return Ok(Dwell {
            dwell_s,
            averages: 1,
            expected_error: wanted_error.min(points[0].deviation),
            total_s: dwell_s,
            finding: DwellFinding::OneStay,
        });
    }
    let best = points
        .iter()
        .copied()
        .min_by(|a, b| {
            // Total time of repeated stays grows as deviation² τ.
            (a.deviation.powi(2) * a.tau_s).total_cmp(&(b.deviation.powi(2) * b.tau_s))
        })
        .ok_or(Unusable::Empty { what: "values" })?;
    let last = points[points.len() - 1];
    let lowest = points.iter().map(|p| p.deviation).fold(f64::INFINITY, f64::min);
    let visits = (best.deviation / wanted_error).powi(2).ceil();
    if visits > 1e6 {
        return Err(Unusable::NotDetermined { what: "A dwell for an error this small" });
    }
    // Still falling as white noise at the end of the record: a single longer stay is as good.
    let white = points[0].deviation * (points[0].tau_s / last.tau_s).sqrt();
    if last.deviation == lowest && last.deviation < 1.3 * white {
        let dwell_s = last.tau_s * (last.deviation / wanted_error).powi(2);
        let finding = DwellFinding::Extrapolated;
        return Ok(Dwell { dwell_s, averages: 1, expected_error: wanted_error, total_s: dwell_s, finding });
    }
    Ok(Dwell {
        dwell_s: best.tau_s,
        averages: visits as u64,
        expected_error: best.deviation / visits.sqrt(),
        total_s: best.tau_s * visits,
        finding: DwellFinding::Repeat,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drift_asks_for_repeats() {
        let y: Vec<f64> =
            (0..1024).map(|i| 0.1 * (((i * 7919 % 1009) as f64 / 1009.0) - 0.5) + 0.003 * i as f64).collect();
        let dwell = best_dwell(&y, 1.0, 1e-3).unwrap();
        assert_eq!(dwell.finding, DwellFinding::Repeat);
        assert!(dwell.averages > 1 && dwell.dwell_s < 30.0, "{dwell:?}");
    }

    #[test]
    fn no_noise_no_dwell() {
        assert_eq!(best_dwell(&[1.0; 64], 1.0, 0.1), Err(Unusable::Constant { what: "values" }));
    }
}
