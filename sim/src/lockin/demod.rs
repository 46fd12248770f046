//! What an ideal lock-in reads: chopped signals and harmonics of a bias modulation.
//!
//! All readings are rms values. Phase zero is that of a signal that grows with the
//! chop or with the modulation, so that a positive change, slope or curvature reads positive.

use std::f64::consts::{PI, SQRT_2};

/// What the lock-in is locked to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reference {
    /// The RF is switched on for a part `duty` (0 to 1) of each chop period.
    Chop {
        /// Part of the period with RF on.
        duty: f64,
    },
    /// Bias modulation, detected at its own frequency (first derivative).
    Fundamental,
    /// Bias modulation, detected at twice its frequency (second derivative).
    SecondHarmonic,
}

/// RMS reading of a current that changes by `delta_a` while the RF is on, A:
/// (√2/π) sin(πd) ΔI, the fundamental of a rectangular wave.
///
/// ```
/// use noctule_sim::lockin::chopped_rms_a;
/// assert!((chopped_rms_a(20e-15, 0.5) - 9.003e-15).abs() < 1e-18);
/// ```
pub fn chopped_rms_a(delta_a: f64, duty: f64) -> f64 {
    chopped_harmonic_rms_a(delta_a, duty, 1)
}

/// The same for the n-th harmonic of the chop, (√2/nπ) sin(nπd) ΔI. Harmonics count from 1.
pub fn chopped_harmonic_rms_a(delta_a: f64, duty: f64, harmonic: u32) -> f64 {
    let n = f64::from(harmonic.max(1));
    SQRT_2 / (n * PI) * (n * PI * duty).sin() * delta_a
}

/// The current change in A behind a chopped reading of `rms_a`; `None` for a duty of 0 or 1,
/// where nothing is modulated.
pub fn delta_from_chopped_a(rms_a: f64, duty: f64) -> Option<f64> {
    (duty > 0.0 && duty < 1.0).then(|| rms_a / chopped_rms_a(1.0, duty))
}

/// RMS reading at the modulation frequency, A, for small modulation:
/// (V₀ I′ + V₀³ I‴/8)/√2 with `v0_v` zero-to-peak, derivatives in A/V and A/V³.
pub fn fundamental_rms_a(v0_v: f64, di_dv: f64, d3i_dv3: f64) -> f64 {
    (v0_v * di_dv + v0_v.powi(3) * d3i_dv3 / 8.0) / SQRT_2
}

/// RMS reading at twice the modulation frequency, A, for small modulation:
/// V₀² I″/(4√2) with `v0_v` zero-to-peak and the second derivative in A/V².
pub fn second_harmonic_rms_a(v0_v: f64, d2i_dv2: f64) -> f64 {
    v0_v * v0_v * d2i_dv2 / (4.0 * SQRT_2)
}

/// RMS reading of harmonic 1 or 2 of V = `bias_v` + `v0_v` sin ωt for any current–voltage
/// curve, A, without the small-modulation limit.
///
/// The Fourier integral is taken at `points` evenly spaced phases (at least 8), which is exact
/// for curves that are polynomials of a degree below `points` − 2 over the modulation. A step sharper than
/// about `v0_v`/`points` needs more.
pub fn modulated_rms_a(
    current_a: impl Fn(f64) -> f64,
    bias_v: f64,
    v0_v: f64,
    reference: Reference,
    points: u32,
) -> f64 {
    let points = points.max(8);
    let mut sum = 0.0;
    for k in 0..points {
        let phase = 2.0 * PI * (f64::from(k) + 0.5) / f64::from(points);
        let weight = match reference {
            Reference::Chop { .. } => 0.0,
            Reference::Fundamental => phase.sin(),
            Reference::SecondHarmonic => -(2.0 * phase).cos(),
        };
        sum += weight * current_a(bias_v + v0_v * phase.sin());
    }
    SQRT_2 * sum / f64::from(points)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_duty_that_modulates_nothing_has_no_inverse() {
        assert_eq!(delta_from_chopped_a(1e-15, 1.0), None);
        assert_eq!(delta_from_chopped_a(1e-15, 0.0), None);
        let back = delta_from_chopped_a(chopped_rms_a(3e-15, 0.3), 0.3).unwrap();
        assert!((back / 3e-15 - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_polynomial_gives_the_small_modulation_formulas() {
        let (a, b, c) = (2e-9, 3e-8, -4e-7);
        let curve = |v: f64| a * v + b * v * v / 2.0 + c * v.powi(3) / 6.0;
        let (v, v0) = (0.01, 0.003);
        let first = modulated_rms_a(curve, v, v0, Reference::Fundamental, 16);
        let second = modulated_rms_a(curve, v, v0, Reference::SecondHarmonic, 16);
        let slope = a + b * v + c * v * v / 2.0;
        assert!((first / fundamental_rms_a(v0, slope, c) - 1.0).abs() < 1e-12);
        assert!((second / second_harmonic_rms_a(v0, b + c * v) - 1.0).abs() < 1e-10);
    }
}
