//! The helium bath: what is in it, what boils it off, how it is measured and filled.

use super::CryoError;
use super::bounds::passed_s;
use super::helium::boiled_l;
use noctule_ground::section;
use noctule_ground::section::{Described, Range, si};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

section! {
    /// The helium bath, its gauge, and how it is filled.
    #[derive(Debug, Clone, PartialEq)]
    pub struct BathParams = "Bath" checked by BathParams::check {
        /// Litres when full.
        pub capacity_l: f64 = si("L", Range::Positive), "capacity_l";
        /// Litres at the start.
        pub initial_l: f64 = si("L", Range::NotNegative), "initial_l";
        /// Heat that always reaches the bath.
        pub static_load_w: f64 = si("W", Range::NotNegative), "static_load_w";
        /// Noise of the level gauge, rms.
        pub gauge_noise_l: f64 = si("L", Range::NotNegative), "gauge_noise_l";
        /// Steps in which the gauge shows; 0 for none.
        pub gauge_resolution_l: f64 = si("L", Range::NotNegative), "gauge_resolution_l";
        /// Speed of a transfer: what stays in the bath (flash losses are off it already).
        pub refill_l_h: f64 = si("L/h", Range::Positive), "refill_l_h";
    }
}

impl BathParams {
    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut faults = self.out_of_range();
        if self.initial_l > self.capacity_l {
            let most_l = self.capacity_l;
            faults.push(format!(
                "`initial_l` must not be above `capacity_l` ({most_l}), not {}",
                self.initial_l
            ));
        }
        faults
    }
}

/// The bath and its gauge.
#[derive(Debug, Clone)]
pub struct Bath {
    params: BathParams,
    level_l: f64,
    boiled_l: f64,
    filled_l: f64,
    refill_to_l: Option<f64>,
    leak_w: f64,
}

impl Bath {
    /// A bath at its initial level.
    ///
    /// # Panics
    /// If the parameters have faults; [`BathParams::check`] tells them.
    pub fn new(params: BathParams) -> Self {
        assert!(params.check().is_empty(), "bath parameters must be checked before use");
        let level_l = params.initial_l;
        Self { params, level_l, boiled_l: 0.0, filled_l: 0.0, refill_to_l: None, leak_w: 0.0 }
    }

    /// What it was built with.
    pub fn params(&self) -> &BathParams {
        &self.params
    }

    /// Litres in the bath.
    pub fn level_l(&self) -> f64 {
        self.level_l
    }

    /// Litres boiled off since the start.
    pub fn boiled_l(&self) -> f64 {
        self.boiled_l
    }

    /// Litres transferred since the start.
    pub fn filled_l(&self) -> f64 {
        self.filled_l
    }

    /// Whether nothing is left.
    pub fn empty(&self) -> bool {
        self.level_l <= 0.0
    }

    /// Whether a transfer is running.
    pub fn refilling(&self) -> bool {
        self.refill_to_l.is_some()
    }

    /// What the gauge shows, litres: noise, then the steps of its display, never below zero.
    pub fn gauge_l(&self, rng: &mut ChaCha8Rng) -> f64 {
        let deviate: f64 = StandardNormal.sample(rng);
        let seen_l = (self.level_l + self.params.gauge_noise_l * deviate).max(0.0);
        let step_l = self.params.gauge_resolution_l;
        if step_l > 0.0 { (seen_l / step_l).round() * step_l } else { seen_l }
    }

    /// Fault: additional heat, W, through a spoilt insulation. Zero ends it.
    pub fn set_leak(&mut self, leak_w: f64) {
        self.leak_w = if leak_w.is_finite() { leak_w.max(0.0) } else { 0.0 };
    }

    /// Heat that boils the bath now if the caller adds `extra_w`, W.
    pub fn load_w(&self, extra_w: f64) -> f64 {
        self.params.static_load_w + self.leak_w + extra_w.max(0.0)
    }

    /// Starts a transfer that ends at `to_l` litres.
    ///
    /// # Errors
    /// [`CryoError::Refill`] if the bath can't be brought there by filling.
    pub fn begin_refill(&mut self, to_l: f64) -> Result<(), CryoError> {
        if !(to_l > self.level_l && to_l <= self.params.capacity_l) {
            let (level_l, capacity_l) = (self.level_l, self.params.capacity_l);
            return Err(CryoError::Refill { to_l, level_l, capacity_l });
        }
        self.refill_to_l = Some(to_l);
        Ok(())
    }

    /// Ends a transfer early.
    pub fn stop_refill(&mut self) {
        self.refill_to_l = None;
    }

    /// Evaporates what `heat_j` can, at once, and returns how many litres that was: a quench.
    pub fn dump_j(&mut self, heat_j: f64) -> f64 {
        let lost_l = if heat_j > 0.0 { boiled_l(heat_j).min(self.level_l) } else { 0.0 };
        self.level_l -= lost_l;
        self.boiled_l += lost_l;
        lost_l
    }

    /// What comes in and what boils off, litres per second.
    fn rate_l_s(&self, extra_w: f64) -> (f64, f64) {
        let fill_l_s = if self.refilling() { self.params.refill_l_h / 3600.0 } else { 0.0 };
        (fill_l_s, boiled_l(self.load_w(extra_w)))
    }

    /// Time in s until the bath runs dry or a transfer ends, with a constant `extra_w`.
    pub fn until_event_s(&self, extra_w: f64) -> f64 {
        let (fill_l_s, boil_l_s) = self.rate_l_s(extra_w);
        let net_l_s = fill_l_s - boil_l_s;
        match self.refill_to_l {
            Some(to_l) if net_l_s > 0.0 => ((to_l - self.level_l) / net_l_s).max(0.0),
            _ if net_l_s < 0.0 && self.level_l > 0.0 => self.level_l / -net_l_s,
            _ => f64::INFINITY,
        }
    }

    /// Lets `dt_s` pass with `extra_w` on top of the static load, in closed form.
    pub fn advance(&mut self, dt_s: f64, extra_w: f64) {
        let mut left_s = passed_s(dt_s);
        // At most two events: a transfer ends, then the bath runs dry.
        while left_s > 0.0 {
            let event_s = self.until_event_s(extra_w);
            let step_s = event_s.min(left_s);
            self.move_by(step_s, extra_w);
            if event_s <= step_s {
                self.end_event(extra_w);
            }
            left_s -= step_s;
        }
    }

    /// Moves by `step_s`, which must not go beyond the next event.
    pub(super) fn move_by(&mut self, step_s: f64, extra_w: f64) {
        let (fill_l_s, boil_l_s) = self.rate_l_s(extra_w);
        // An empty bath that is filled slower than it boils stays empty: all that comes in goes.
        let lost_l = (boil_l_s * step_s).min(self.level_l + fill_l_s * step_s);
        self.filled_l += fill_l_s * step_s;
        self.boiled_l += lost_l;
        self.level_l = (self.level_l + fill_l_s * step_s - lost_l).max(0.0);
        assert!(self.level_l.is_finite(), "the level of a bath is a number");
    }

    pub(super) fn end_event(&mut self, extra_w: f64) {
        let (fill_l_s, boil_l_s) = self.rate_l_s(extra_w);
        if let Some(to_l) = self.refill_to_l.filter(|_| fill_l_s > boil_l_s) {
            self.level_l = to_l;
            self.refill_to_l = None;
        } else if fill_l_s < boil_l_s {
            self.level_l = 0.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::examples::Example;
    use rand::SeedableRng;

    #[test]
    fn one_step_equals_many() {
        let (mut once, mut often) = (Bath::new(BathParams::example()), Bath::new(BathParams::example()));
        once.advance(86_400.0, 0.3);
        for _ in 0..864 {
            often.advance(100.0, 0.3);
        }
        assert!((once.level_l() - often.level_l()).abs() < 1e-9);
        let lost_l = boiled_l(86_400.0 * 0.75);
        assert!((66.0 - once.level_l() - lost_l).abs() < 1e-9);
        assert!((once.boiled_l() - lost_l).abs() < 1e-9);
    }

    #[test]
    fn a_bath_runs_dry_and_no_further() {
        let mut bath = Bath::new(BathParams::example());
        let hold_s = 66.0 / boiled_l(0.45);
        bath.advance(hold_s * 0.999, 0.0);
        assert!(!bath.empty());
        bath.advance(hold_s, 0.0);
        assert!(bath.empty());
        assert!((bath.boiled_l() - 66.0).abs() < 1e-9);
    }

    #[test]
    fn a_refill_ends_where_it_should_and_boiling_goes_on() {
        let mut bath = Bath::new(BathParams { initial_l: 10.0, ..BathParams::example() });
        assert!(bath.begin_refill(80.0).is_err());
        assert!(bath.begin_refill(5.0).is_err());
        assert!(bath.begin_refill(f64::NAN).is_err());
        bath.begin_refill(69.0).unwrap();
        let filling_s = bath.until_event_s(0.0);
        bath.advance(filling_s + 3600.0, 0.0);
        assert!(!bath.refilling());
        assert!((bath.level_l() - (69.0 - boiled_l(0.45 * 3600.0))).abs() < 1e-9);
        assert!((bath.filled_l() - bath.boiled_l() - bath.level_l() + 10.0).abs() < 1e-9);
    }

    #[test]
    fn a_leak_boils_more_than_a_slow_transfer_brings() {
        let mut bath = Bath::new(BathParams { refill_l_h: 1.0, initial_l: 1.0, ..BathParams::example() });
        bath.set_leak(20.0);
        bath.begin_refill(50.0).unwrap();
        bath.advance(36_000.0, 0.0);
        assert!(bath.empty() && bath.refilling());
        bath.set_leak(0.0);
        bath.advance(3600.0, 0.0);
        assert!(!bath.empty());
    }

    #[test]
    fn the_gauge_scatters_about_the_level_in_steps() {
        let mut rng = ChaCha8Rng::seed_from_u64(2);
        let bath = Bath::new(BathParams::example());
        let n = 4000;
        let shown: Vec<f64> = (0..n).map(|_| bath.gauge_l(&mut rng)).collect();
        let mean = shown.iter().sum::<f64>() / f64::from(n);
        let variance = shown.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n - 1);
        // Noise and rounding (step²/12) add up in variance; four standard errors.
        let expected = 0.08_f64.powi(2) + 0.01 / 12.0;
        assert!((mean - 66.0).abs() < 4.0 * (expected / f64::from(n)).sqrt());
        assert!((variance / expected - 1.0).abs() < 4.0 * (2.0 / f64::from(n)).sqrt());
        assert!(shown.iter().all(|x| ((x / 0.1).round() * 0.1 - x).abs() < 1e-9));
    }
}
