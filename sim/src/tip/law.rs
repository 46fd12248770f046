//! What happens to a tip, and how often.

use super::Apex;
use crate::spin::constants::{E_C, K_B_J_PER_K, MU_B_J_PER_T};
use noctule_ground::section;
use noctule_ground::section::{FRACTION, Kind, Range, number, plain, si};

section! {
    /// Switching of the apex between its moment up and down.
    ///
    /// Each electron flips it with a small probability once the bias passes a
    /// threshold, either way alike; without electrons it flips slowly and prefers the
    /// field's side by its Boltzmann factor. So hot tunnelling shows both states, and
    /// cold tunnelling in a field keeps the favoured one.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Switching = "Tip" {
        /// Flips of the moment without electrons and field.
        pub thermal_hz: f64 = si("Hz", Range::Within(0.0, 100.0)), "thermal_switching_hz";
        /// Flips per tunnelling electron far above the threshold.
        pub per_electron: f64 = plain(FRACTION), "switching_per_electron";
        /// Bias at which half of that is reached.
        pub threshold_v: f64 = number("mV", 1e-3, Range::Positive), "switching_threshold_mv";
        /// Width of the threshold.
        pub width_v: f64 = number("mV", 1e-3, Range::Positive), "switching_width_mv";
    }
}

/// Faster than this nobody can follow it, and the events would only cost time.
const FASTEST_HZ: f64 = 200.0;

impl Switching {
    /// Rates of leaving the states up and down, Hz, for a bias, a current, a field (x, y, z) and a temperature.
    pub fn rates_hz(
        &self,
        apex: &Apex,
        bias_v: f64,
        current_a: f64,
        field_t: [f64; 3],
        kelvin: f64,
    ) -> [f64; 2] {
        if !apex.has_contrast() {
            return [0.0; 2];
        }
        let open = 1.0 / (1.0 + (-(bias_v.abs() - self.threshold_v) / self.width_v).exp());
        let hot_hz = self.per_electron * current_a.abs() / E_C * open;
        let along_t: f64 = (0..3).map(|i| apex.axis[i] * field_t[i]).sum();
        let balance = apex.moment_mub * MU_B_J_PER_T * along_t / (K_B_J_PER_K * kelvin.max(1e-3));
        let balance = balance.clamp(-20.0, 20.0);
        [-balance, balance].map(|exponent| (hot_hz + self.thermal_hz * exponent.exp()).min(FASTEST_HZ))
    }
}

section! {
    /// Chances and marks for what is done to a tip.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Preparation = "Tip" {
        /// Chance that an attempt lifts the atom under the tip.
        pub pick_up_chance: f64 = plain(FRACTION), "pick_up_chance";
        /// Chance that an attempt puts an atom down.
        pub drop_chance: f64 = plain(FRACTION), "drop_chance";
        /// Chance that a pulse of twice the threshold changes the apex.
        pub pulse_chance: f64 = plain(FRACTION), "pulse_chance";
        /// Pulses below this leave the tip alone.
        pub pulse_threshold_v: f64 = si("V", Range::Positive), "pulse_threshold_v";
        /// Changes of the apex that nobody asked for, while the tip is in range.
        pub changes_per_hour: f64 = si("1/h", Range::Within(0.0, 3600.0)), "changes_per_hour";
        /// Nearer than this the tip touches.
        pub contact_gap_m: f64 = number("nm", 1e-9, Range::NotNegative), "contact_gap_nm";
        /// How far from the middle of an atom it can still be lifted.
        pub reach_m: f64 = number("nm", 1e-9, Range::Positive), "pick_up_reach_nm";
    }
}

section! {
    /// What comes out of a change of the tip. Where a world says nothing, tips are made easily and live for ever.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Odds = "Tip" {
        /// Chance that an apex with 0, 1, 2, 3, 4, 5 or more magnetic atoms gives contrast.
        pub contrast_by_atoms: [f64; 6] = Kind::Numbers(6, "", 1.0, FRACTION), "contrast_by_atoms" or "[0, 0.08, 0.35, 0.75, 0.92, 0.95]";
        /// Smallest polarisation of an apex that gives contrast; the largest is 0.45.
        pub weakest_polarisation: f64 = plain(Range::Within(0.001, 0.45)), "weakest_polarisation" or "0.22";
        /// Chance that the apex has a second end, which shows everything twice.
        pub double_chance: f64 = plain(FRACTION), "double_tip_chance" or "0";
        /// Part of the apexes that live for minutes only.
        pub short_lived_part: f64 = plain(FRACTION), "short_lived_part" or "0";
        /// Mean life of these, in tunnelling range.
        pub short_life_s: f64 = number("min", 60.0, Range::Positive), "short_life_min" or "10";
        /// Chance that an attempt that lifts no atom moves it aside.
        pub pushed_chance: f64 = plain(FRACTION), "pushed_chance" or "0";
    }
}

impl Odds {
    /// Chance that an apex with so many magnetic atoms gives contrast.
    pub fn contrast_chance(&self, atoms: u32) -> f64 {
        self.contrast_by_atoms[(atoms as usize).min(self.contrast_by_atoms.len() - 1)]
    }
}

impl Preparation {
    /// Chance that a pulse of `volts` changes the apex.
    pub fn pulse_change(&self, volts: f64) -> f64 {
        let over = (volts.abs() / self.pulse_threshold_v - 1.0).clamp(0.0, 1.0);
        self.pulse_chance * over
    }
}
