//! One line: the asymmetric Lorentzian, and where lines of simple moments lie.

use crate::spin::constants::MU_B_HZ_PER_T;
use nalgebra::Vector3;

/// An asymmetric Lorentzian: height·(1 + αδ)/(1 + δ²), δ = 2(f − f0)/width.
///
/// For α ≠ 0 its maximum does not lie at f0; see [`Line::extrema`]. Line shape:
/// Science 350, 417 (2015), 10.1126/science.aac8703, and Nano Lett. 19, 8201
/// (2019); from memory, not checked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Resonance frequency, Hz.
    pub f0_hz: f64,
    /// Full width at half maximum of the symmetric part, Hz.
    pub width_hz: f64,
    /// Value at f0, A. Negative for a dip.
    pub height_a: f64,
    /// α, no unit; 0 is symmetric.
    pub asymmetry: f64,
}

/// The same curve written as offset + amplitude·(q + δ)²/(1 + δ²).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fano {
    /// Resonance frequency, Hz.
    pub f0_hz: f64,
    /// Width as in [`Line`], Hz.
    pub width_hz: f64,
    /// A, in A.
    pub amplitude_a: f64,
    /// q, no unit.
    pub q: f64,
    /// Value far from the line, A. A [`Line`] tends to zero there, so this is −A.
    pub offset_a: f64,
}

impl Line {
    /// Value at a frequency, A.
    pub fn at(&self, f_hz: f64) -> f64 {
        let delta = 2.0 * (f_hz - self.f0_hz) / self.width_hz;
        self.height_a * (1.0 + self.asymmetry * delta) / (1.0 + delta * delta)
    }

    /// The two extrema as (frequency in Hz, value in A): the one on the side of the peak, then the other.
    ///
    /// δ± = (−1 ± √(1+α²))/α with the values height·(1 ± √(1+α²))/2, from
    /// setting the derivative to zero. A symmetric line has only the first.
    pub fn extrema(&self) -> ((f64, f64), Option<(f64, f64)>) {
        let root = self.asymmetry.hypot(1.0);
        let place = |delta: f64| self.f0_hz + delta * self.width_hz / 2.0;
        // (−1 + √(1+α²))/α without the cancellation at small α.
        let peak = (place(self.asymmetry / (1.0 + root)), self.height_a * (1.0 + root) / 2.0);
        let other = (self.asymmetry != 0.0)
            .then(|| (place(-(1.0 + root) / self.asymmetry), self.height_a * (1.0 - root) / 2.0));
        (peak, other)
    }

    /// The other form of the same curve, |q| > 1 branch; `None` for a symmetric line (q is infinite).
    ///
    /// q = \[1 + √(1+α²)\]/α, A = height·α²/\[2(√(1+α²) + 1)\], from comparing coefficients.
    pub fn fano(&self) -> Option<Fano> {
        if self.asymmetry == 0.0 {
            return None;
        }
        let root = self.asymmetry.hypot(1.0);
        let amplitude_a = self.height_a * self.asymmetry * self.asymmetry / (2.0 * (root + 1.0));
        Some(Fano {
            f0_hz: self.f0_hz,
            width_hz: self.width_hz,
            amplitude_a,
            q: (1.0 + root) / self.asymmetry,
            offset_a: -amplitude_a,
        })
    }

    /// Largest slope of a symmetric line, A/Hz: (3√3/4)·height/width, at f0 ± width/(2√3).
    pub fn steepest_slope_a_per_hz(&self) -> f64 {
        0.75 * 3.0_f64.sqrt() * self.height_a.abs() / self.width_hz
    }
}

impl Fano {
    /// Value at a frequency, A.
    pub fn at(&self, f_hz: f64) -> f64 {
        let delta = 2.0 * (f_hz - self.f0_hz) / self.width_hz;
        self.offset_a + self.amplitude_a * (self.q + delta).powi(2) / (1.0 + delta * delta)
    }

    /// The line of the same shape (α = 2q/(q²−1), height A(q²−1)); it leaves out a constant of offset + A.
    /// `None` at |q| = 1, where there is no symmetric part.
    pub fn line(&self) -> Option<Line> {
        let excess = self.q * self.q - 1.0;
        (excess != 0.0).then(|| Line {
            f0_hz: self.f0_hz,
            width_hz: self.width_hz,
            height_a: self.amplitude_a * excess,
            asymmetry: 2.0 * self.q / excess,
        })
    }
}

/// Line of a moment that follows the field, 2μB/h, Hz; moment in Bohr magnetons (g/2 for a spin 1/2).
pub fn zeeman_line_hz(moment_mu_b: f64, field_t: [f64; 3]) -> f64 {
    2.0 * moment_mu_b * MU_B_HZ_PER_T * Vector3::from(field_t).norm()
}

/// Line of a moment bound to an easy axis, 2μ|B·n|/h, Hz: only the field along the axis counts.
pub fn ising_line_hz(moment_mu_b: f64, easy_axis: [f64; 3], field_t: [f64; 3]) -> f64 {
    let axis = Vector3::from(easy_axis);
    2.0 * moment_mu_b * MU_B_HZ_PER_T * (Vector3::from(field_t).dot(&axis) / axis.norm()).abs()
}
