//! The tip's part of a world file.

use super::section::{Range, Section};
use crate::document::{Node, Problem};
use crate::tip::{Apex, FieldLaw, Preparation, Switching};

/// The tip at the start and what may happen to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TipLaw {
    /// The apex at the start.
    pub apex: Apex,
    /// How its field falls with distance.
    pub field: FieldLaw,
    /// How it switches.
    pub switching: Switching,
    /// How it is prepared and lost.
    pub preparation: Preparation,
}

pub(super) fn read(node: Node<'_>, problems: &mut Vec<Problem>) -> TipLaw {
    let mut tip = Section::open(node, problems);
    let apex = tip.need("apex").map_or(Apex::BARE, |node| apex(node, tip.problems));
    let field = FieldLaw {
        reference_gap_m: tip.scaled("reference_gap_nm", Range::Positive, 1e-9),
        exchange_decay_m: tip.scaled("exchange_decay_nm", Range::Positive, 1e-9),
        moment_depth_m: tip.scaled("moment_depth_nm", Range::NotNegative, 1e-9),
    };
    let switching = Switching {
        thermal_hz: tip.number("thermal_switching_hz", Range::Within(0.0, 100.0)),
        per_electron: tip.number("switching_per_electron", Range::Fraction),
        threshold_v: tip.scaled("switching_threshold_mv", Range::Positive, 1e-3),
        width_v: tip.scaled("switching_width_mv", Range::Positive, 1e-3),
    };
    let preparation = Preparation {
        pick_up_chance: tip.number("pick_up_chance", Range::Fraction),
        drop_chance: tip.number("drop_chance", Range::Fraction),
        pulse_chance: tip.number("pulse_chance", Range::Fraction),
        pulse_threshold_v: tip.number("pulse_threshold_v", Range::Positive),
        changes_per_hour: tip.number("changes_per_hour", Range::Within(0.0, 3600.0)),
        contact_gap_m: tip.scaled("contact_gap_nm", Range::NotNegative, 1e-9),
        reach_m: tip.scaled("pick_up_reach_nm", Range::Positive, 1e-9),
    };
    tip.finish();
    TipLaw { apex, field, switching, preparation }
}

fn apex(node: Node<'_>, problems: &mut Vec<Problem>) -> Apex {
    let mut apex = Section::open(node, problems);
    let atoms = apex.whole_or("atoms", 20, 0) as u32;
    let polarisation = apex.number("polarisation", Range::Within(0.0, 0.95));
    let moment_mub = apex.number("moment_mub", Range::Within(0.0, 100.0));
    let tilt = apex.scaled("tilt_deg", Range::Within(0.0, 80.0), std::f64::consts::PI / 180.0);
    let turn = apex.scaled("turn_deg", Range::Within(-360.0, 360.0), std::f64::consts::PI / 180.0);
    let exchange_t = apex.scaled("exchange_mt", Range::Within(-10_000.0, 10_000.0), 1e-3);
    apex.finish();
    let axis = [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()];
    Apex { atoms, polarisation, moment_mub, axis, exchange_t }
}
