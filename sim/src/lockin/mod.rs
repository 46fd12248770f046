//! The lock-in amplifier in the time domain.
//!
//! The demodulated current passes a cascade of one to four equal RC stages. The room knows
//! nothing of chop periods: the caller says what an ideal lock-in would read now (see
//! [`chopped_rms_a`], [`fundamental_rms_a`], [`second_harmonic_rms_a`]) and how noisy the current is at the
//! reference frequency; [`Lockin::advance`] then carries both outputs exactly over any time, so a
//! step of 1 ms and one of an hour are equally right.
//!
//! Formulas: cascade of RC stages, derived in the module `cascade`; settling and noise bandwidth in `filter`.

mod cascade;
mod demod;
mod filter;
mod gamma;

pub use demod::{
    Reference, chopped_harmonic_rms_a, chopped_rms_a, delta_from_chopped_a, fundamental_rms_a,
    modulated_rms_a, second_harmonic_rms_a,
};
pub use filter::{LockinError, ORDER_MAX, cutoff_hz, enbw_hz, settle_time_s, settled_fraction};

use crate::cryo::bounds::{Bounds, passed_s};
use cascade::{Cascade, Steps};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// What doesn't change during a night.
#[derive(Debug, Clone, PartialEq)]
pub struct LockinParams {
    /// Phase at which the signal arrives, degrees. The reading is in X alone when the set phase equals it.
    pub signal_phase_deg: f64,
    /// Frequency of the chop or the modulation, Hz.
    pub reference_hz: f64,
    /// Part of the chop period with RF on.
    pub chop_duty: f64,
    /// Peak of the input current at which the input overloads, A.
    pub overload_a: f64,
    /// The overload ends when the peak is below this part of `overload_a`.
    pub overload_release: f64,
}

impl LockinParams {
    /// Chop at 95 Hz with 50 % duty, input range 1 nA.
    pub fn example() -> Self {
        Self {
            signal_phase_deg: 0.0,
            reference_hz: 95.0,
            chop_duty: 0.5,
            overload_a: 1e-9,
            overload_release: 0.9,
        }
    }

    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut bounds = Bounds::new();
        bounds.within("signal_phase_deg", self.signal_phase_deg, -360.0, 360.0);
        bounds.positive("reference_hz", self.reference_hz);
        bounds.within("chop_duty", self.chop_duty, 0.01, 0.99);
        bounds.positive("overload_a", self.overload_a);
        bounds.within("overload_release", self.overload_release, 0.0, 1.0);
        bounds.done()
    }
}

/// What arrives at the lock-in, constant over one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LockinInput {
    /// What an ideal lock-in at the right phase would read, rms A.
    pub level_a: f64,
    /// One-sided density of the current noise at the reference frequency, A/√Hz.
    pub density_a_rthz: f64,
    /// Peak of the whole input current, A. Decides about overload only.
    pub peak_a: f64,
}

/// The amplifier: settings, filter stages and overload.
///
/// ```
/// use noctule_sim::lockin::{Lockin, LockinInput, LockinParams};
/// use rand::SeedableRng;
///
/// let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
/// let mut lockin = Lockin::new(LockinParams::example());
/// lockin.set_time_constant(0.1).unwrap();
/// lockin.set_order(1).unwrap();
/// let input = LockinInput { level_a: 1e-14, density_a_rthz: 0.0, peak_a: 1e-11 };
/// lockin.advance(0.1, input, &mut rng);
/// assert!((lockin.x_a() / 1e-14 - (1.0 - (-1.0_f64).exp())).abs() < 1e-12);
/// ```
#[derive(Debug, Clone)]
pub struct Lockin {
    params: LockinParams,
    order: usize,
    tau_s: f64,
    phase_deg: f64,
    reference: Reference,
    in_phase: Cascade,
    quadrature: Cascade,
    overload: bool,
    steps: Steps,
}

impl Lockin {
    /// A lock-in at rest: order 2, time constant 0.1 s, set to the phase of the signal, on the chop.
    ///
    /// # Panics
    /// If the parameters have faults; [`LockinParams::check`] tells them.
    pub fn new(params: LockinParams) -> Self {
        assert!(params.check().is_empty(), "lock-in parameters must be checked before use");
        let phase_deg = params.signal_phase_deg;
        Self {
            reference: Reference::Chop { duty: params.chop_duty },
            params,
            order: 2,
            tau_s: 0.1,
            phase_deg,
            in_phase: Cascade::default(),
            quadrature: Cascade::default(),
            overload: false,
            steps: Steps::default(),
        }
    }

    /// What it was built with.
    pub fn params(&self) -> &LockinParams {
        &self.params
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
            self.in_phase.reorder(self.order, order);
            self.quadrature.reorder(self.order, order);
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

    /// Sets the phase of the reference, degrees.
    ///
    /// # Errors
    /// [`LockinError::Phase`].
    pub fn set_phase(&mut self, phase_deg: f64) -> Result<(), LockinError> {
        if !phase_deg.is_finite() {
            return Err(LockinError::Phase(phase_deg));
        }
        self.phase_deg = phase_deg;
        Ok(())
    }

    /// Sets what the lock-in is locked to. The stages keep what they hold: the reading goes over to
    /// the new signal as fast as the filter lets it.
    pub fn set_reference(&mut self, reference: Reference) {
        self.reference = reference;
    }

    /// What the lock-in is locked to.
    pub fn reference(&self) -> Reference {
        self.reference
    }

    /// Frequency at which it detects, Hz: where the density of the current noise counts.
    pub fn detection_hz(&self) -> f64 {
        match self.reference {
            Reference::Chop { .. } | Reference::Fundamental => self.params.reference_hz,
            Reference::SecondHarmonic => 2.0 * self.params.reference_hz,
        }
    }

    /// Filter order.
    pub fn order(&self) -> u32 {
        self.order as u32
    }

    /// Time constant of each stage, s.
    pub fn time_constant_s(&self) -> f64 {
        self.tau_s
    }

    /// Phase of the reference, degrees.
    pub fn phase_deg(&self) -> f64 {
        self.phase_deg
    }

    /// Lets `dt_s` pass with a constant input. Draws twice `order` normal deviates whatever the
    /// noise is, so that silencing it doesn't shift what is drawn later. Time that isn't a
    /// positive number doesn't pass, and a step is at most a year; an input that isn't a number counts as overload and zero.
    pub fn advance(&mut self, dt_s: f64, input: LockinInput, rng: &mut ChaCha8Rng) {
        let dt_s = passed_s(dt_s);
        if dt_s == 0.0 {
            return;
        }
        self.watch(input.peak_a);
        let sound = input.level_a.is_finite();
        self.overload |= !sound;
        // A clipped input keeps its shape only in part: the reading shrinks with it.
        let kept = if input.peak_a.abs() > self.params.overload_a {
            self.params.overload_a / input.peak_a.abs()
        } else {
            1.0
        };
        let level_a = if sound { kept * input.level_a } else { 0.0 };
        let density = if input.density_a_rthz.is_finite() { input.density_a_rthz.max(0.0) } else { 0.0 };
        let spread = density / (2.0 * self.tau_s).sqrt();
        let (sin, cos) = (self.params.signal_phase_deg - self.phase_deg).to_radians().sin_cos();
        let step = self.steps.get(self.order, dt_s / self.tau_s);
        for (cascade, part) in [(&mut self.in_phase, cos), (&mut self.quadrature, sin)] {
            let mut normals = [0.0; ORDER_MAX as usize];
            for normal in &mut normals[..self.order] {
                *normal = StandardNormal.sample(rng);
            }
            cascade.advance(step, part * level_a, spread, &normals);
        }
    }

    fn watch(&mut self, peak_a: f64) {
        let peak_a = peak_a.abs();
        let release_a = self.params.overload_release * self.params.overload_a;
        if peak_a > self.params.overload_a || peak_a.is_nan() {
            self.overload = true;
        } else if peak_a <= release_a {
            self.overload = false;
        }
    }

    /// In-phase output, rms A.
    pub fn x_a(&self) -> f64 {
        self.in_phase.output(self.order)
    }

    /// Quadrature output, rms A.
    pub fn y_a(&self) -> f64 {
        self.quadrature.output(self.order)
    }

    /// Whether the input was overloaded when time last passed.
    pub fn overload(&self) -> bool {
        self.overload
    }

    /// Puts all stages where a constant, noiseless `level_a` would bring them in the end.
    pub fn settle(&mut self, level_a: f64) {
        let (sin, cos) = (self.params.signal_phase_deg - self.phase_deg).to_radians().sin_cos();
        self.in_phase.fill(cos * level_a);
        self.quadrature.fill(sin * level_a);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    fn input(peak_a: f64) -> LockinInput {
        LockinInput { level_a: 1e-14, density_a_rthz: 1e-15, peak_a }
    }

    #[test]
    fn overload_comes_at_the_threshold_and_leaves_below_it() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let mut lockin = Lockin::new(LockinParams::example());
        for (peak_a, expected) in [
            (0.5e-9, false),
            (1.1e-9, true),
            (0.95e-9, true),
            (0.89e-9, false),
            (-1.2e-9, true),
            (f64::NAN, true),
        ] {
            lockin.advance(0.01, input(peak_a), &mut rng);
            assert_eq!(lockin.overload(), expected, "peak {peak_a}");
        }
        assert!(lockin.x_a().is_finite());
    }

    #[test]
    fn time_that_does_not_pass_draws_nothing() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let mut lockin = Lockin::new(LockinParams::example());
        for dt_s in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            lockin.advance(dt_s, input(0.0), &mut rng);
        }
        assert_eq!(lockin.x_a(), 0.0);
        assert_eq!(rng.get_word_pos(), 0);
    }

    #[test]
    fn the_second_harmonic_is_detected_at_twice_the_frequency() {
        let mut lockin = Lockin::new(LockinParams::example());
        assert_eq!(lockin.reference(), Reference::Chop { duty: 0.5 });
        assert_eq!(lockin.detection_hz(), 95.0);
        lockin.set_reference(Reference::SecondHarmonic);
        assert_eq!(lockin.detection_hz(), 190.0);
    }

    #[test]
    fn changing_the_order_leaves_the_reading() {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        let mut lockin = Lockin::new(LockinParams::example());
        lockin.advance(0.07, input(0.0), &mut rng);
        let before = lockin.x_a();
        lockin.set_order(4).unwrap();
        assert_eq!(lockin.x_a(), before);
        assert_eq!(lockin.set_order(0), Err(LockinError::Order(0)));
        assert_eq!(lockin.set_time_constant(-1.0), Err(LockinError::TimeConstant(-1.0)));
        assert!(lockin.set_phase(f64::NAN).is_err());
    }

    #[test]
    fn bad_parameters_are_told_all_at_once() {
        let mut params = LockinParams::example();
        params.chop_duty = 1.5;
        params.overload_a = f64::NAN;
        params.reference_hz = -3.0;
        assert_eq!(params.check().len(), 3);
    }
}
