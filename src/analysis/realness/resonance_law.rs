//! The law of a free moment: its line sits at `f = 2 μ |B + B_tip| / h`.

use serde::Serialize;

use super::scatter::with_scatter;
use super::tails::chi_square_sf;
use super::unusable::{Unusable, at_least, finite, same_length};

/// Bohr magneton over the Planck constant, Hz/T (CODATA 2022: 13.996 244 917 1(44) GHz/T).
pub const MU_B_PER_H_HZ_PER_T: f64 = 13.996_244_917_1e9;

/// A line that moves in proportion to field, `f = 2 μ |B + B_tip| / h`.
///
/// Errors are those that hold the truth in 68 % of cases. They come from the centre errors given and from a scatter
/// common to all centres, every size of which counts with its probability: the fewer centres, the larger the errors.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ResonanceLaw {
    /// Magnetic moment along the field, in Bohr magnetons.
    pub moment_mu_b: f64,
    /// Its standard error.
    pub moment_error: f64,
    /// The g factor of a spin one half with this moment, `g = 2 μ / μB`.
    pub g: f64,
    /// Its standard error.
    pub g_error: f64,
    /// Field of the tip along the applied field, T.
    pub tip_field_t: f64,
    /// Its standard error, T.
    pub tip_field_error: f64,
    /// Slope of the line, Hz/T; carries no sign of the field axis.
    pub slope_hz_per_t: f64,
    /// Its standard error, Hz/T.
    pub slope_error: f64,
    /// Scatter of the centres beyond their own errors, Hz: from spectrum to spectrum the tip field or the energy zero
    /// wandered by about that much.
    pub scatter_hz: f64,
    /// Sum of squared deviations, weighted with the centre errors given.
    pub chi_square: f64,
    /// Number of centres less the two parameters.
    pub degrees_of_freedom: usize,
    /// Probability that scatter alone gives a larger chi-square; 1 when no degree of freedom is left.
    pub p_value: f64,
    /// Largest deviation in units of its own error.
    pub worst_deviation: f64,
    /// Mean field, T; the law is known best there.
    pub mean_field_t: f64,
    /// Variance of the mean frequency, Hz².
    pub(super) mean_variance: f64,
}

impl ResonanceLaw {
    /// Where the line is expected at another field, Hz, with its standard error.
    ///
    /// ```
    /// use noctule::analysis::realness::resonance_law;
    /// let fields = [0.5, 0.6, 0.7];
    /// let centres = fields.map(|b| 2.0 * 13.996_244_917_1e9 * (b + 0.01));
    /// let line = resonance_law(&fields, &centres, &[1e6; 3]).unwrap();
    /// let (f_hz, error_hz) = line.predict(0.8);
    /// assert!((f_hz - 2.0 * 13.996_244_917_1e9 * 0.81).abs() < 1.0);
    /// assert!(error_hz > 1e6);
    /// ```
    pub fn predict(&self, field_t: f64) -> (f64, f64) {
        let f = (self.slope_hz_per_t * (field_t + self.tip_field_t)).abs();
        let off = field_t - self.mean_field_t;
        (f, (self.mean_variance + (off * self.slope_error).powi(2)).sqrt())
    }
}

/// Fits `f = 2 μ |B + B_tip| / h` to line centres at several fields.
///
/// `fields_t` in tesla (either sign), `centres_hz` and `errors_hz` in hertz, one each a spectrum. The branch of
/// the absolute value is found by trying every place where the total field can change its sign.
///
/// # Errors
/// Refuses columns of different length, unusable numbers, errors that are not positive, fewer than two
/// centres, one single field, and a line without slope.
///
/// ```
/// use noctule::analysis::realness::resonance_law;
/// // 1 μB in 0.5 T lies at 13.9962449171 GHz; here the tip adds 10 mT.
/// let fields = [0.49, 0.69, 0.89];
/// let centres = fields.map(|b| 13.996_244_917_1e9 / 0.5 * (b + 0.010));
/// let line = resonance_law(&fields, &centres, &[0.5e6; 3]).unwrap();
/// assert!((line.moment_mu_b - 1.0).abs() < 1e-9);
/// assert!((line.tip_field_t - 0.010).abs() < 1e-9);
/// ```
pub fn resonance_law(
    fields_t: &[f64],
    centres_hz: &[f64],
    errors_hz: &[f64],
) -> Result<ResonanceLaw, Unusable> {
    let (plain, signed_hz) = plain_line(fields_t, centres_hz, errors_hz)?;
    Ok(with_scatter(plain, fields_t, &signed_hz, errors_hz))
}

/// The same with all errors enlarged alike, quick enough for laws that are only tried; and the centres with the sign
/// of the total field.
pub(super) fn plain_line(
    fields_t: &[f64],
    centres_hz: &[f64],
    errors_hz: &[f64],
) -> Result<(ResonanceLaw, Vec<f64>), Unusable> {
    same_length(("fields", fields_t), ("centres", centres_hz))?;
    same_length(("fields", fields_t), ("centre errors", errors_hz))?;
    at_least(fields_t.len(), 2, "line centres")?;
    finite(fields_t, "fields")?;
    finite(centres_hz, "centres")?;
    finite(errors_hz, "centre errors")?;
    if let Some(&value) = errors_hz.iter().find(|e| **e <= 0.0) {
        return Err(Unusable::OutOfRange { what: "A centre error", value, range: "the numbers above zero" });
    }
    let mut distinct = fields_t.to_vec();
    distinct.sort_by(f64::total_cmp);
    distinct.dedup();
    if distinct.len() < 2 {
        return Err(Unusable::Constant { what: "fields" });
    }
    // The total field may change its sign below, between or above the fields. Where all fields have one sign
    // the fold lies outside them, unless the centres really follow a V: a tip field that outdoes the magnet
    // is rare, so it has to be proved by centres that fit it.
    let one_sign = distinct[0] >= 0.0 || distinct[distinct.len() - 1] <= 0.0;
    let best = distinct
        .iter()
        .copied()
        .chain([f64::INFINITY])
        .filter_map(|threshold| {
            let signed: Vec<f64> =
                fields_t.iter().zip(centres_hz).map(|(b, f)| if *b < threshold { -f } else { *f }).collect();
            let folded = threshold.is_finite() && threshold > distinct[0];
            straight(fields_t, &signed, errors_hz)
                .filter(|l| consistent(l, fields_t, threshold))
                .filter(|l| !(folded && one_sign) || (l.degrees_of_freedom > 0 && l.p_value > 1e-3))
                .map(|line| (line, signed))
        })
        .min_by(|a, b| a.0.chi_square.total_cmp(&b.0.chi_square));
    best.ok_or(Unusable::NotDetermined { what: "A line that moves with the field" })
}

/// The sign of the total field must change where the fit assumed it does. Within three errors of zero total
/// field either sign is the same law.
fn consistent(line: &ResonanceLaw, fields_t: &[f64], threshold: f64) -> bool {
    fields_t.iter().all(|&b| {
        let total = b + line.tip_field_t;
        (total >= 0.0) == (b >= threshold) || total.abs() <= 3.0 * line.tip_field_error
    })
}

/// Weighted straight line through signed centres; `None` when the slope vanishes or overflows.
pub(super) fn straight(fields_t: &[f64], signed_hz: &[f64], errors_hz: &[f64]) -> Option<ResonanceLaw> {
    // Weights relative to the smallest error keep the sums in range whatever the errors are.
    let smallest = errors_hz.iter().copied().fold(f64::INFINITY, f64::min);
    let weights: Vec<f64> = errors_hz.iter().map(|e| (smallest / e).powi(2)).collect();
    let sum: f64 = weights.iter().sum();
    let mean_b = weights.iter().zip(fields_t).map(|(w, b)| w * b).sum::<f64>() / sum;
    let mean_f = weights.iter().zip(signed_hz).map(|(w, f)| w * f).sum::<f64>() / sum;
    let sbb: f64 = weights.iter().zip(fields_t).map(|(w, b)| w * (b - mean_b).powi(2)).sum();
    let sbf: f64 =
        (0..fields_t.len()).map(|i| weights[i] * (fields_t[i] - mean_b) * (signed_hz[i] - mean_f)).sum();
    let slope = sbf / sbb;
    if !slope.is_finite() || slope == 0.0 {
        return None;
    }
    let pulls: Vec<f64> = (0..fields_t.len())
        .map(|i| (signed_hz[i] - mean_f - slope * (fields_t[i] - mean_b)) / errors_hz[i])
        .collect();
    let chi_square: f64 = pulls.iter().map(|p| p * p).sum();
    let dof = fields_t.len() - 2;
    let inflation = if dof > 0 { (chi_square / dof as f64).max(1.0) } else { 1.0 };
    let slope_error = smallest * (inflation / sbb).sqrt();
    let mean_variance = smallest * smallest * inflation / sum;
    let tip_field_t = mean_f / slope - mean_b;
    // B_tip = f̄/s − B̄, and f̄ and s are uncorrelated about the weighted mean field.
    let tip_field_error = (mean_variance + (mean_f / slope * slope_error).powi(2)).sqrt() / slope.abs();
    // A negative slope of the signed centres would mean a frequency below zero at high field.
    if slope < 0.0 || ![chi_square, tip_field_t, tip_field_error].iter().all(|v| v.is_finite()) {
        return None;
    }
    let moment = slope / (2.0 * MU_B_PER_H_HZ_PER_T);
    let moment_error = slope_error / (2.0 * MU_B_PER_H_HZ_PER_T);
    Some(ResonanceLaw {
        moment_mu_b: moment,
        moment_error,
        g: 2.0 * moment,
        g_error: 2.0 * moment_error,
        tip_field_t,
        tip_field_error,
        slope_hz_per_t: slope,
        slope_error,
        scatter_hz: 0.0,
        chi_square,
        degrees_of_freedom: dof,
        p_value: chi_square_sf(chi_square, dof),
        worst_deviation: pulls.iter().fold(0.0, |m: f64, p| m.max(p.abs())),
        mean_field_t: mean_b,
        mean_variance,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_moment_on_either_side_of_zero_field() {
        let fields = [-0.3, -0.2, 0.05, 0.25];
        let centres = fields.map(|b: f64| 2.0 * 0.9 * MU_B_PER_H_HZ_PER_T * (b + 0.02).abs());
        let line = resonance_law(&fields, &centres, &[1e6; 4]).unwrap();
        assert!((line.moment_mu_b - 0.9).abs() < 1e-9, "{line:?}");
        assert!((line.tip_field_t - 0.02).abs() < 1e-9);
    }

    #[test]
    fn negative_fields_alone_give_the_same_moment() {
        let fields = [-0.9, -0.8, -0.7];
        let centres = fields.map(|b: f64| 2.0 * MU_B_PER_H_HZ_PER_T * (b + 0.03).abs());
        let line = resonance_law(&fields, &centres, &[1e6; 3]).unwrap();
        assert!((line.moment_mu_b - 1.0).abs() < 1e-9 && (line.tip_field_t - 0.03).abs() < 1e-9, "{line:?}");
    }

    #[test]
    fn a_feature_that_stays_in_place_has_no_resonance_law() {
        let answer = resonance_law(&[0.5, 0.6, 0.7], &[14e9; 3], &[1e6; 3]);
        assert_eq!(answer, Err(Unusable::NotDetermined { what: "A line that moves with the field" }));
    }

    #[test]
    fn bad_numbers_are_refused_by_name() {
        assert!(matches!(resonance_law(&[], &[], &[]), Err(Unusable::Empty { .. })));
        assert!(matches!(resonance_law(&[1.0], &[1.0], &[1.0]), Err(Unusable::TooFew { .. })));
        assert!(matches!(resonance_law(&[1.0, 1.0], &[1.0, 2.0], &[1.0; 2]), Err(Unusable::Constant { .. })));
        assert!(matches!(
            resonance_law(&[1.0, f64::NAN], &[1.0; 2], &[1.0; 2]),
            Err(Unusable::NotFinite { .. })
        ));
        assert!(matches!(
            resonance_law(&[1.0, 2.0], &[1.0, 1e300], &[1.0; 2]),
            Err(Unusable::NotFinite { .. })
        ));
        assert!(matches!(
            resonance_law(&[1.0, 2.0], &[1.0, 2.0], &[1.0, 0.0]),
            Err(Unusable::OutOfRange { .. })
        ));
    }
}
