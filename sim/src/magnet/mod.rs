//! The superconducting magnet and its supply.
//!
//! The supply ramps the current at a rate that depends on the field; the field lags a little
//! and carries a remanence from trapped flux, opposite to the last ramp. In persistent mode a
//! superconducting switch closes the coil and the leads are brought to zero. A quench lets the field
//! collapse and boils helium. All laws are in closed form over any time.
//!
//! Energy ½LI² and lead voltage L dI/dt + RI are textbook formulas. Ramp rates, remanence,
//! switch times and decay of the example are of the usual size (from memory, not checked).

mod params;
mod ramp;
mod step;
#[cfg(test)]
mod tests;

pub use params::{MagnetParams, RampSegment, SwitchParams};

use crate::cryo::bounds::passed_s;

use std::sync::Arc;

/// Below this current a quench is over, A.
const COLLAPSED_A: f64 = 1e-6;

/// Something the magnet can't do now.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum MagnetError {
    /// Beyond the current limit.
    #[error("{field_t} T is outside the magnet's range of ±{limit_t} T")]
    Field {
        /// What was asked for, T.
        field_t: f64,
        /// Highest field, T.
        limit_t: f64,
    },
    /// The field can't be ramped in persistent mode or on the way into or out of it.
    #[error("the magnet is in persistent mode or changing it")]
    Persistent,
    /// Persistent mode begins from a field that stands.
    #[error("the field is still ramping")]
    Ramping,
    /// There is no switch.
    #[error("this magnet has no persistent mode")]
    NoSwitch,
    /// It has quenched and waits to be released.
    #[error("the magnet has quenched")]
    Quenched,
}

/// Who carries the current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MagnetMode {
    /// The supply.
    Supply,
    /// On the way to persistent mode: the switch cools.
    CoolingSwitch {
        /// Time left, s.
        left_s: f64,
    },
    /// On the way to persistent mode: the leads go to zero.
    LeadsDown,
    /// The closed coil.
    Persistent,
    /// On the way back: the leads go to the coil's current.
    LeadsUp,
    /// On the way back: the switch warms.
    WarmingSwitch {
        /// Time left, s.
        left_s: f64,
    },
    /// The field collapses.
    Quenching,
}

/// What a step of the magnet did to its surroundings.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct MagnetStep {
    /// Heat of leads and switch heater into the bath, J.
    pub bath_j: f64,
    /// Heat of a quench into the bath, J.
    pub quench_j: f64,
    /// ∫ (dB/dt)² dt of the supply's ramp, T²/s, for eddy heating. The collapse of a quench is not in it.
    pub rate_square_t2_s: f64,
    /// Time spent ramping, s.
    pub ramping_s: f64,
}

/// One coil with its supply.
///
/// ```
/// use noctule_sim::magnet::Magnet;
/// use noctule_sim::world::World;
///
/// let mut magnet = Magnet::new(World::shipped("night").unwrap().magnet_z);
/// magnet.set_target(0.5).unwrap();
/// magnet.advance(magnet.until_target_s() + 20.0);
/// assert!((magnet.field_t() - 0.5).abs() < 2e-3); // short of it by the remanence
/// ```
#[derive(Debug, Clone)]
pub struct Magnet {
    // Shared, so that looking ahead copies a few numbers only.
    params: Arc<MagnetParams>,
    mode: MagnetMode,
    current_a: f64,
    lead_a: f64,
    target_a: f64,
    lag_t: f64,
    remanent_t: f64,
    quenched: bool,
}

impl Magnet {
    /// A magnet without current and without remanence.
    ///
    /// # Panics
    /// If the parameters have faults; [`MagnetParams::check`] tells them.
    pub fn new(params: MagnetParams) -> Self {
        assert!(params.check().is_empty(), "magnet parameters must be checked before use");
        Self {
            params: Arc::new(params),
            mode: MagnetMode::Supply,
            current_a: 0.0,
            lead_a: 0.0,
            target_a: 0.0,
            lag_t: 0.0,
            remanent_t: 0.0,
            quenched: false,
        }
    }

    /// What it was built with.
    pub fn params(&self) -> &MagnetParams {
        &self.params
    }

    /// Puts the magnet at a standing field, on its supply, as after a long wait; without remanence.
    ///
    /// # Errors
    /// [`MagnetError::Field`] beyond the limit.
    pub fn place(&mut self, field_t: f64) -> Result<(), MagnetError> {
        self.target_a = self.current_for(field_t)?;
        self.current_a = self.target_a;
        self.lead_a = self.target_a;
        self.mode = MagnetMode::Supply;
        (self.lag_t, self.remanent_t) = (0.0, 0.0);
        Ok(())
    }

    fn current_for(&self, field_t: f64) -> Result<f64, MagnetError> {
        let limit_t = self.params.field_limit_t();
        // A limit that was multiplied from its factors may miss itself by rounding.
        if field_t.is_nan() || field_t.abs() > limit_t * (1.0 + 1e-12) {
            return Err(MagnetError::Field { field_t, limit_t });
        }
        let limit_a = self.params.current_limit_a;
        Ok((field_t / self.params.tesla_per_ampere).clamp(-limit_a, limit_a))
    }

    /// Starts the ramp to `field_t` (by the supply's calibration, remanence not included).
    ///
    /// # Errors
    /// [`MagnetError::Field`], [`MagnetError::Persistent`], [`MagnetError::Quenched`].
    pub fn set_target(&mut self, field_t: f64) -> Result<(), MagnetError> {
        let target_a = self.current_for(field_t)?;
        if self.quenched {
            return Err(MagnetError::Quenched);
        }
        if self.mode != MagnetMode::Supply {
            return Err(MagnetError::Persistent);
        }
        self.target_a = target_a;
        Ok(())
    }

    /// Where it goes to, T, by current and calibration.
    pub fn target_t(&self) -> f64 {
        self.target_a * self.params.tesla_per_ampere
    }

    /// Stops a ramp where it is.
    pub fn hold(&mut self) {
        if self.mode == MagnetMode::Supply {
            self.target_a = self.current_a;
        }
    }

    /// Field by current and calibration, T: what the supply believes.
    pub fn nominal_t(&self) -> f64 {
        self.current_a * self.params.tesla_per_ampere
    }

    /// Field that is really there, T: with lag and remanence.
    pub fn field_t(&self) -> f64 {
        self.nominal_t() + self.lag_t + self.remanent_t
    }

    /// Current in the coil, A.
    pub fn current_a(&self) -> f64 {
        self.current_a
    }

    /// Who carries the current.
    pub fn mode(&self) -> MagnetMode {
        self.mode
    }

    /// Whether the supply is changing the field.
    pub fn ramping(&self) -> bool {
        self.mode == MagnetMode::Supply && self.current_a != self.target_a
    }

    /// Whether the magnet has quenched and was not released since.
    pub fn quenched(&self) -> bool {
        self.quenched
    }

    /// Rate of the supply's field, T/s, with its sign.
    pub fn rate_t_s(&self) -> f64 {
        let piece = ramp::piece(&self.params, self.current_a, self.target_a).filter(|_| self.ramping());
        piece.map_or(0.0, |piece| piece.rate_a_s * self.params.tesla_per_ampere)
    }

    /// Time in s until the supply has reached its target; 0 if it isn't ramping.
    pub fn until_target_s(&self) -> f64 {
        if self.ramping() { ramp::time_s(&self.params, self.current_a, self.target_a) } else { 0.0 }
    }

    /// Voltage at the leads, V: L dI/dt + R I. In a quench the diodes limit it.
    pub fn lead_v(&self) -> f64 {
        let resistive_v = self.params.lead_ohm * self.lead_a;
        match self.mode {
            MagnetMode::Supply => {
                self.params.inductance_h * self.rate_t_s() / self.params.tesla_per_ampere + resistive_v
            }
            MagnetMode::Quenching => {
                let clamp_v = self.params.quench_clamp_v;
                let free_v = -self.params.inductance_h * self.current_a / self.params.quench_tau_s;
                free_v.clamp(-clamp_v, clamp_v)
            }
            _ => resistive_v,
        }
    }

    /// Stored energy, J: ½LI².
    pub fn energy_j(&self) -> f64 {
        0.5 * self.params.inductance_h * self.current_a * self.current_a
    }

    /// Starts the way into (`true`) or out of persistent mode.
    ///
    /// # Errors
    /// [`MagnetError::NoSwitch`], [`MagnetError::Quenched`], [`MagnetError::Ramping`], and
    /// [`MagnetError::Persistent`] on the way to the other mode.
    pub fn set_persistent(&mut self, persistent: bool) -> Result<(), MagnetError> {
        let Some(switch) = self.params.switch else { return Err(MagnetError::NoSwitch) };
        if self.quenched {
            return Err(MagnetError::Quenched);
        }
        match (self.mode, persistent) {
            (MagnetMode::Supply, true) if self.ramping() => Err(MagnetError::Ramping),
            (MagnetMode::Supply, true) => {
                self.mode = MagnetMode::CoolingSwitch { left_s: switch.switch_s };
                Ok(())
            }
            (MagnetMode::Persistent, false) => {
                self.mode = MagnetMode::LeadsUp;
                Ok(())
            }
            (MagnetMode::Supply, false) | (MagnetMode::Persistent, true) => Ok(()),
            _ => Err(MagnetError::Persistent),
        }
    }

    /// Time in s until a change of mode is over; 0 if none is running.
    pub fn until_mode_s(&self) -> f64 {
        let Some(switch) = self.params.switch else { return 0.0 };
        let leads_s = |way_a: f64| way_a.abs() / switch.lead_rate_a_s;
        match self.mode {
            MagnetMode::CoolingSwitch { left_s } => left_s + leads_s(self.lead_a),
            MagnetMode::LeadsDown => leads_s(self.lead_a),
            MagnetMode::LeadsUp => leads_s(self.current_a - self.lead_a) + switch.switch_s,
            MagnetMode::WarmingSwitch { left_s } => left_s,
            _ => 0.0,
        }
    }

    /// Fault: the magnet quenches now. Without current nothing happens.
    pub fn quench(&mut self) {
        if self.current_a.abs() > COLLAPSED_A && self.mode != MagnetMode::Quenching {
            self.mode = MagnetMode::Quenching;
            self.quenched = true;
            self.lead_a = 0.0;
            self.target_a = 0.0;
            // A conductor that has been normal has let its trapped flux go.
            (self.lag_t, self.remanent_t) = (0.0, 0.0);
        }
    }

    /// Quenches a magnet that carries current while the bath holds too little; tells whether it did.
    pub fn watch_helium(&mut self, level_l: f64) -> bool {
        let uncovered = level_l < self.params.quench_below_l && self.mode != MagnetMode::Quenching;
        let hot = uncovered && self.current_a.abs() > 1.0;
        if hot {
            self.quench();
        }
        hot
    }

    /// Releases a magnet that has quenched, once its field has collapsed.
    ///
    /// # Errors
    /// [`MagnetError::Quenched`] while it still collapses.
    pub fn release(&mut self) -> Result<(), MagnetError> {
        if self.mode == MagnetMode::Quenching {
            return Err(MagnetError::Quenched);
        }
        self.quenched = false;
        Ok(())
    }

    /// Lets `dt_s` pass.
    pub fn advance(&mut self, dt_s: f64) -> MagnetStep {
        let mut step = MagnetStep::default();
        let mut left_s = passed_s(dt_s);
        while left_s > 0.0 {
            let used_s = match self.mode {
                MagnetMode::Supply => self.supply(left_s, &mut step),
                MagnetMode::Quenching => self.collapse(left_s, &mut step),
                _ => self.closed(left_s, &mut step),
            };
            assert!(used_s >= 0.0 && used_s <= left_s, "a magnet uses no more time than there is");
            left_s -= used_s;
        }
        step
    }
}
