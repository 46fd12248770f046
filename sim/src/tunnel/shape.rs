//! How the current depends on bias: a smooth elastic part and inelastic steps.
//!
//! A step opens when `e|V|` reaches an excitation energy Δ. Its conductance is
//! `Θ(x) = [1+(x−1)eˣ]/(eˣ−1)²`, `x = (Δ−eV)/kT` (Phys. Rev. 165, 821 (1968),
//! doi:10.1103/PhysRev.165.821; from memory, not checked), whose integral over
//! bias is `(kT/e)·g(−x)` with `g(u) = u/(1−e⁻ᵘ)` (own derivation: g′(u) = Θ(−u)).

use noctule_ground::section;
use noctule_ground::section::{Range, number, plain, si};

/// `Θ(x)`, the thermally broadened step: 1 far below 0, ½ at 0, 0 far above.
pub fn step_shape(x: f64) -> f64 {
    if x.abs() < 0.05 {
        // The closed form loses digits near 0; its series is exact to 1e-14 here.
        let x2 = x * x;
        return 0.5 - x / 6.0 * (1.0 - x2 / 30.0 * (1.0 - x2 / 28.0));
    }
    if x > 40.0 {
        return (x - 1.0) * (-x).exp();
    }
    if x < -40.0 {
        return 1.0 - (-x - 1.0) * x.exp();
    }
    let e = x.exp();
    (1.0 + (x - 1.0) * e) / ((e - 1.0) * (e - 1.0))
}

/// `g(u) = u/(1−e⁻ᵘ)`, the integral of the step.
pub fn step_integral(u: f64) -> f64 {
    if u.abs() < 1e-5 {
        return 1.0 + 0.5 * u + u * u / 12.0;
    }
    // Far from 0 the exponential is below a part in 10¹⁷ and need not be taken.
    if u > 40.0 {
        return u;
    }
    if u < -40.0 {
        return 0.0;
    }
    u / -(-u).exp_m1()
}

/// `χ(x)`, minus the derivative of the step: the peak in d²I/dV². Height 1/6 at 0.
pub fn peak_shape(x: f64) -> f64 {
    let x = x.abs();
    if x < 0.1 {
        let x2 = x * x;
        return 1.0 / 6.0 - x2 / 60.0 + x2 * x2 / 1008.0;
    }
    // With e = e⁻ˣ the form does not overflow: χ(x) = e[(x−2)+(x+2)e]/(1−e)³.
    let e = (-x).exp();
    let below = 1.0 - e;
    e * ((x - 2.0) + (x + 2.0) * e) / (below * below * below)
}

section! {
    /// One inelastic channel.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Step = "Step" {
        /// Excitation energy Δ.
        pub energy_ev: f64 = number("meV", 1e-3, Range::Positive), "energy_mev";
        /// Conductance it adds, as a fraction of the elastic one at zero bias.
        pub fraction: f64 = plain(Range::Within(0.0, 10.0)), "fraction";
    }
}

section! {
    /// The current at unit conductance: an effective voltage `u(V)`, V.
    ///
    /// `u = V + a·V² + b·V³` plus the integrated steps; `u′` is the conductance
    /// and `u″` the curvature that rectifies an RF voltage.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct Shape = "Junction" {
        /// Quadratic part of the current against bias over bare film.
        pub quadratic_per_v: f64 = si("1/V", Range::Within(-5.0, 5.0)), "quadratic_per_v";
        /// Cubic part.
        pub cubic_per_v2: f64 = si("1/V²", Range::NotNegative), "cubic_per_v2";
        /// Inelastic channels of the film.
        pub steps: Vec<Step> = Step::PARTS, "film_steps";
    }
}

/// What a sine on the bias does to the current, in effective volts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Harmonics {
    /// Mean over a cycle minus the value without modulation: rectification.
    pub rectified_v: f64,
    /// Amplitude (peak) of the component sin ωt.
    pub first_v: f64,
    /// Amplitude (peak) of the component cos 2ωt, with its sign (−V0²/4·u″ for small V0).
    pub second_v: f64,
}

/// Nodes of the cycle average. Gauss–Chebyshev: exact for polynomials up to degree 127.
const NODES: u32 = 64;

impl Shape {
    /// Effective voltage at bias `v`, with thermal energy `kt_ev` (eV).
    pub fn voltage(&self, v: f64, kt_ev: f64) -> f64 {
        let elastic = v * (1.0 + v * (self.quadratic_per_v + v * self.cubic_per_v2));
        elastic + self.steps.iter().map(|step| step.voltage(v, kt_ev)).sum::<f64>()
    }

    /// du/dV: the differential conductance over the one at zero bias.
    pub fn conductance(&self, v: f64, kt_ev: f64) -> f64 {
        let elastic = 1.0 + v * (2.0 * self.quadratic_per_v + 3.0 * v * self.cubic_per_v2);
        let inelastic = self.steps.iter().map(|step| {
            step.fraction
                * (step_shape((step.energy_ev - v) / kt_ev) + step_shape((step.energy_ev + v) / kt_ev))
        });
        elastic + inelastic.sum::<f64>()
    }

    /// d²u/dV², 1/V.
    pub fn curvature(&self, v: f64, kt_ev: f64) -> f64 {
        let elastic = 2.0 * self.quadratic_per_v + 6.0 * v * self.cubic_per_v2;
        let inelastic = self.steps.iter().map(|step| {
            step.fraction / kt_ev
                * (peak_shape((step.energy_ev - v) / kt_ev) - peak_shape((step.energy_ev + v) / kt_ev))
        });
        elastic + inelastic.sum::<f64>()
    }

    /// Averages over a cycle of `v + amplitude_v·sin ωt` (zero-to-peak), without
    /// expanding in the amplitude: an RF voltage is far wider than a step.
    pub fn harmonics(&self, v: f64, amplitude_v: f64, kt_ev: f64) -> Harmonics {
        let rest = self.voltage(v, kt_ev);
        let (mut mean, mut first, mut second) = (0.0, 0.0, 0.0);
        for node in 0..NODES {
            let angle = std::f64::consts::PI * ((f64::from(node) + 0.5) / f64::from(NODES) - 0.5);
            let sine = angle.sin();
            let u = self.voltage(v + amplitude_v * sine, kt_ev) - rest;
            mean += u;
            first += u * sine;
            second += u * (1.0 - 2.0 * sine * sine);
        }
        let weight = 1.0 / f64::from(NODES);
        Harmonics {
            rectified_v: mean * weight,
            first_v: 2.0 * first * weight,
            second_v: 2.0 * second * weight,
        }
    }
}

impl Step {
    /// Effective voltage it adds at bias `v`, with thermal energy `kt_ev` (eV).
    pub fn voltage(&self, v: f64, kt_ev: f64) -> f64 {
        let opened = step_integral((v - self.energy_ev) / kt_ev);
        let mirrored = step_integral((-v - self.energy_ev) / kt_ev);
        self.fraction * kt_ev * (opened - mirrored)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn series_and_closed_form_meet() {
        for edge in [0.05, 0.1, -0.05] {
            let (inside, outside) = (edge * (1.0 - 1e-9), edge * (1.0 + 1e-9));
            assert!((step_shape(inside) - step_shape(outside)).abs() < 1e-10);
            assert!((peak_shape(inside) - peak_shape(outside)).abs() < 1e-8);
        }
        assert!((step_shape(39.9999) - step_shape(40.0001)).abs() < 1e-17);
        assert!(step_shape(800.0) == 0.0 && step_shape(-800.0) == 1.0);
        assert!(step_integral(-1e4) == 0.0 && step_integral(1e4) == 1e4);
    }

    #[test]
    fn conductance_and_curvature_are_derivatives() {
        let shape = Shape {
            quadratic_per_v: 0.3,
            cubic_per_v2: 5.0,
            steps: vec![Step { energy_ev: 0.014, fraction: 0.3 }],
        };
        let kt = 1e-3;
        for v in [-0.03, -0.0135, 0.002, 0.0141, 0.05] {
            let h = 1e-6;
            let slope = (shape.voltage(v + h, kt) - shape.voltage(v - h, kt)) / (2.0 * h);
            let bend = (shape.conductance(v + h, kt) - shape.conductance(v - h, kt)) / (2.0 * h);
            assert!((slope - shape.conductance(v, kt)).abs() < 1e-6, "{v}");
            assert!((bend - shape.curvature(v, kt)).abs() < 1e-4, "{v}");
        }
    }
}
