//! The condensation pot: single-shot ³He.
//!
//! Condensed ³He is pumped until it is gone; it lasts n·L/Q, with the latent heat
//! L ≈ L₀ + (5/2)RT, L₀ ≈ 20.6 J/mol (from memory, not checked). Then the pot warms and has to be
//! regenerated: warmed to the temperature of condensation for a while, and cooled again.

use crate::spin::constants::R_J_PER_MOL_K;
use noctule_ground::section;
use noctule_ground::section::{Described, FRACTION, Range, plain, si};

/// Latent heat of ³He at zero temperature, J/mol (from memory, not checked).
const LATENT_AT_ZERO_J_MOL: f64 = 20.6;
/// The pot counts as cold when it is this near to where it is going, K.
const COLD_WITHIN_K: f64 = 0.005;

/// Latent heat of ³He at low temperature, J/mol: L₀ + (5/2)RT.
pub fn helium3_latent_j_mol(t_k: f64) -> f64 {
    LATENT_AT_ZERO_J_MOL + 2.5 * R_J_PER_MOL_K * t_k
}

/// Time in s that `amount_mol` of ³He lasts at `t_k` under `load_w`.
///
/// ```
/// let hours = noctule_sim::cryo::hold_time_s(1.0, 0.3, 100e-6) / 3600.0;
/// assert!((hours - 74.5).abs() < 0.1);
/// ```
pub fn hold_time_s(amount_mol: f64, t_k: f64, load_w: f64) -> f64 {
    amount_mol * helium3_latent_j_mol(t_k) / load_w
}

section! {
    /// The condensation pot with its ³He.
    #[derive(Debug, Clone, PartialEq)]
    pub struct PotParams = "Pot" checked by PotParams::check {
        /// Temperature under the static load alone.
        pub base_k: f64 = si("K", Range::Within(0.2, 1.0)), "base_k";
        /// Heat that always reaches the pot.
        pub static_load_w: f64 = si("W", Range::NotNegative), "static_load_w";
        /// How much warmer each further watt makes it.
        pub warming_k_w: f64 = si("K/W", Range::NotNegative), "warming_k_w";
        /// ³He in the system.
        pub charge_mol: f64 = si("mol", Range::Positive), "charge_mol";
        /// Part of the charge that is liquid once condensed and cooled.
        pub condensed_part: f64 = plain(Range::Within(0.01, 1.0)), "condensed_part";
        /// Part of a fresh condensation that is there at the start.
        pub initial_part: f64 = plain(FRACTION), "initial_part";
        /// Time constant of cooling down to base.
        pub cooling_tau_s: f64 = si("s", Range::Positive), "cooling_tau_s";
        /// Temperature a dry pot drifts to.
        pub dry_k: f64 = si("K", Range::Positive), "dry_k";
        /// Time constant of that drift.
        pub dry_tau_s: f64 = si("s", Range::Positive), "dry_tau_s";
        /// Temperature while condensing.
        pub condensing_k: f64 = si("K", Range::Positive), "condensing_k";
        /// Time constant of warming to it.
        pub condensing_tau_s: f64 = si("s", Range::Positive), "condensing_tau_s";
        /// How long condensing takes.
        pub condensing_s: f64 = si("s", Range::Positive), "condensing_s";
        /// Heat that condensing brings into the bath.
        pub condensing_bath_w: f64 = si("W", Range::NotNegative), "condensing_bath_w";
        /// Condensing needs this much helium in the bath.
        pub condensing_min_l: f64 = si("L", Range::NotNegative), "condensing_min_l";
        /// Further heat on the pot when the bath is empty.
        pub empty_bath_w: f64 = si("W", Range::NotNegative), "empty_bath_w";
        /// Temperature a dry pot drifts to when the bath is empty as well.
        pub empty_bath_k: f64 = si("K", Range::Positive), "empty_bath_k";
        /// Time constant of that drift.
        pub empty_bath_tau_s: f64 = si("s", Range::Positive), "empty_bath_tau_s";
    }
}

impl PotParams {
    /// Heat of evaporation at base, J/mol.
    fn latent_j_mol(&self) -> f64 {
        helium3_latent_j_mol(self.base_k)
    }

    /// Hold time in s of a fresh condensation with `extra_w` on top of the static load.
    pub fn full_hold_s(&self, extra_w: f64) -> f64 {
        hold_time_s(self.charge_mol * self.condensed_part, self.base_k, self.static_load_w + extra_w.max(0.0))
    }

    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut faults = self.out_of_range();
        for (name, warm_k) in [("dry_k", self.dry_k), ("condensing_k", self.condensing_k)] {
            if warm_k <= self.base_k {
                faults.push(format!("`{name}` must be above `base_k`"));
            }
        }
        faults
    }
}

/// What the pot is doing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PotPhase {
    /// Liquid is pumped; the pot is at base or on the way there.
    Pumped,
    /// Nothing left to pump.
    Dry,
    /// Condensing anew.
    Condensing {
        /// Time until pumping starts, s.
        left_s: f64,
    },
}

/// A relaxation towards a constant target, for the stage to follow.
#[derive(Debug, Clone, Copy)]
pub(super) struct Relaxation {
    pub from_k: f64,
    pub target_k: f64,
    pub tau_s: f64,
}

/// The pot: liquid, phase and temperature.
#[derive(Debug, Clone)]
pub struct Pot {
    params: PotParams,
    liquid_mol: f64,
    phase: PotPhase,
    t_k: f64,
    regenerations: u32,
}

impl Pot {
    pub(super) fn new(params: PotParams) -> Self {
        let liquid_mol = params.charge_mol * params.condensed_part * params.initial_part;
        let dry = liquid_mol <= 0.0;
        Self {
            liquid_mol,
            phase: if dry { PotPhase::Dry } else { PotPhase::Pumped },
            t_k: if dry { params.dry_k } else { params.base_k },
            regenerations: 0,
            params,
        }
    }

    /// What it was built with.
    pub fn params(&self) -> &PotParams {
        &self.params
    }

    /// Temperature, K.
    pub fn t_k(&self) -> f64 {
        self.t_k
    }

    /// What it is doing.
    pub fn phase(&self) -> PotPhase {
        self.phase
    }

    /// How many condensations have been completed.
    pub fn regenerations(&self) -> u32 {
        self.regenerations
    }

    /// Whether liquid is pumped and the temperature is within 5 mK of where that leads.
    pub fn cold(&self, extra_w: f64) -> bool {
        self.phase == PotPhase::Pumped && self.t_k - self.pumped_k(extra_w) <= COLD_WITHIN_K
    }

    /// Time in s for which the liquid lasts with `extra_w` on top of the static load.
    pub fn hold_left_s(&self, extra_w: f64) -> f64 {
        if self.liquid_mol <= 0.0 { 0.0 } else { self.hold_s(extra_w) }
    }

    fn hold_s(&self, extra_w: f64) -> f64 {
        self.liquid_mol * self.params.latent_j_mol() / (self.params.static_load_w + extra_w)
    }

    fn pumped_k(&self, extra_w: f64) -> f64 {
        // A pot can't be warmed by its load beyond what a dry one reaches.
        (self.params.base_k + self.params.warming_k_w * extra_w).min(self.params.dry_k)
    }

    /// Heat it puts into the bath now, W.
    pub(super) fn bath_w(&self) -> f64 {
        match self.phase {
            PotPhase::Condensing { .. } => self.params.condensing_bath_w,
            PotPhase::Pumped | PotPhase::Dry => 0.0,
        }
    }

    /// Time in s from now until the pot is cold again, for a pot that is condensing or cooling;
    /// `None` for a dry one.
    pub fn until_cold_s(&self, extra_w: f64) -> Option<f64> {
        let to_go = |from_k: f64| {
            let ratio = (from_k - self.pumped_k(extra_w)) / COLD_WITHIN_K;
            if ratio > 1.0 { self.params.cooling_tau_s * ratio.ln() } else { 0.0 }
        };
        match self.phase {
            PotPhase::Dry => None,
            PotPhase::Pumped => Some(to_go(self.t_k)),
            PotPhase::Condensing { left_s } => {
                let decay = (-left_s / self.params.condensing_tau_s).exp();
                let then_k = self.params.condensing_k + (self.t_k - self.params.condensing_k) * decay;
                Some(left_s + to_go(then_k))
            }
        }
    }

    pub(super) fn begin_condensing(&mut self) {
        self.phase = PotPhase::Condensing { left_s: self.params.condensing_s };
    }

    pub(super) fn until_event_s(&self, extra_w: f64, bath_empty: bool) -> f64 {
        match self.phase {
            PotPhase::Pumped => self.hold_s(extra_w),
            PotPhase::Condensing { .. } if bath_empty => 0.0,
            PotPhase::Condensing { left_s } => left_s,
            PotPhase::Dry => f64::INFINITY,
        }
    }

    pub(super) fn relaxation(&self, extra_w: f64, bath_empty: bool) -> Relaxation {
        let p = &self.params;
        let (target_k, tau_s) = match self.phase {
            PotPhase::Pumped => (self.pumped_k(extra_w), p.cooling_tau_s),
            PotPhase::Condensing { .. } => (p.condensing_k, p.condensing_tau_s),
            PotPhase::Dry if bath_empty => (p.empty_bath_k, p.empty_bath_tau_s),
            PotPhase::Dry => (p.dry_k, p.dry_tau_s),
        };
        Relaxation { from_k: self.t_k, target_k, tau_s }
    }

    /// Moves by `step_s`, which must not go beyond the next event.
    pub(super) fn move_by(&mut self, step_s: f64, extra_w: f64, bath_empty: bool) {
        let r = self.relaxation(extra_w, bath_empty);
        let x = -step_s / r.tau_s;
        self.t_k = r.from_k * x.exp() - r.target_k * x.exp_m1();
        assert!(self.t_k > 0.0, "a temperature is above zero");
        match &mut self.phase {
            PotPhase::Pumped => {
                let used_j = (self.params.static_load_w + extra_w) * step_s;
                self.liquid_mol = (self.liquid_mol - used_j / self.params.latent_j_mol()).max(0.0);
            }
            PotPhase::Condensing { left_s } => *left_s = (*left_s - step_s).max(0.0),
            PotPhase::Dry => {}
        }
    }

    pub(super) fn end_event(&mut self, bath_empty: bool) {
        match self.phase {
            PotPhase::Pumped => {
                self.liquid_mol = 0.0;
                self.phase = PotPhase::Dry;
            }
            PotPhase::Condensing { .. } if bath_empty => {
                // Without helium around it nothing condenses.
                self.liquid_mol = 0.0;
                self.phase = PotPhase::Dry;
            }
            PotPhase::Condensing { .. } => {
                self.liquid_mol = self.params.charge_mol * self.params.condensed_part;
                self.phase = PotPhase::Pumped;
                self.regenerations += 1;
            }
            PotPhase::Dry => {}
        }
    }
}
