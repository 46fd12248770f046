//! What an ideal lock-in reads of a chopped signal, rms. Phase zero is that of a signal that grows with the chop.

use std::f64::consts::{PI, SQRT_2};

/// RMS reading of a current that changes by `delta_a` while the RF is on, A:
/// (√2/π) sin(πd) ΔI, the fundamental of a rectangular wave.
///
/// ```
/// use noctule_sim::lockin::chopped_rms_a;
/// assert!((chopped_rms_a(20e-15, 0.5) - 9.003e-15).abs() < 1e-18);
/// ```
pub fn chopped_rms_a(delta_a: f64, duty: f64) -> f64 {
    SQRT_2 / PI * (PI * duty).sin() * delta_a
}
