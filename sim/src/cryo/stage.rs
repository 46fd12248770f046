//! The sample stage: it follows the pot, and RF and ramping warm it.

use super::CryoLoads;
use super::pot::Relaxation;
use noctule_ground::section;
use noctule_ground::section::{Described, FRACTION, Range, plain, si};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

section! {
    /// The sample stage and its thermometer.
    #[derive(Debug, Clone, PartialEq)]
    pub struct StageParams = "Stage" checked by StageParams::check {
        /// Time constant with which the stage follows the pot.
        pub tau_s: f64 = si("s", Range::Positive), "tau_s";
        /// How much warmer than the pot each watt on the stage makes it.
        pub warming_k_w: f64 = si("K/W", Range::NotNegative), "warming_k_w";
        /// Part of the RF power lost in the line that ends on the stage.
        pub rf_part: f64 = plain(FRACTION), "rf_part";
        /// Part of the RF power lost in the line that ends in the bath.
        pub rf_bath_part: f64 = plain(FRACTION), "rf_bath_part";
        /// Eddy heating: heat per squared rate of the field.
        pub eddy_w_s2_t2: f64 = si("W s²/T²", Range::NotNegative), "eddy_w_s2_t2";
        /// Relative noise of the thermometers, rms.
        pub thermometer_noise: f64 = plain(Range::Within(0.0, 0.1)), "thermometer_noise";
    }
}

impl StageParams {
    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut faults = self.out_of_range();
        if self.rf_part + self.rf_bath_part > 1.0 {
            faults.push("`rf_part` and `rf_bath_part` together must not be above 1".to_owned());
        }
        faults
    }
}

/// The stage and its temperature.
#[derive(Debug, Clone)]
pub struct Stage {
    params: StageParams,
    t_k: f64,
}

impl Stage {
    pub(super) fn new(params: StageParams, t_k: f64) -> Self {
        Self { params, t_k }
    }

    /// What it was built with.
    pub fn params(&self) -> &StageParams {
        &self.params
    }

    /// Temperature, K.
    pub fn t_k(&self) -> f64 {
        self.t_k
    }

    pub(super) fn load_w(&self, loads: CryoLoads) -> f64 {
        let eddy_w = self.params.eddy_w_s2_t2 * loads.field_rate_t_s * loads.field_rate_t_s;
        let all_w = self.params.rf_part * loads.rf_w.max(0.0) + eddy_w + loads.stage_w.max(0.0);
        if all_w.is_finite() { all_w } else { 0.0 }
    }

    pub(super) fn bath_w(&self, loads: CryoLoads) -> f64 {
        let part_w = self.params.rf_bath_part * loads.rf_w.max(0.0);
        if part_w.is_finite() { part_w } else { 0.0 }
    }

    /// Follows a pot that relaxes exponentially: two time constants in a row, in closed form
    /// T(t) = S + (T₀−S)e^{−bt} + (P₀−P) b (e^{−at} − e^{−bt})/(b−a), S = P + RQ. Written as a sum of
    /// positive parts, so that a large load doesn't cancel the digits of a small temperature.
    pub(super) fn move_by(&mut self, step_s: f64, pot: Relaxation, load_w: f64) {
        let (a, b) = (1.0 / pot.tau_s, 1.0 / self.params.tau_s);
        let (kept, new) = ((-b * step_s).exp(), -(-b * step_s).exp_m1());
        let from_pot = (b * difference_quotient(a, b, step_s)).min(new);
        self.t_k = self.t_k * kept
            + self.params.warming_k_w * load_w * new
            + pot.target_k * (new - from_pot)
            + pot.from_k * from_pot;
        assert!(self.t_k > 0.0, "a temperature is above zero");
    }

    pub(super) fn shown_k(&self, t_k: f64, rng: &mut ChaCha8Rng) -> f64 {
        let deviate: f64 = StandardNormal.sample(rng);
        t_k * (1.0 + self.params.thermometer_noise * deviate).max(0.0)
    }
}

/// (e^{−at} − e^{−bt})/(b−a) for positive a and b, also where they are equal.
fn difference_quotient(a: f64, b: f64, t: f64) -> f64 {
    let x = (a - b).abs() * t;
    let mean = if x > 1e-12 { -(-x).exp_m1() / x } else { 1.0 };
    t * mean * (-a.min(b) * t).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_and_unequal_time_constants_agree_in_the_limit() {
        let equal = difference_quotient(0.01, 0.01, 70.0);
        assert!((equal - 70.0 * (-0.7_f64).exp()).abs() < 1e-12);
        let near = difference_quotient(0.01, 0.01 * (1.0 + 1e-7), 70.0);
        assert!((near / equal - 1.0).abs() < 1e-6);
        let (a, b, t) = (0.3, 0.02, 11.0_f64);
        let plain = ((-a * t).exp() - (-b * t).exp()) / (b - a);
        assert!((difference_quotient(a, b, t) / plain - 1.0).abs() < 1e-12);
        assert_eq!(difference_quotient(a, b, 1e9), 0.0);
    }
}
