//! What makes nights hard.

use noctule_ground::section;
use noctule_ground::section::{FRACTION, Kind, Range, number, plain, si, vector};

/// Up to a hundred.
const HUNDRED: Range = Range::Within(0.0, 100.0);
/// Up to a million, either way.
const MILLION: Range = Range::Within(-1e6, 1e6);

section! {
    /// What makes nights hard: effects beyond the ideal instrument. What is left out is off.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Effects = "Effects" {
        /// Whether more current flows while the moments of tip and spin are aligned: the junction's polarisation is
        /// positive. Without it fewer electrons find a state in aligned moments, height falls with alignment, and
        /// saturating the spin raises the current. Both occur (common practice).
        pub aligned_conducts: bool = Kind::Flag, "aligned_conducts" or "false";
        /// Flips of the spin per tunnelling electron, no unit: 1/T1 grows by this times I/e. Typically 0.1 to 1
        /// (Sci. Adv. 4, eaaq1543 (2018), 10.1126/sciadv.aaq1543, for the loss of phase; for flips common practice).
        pub flips_per_electron: f64 = plain(Range::Within(0.0, 100.0)), "flips_per_electron" or "0";
        /// Gradient of the tip's field at which a species has its Rabi rate, T/m; the rate is proportional to the
        /// gradient. 0: the rate does not depend on the gap. Typically 1e7 to 3e9 T/m (0.3 T/Å at most: Nat. Phys. 15,
        /// 1005 (2019), 10.1038/s41567-019-0573-x, from a summary).
        pub gradient_reference_t_m: f64 = number("T/nm", 1e9, Range::Within(0.0, 1e3)), "gradient_reference_t_nm" or "0";
        /// Part of the junction in which the turning spin mixes with the RF, 0 to 1, no source.
        pub homodyne_part: f64 = plain(FRACTION), "homodyne_part" or "0";
        /// Phase of the drive against the RF voltage, rad.
        pub homodyne_phase_rad: f64 = si("rad", Range::Any), "homodyne_phase_rad" or "0";
        /// Loss of the RF line per kelvin of its warm part, dB/K. Typically 0.005 to 0.02 (common practice).
        pub line_loss_db_k: f64 = si("dB/K", Range::Within(0.0, 10.0)), "line_loss_db_k" or "0";
        /// Phase of the ripple per kelvin of the warm part, rad/K. Typically 0.01 to 0.1 (common practice).
        pub line_phase_rad_k: f64 = si("rad/K", HUNDRED), "line_phase_rad_k" or "0";
        /// Shift of the line's resonances per kelvin of the warm part, Hz/K. Typically −1e6 to −1e5: at 15 GHz copper's
        /// 17e-6/K of length are −0.25 MHz/K (CRC Handbook of Chemistry and Physics, thermal expansion, from memory).
        pub line_resonance_hz_k: f64 = number("MHz/K", 1e6, Range::Within(-100.0, 100.0)), "line_resonance_mhz_k" or "0";
        /// Wander of the warm part's temperature: standard deviation, K. Typically 0.3 to 2 (common practice).
        pub line_wander_k: f64 = si("K", HUNDRED), "line_wander_k" or "0";
        /// Correlation time of that wander, s. Typically 1800 to 14400.
        pub line_wander_s: f64 = number("min", 60.0, Range::Positive), "line_wander_min" or "60";
        /// Phase of the ripple per litre of helium boiled off, rad/L. Typically 0.02 to 0.2 (common practice).
        pub line_phase_rad_l: f64 = si("rad/L", HUNDRED), "line_phase_rad_l" or "0";
        /// Spin of a paramagnetic apex that follows the field; 0: the moment is held by an easy axis. Typically 1/2 to 2.
        pub apex_spin: f64 = plain(Range::Within(0.0, 20.0)), "apex_spin" or "0";
        /// Wander of the tip's field: relative standard deviation. Typically 0.01 to 0.1 (common practice).
        pub tip_wander: f64 = plain(FRACTION), "tip_wander_relative" or "0";
        /// Correlation time of that wander, s. Typically 600 to 7200.
        pub tip_wander_s: f64 = number("min", 60.0, Range::Positive), "tip_wander_min" or "60";
        /// Mean time for which a nucleus keeps its state, s; 0: it is averaged over. Typically 5 s (5.3 ± 0.5 s:
        /// Nat. Commun. 16 (2025), 10.1038/s41467-025-63232-5).
        pub nuclear_lifetime_s: f64 = si("s", Range::Within(0.0, 1e9)), "nuclear_lifetime_s" or "0";
        /// Part of its flips that end in the state of the lowest line, 0 to 1: pumping by the current
        /// (Nat. Nanotechnol. 13, 1120 (2018), 10.1038/s41565-018-0296-7, abstract).
        pub nuclear_pumping: f64 = plain(FRACTION), "nuclear_pumping_part" or "0";
        /// Where the sample moves in the end per watt of RF that the line loses, m/W (x, y, z). Typically 1e-9 to 1e-7
        /// (common practice).
        pub drift_rf_m_w: [f64; 3] = vector("pm/mW", 1e-9, MILLION), "drift_rf_pm_mw" or "[0, 0, 0]";
        /// The same per squared rate of the field (eddy currents), m s²/T². Typically 1e-5 to 1e-3 (common practice).
        pub drift_ramp_m_s2_t2: [f64; 3] = vector("pm s²/mT²", 1e-6, MILLION), "drift_ramp_pm_s2_mt2" or "[0, 0, 0]";
        /// Time constant of both, s. Typically 600 to 3600.
        pub drift_heat_s: f64 = number("min", 60.0, Range::Positive), "drift_heat_min" or "20";
        /// What the chop leaks into the lock-in's input while the RF is on, rms per zero-to-peak volt at the source, A/V.
        /// Typically 1e-15 to 1e-13 (common practice).
        pub crosstalk_a_v: f64 = number("fA/V", 1e-15, Range::Within(0.0, 1e9)), "crosstalk_fa_v" or "0";
        /// 1/f noise of the lock-in's input: density at 1 Hz, A/√Hz. Typically 1e-14 to 1e-13 (common practice).
        pub input_flicker_a: f64 = number("fA/√Hz", 1e-15, Range::Within(0.0, 1e9)), "input_flicker_fa" or "0";
        /// Whether the height loop takes away what lies inside its bandwidth: part of the chopped signal, and the slow
        /// noise of the current. Every real loop does.
        pub loop_suppresses: bool = Kind::Flag, "loop_suppresses" or "false";
    }
}

impl Default for Effects {
    fn default() -> Self {
        noctule_ground::section::left_out()
    }
}

impl Effects {
    /// What is left of a modulation at `f_hz` under a loop of the bandwidth `loop_hz`: in phase and a quarter ahead.
    ///
    /// A first-order loop leaves jf/(jf + fb) of what it can't follow: f²/(f²+fb²) in phase and
    /// f·fb/(f²+fb²) in quadrature (textbook).
    pub(super) fn left_by_loop(&self, f_hz: f64, loop_hz: f64, closed: bool) -> [f64; 2] {
        if !(self.loop_suppresses && closed) {
            return [1.0, 0.0];
        }
        let square = f_hz * f_hz + loop_hz * loop_hz;
        [f_hz * f_hz / square, f_hz * loop_hz / square]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 95 Hz under a 40 Hz loop: size 95/√(95²+40²) = 0.921636, ahead by atan(40/95) = 22.8337°.
    #[test]
    fn a_chop_near_the_loop_is_made_smaller_and_turned() {
        let on = Effects { loop_suppresses: true, ..Effects::default() };
        let [x, y] = on.left_by_loop(95.0, 40.0, true);
        assert!((x.hypot(y) - 0.921_635_46).abs() < 1e-6, "{}", x.hypot(y));
        assert!((y.atan2(x).to_degrees() - 22.833_65).abs() < 1e-4, "{}", y.atan2(x).to_degrees());
        assert_eq!(on.left_by_loop(95.0, 40.0, false), [1.0, 0.0]);
        assert_eq!(Effects::default().left_by_loop(95.0, 40.0, true), [1.0, 0.0]);
    }
}
