//! Slow motion of the sample under the tip, and creep of the scanner.

use crate::noise::{Source, Wander};
use noctule_ground::section;
use noctule_ground::section::{Range, number, plain, vector};

/// The grid on which the drift velocity wanders, s.
const WANDER_PERIOD_S: f64 = 60.0;

/// Time constants of the creep, s: its logarithmic course, one relaxation per decade.
const CREEP_S: [f64; 3] = [10.0, 100.0, 1000.0];

section! {
    /// Drift of the sample and creep of the scanner: how much and how fast.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct DriftLaw = "Drift" {
        /// Mean velocity of the sample in the scanner's frame (x, y, z).
        pub velocity_m_s: [f64; 3] = vector("pm/s", 1e-12, Range::Within(-100.0, 100.0)), "velocity_pm_s";
        /// Standard deviation of its slow wander, each coordinate.
        pub wander_m_s: f64 = number("pm/s", 1e-12, Range::NotNegative), "wander_pm_s";
        /// Correlation time of the wander.
        pub wander_s: f64 = number("min", 60.0, Range::Positive), "wander_min";
        /// Part of a move that creeps after it, for each decade of time from 10 s to 1000 s.
        pub creep_fraction: f64 = plain(Range::Within(0.0, 0.2)), "creep_fraction";
    }
}

/// Where the sample has drifted to, and where creep holds the tip back.
#[derive(Debug, Clone)]
pub struct Drift {
    law: DriftLaw,
    wander: [Wander; 3],
    /// Extra velocity of a fault.
    extra_m_s: [f64; 3],
    /// A velocity that dies out, its time constant, s, and since when, s.
    dying_m_s: [f64; 3],
    dying_tau_s: f64,
    dying_since_s: f64,
    base_m: [f64; 3],
    base_s: f64,
    next_step_s: f64,
    creep_m: [[f64; 2]; CREEP_S.len()],
    creep_since_s: f64,
    /// Warmth: where it moves the sample in the end, where it had moved it, since when.
    warm_to_m: [f64; 3],
    warm_from_m: [f64; 3],
    warm_since_s: f64,
    warm_tau_s: f64,
}

impl Drift {
    /// Drift from zero offset at time 0.
    pub fn new(law: DriftLaw, seed: u64) -> Self {
        let wander = [0, 1, 2].map(|coordinate| {
            let source = Source::Drift(coordinate);
            Wander::new(seed, source, law.wander_m_s, law.wander_s, WANDER_PERIOD_S)
        });
        Self {
            law,
            wander,
            extra_m_s: [0.0; 3],
            dying_m_s: [0.0; 3],
            dying_tau_s: 1.0,
            dying_since_s: 0.0,
            base_m: [0.0; 3],
            base_s: 0.0,
            next_step_s: WANDER_PERIOD_S,
            creep_m: [[0.0; 2]; CREEP_S.len()],
            creep_since_s: 0.0,
            warm_to_m: [0.0; 3],
            warm_from_m: [0.0; 3],
            warm_since_s: 0.0,
            warm_tau_s: 1.0,
        }
    }

    /// When the velocity changes next, s. The caller calls [`Self::step`] then.
    pub fn next_step_s(&self) -> f64 {
        self.next_step_s
    }

    /// The velocity wanders on; to be called at [`Self::next_step_s`] exactly.
    pub fn step(&mut self) {
        self.commit(self.next_step_s);
        for wander in &mut self.wander {
            wander.step();
        }
        self.next_step_s += WANDER_PERIOD_S;
    }

    /// Velocity of the sample now, m/s; one that dies out is not counted.
    pub fn velocity_m_s(&self) -> [f64; 3] {
        [0, 1, 2].map(|i| self.law.velocity_m_s[i] + self.wander[i].value() + self.extra_m_s[i])
    }

    /// Offset of the sample in the scanner's frame at `now_s`, m (x, y, z).
    pub fn sample_m(&self, now_s: f64) -> [f64; 3] {
        let (cold, warm) = (self.cold_m(now_s), self.warm_m(now_s));
        [0, 1, 2].map(|i| cold[i] + warm[i])
    }

    /// From `now_s` on heat moves the sample towards `to_m` with the time constant `tau_s`: it warms as a body
    /// with one time constant does, to + (from − to)·e^(−t/τ).
    pub fn warm(&mut self, now_s: f64, to_m: [f64; 3], tau_s: f64) {
        if to_m == self.warm_to_m {
            return;
        }
        self.warm_from_m = self.warm_m(now_s);
        (self.warm_to_m, self.warm_since_s, self.warm_tau_s) = (to_m, now_s, tau_s);
    }

    fn warm_m(&self, now_s: f64) -> [f64; 3] {
        if self.warm_to_m == self.warm_from_m {
            return self.warm_to_m;
        }
        let left = ((self.warm_since_s - now_s) / self.warm_tau_s).exp();
        [0, 1, 2].map(|i| self.warm_to_m[i] + (self.warm_from_m[i] - self.warm_to_m[i]) * left)
    }

    fn cold_m(&self, now_s: f64) -> [f64; 3] {
        let velocity = self.velocity_m_s();
        let elapsed = now_s - self.base_s;
        // From now back to the base: what has died away by then is in the base already.
        let age = |at_s: f64| (self.dying_since_s - at_s) / self.dying_tau_s;
        let is_still = self.dying_m_s == [0.0; 3];
        let gone =
            if is_still { 0.0 } else { self.dying_tau_s * (age(self.base_s).exp() - age(now_s).exp()) };
        [0, 1, 2].map(|i| self.base_m[i] + velocity[i] * elapsed + self.dying_m_s[i] * gone)
    }

    /// Something has warmed or bent: from `now_s` on the sample drifts away at `velocity_m_s`, which dies out with
    /// the time constant `tau_s`. What is left of one before is added to it.
    pub fn disturb(&mut self, now_s: f64, velocity_m_s: [f64; 3], tau_s: f64) {
        if !(tau_s > 0.0 && velocity_m_s.iter().all(|v| v.is_finite())) {
            return;
        }
        self.commit(now_s);
        let kept = ((self.dying_since_s - now_s) / self.dying_tau_s).exp();
        self.dying_m_s = [0, 1, 2].map(|i| self.dying_m_s[i] * kept + velocity_m_s[i]);
        (self.dying_since_s, self.dying_tau_s) = (now_s, tau_s);
    }

    /// Moves the sample at once: where the tip lands is never quite the same place.
    pub fn shift(&mut self, shift_m: [f64; 2]) {
        self.base_m[0] += shift_m[0];
        self.base_m[1] += shift_m[1];
    }

    /// A fault adds a velocity from `now_s` on (zero ends it), m/s.
    pub fn set_extra(&mut self, now_s: f64, extra_m_s: [f64; 3]) {
        self.commit(now_s);
        self.extra_m_s = extra_m_s;
    }

    /// The scanner has moved by `step_m` at `now_s`: a part of it is still to come.
    pub fn moved(&mut self, now_s: f64, step_m: [f64; 2]) {
        let elapsed = now_s - self.creep_since_s;
        for (part, constant) in self.creep_m.iter_mut().zip(CREEP_S) {
            let kept = (-elapsed / constant).exp();
            for (value, step) in part.iter_mut().zip(step_m) {
                *value = *value * kept - self.law.creep_fraction * step;
            }
        }
        self.creep_since_s = now_s;
    }

    /// How far the tip is from where its voltages say, m (x, y), at `now_s`.
    pub fn creep_m(&self, now_s: f64) -> [f64; 2] {
        let elapsed = now_s - self.creep_since_s;
        let mut lag = [0.0; 2];
        for (part, constant) in self.creep_m.iter().zip(CREEP_S) {
            if part[0] == 0.0 && part[1] == 0.0 {
                continue;
            }
            let kept = (-elapsed / constant).exp();
            lag[0] += part[0] * kept;
            lag[1] += part[1] * kept;
        }
        lag
    }

    fn commit(&mut self, now_s: f64) {
        self.base_m = self.cold_m(now_s);
        self.base_s = now_s;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEADY: DriftLaw = DriftLaw {
        velocity_m_s: [1e-13, -2e-13, 5e-14],
        wander_m_s: 0.0,
        wander_s: 3600.0,
        creep_fraction: 0.02,
    };

    #[test]
    fn steady_drift_is_linear_and_creep_dies_out() {
        let mut drift = Drift::new(STEADY, 1);
        while drift.next_step_s() <= 3600.0 {
            drift.step();
        }
        let offset = drift.sample_m(3600.0);
        assert!((offset[0] - 3.6e-10).abs() < 1e-18 && (offset[1] + 7.2e-10).abs() < 1e-18);
        drift.moved(3600.0, [1e-9, 0.0]);
        assert!((drift.creep_m(3600.0)[0] + 6e-11).abs() < 1e-22);
        assert!(drift.creep_m(3700.0)[0].abs() < 4e-11);
        assert!(drift.creep_m(3600.0 + 3e4)[0].abs() < 1e-22);
    }

    /// On for τ, then off for 2τ: a(1 − e⁻¹), then that times e⁻² (first-order step response, textbook).
    #[test]
    fn warmth_comes_and_goes_as_a_body_with_one_time_constant() {
        let mut drift = Drift::new(DriftLaw { velocity_m_s: [0.0; 3], ..STEADY }, 1);
        drift.warm(100.0, [4e-10, 0.0, -1e-10], 1200.0);
        drift.warm(700.0, [4e-10, 0.0, -1e-10], 1200.0);
        let reached = 1.0 - (-1.0_f64).exp();
        assert!((drift.sample_m(1300.0)[0] / 4e-10 - reached).abs() < 1e-12);
        drift.warm(1300.0, [0.0; 3], 1200.0);
        let left = reached * (-2.0_f64).exp();
        assert!((drift.sample_m(3700.0)[2] / -1e-10 - left).abs() < 1e-12);
    }

    #[test]
    fn a_disturbance_dies_out_and_leaves_its_way_behind() {
        let still = DriftLaw { velocity_m_s: [0.0; 3], ..STEADY };
        let mut drift = Drift::new(still, 1);
        let walk = |drift: &mut Drift, to_s: f64| {
            while drift.next_step_s() <= to_s {
                drift.step();
            }
        };
        walk(&mut drift, 1000.0);
        drift.disturb(1000.0, [2e-13, 0.0, -1e-13], 1800.0);
        // v τ (1 − e^(−t/τ)), whether it was asked for in between or not.
        let way = |t: f64| 2e-13 * 1800.0 * -(-t / 1800.0_f64).exp_m1();
        assert!((drift.sample_m(1030.0)[0] - way(30.0)).abs() < 1e-20);
        walk(&mut drift, 4600.0);
        assert!((drift.sample_m(4600.0)[0] - way(3600.0)).abs() < 1e-20);
        // A second one adds to what is left of the first.
        drift.disturb(4600.0, [2e-13, 0.0, 0.0], 1800.0);
        walk(&mut drift, 40_000.0);
        assert!((drift.sample_m(40_000.0)[0] - 2.0 * 3.6e-10).abs() < 1e-15);
        assert!((drift.sample_m(40_000.0)[2] + 1.8e-10).abs() < 1e-15);
    }
}
