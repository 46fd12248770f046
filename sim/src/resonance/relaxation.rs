//! Width and saturation from T1, T2 and the drive.

use crate::spin::constants::E_C;
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
    /// The same spin with a current through it: electrons that tunnel flip it and upset its phase.
    ///
    /// 1/T1 grows by `flips`·I/e and 1/T2 by `dephasing`·I/e; T2 stays below 2·T1
    /// (Sci. Adv. 4, eaaq1543 (2018), 10.1126/sciadv.aaq1543, about 0.64 losses of phase per electron;
    /// read in a secondary text).
    pub fn under_current(self, current_a: f64, flips: f64, dephasing: f64) -> Self {
        let electrons_per_s = current_a.abs() / E_C;
        let t1_s = 1.0 / (1.0 / self.t1_s + flips * electrons_per_s);
        let t2_s = 1.0 / (1.0 / self.t2_s + dephasing * electrons_per_s);
        Self { t1_s, t2_s: t2_s.min(2.0 * t1_s), ..self }
    }

    /// s = Ω²T1T2, no unit.
    pub fn saturation(&self) -> f64 {
        // The bound keeps the shape a number (full saturation) where the square overflows.
        (self.rabi_rad_s * self.rabi_rad_s * self.t1_s * self.t2_s).min(1e300)
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
