//! Levels, amplitudes and what the junction makes of them.
//!
//! Levels are in dBm into 50 Ω, amplitudes zero-to-peak. A tunnel junction is an open end
//! for the line, so the voltage there is twice that of the arriving wave.

use std::f64::consts::PI;

/// Wave resistance of source and line, Ω.
pub const LINE_OHM: f64 = 50.0;

/// Zero-to-peak voltage of a wave of `level_dbm` in 50 Ω, V.
///
/// ```
/// use noctule_sim::rf::dbm_to_volts;
/// assert!((dbm_to_volts(-30.0) - 0.010).abs() < 1e-12);
/// ```
pub fn dbm_to_volts(level_dbm: f64) -> f64 {
    (2.0 * LINE_OHM * 1e-3).sqrt() * 10.0_f64.powf(level_dbm / 20.0)
}

/// Level in dBm of a wave with `volts` zero-to-peak in 50 Ω. Zero volts are −∞ dBm.
pub fn volts_to_dbm(volts: f64) -> f64 {
    20.0 * (volts.abs() / (2.0 * LINE_OHM * 1e-3).sqrt()).log10()
}

/// Zero-to-peak voltage at the junction, V: `level_dbm` at the source, `transmission_db`
/// (negative for a loss) along the line, doubled at the open end.
///
/// ```
/// use noctule_sim::rf::junction_volts;
/// assert!((junction_volts(-10.0, -30.0) - 6.32456e-3).abs() < 1e-8);
/// ```
pub fn junction_volts(level_dbm: f64, transmission_db: f64) -> f64 {
    2.0 * dbm_to_volts(level_dbm + transmission_db)
}

/// Level in dBm at the source that gives `junction_v` zero-to-peak at the junction.
pub fn level_for_junction_dbm(junction_v: f64, transmission_db: f64) -> f64 {
    volts_to_dbm(0.5 * junction_v) - transmission_db
}

/// Power in W a line loses on its way if `level_dbm` goes in and `transmission_db` of it arrives.
/// A transmission above zero dB (which no passive line has) loses nothing.
pub fn dissipated_w(level_dbm: f64, transmission_db: f64) -> f64 {
    let input_w = 1e-3 * 10.0_f64.powf(level_dbm / 10.0);
    input_w * (1.0 - 10.0_f64.powf(transmission_db.min(0.0) / 10.0))
}

/// Direct current from rectification for small amplitudes, A: (V₀²/4) d²I/dV²
/// (Appl. Phys. Lett. 107, 093101 (2015) calibrates an RF line with it).
pub fn rectified_a(v0_v: f64, d2i_dv2: f64) -> f64 {
    0.25 * v0_v * v0_v * d2i_dv2
}

/// Direct current from rectification at any amplitude, A: the mean of I(V + V₀ sin φ) over φ
/// less I(V), from `points` (at least 8) evenly spaced phases. Exact for polynomials of a degree
/// below `points`; a step much sharper than `v0_v`/`points` needs more.
pub fn rectified_exact_a(current_a: impl Fn(f64) -> f64, bias_v: f64, v0_v: f64, points: u32) -> f64 {
    let points = points.max(8);
    // sin φ takes each value twice a turn; half a turn with nodes off its ends is enough.
    let sum: f64 = (0..points)
        .map(|k| {
            let phase = PI * ((f64::from(k) + 0.5) / f64::from(points) - 0.5);
            current_a(bias_v + v0_v * phase.sin())
        })
        .sum();
    sum / f64::from(points) - current_a(bias_v)
}

/// Zero-to-peak amplitude at the junction in V that explains a rectified current: √(4 ΔI/I″).
/// `None` if the two don't have the same sign or the curvature is zero.
pub fn amplitude_from_rectified_v(rectified_a: f64, d2i_dv2: f64) -> Option<f64> {
    let square = 4.0 * rectified_a / d2i_dv2;
    (square.is_finite() && square >= 0.0).then(|| square.sqrt())
}

/// Transmission of the line in dB from a rectified current, measured with `level_dbm` at the
/// source: the way a sequence measures its line through the junction itself. `None` as for
/// [`amplitude_from_rectified_v`], and for an amplitude of zero.
pub fn transmission_from_rectified_db(rectified_a: f64, d2i_dv2: f64, level_dbm: f64) -> Option<f64> {
    let v0_v = amplitude_from_rectified_v(rectified_a, d2i_dv2)?;
    (v0_v > 0.0).then(|| volts_to_dbm(0.5 * v0_v) - level_dbm)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_and_volts_are_inverse() {
        for level in [-60.0, -17.3, 0.0, 12.0] {
            assert!((volts_to_dbm(dbm_to_volts(level)) - level).abs() < 1e-12);
            let there = junction_volts(level, -31.7);
            assert!((level_for_junction_dbm(there, -31.7) - level).abs() < 1e-12);
        }
        assert_eq!(volts_to_dbm(0.0), f64::NEG_INFINITY);
    }

    #[test]
    fn a_line_can_be_measured_through_the_junction() {
        let curvature = 3e-8;
        let current = rectified_a(junction_volts(-12.0, -28.4), curvature);
        let back = transmission_from_rectified_db(current, curvature, -12.0).unwrap();
        assert!((back + 28.4).abs() < 1e-10);
        assert_eq!(transmission_from_rectified_db(-current, curvature, -12.0), None);
        assert_eq!(transmission_from_rectified_db(0.0, curvature, -12.0), None);
        assert_eq!(amplitude_from_rectified_v(1e-12, 0.0), None);
    }

    #[test]
    fn exact_rectification_has_the_small_amplitude_limit_and_the_fourth_order() {
        // For I = V² + V⁴ at V = 0 the mean is V₀²/2 + 3V₀⁴/8.
        let curve = |v: f64| v * v + v.powi(4);
        for v0 in [1e-3, 0.1, 1.0] {
            let exact = rectified_exact_a(curve, 0.0, v0, 16);
            let expected = 0.5 * v0 * v0 + 0.375 * v0.powi(4);
            assert!((exact / expected - 1.0).abs() < 1e-12);
        }
        let small = rectified_exact_a(curve, 0.2, 1e-3, 16);
        let curvature = 2.0 + 12.0 * 0.04;
        assert!((small / rectified_a(1e-3, curvature) - 1.0).abs() < 1e-5);
    }

    #[test]
    fn a_lossless_line_stays_cold() {
        assert_eq!(dissipated_w(0.0, 0.0), 0.0);
        assert!((dissipated_w(0.0, -10.0) - 0.9e-3).abs() < 1e-15);
    }
}
