//! Noise densities of a current and its amplifier, A/√Hz, one-sided.

use crate::spin::constants::{E_C, K_B_J_PER_K};
use noctule_ground::section;
use noctule_ground::section::{Range, number, si};

/// Shot noise √(2eI) of the current `current_a`, A/√Hz.
pub fn shot_density(current_a: f64) -> f64 {
    (2.0 * E_C * current_a.abs()).sqrt()
}

/// Johnson noise √(4kT/R) of `resistance_ohm` at `temperature_k`, A/√Hz.
pub fn johnson_density(resistance_ohm: f64, temperature_k: f64) -> f64 {
    (4.0 * K_B_J_PER_K * temperature_k / resistance_ohm).sqrt()
}

section! {
    /// The current amplifier and what shakes the junction in front of it.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Amplifier = "Junction" {
        /// Feedback resistance: its Johnson noise is the floor.
        pub feedback_ohm: f64 = si("Ω", Range::Positive), "feedback_ohm";
        /// Temperature of that resistor.
        pub feedback_k: f64 = si("K", Range::Positive), "feedback_k";
        /// Corner of the first-order input filter; a reading averages over it.
        pub bandwidth_hz: f64 = si("Hz", Range::Positive), "amplifier_bandwidth_hz";
        /// Largest current shown.
        pub range_a: f64 = number("nA", 1e-9, Range::Positive), "amplifier_range_na";
        /// Density of the 1/f part at 1 Hz relative to the current.
        pub flicker_relative: f64 = si("1/√Hz", Range::NotNegative), "flicker_relative";
        /// Mechanical vibration of the gap above the lowest resonance.
        pub vibration_m: f64 = number("pm/√Hz", 1e-12, Range::NotNegative), "vibration_pm_rthz";
    }
}

impl Amplifier {
    /// Density at `frequency_hz` with `current_a` flowing through a junction whose
    /// current decays as `decay_per_m`: independent sources add in squares.
    pub fn density(&self, current_a: f64, decay_per_m: f64, frequency_hz: f64) -> f64 {
        let shot = shot_density(current_a);
        let johnson = johnson_density(self.feedback_ohm, self.feedback_k);
        let flicker = self.flicker_relative * current_a / frequency_hz.max(1e-3).sqrt();
        let vibration = self.vibration_m * decay_per_m * current_a;
        (shot * shot + johnson * johnson + flicker * flicker + vibration * vibration).sqrt()
    }

    /// White rms of one reading through the input filter, A (without the 1/f part).
    pub fn reading_rms(&self, current_a: f64, decay_per_m: f64) -> f64 {
        let quiet = Self { flicker_relative: 0.0, ..*self };
        let bandwidth = std::f64::consts::FRAC_PI_2 * self.bandwidth_hz;
        quiet.density(current_a, decay_per_m, 1.0) * bandwidth.sqrt()
    }
}
