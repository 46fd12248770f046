//! The lock-in amplifier in the time domain.
//!
//! The demodulated current passes a cascade of one to four equal RC stages. The room knows
//! nothing of chop periods: the caller says what an ideal lock-in would read now (see
//! [`chopped_rms_a`]) and how noisy the current is at the reference frequency; [`Lockin::advance`]
//! then carries the output exactly over any time, so a step of 1 ms and one of an hour are equally right.
//!
//! Formulas: cascade of RC stages, derived in the module `cascade`.

mod cascade;
mod demod;
mod fault;
mod gamma;

pub use demod::chopped_rms_a;
pub use fault::LockinError;

use crate::cryo::bounds::passed_s;
use cascade::{Cascade, Steps};
use noctule_ground::section;
use noctule_ground::section::{Described, Range, number, plain, si};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// The highest filter order.
pub const ORDER_MAX: u32 = 4;

section! {
    /// The lock-in amplifier.
    #[derive(Debug, Clone, PartialEq)]
    pub struct LockinParams = "Lockin" {
        /// Frequency of the chop or the modulation.
        pub reference_hz: f64 = si("Hz", Range::Positive), "reference_hz";
        /// Part of the chop period with RF on.
        pub chop_duty: f64 = plain(Range::Within(0.01, 0.99)), "chop_duty";
        /// Peak of the input current at which the input overloads.
        pub overload_a: f64 = number("nA", 1e-9, Range::Positive), "overload_na";
    }
}

/// What arrives at the lock-in, constant over one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LockinInput {
    /// What an ideal lock-in at the right phase would read, rms A.
    pub level_a: f64,
    /// One-sided density of the current noise at the reference frequency, A/√Hz.
    pub density_a_rthz: f64,
    /// Peak of the whole input current, A. A clipped input keeps its shape only in part.
    pub peak_a: f64,
}

/// One output of the amplifier: settings and filter stages.
///
/// ```
/// use noctule_sim::lockin::{Lockin, LockinInput, LockinParams};
/// use rand::SeedableRng;
///
/// let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
/// let mut lockin = Lockin::new(LockinParams { reference_hz: 95.0, chop_duty: 0.5, overload_a: 1e-9 });
/// lockin.set_time_constant(0.1).unwrap();
/// lockin.set_order(1).unwrap();
/// let input = LockinInput { level_a: 1e-14, density_a_rthz: 0.0, peak_a: 1e-11 };
/// lockin.advance(0.1, input, &mut rng);
/// assert!((lockin.output_a() / 1e-14 - (1.0 - (-1.0_f64).exp())).abs() < 1e-12);
/// ```
#[derive(Debug, Clone)]
pub struct Lockin {
    params: LockinParams,
    order: usize,
    tau_s: f64,
    cascade: Cascade,
    steps: Steps,
}

impl Lockin {
    /// A lock-in at rest: order 2, time constant 0.1 s.
    ///
    /// # Panics
    /// If the parameters have faults; [`Described::out_of_range`] tells them.
    pub fn new(params: LockinParams) -> Self {
        assert!(params.out_of_range().is_empty(), "lock-in parameters must be checked before use");
        Self { params, order: 2, tau_s: 0.1, cascade: Cascade::default(), steps: Steps::default() }
    }

    /// Sets the filter order, 1 to 4. The output doesn't jump.
    ///
    /// # Errors
    /// [`LockinError::Order`].
    pub fn set_order(&mut self, order: u32) -> Result<(), LockinError> {
        if !(1..=ORDER_MAX).contains(&order) {
            return Err(LockinError::Order(order));
        }
        let order = order as usize;
        if order != self.order {
            self.cascade.reorder(self.order, order);
            self.order = order;
        }
        Ok(())
    }

    /// Sets the time constant of each stage, s.
    ///
    /// # Errors
    /// [`LockinError::TimeConstant`].
    pub fn set_time_constant(&mut self, tau_s: f64) -> Result<(), LockinError> {
        if !(tau_s.is_finite() && tau_s > 0.0) {
            return Err(LockinError::TimeConstant(tau_s));
        }
        self.tau_s = tau_s;
        Ok(())
    }

    /// Filter order.
    pub fn order(&self) -> u32 {
        self.order as u32
    }

    /// Time constant of each stage, s.
    pub fn time_constant_s(&self) -> f64 {
        self.tau_s
    }

    /// Lets `dt_s` pass with a constant input. Draws `order` normal deviates whatever the noise is, so that
    /// silencing it doesn't shift what is drawn later. Time that isn't a positive number doesn't pass, and a
    /// step is at most a year; an input that isn't a number counts as zero.
    pub fn advance(&mut self, dt_s: f64, input: LockinInput, rng: &mut ChaCha8Rng) {
        let dt_s = passed_s(dt_s);
        if dt_s == 0.0 {
            return;
        }
        // A clipped input keeps its shape only in part: the reading shrinks with it.
        let kept = if input.peak_a.abs() > self.params.overload_a {
            self.params.overload_a / input.peak_a.abs()
        } else {
            1.0
        };
        let level_a = if input.level_a.is_finite() { kept * input.level_a } else { 0.0 };
        let density = if input.density_a_rthz.is_finite() { input.density_a_rthz.max(0.0) } else { 0.0 };
        let spread = density / (2.0 * self.tau_s).sqrt();
        let step = self.steps.get(self.order, dt_s / self.tau_s);
        let mut normals = [0.0; ORDER_MAX as usize];
        for normal in &mut normals[..self.order] {
            *normal = StandardNormal.sample(rng);
        }
        self.cascade.advance(step, level_a, spread, &normals);
    }

    /// The output, rms A.
    pub fn output_a(&self) -> f64 {
        self.cascade.output(self.order)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    const PARAMS: LockinParams = LockinParams { reference_hz: 95.0, chop_duty: 0.5, overload_a: 1e-9 };

    fn input(peak_a: f64) -> LockinInput {
        LockinInput { level_a: 1e-14, density_a_rthz: 1e-15, peak_a }
    }

    #[test]
    fn a_clipped_input_reads_in_part() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let mut lockin = Lockin::new(PARAMS);
        lockin.advance(100.0, LockinInput { density_a_rthz: 0.0, ..input(4e-9) }, &mut rng);
        assert!((lockin.output_a() / 0.25e-14 - 1.0).abs() < 1e-12);
        lockin.advance(0.1, LockinInput { level_a: f64::NAN, ..input(f64::NAN) }, &mut rng);
        assert!(lockin.output_a().is_finite());
    }

    #[test]
    fn time_that_does_not_pass_draws_nothing() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let mut lockin = Lockin::new(PARAMS);
        for dt_s in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            lockin.advance(dt_s, input(0.0), &mut rng);
        }
        assert_eq!(lockin.output_a(), 0.0);
        assert_eq!(rng.get_word_pos(), 0);
    }

    #[test]
    fn changing_the_order_leaves_the_reading() {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        let mut lockin = Lockin::new(PARAMS);
        lockin.advance(0.07, input(0.0), &mut rng);
        let before = lockin.output_a();
        lockin.set_order(4).unwrap();
        assert_eq!(lockin.output_a(), before);
        assert_eq!(lockin.set_order(0), Err(LockinError::Order(0)));
        assert_eq!(lockin.set_time_constant(-1.0), Err(LockinError::TimeConstant(-1.0)));
    }

    #[test]
    fn bad_parameters_are_told_all_at_once() {
        let params = LockinParams { reference_hz: -3.0, chop_duty: 1.5, overload_a: f64::NAN };
        assert_eq!(params.out_of_range().len(), 3);
    }
}
