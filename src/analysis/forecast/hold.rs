//! How long a pumped pot lasts.

use serde::Serialize;

use super::student_95;
use crate::analysis::realness::{Unusable, at_least, finite};

/// How long a pot holds, with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HoldTime {
    /// Time left, s.
    pub left_s: f64,
    /// Lower end at 95 %, s.
    pub at_least_s: f64,
    /// Upper end at 95 %, s.
    pub at_most_s: f64,
}

/// Time left in the present filling, from how long earlier fillings lasted.
///
/// The next filling is one more draw from the same spread: mean ± t·s·√(1 + 1/n) (common practice).
///
/// # Errors
/// Refuses fewer than two cycles, unusable numbers, and durations that are not positive.
///
/// ```
/// use noctule::analysis::forecast::hold_from_cycles;
/// let left = hold_from_cycles(&[100e3, 104e3, 98e3, 102e3], 60e3).unwrap();
/// assert!((left.left_s - 41e3).abs() < 1.0 && left.at_least_s < 34e3);
/// ```
pub fn hold_from_cycles(durations_s: &[f64], elapsed_s: f64) -> Result<HoldTime, Unusable> {
    at_least(durations_s.len(), 2, "cycles")?;
    finite(durations_s, "durations")?;
    finite(&[elapsed_s], "elapsed times")?;
    if let Some(&value) = durations_s.iter().find(|d| **d <= 0.0) {
        return Err(Unusable::OutOfRange { what: "A duration", value, range: "the numbers above zero" });
    }
    let n = durations_s.len() as f64;
    let mean = durations_s.iter().sum::<f64>() / n;
    let spread = (durations_s.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let half = student_95(durations_s.len() - 1) * spread * (1.0 + 1.0 / n).sqrt();
    let left = mean - elapsed_s;
    Ok(HoldTime {
        left_s: left.max(0.0),
        at_least_s: (left - half).max(0.0),
        at_most_s: (left + half).max(0.0),
    })
}

/// Time left from what is in the pot: moles times latent heat over load, each with its standard error.
///
/// # Errors
/// Refuses unusable numbers, errors below zero, and anything but a positive latent heat and load.
///
/// ```
/// use noctule::analysis::forecast::hold_from_load;
/// // 1 mol at 26.8 J/mol under 100 µW: 74 hours (computed).
/// let hold = hold_from_load((1.0, 0.0), (26.8, 0.0), (100e-6, 5e-6)).unwrap();
/// assert!((hold.left_s / 3600.0 - 74.4).abs() < 0.1);
/// ```
pub fn hold_from_load(
    moles: (f64, f64),
    latent_j_per_mol: (f64, f64),
    load_w: (f64, f64),
) -> Result<HoldTime, Unusable> {
    let all = [moles, latent_j_per_mol, load_w];
    finite(&all.map(|p| p.0), "quantities")?;
    finite(&all.map(|p| p.1), "errors")?;
    if let Some(&(_, value)) = all.iter().find(|p| p.1 < 0.0) {
        return Err(Unusable::OutOfRange { what: "An error", value, range: "the numbers from zero" });
    }
    if let Some(&(value, _)) = all.iter().find(|p| p.0 <= 0.0) {
        return Err(Unusable::OutOfRange { what: "A quantity", value, range: "the numbers above zero" });
    }
    let left = moles.0 * latent_j_per_mol.0 / load_w.0;
    if !left.is_finite() {
        return Err(Unusable::NotDetermined { what: "The hold time" });
    }
    // Products and quotients add their relative errors; bounds in the logarithm stay positive.
    let relative = all.iter().map(|(v, e)| (e / v).powi(2)).sum::<f64>().sqrt();
    let factor = (1.959_963_984_540_054 * relative).exp();
    Ok(HoldTime { left_s: left, at_least_s: left / factor, at_most_s: left * factor })
}
