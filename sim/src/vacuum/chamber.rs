//! One chamber: gas load against a pump, bursts, a gauge.

use crate::cryo::bounds::passed_s;
use noctule_ground::section;
use noctule_ground::section::{Described, FRACTION, Kind, Range, plain, si};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, StandardNormal};

section! {
    /// A vacuum chamber, its pump and its gauge.
    #[derive(Debug, Clone, PartialEq)]
    pub struct ChamberParams = "Chamber" {
        /// Pressure in the end.
        pub base_pa: f64 = si("Pa", Range::Positive), "base_pa";
        /// Pressure above base at the start.
        pub initial_excess_pa: f64 = si("Pa", Range::NotNegative), "initial_excess_pa";
        /// Volume over pumping speed.
        pub pump_tau_s: f64 = si("s", Range::Positive), "pump_tau_s";
        /// Bursts of gas, on average; 0 for none.
        pub bursts_per_h: f64 = si("1/h", Range::Within(0.0, 3600.0)), "bursts_per_h";
        /// Mean pressure step of a burst; steps are distributed exponentially.
        pub burst_mean_pa: f64 = si("Pa", Range::NotNegative), "burst_mean_pa";
        /// Relative noise of the gauge, rms.
        pub gauge_noise: f64 = plain(FRACTION), "gauge_noise";
        /// The gauge shows nothing below this.
        pub gauge_min_pa: f64 = si("Pa", Range::NotNegative), "gauge_min_pa";
        /// Digits the gauge shows.
        pub gauge_digits: u32 = Kind::Whole(1, 9), "gauge_digits" or "3";
    }
}

/// A chamber and its pump.
///
/// The pressure obeys dp/dt = −(p − base)/τ. Bursts come at moments drawn ahead, so that their
/// history depends on the random stream alone and not on how often anyone looked.
///
/// ```
/// use noctule_sim::vacuum::{Chamber, ChamberParams};
/// use noctule_sim::world::World;
/// use rand::SeedableRng;
///
/// let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
/// let params = ChamberParams { bursts_per_h: 0.0, initial_excess_pa: 0.0, ..World::shipped("night").unwrap().chamber };
/// let (base_pa, tau_s) = (params.base_pa, params.pump_tau_s);
/// let mut chamber = Chamber::new(params);
/// chamber.burst(1e-7);
/// chamber.advance(tau_s, &mut rng);
/// let left_pa = chamber.pressure_pa() - base_pa;
/// assert!((left_pa / 1e-7 - (-1.0_f64).exp()).abs() < 1e-9);
/// ```
#[derive(Debug, Clone)]
pub struct Chamber {
    params: ChamberParams,
    pressure_pa: f64,
    until_burst_s: Option<f64>,
}

impl Chamber {
    /// A chamber with its pump running.
    ///
    /// # Panics
    /// If the parameters have faults; [`Described::out_of_range`] tells them.
    pub fn new(params: ChamberParams) -> Self {
        assert!(params.out_of_range().is_empty(), "chamber parameters must be checked before use");
        Self { pressure_pa: params.base_pa + params.initial_excess_pa, until_burst_s: None, params }
    }

    /// Pressure, Pa.
    pub fn pressure_pa(&self) -> f64 {
        self.pressure_pa
    }

    /// What the gauge shows, Pa: multiplicative noise, its lower limit, its digits.
    pub fn gauge_pa(&self, rng: &mut ChaCha8Rng) -> f64 {
        let deviate: f64 = StandardNormal.sample(rng);
        let seen_pa = self.pressure_pa() * (self.params.gauge_noise * deviate).exp();
        round_digits(seen_pa.max(self.params.gauge_min_pa), self.params.gauge_digits)
    }

    /// Fault: a burst of `step_pa` now.
    pub fn burst(&mut self, step_pa: f64) {
        if step_pa.is_finite() && step_pa > 0.0 {
            self.pressure_pa += step_pa;
        }
    }

    /// Lets `dt_s` pass.
    pub fn advance(&mut self, dt_s: f64, rng: &mut ChaCha8Rng) {
        let mut left_s = passed_s(dt_s);
        while self.params.bursts_per_h > 0.0 {
            let wait_s = match self.until_burst_s {
                Some(wait_s) => wait_s,
                None => 3600.0 / self.params.bursts_per_h * exponential(rng),
            };
            if wait_s > left_s {
                self.until_burst_s = Some(wait_s - left_s);
                break;
            }
            self.pump(wait_s);
            let step_pa = self.params.burst_mean_pa * exponential(rng);
            self.burst(step_pa);
            self.until_burst_s = None;
            left_s -= wait_s;
        }
        self.pump(left_s);
    }

    fn pump(&mut self, time_s: f64) {
        let excess_pa = self.pressure_pa - self.params.base_pa;
        self.pressure_pa = self.params.base_pa + excess_pa * (-time_s / self.params.pump_tau_s).exp();
    }
}

fn exponential(rng: &mut ChaCha8Rng) -> f64 {
    Exp1.sample(rng)
}

fn round_digits(value: f64, digits: u32) -> f64 {
    if value <= 0.0 || !value.is_finite() {
        return value;
    }
    let scale = 10.0_f64.powi(digits as i32 - 1 - value.log10().floor() as i32);
    (value * scale).round() / scale
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::examples::Example;
    use rand::SeedableRng;

    fn busy() -> ChamberParams {
        ChamberParams { bursts_per_h: 20.0, ..ChamberParams::example() }
    }

    #[test]
    fn bursts_do_not_depend_on_who_looks() {
        let (mut often, mut rarely) = (Chamber::new(busy()), Chamber::new(busy()));
        let (mut rng_often, mut rng_rarely) = (ChaCha8Rng::seed_from_u64(6), ChaCha8Rng::seed_from_u64(6));
        for _ in 0..100 {
            for _ in 0..128 {
                often.advance(7.8125, &mut rng_often);
            }
            rarely.advance(1000.0, &mut rng_rarely);
            assert!((often.pressure_pa() / rarely.pressure_pa() - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn the_gauge_rounds_and_has_a_lower_limit() {
        assert!((round_digits(1.23456e-9, 3) / 1.23e-9 - 1.0).abs() < 1e-12);
        assert!((round_digits(9.996e-9, 3) / 1.0e-8 - 1.0).abs() < 1e-12);
        assert_eq!(round_digits(0.0, 3), 0.0);
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let low = Chamber::new(ChamberParams { base_pa: 1e-11, ..ChamberParams::example() });
        assert!((low.gauge_pa(&mut rng) / 1e-9 - 1.0).abs() < 1e-12);
    }

    #[test]
    fn faults_are_told_all_at_once() {
        let mut params = ChamberParams::example();
        params.base_pa = 0.0;
        params.pump_tau_s = f64::NAN;
        params.gauge_digits = 0;
        assert_eq!(params.out_of_range().len(), 3);
    }
}
