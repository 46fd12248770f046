//! The lock-in in time: both outputs with a stream of their own.

use super::{LockReference, Microscope};
use crate::Signal;
use crate::lockin::{Lockin, LockinInput, LockinParams, chopped_rms_a};
use crate::noise::{Source, Stream};
use std::f64::consts::SQRT_2;

/// Two copies of the amplifier. The signal arrives in phase, so the second one sees
/// noise alone; reading one output must not draw the other's numbers.
#[derive(Debug, Clone)]
pub(super) struct LockChain {
    pub(super) in_phase: Lockin,
    quadrature: Lockin,
    in_phase_stream: Stream,
    quadrature_stream: Stream,
    in_phase_ns: u64,
    quadrature_ns: u64,
}

/// The lock-in's clock counts nanoseconds, so that equal steps are equal to the last bit and
/// the filter's coefficients are found again.
fn nanoseconds(now_s: f64) -> u64 {
    (now_s * 1e9).round() as u64
}

impl LockChain {
    pub(super) fn new(params: LockinParams, seed: u64) -> Self {
        let mut in_phase = Lockin::new(params);
        in_phase.set_time_constant(0.3).expect("a positive time constant");
        in_phase.set_order(4).expect("a known order");
        Self {
            quadrature: in_phase.clone(),
            in_phase,
            in_phase_stream: Stream::new(seed, Source::Gauge(Signal::LockinX)),
            quadrature_stream: Stream::new(seed, Source::Gauge(Signal::LockinY)),
            in_phase_ns: 0,
            quadrature_ns: 0,
        }
    }

    /// Whether the in-phase side stands at `now_s` already.
    fn is_at(&self, now_s: f64) -> bool {
        self.in_phase_ns >= nanoseconds(now_s)
    }

    fn advance(&mut self, now_s: f64, input: LockinInput) {
        let now_ns = nanoseconds(now_s);
        let passed_ns = now_ns.saturating_sub(self.in_phase_ns);
        self.in_phase.advance(passed_ns as f64 * 1e-9, input, self.in_phase_stream.rng());
        self.in_phase_ns = self.in_phase_ns.max(now_ns);
    }

    fn quadrature_a(&mut self, now_s: f64, input: LockinInput, level_a: f64) -> f64 {
        let now_ns = nanoseconds(now_s);
        let passed_ns = now_ns.saturating_sub(self.quadrature_ns);
        let ahead = LockinInput { level_a, ..input };
        self.quadrature.advance(passed_ns as f64 * 1e-9, ahead, self.quadrature_stream.rng());
        self.quadrature_ns = self.quadrature_ns.max(now_ns);
        self.quadrature.output_a()
    }

    pub(super) fn set_time_constant(&mut self, tau_s: f64) -> Result<(), String> {
        self.in_phase.set_time_constant(tau_s).map_err(|error| error.to_string())?;
        self.quadrature.set_time_constant(tau_s).map_err(|error| error.to_string())
    }

    pub(super) fn set_order(&mut self, order: u32) -> Result<(), String> {
        self.in_phase.set_order(order).map_err(|error| error.to_string())?;
        self.quadrature.set_order(order).map_err(|error| error.to_string())
    }
}

impl Microscope {
    /// Brings the in-phase output to now, with the input as it is. To be called before
    /// anything that the lock-in sees changes. Over an interval in which only drift and
    /// ramps went on, the input at its end stands for all of it: the filter remembers a few
    /// time constants only.
    pub(super) fn sync_lock(&mut self) {
        if !self.lock.is_at(self.now_s) {
            let (input, _) = self.lock_input();
            self.lock.advance(self.now_s, input);
        }
    }

    pub(super) fn lockin_x_a(&mut self) -> f64 {
        self.sync_lock();
        self.lock.in_phase.output_a()
    }

    pub(super) fn lockin_y_a(&mut self) -> f64 {
        let (input, ahead_a) = self.lock_input();
        self.lock.quadrature_a(self.now_s, input, ahead_a)
    }

    /// Overload now: of the input as it is, whether or not the filter was moved on.
    pub(super) fn lockin_overload(&mut self) -> bool {
        let (input, _) = self.lock_input();
        input.peak_a.abs() > self.world.lockin.overload_a
    }

    /// What an ideal lock-in would read now, with its noise, and the part a quarter ahead of the reference, A.
    fn lock_input(&mut self) -> (LockinInput, f64) {
        let amplifier = self.world.junction.amplifier;
        let reference = self.knobs.reference;
        let harmonic = if reference == LockReference::Second { 2.0 } else { 1.0 };
        let f_hz = harmonic * self.world.lockin.reference_hz;
        let mut current_a = 0.0;
        let mut free_a = 0.0;
        if self.motion.approached {
            let junction = self.seen.unwrap_or_else(|| self.junction().0);
            current_a = junction.current_a().clamp(-amplifier.range_a, amplifier.range_a);
            free_a = match reference {
                LockReference::Chop => {
                    chopped_rms_a(self.rf_current_a(&junction), self.world.lockin.chop_duty)
                }
                LockReference::Fundamental => self.modulated_a(&junction, 1) / SQRT_2,
                LockReference::Second => -self.modulated_a(&junction, 2) / SQRT_2,
            };
        }
        // The loop takes its part of signal and noise of the current; what leaks into the lock-in it can't see.
        let closed = self.motion.approached && self.height_loop.is_closed();
        let [inside, ahead] = self.effects.left_by_loop(f_hz, self.world.scanner.bandwidth_hz, closed);
        let mut level_a = free_a * inside;
        if self.effects.crosstalk_a_v > 0.0 && reference == LockReference::Chop {
            level_a += self.effects.crosstalk_a_v * self.plant.source_v();
        }
        let mut peak_a = current_a.abs() + SQRT_2 * level_a.abs();
        if self.lasting.overloaded(self.now_s) {
            peak_a += 10.0 * self.world.lockin.overload_a;
        }
        let mut density_a_rthz =
            amplifier.density(current_a, self.barrier.decay_per_m(), f_hz) * inside.hypot(ahead);
        if self.effects.input_flicker_a > 0.0 {
            density_a_rthz = density_a_rthz.hypot(self.effects.input_flicker_a / f_hz.sqrt());
        }
        (LockinInput { level_a, density_a_rthz, peak_a }, free_a * ahead)
    }

    fn modulated_a(&self, junction: &super::junction::Junction, harmonic: u32) -> f64 {
        if self.knobs.modulation_v <= 0.0 {
            return 0.0;
        }
        let shape = self.shape(junction.spin);
        let parts = shape.harmonics(self.knobs.bias_v, self.knobs.modulation_v, self.electron_ev());
        let amplitude_v = if harmonic == 1 { parts.first_v } else { parts.second_v };
        junction.conductance_s * (1.0 + junction.contrast) * amplitude_v
    }
}
