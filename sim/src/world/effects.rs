//! What makes nights hard, as a world file says it. Everything may be left out and is off then.

use super::section::{Range, Section};
use crate::document::{Node, Problem};
use crate::microscope::Effects;

pub(super) fn read(node: Node<'_>, problems: &mut Vec<Problem>) -> Effects {
    let off = Effects::default();
    let mut given = Section::open(node, problems);
    let effects = Effects {
        aligned_conducts: given.flag_or_not("aligned_conducts"),
        flips_per_electron: given.number_or("flips_per_electron", Range::Within(0.0, 100.0), 0.0),
        gradient_reference_t_m: given.number_or("gradient_reference_t_nm", Range::Within(0.0, 1e3), 0.0)
            * 1e9,
        homodyne_part: given.number_or("homodyne_part", Range::Fraction, 0.0),
        homodyne_phase_rad: given.number_or("homodyne_phase_rad", Range::Any, 0.0),
        line_loss_db_k: given.number_or("line_loss_db_k", Range::Within(0.0, 10.0), 0.0),
        line_phase_rad_k: given.number_or("line_phase_rad_k", Range::Within(0.0, 100.0), 0.0),
        line_resonance_hz_k: given.number_or("line_resonance_mhz_k", Range::Within(-100.0, 100.0), 0.0) * 1e6,
        line_wander_k: given.number_or("line_wander_k", Range::Within(0.0, 100.0), 0.0),
        line_wander_s: given.number_or("line_wander_min", Range::Positive, off.line_wander_s / 60.0) * 60.0,
        line_phase_rad_l: given.number_or("line_phase_rad_l", Range::Within(0.0, 100.0), 0.0),
        apex_spin: given.number_or("apex_spin", Range::Within(0.0, 20.0), 0.0),
        tip_wander: given.number_or("tip_wander_relative", Range::Fraction, 0.0),
        tip_wander_s: given.number_or("tip_wander_min", Range::Positive, off.tip_wander_s / 60.0) * 60.0,
        nuclear_lifetime_s: given.number_or("nuclear_lifetime_s", Range::Within(0.0, 1e9), 0.0),
        nuclear_pumping: given.number_or("nuclear_pumping_part", Range::Fraction, 0.0),
        drift_rf_m_w: pm(&mut given, "drift_rf_pm_mw").map(|way| way * 1e-9),
        drift_ramp_m_s2_t2: pm(&mut given, "drift_ramp_pm_s2_mt2").map(|way| way * 1e-6),
        drift_heat_s: given.number_or("drift_heat_min", Range::Positive, off.drift_heat_s / 60.0) * 60.0,
        crosstalk_a_v: given.number_or("crosstalk_fa_v", Range::Within(0.0, 1e9), 0.0) * 1e-15,
        input_flicker_a: given.number_or("input_flicker_fa", Range::Within(0.0, 1e9), 0.0) * 1e-15,
        loop_suppresses: given.flag_or_not("loop_suppresses"),
    };
    given.finish();
    effects
}

fn pm(given: &mut Section<'_, '_>, name: &'static str) -> [f64; 3] {
    given.numbers_or(name, Range::Within(-1e6, 1e6), [0.0; 3])
}
