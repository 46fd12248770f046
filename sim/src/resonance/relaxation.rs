//! Width and saturation from T1, T2 and the drive.

use std::f64::consts::PI;

/// A driven spin: how hard, and how it relaxes.
///
/// Steady state of the Bloch equations: the saturated fraction is
/// s/(1 + s + x²), s = Ω²T1T2, x = 2π(f − f0)T2. Standard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Driving {
    /// Rabi rate Ω of a free spin 1/2 at this drive, rad/s.
    pub rabi_rad_s: f64,
    /// Energy relaxation time T1, s.
    pub t1_s: f64,
    /// Coherence time T2, s; at most 2·T1.
    pub t2_s: f64,
    /// Asymmetry α of the lines, no unit.
    pub asymmetry: f64,
}

impl Driving {
    /// s = Ω²T1T2, no unit.
    pub fn saturation(&self) -> f64 {
        // The bound keeps the shape a number (full saturation) where the square overflows.
        (self.rabi_rad_s * self.rabi_rad_s * self.t1_s * self.t2_s).min(1e300)
    }

    /// Fraction of full saturation on resonance, s/(1 + s).
    pub fn saturated_fraction(&self) -> f64 {
        let s = self.saturation();
        s / (1.0 + s)
    }

    /// Full width at half maximum with power broadening, √(1+s)/(π T2), Hz.
    pub fn width_hz(&self) -> f64 {
        width_hz(self.t2_s) * (1.0 + self.saturation()).sqrt()
    }
}

/// Full width at half maximum of a weakly driven line, 1/(π T2), Hz.
///
/// ```
/// let width = noctule_sim::resonance::width_hz(210e-9);
/// assert!((width - 1.51576136e6).abs() < 0.01e3);
/// ```
pub fn width_hz(t2_s: f64) -> f64 {
    1.0 / (PI * t2_s)
}

/// The T2 that gives a width, s.
pub fn t2_of_width_s(width_hz: f64) -> f64 {
    1.0 / (PI * width_hz)
}
