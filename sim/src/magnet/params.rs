//! What a magnet and its supply are made of.

use noctule_ground::section;
use noctule_ground::section::{Described, FRACTION, Range, number, plain, si};

section! {
    /// Rate of the ramp up to a field.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct RampSegment = "Segment" {
        /// The segment ends at this size of the field. The last one holds beyond its end too.
        pub up_to_t: f64 = si("T", Range::Positive), "up_to_t";
        /// Rate within it.
        pub rate_t_s: f64 = number("mT/s", 1e-3, Range::Positive), "rate_mt_s";
    }
}

section! {
    /// Persistent mode: a switch across the coil.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct SwitchParams = "Switch" {
        /// Time for the switch to warm or to cool.
        pub switch_s: f64 = si("s", Range::Positive), "switch_s";
        /// Heat of its heater into the bath while it is open.
        pub heater_w: f64 = si("W", Range::NotNegative), "heater_w";
        /// Rate at which the leads alone are ramped.
        pub lead_rate_a_s: f64 = si("A/s", Range::Positive), "lead_rate_a_s";
        /// Part of the current lost per hour in persistent mode.
        pub decay_per_h: f64 = si("1/h", FRACTION), "decay_per_h";
    }
}

section! {
    /// A magnet with its supply.
    #[derive(Debug, Clone, PartialEq)]
    pub struct MagnetParams = "Magnet" checked by MagnetParams::check {
        /// Inductance.
        pub inductance_h: f64 = si("H", Range::Positive), "inductance_h";
        /// Highest current.
        pub current_limit_a: f64 = si("A", Range::Positive), "current_limit_a";
        /// Field per current.
        pub tesla_per_ampere: f64 = si("T/A", Range::Positive), "tesla_per_ampere";
        /// Ramp rates by range of the field, from the lowest; one at least.
        pub segments: Vec<RampSegment> = RampSegment::PARTS, "segments";
        /// Resistance of the leads.
        pub lead_ohm: f64 = si("Ω", Range::NotNegative), "lead_ohm";
        /// Heat the leads bring into the bath per ampere (their share without current is in the bath's static load).
        pub lead_heat_w_a: f64 = si("W/A", Range::NotNegative), "lead_heat_w_a";
        /// Time by which the field lags the current (eddy currents in the former).
        pub lag_s: f64 = si("s", Range::NotNegative), "lag_s";
        /// Remanence: the field that trapped flux adds after a long ramp down or takes after one up.
        pub remanence_t: f64 = number("mT", 1e-3, Range::Within(0.0, 100.0)), "remanence_mt";
        /// A change of the field of this size turns most of the remanence over.
        pub remanence_width_t: f64 = number("mT", 1e-3, Range::Positive), "remanence_width_mt";
        /// Noise of the field reading, rms.
        pub reading_noise_t: f64 = number("µT", 1e-6, Range::Within(0.0, 1e5)), "reading_noise_ut";
        /// Persistent mode, if there is a switch.
        pub switch: Option<SwitchParams> = SwitchParams::PART, "switch";
        /// Time constant of the collapse in a quench.
        pub quench_tau_s: f64 = si("s", Range::Positive), "quench_tau_s";
        /// Protection diodes hold the voltage in a quench to this.
        pub quench_clamp_v: f64 = si("V", Range::NotNegative), "quench_clamp_v";
        /// Part of the stored energy that ends in the bath in a quench.
        pub quench_bath_part: f64 = plain(FRACTION), "quench_bath_part";
        /// With less helium than this in the bath a magnet that carries current quenches.
        pub quench_below_l: f64 = si("L", Range::NotNegative), "quench_below_l";
    }
}

impl MagnetParams {
    /// Highest field, T.
    pub fn field_limit_t(&self) -> f64 {
        self.current_limit_a * self.tesla_per_ampere
    }

    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut faults = self.out_of_range();
        if self.segments.is_empty() {
            faults.push("`segments` must hold at least one ramp rate".to_owned());
        }
        for (k, pair) in self.segments.windows(2).enumerate() {
            if pair[1].up_to_t <= pair[0].up_to_t {
                faults.push(format!(
                    "`segments[{}].up_to_t` must be above that of the segment before it",
                    k + 1
                ));
            }
        }
        faults
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::examples::Example;

    #[test]
    fn the_example_is_sound() {
        assert_eq!(MagnetParams::example().check(), Vec::<String>::new());
        assert!((MagnetParams::example().field_limit_t() - 6.0).abs() < 1e-12);
    }

    #[test]
    fn faults_are_told_all_at_once() {
        let mut params = MagnetParams::example();
        params.inductance_h = 0.0;
        params.segments[1].up_to_t = 1.0;
        params.segments[2].rate_t_s = f64::NAN;
        params.quench_bath_part = 1.5;
        assert_eq!(params.check().len(), 4, "{:?}", params.check());
        params.segments.clear();
        assert_eq!(params.check().len(), 3);
    }
}
