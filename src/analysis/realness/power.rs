//! Whether a line grows with the RF power that is said to drive it.

use serde::Serialize;

use super::law::Law;
use super::spectrum::Prepared;

/// Exponent of a line's height against RF voltage, `height ∝ V^exponent`.
///
/// An undriven feature has exponent 0, a weakly driven resonance or rectification 2, a saturated
/// resonance falls from 2 towards 0 (`Ω²T1T2/(1 + Ω²T1T2)`; common practice).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PowerTest {
    /// The exponent.
    pub exponent: f64,
    /// Its standard error, from the scatter of the heights.
    pub exponent_error: f64,
    /// Distance between the highest and the lowest level, dB.
    pub range_db: f64,
    /// What it says.
    pub finding: PowerFinding,
}

/// What the heights say about the drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PowerFinding {
    /// The height grows with power.
    Driven,
    /// The height does not change: saturated, or not driven at all.
    Unchanged,
    /// The height certainly falls with power, which no resonance below saturation does.
    Falls,
    /// The heights scatter too much to tell.
    Unclear,
}

/// `None` unless at least three members at levels at least 3 dB apart exist.
pub(super) fn power_test(law: &Law, spectra: &[Prepared]) -> Option<PowerTest> {
    let points: Vec<(f64, f64)> = law
        .believed()
        .filter_map(|m| {
            let level = spectra[m.feature.spectrum].level_dbm?;
            let height = m.feature.amplitude();
            // 20 dB are a factor of ten in voltage.
            (height > 0.0).then(|| (level * std::f64::consts::LN_10 / 20.0, height.ln()))
        })
        .collect();
    let n = points.len() as f64;
    let (low, high) =
        points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(p.0), h.max(p.0)));
    let range_db = (high - low) * 20.0 / std::f64::consts::LN_10;
    if points.len() < 3 || range_db < 3.0 {
        return None;
    }
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let exponent = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / sxx;
    let scatter: f64 = points.iter().map(|p| (p.1 - my - exponent * (p.0 - mx)).powi(2)).sum();
    // Heights are never better than 5 % here: a perfect fit of three points proves nothing.
    let variance = (scatter / (n - 2.0)).max(0.05f64.powi(2));
    let exponent_error = (variance / sxx).sqrt();
    let finding = if exponent > 3.0 * exponent_error && exponent > 0.3 {
        PowerFinding::Driven
    } else if exponent < -3.0 * exponent_error && exponent < -0.3 {
        PowerFinding::Falls
    } else if exponent_error < 0.2 {
        PowerFinding::Unchanged
    } else {
        PowerFinding::Unclear
    };
    Some(PowerTest { exponent, exponent_error, range_db, finding })
}
