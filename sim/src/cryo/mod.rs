//! Helium bath, condensation pot, stage temperature.
//!
//! [`Cryostat`] holds a [`Bath`], a [`Pot`] and the sample stage. Loads are constant over a step;
//! all laws are linear between events (bath dry, transfer done, pot dry, condensation done), so a
//! step of any length is a few exponentials, one set for each event in it.

mod bath;
pub(crate) mod bounds;
mod helium;
mod pot;
mod stage;
mod transfer;

pub use bath::{Bath, BathParams};
pub use helium::{LATENT_HEAT_J_G, LIQUID_G_L, LITRE_J, boiled_l};
pub use pot::{Pot, PotParams, PotPhase, helium3_latent_j_mol, hold_time_s};
pub use stage::{Stage, StageParams};
pub use transfer::TransferParams;

use bounds::passed_s;
use noctule_ground::section;
use rand_chacha::ChaCha8Rng;

/// Something the cryostat can't do now.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CryoError {
    /// A transfer to a level that filling doesn't lead to.
    #[error("the bath holds {level_l:.1} L of {capacity_l:.1} L and can't be filled to {to_l:.1} L")]
    Refill {
        /// What was asked for, litres.
        to_l: f64,
        /// What is in it, litres.
        level_l: f64,
        /// What fits, litres.
        capacity_l: f64,
    },
    /// Condensing needs helium.
    #[error("condensing needs {needed_l:.1} L of helium in the bath, there are {level_l:.1} L")]
    TooLittleHelium {
        /// What it needs, litres.
        needed_l: f64,
        /// What is in it, litres.
        level_l: f64,
    },
    /// The pot is condensing already.
    #[error("the pot is condensing already")]
    Condensing,
}

section! {
    /// The cryostat: helium bath, condensation pot, sample stage.
    #[derive(Debug, Clone, PartialEq)]
    pub struct CryostatParams = "Cryostat" {
        /// The helium bath.
        pub bath: BathParams = BathParams::PART, "bath";
        /// The ³He pot.
        pub pot: PotParams = PotParams::PART, "pot";
        /// The sample stage.
        pub stage: StageParams = StageParams::PART, "stage";
        /// What a helium transfer disturbs.
        pub transfer: TransferParams = TransferParams::PART, "transfer" or "()";
    }
}

impl CryostatParams {
    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut faults = Vec::new();
        let parts = [
            ("bath", self.bath.check()),
            ("pot", self.pot.check()),
            ("stage", self.stage.check()),
            ("transfer", self.transfer.check()),
        ];
        for (part, found) in parts {
            faults.extend(found.into_iter().map(|fault| format!("{part}: {fault}")));
        }
        faults
    }
}

/// What heats the cryostat from outside, constant over a step.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct CryoLoads {
    /// Heat into the bath, W: leads, switch heater, a ramp's losses.
    pub bath_w: f64,
    /// RF power lost in the line, W; the stage's parameters say which parts of it end where.
    pub rf_w: f64,
    /// Root mean square of the field's rate over the step, T/s.
    pub field_rate_t_s: f64,
    /// Any other heat on the stage, W: the scanner, a sample heater.
    pub stage_w: f64,
}

/// Heat that doesn't belong there, W; zero where all is well.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct CryoFaults {
    /// Into the bath: a spoilt insulation vacuum.
    pub bath_w: f64,
    /// Into the pot: a touch between shields.
    pub pot_w: f64,
    /// Into the stage: it warms up.
    pub stage_w: f64,
}

/// Bath, pot and stage together.
///
/// ```
/// use noctule_sim::cryo::{CryoLoads, Cryostat};
/// use noctule_sim::world::World;
///
/// let mut cryostat = Cryostat::new(World::shipped("night").unwrap().cryostat);
/// cryostat.advance(10.0 * 86_400.0, CryoLoads::default());
/// assert!(cryostat.bath().empty());
/// assert!(cryostat.stage().t_k() > 1.0);
/// ```
#[derive(Debug, Clone)]
pub struct Cryostat {
    bath: Bath,
    pot: Pot,
    stage: Stage,
    transfer: TransferParams,
    faults: CryoFaults,
}

impl Cryostat {
    /// A cryostat at its initial levels, cold if the pot has liquid.
    ///
    /// # Panics
    /// If the parameters have faults; [`CryostatParams::check`] tells them.
    pub fn new(params: CryostatParams) -> Self {
        assert!(params.check().is_empty(), "cryostat parameters must be checked before use");
        let pot = Pot::new(params.pot);
        let stage = Stage::new(params.stage, pot.t_k());
        let transfer = params.transfer;
        Self { bath: Bath::new(params.bath), pot, stage, transfer, faults: CryoFaults::default() }
    }

    /// The helium bath.
    pub fn bath(&self) -> &Bath {
        &self.bath
    }

    /// The helium bath, to fill it or to dump a quench into it.
    pub fn bath_mut(&mut self) -> &mut Bath {
        &mut self.bath
    }

    /// The pot.
    pub fn pot(&self) -> &Pot {
        &self.pot
    }

    /// The sample stage.
    pub fn stage(&self) -> &Stage {
        &self.stage
    }

    /// Sets or (with the default) ends faults. What is no number counts as zero.
    pub fn set_faults(&mut self, faults: CryoFaults) {
        let sound = |w: f64| if w.is_finite() { w.max(0.0) } else { 0.0 };
        self.faults = CryoFaults {
            bath_w: sound(faults.bath_w),
            pot_w: sound(faults.pot_w),
            stage_w: sound(faults.stage_w),
        };
        self.bath.set_leak(self.faults.bath_w);
    }

    /// Heat on the stage with these loads, W.
    pub fn stage_load_w(&self, loads: CryoLoads) -> f64 {
        let transfer_w = if self.bath.refilling() { self.transfer.stage_w } else { 0.0 };
        self.stage.load_w(loads) + self.faults.stage_w + transfer_w
    }

    /// What a transfer disturbs.
    pub fn transfer(&self) -> &TransferParams {
        &self.transfer
    }

    /// Heat on the pot with these loads on top of its static load, W.
    pub fn pot_load_w(&self, loads: CryoLoads) -> f64 {
        let dry_w = if self.bath.empty() { self.pot.params().empty_bath_w } else { 0.0 };
        self.stage_load_w(loads) + self.faults.pot_w + dry_w
    }

    /// Heat on the bath with these loads on top of its static load, W.
    pub fn bath_load_w(&self, loads: CryoLoads) -> f64 {
        let sound_w = if loads.bath_w.is_finite() { loads.bath_w.max(0.0) } else { 0.0 };
        sound_w + self.pot.bath_w() + self.stage.bath_w(loads)
    }

    /// Starts to condense the ³He anew. It is over when [`regenerated`](Self::regenerated) says so.
    ///
    /// # Errors
    /// [`CryoError::Condensing`], or [`CryoError::TooLittleHelium`].
    pub fn begin_regeneration(&mut self) -> Result<(), CryoError> {
        let needed_l = self.pot.params().condensing_min_l;
        if matches!(self.pot.phase(), PotPhase::Condensing { .. }) {
            return Err(CryoError::Condensing);
        }
        if self.bath.level_l() < needed_l || self.bath.empty() {
            return Err(CryoError::TooLittleHelium { needed_l, level_l: self.bath.level_l() });
        }
        self.pot.begin_condensing();
        Ok(())
    }

    /// Whether the pot is pumped and cold with these loads.
    pub fn regenerated(&self, loads: CryoLoads) -> bool {
        self.pot.cold(self.pot_load_w(loads))
    }

    /// Time in s until that is so; `None` for a pot that has run dry.
    pub fn regeneration_left_s(&self, loads: CryoLoads) -> Option<f64> {
        self.pot.until_cold_s(self.pot_load_w(loads))
    }

    /// Lets `dt_s` pass with constant loads, exactly.
    pub fn advance(&mut self, dt_s: f64, loads: CryoLoads) {
        let mut left_s = passed_s(dt_s);
        while left_s > 0.0 {
            let (bath_w, pot_w) = (self.bath_load_w(loads), self.pot_load_w(loads));
            let bath_empty = self.bath.empty();
            let pot_event_s = self.pot.until_event_s(pot_w, bath_empty);
            let bath_event_s = self.bath.until_event_s(bath_w);
            let step_s = left_s.min(pot_event_s).min(bath_event_s);
            let relaxation = self.pot.relaxation(pot_w, bath_empty);
            self.stage.move_by(step_s, relaxation, self.stage_load_w(loads));
            self.pot.move_by(step_s, pot_w, bath_empty);
            self.bath.move_by(step_s, bath_w);
            if bath_event_s <= step_s {
                self.bath.end_event(bath_w);
            }
            if pot_event_s <= step_s {
                self.pot.end_event(bath_empty);
            }
            left_s -= step_s;
        }
    }

    /// What the thermometer on the stage shows, K.
    pub fn stage_thermometer_k(&self, rng: &mut ChaCha8Rng) -> f64 {
        self.stage.shown_k(self.stage.t_k(), rng)
    }

    /// What the thermometer on the pot shows, K.
    pub fn pot_thermometer_k(&self, rng: &mut ChaCha8Rng) -> f64 {
        self.stage.shown_k(self.pot.t_k(), rng)
    }
}

#[cfg(test)]
mod tests;
