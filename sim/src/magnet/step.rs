//! One stretch of time in which the magnet follows a single law. Each returns how much of the
//! time it used; what is left belongs to the next.

use super::{COLLAPSED_A, Magnet, MagnetMode, MagnetStep, ramp};

impl Magnet {
    /// One piece of the ramp, or standing still, on the supply.
    pub(super) fn supply(&mut self, left_s: f64, step: &mut MagnetStep) -> f64 {
        let heater_w = self.params.switch.map_or(0.0, |switch| switch.heater_w);
        let Some(piece) = ramp::piece(&self.params, self.current_a, self.target_a) else {
            self.lag(left_s, 0.0);
            step.bath_j += left_s * (heater_w + self.params.lead_heat_w_a * self.lead_a.abs());
            return left_s;
        };
        let whole_s = (piece.end_a - self.current_a) / piece.rate_a_s;
        let used_s = whole_s.min(left_s);
        let before_a = self.current_a;
        self.current_a = if whole_s <= left_s { piece.end_a } else { before_a + piece.rate_a_s * used_s };
        self.lead_a = self.current_a;
        let rate_t_s = piece.rate_a_s * self.params.tesla_per_ampere;
        self.lag(used_s, rate_t_s);
        self.magnetise((self.current_a - before_a) * self.params.tesla_per_ampere);
        let mean_a = 0.5 * (before_a.abs() + self.current_a.abs());
        step.bath_j += used_s * (heater_w + self.params.lead_heat_w_a * mean_a);
        step.rate_square_t2_s += rate_t_s * rate_t_s * used_s;
        step.ramping_s += used_s;
        used_s
    }

    /// The lag e = B − B_supply obeys ė = −e/τ − Ḃ_supply.
    fn lag(&mut self, used_s: f64, rate_t_s: f64) {
        let tau_s = self.params.lag_s;
        let standing_t = -rate_t_s * tau_s;
        let decay = if tau_s > 0.0 { (-used_s / tau_s).exp() } else { 0.0 };
        self.lag_t = standing_t + (self.lag_t - standing_t) * decay;
    }

    /// Trapped flux resists the change: it goes to ∓ the remanence, exponentially in the way made.
    fn magnetise(&mut self, way_t: f64) {
        if way_t != 0.0 {
            let end_t = -way_t.signum() * self.params.remanence_t;
            let decay = (-way_t.abs() / self.params.remanence_width_t).exp();
            self.remanent_t = end_t + (self.remanent_t - end_t) * decay;
        }
    }

    /// The field of a quench on its way to zero.
    pub(super) fn collapse(&mut self, left_s: f64, step: &mut MagnetStep) -> f64 {
        let tau_s = self.params.quench_tau_s;
        let whole_s = (tau_s * (self.current_a.abs() / COLLAPSED_A).ln()).max(0.0);
        let before_j = self.energy_j();
        let used_s = whole_s.min(left_s);
        if whole_s <= left_s {
            self.current_a = 0.0;
            self.mode = MagnetMode::Supply;
        } else {
            self.current_a *= (-used_s / tau_s).exp();
        }
        step.quench_j += self.params.quench_bath_part * (before_j - self.energy_j());
        used_s
    }

    /// Persistent mode and the ways into and out of it: the coil is closed or held still.
    pub(super) fn closed(&mut self, left_s: f64, step: &mut MagnetStep) -> f64 {
        let Some(switch) = self.params.switch else {
            self.mode = MagnetMode::Supply;
            return 0.0;
        };
        let (to_a, heater_w) = match self.mode {
            MagnetMode::LeadsDown => (0.0, 0.0),
            MagnetMode::LeadsUp => (self.current_a, 0.0),
            MagnetMode::WarmingSwitch { .. } => (self.lead_a, switch.heater_w),
            _ => (self.lead_a, 0.0),
        };
        let way_a = to_a - self.lead_a;
        let whole_s = match self.mode {
            MagnetMode::CoolingSwitch { left_s } | MagnetMode::WarmingSwitch { left_s } => left_s,
            MagnetMode::Persistent => f64::INFINITY,
            _ => way_a.abs() / switch.lead_rate_a_s,
        };
        let (used_s, ends) = (whole_s.min(left_s), whole_s <= left_s);
        let before_a = self.lead_a;
        if way_a != 0.0 {
            self.lead_a = if ends { to_a } else { before_a + way_a.signum() * switch.lead_rate_a_s * used_s };
        }
        let mean_a = 0.5 * (before_a.abs() + self.lead_a.abs());
        step.bath_j += used_s * (heater_w + self.params.lead_heat_w_a * mean_a);
        self.lag(used_s, 0.0);
        if self.mode == MagnetMode::Persistent {
            self.current_a *= (-switch.decay_per_h * used_s / 3600.0).exp();
        }
        self.mode = match self.mode {
            MagnetMode::CoolingSwitch { .. } if ends => MagnetMode::LeadsDown,
            MagnetMode::LeadsDown if ends => MagnetMode::Persistent,
            MagnetMode::LeadsUp if ends => MagnetMode::WarmingSwitch { left_s: switch.switch_s },
            MagnetMode::WarmingSwitch { .. } if ends => {
                self.target_a = self.current_a;
                self.lead_a = self.current_a;
                MagnetMode::Supply
            }
            MagnetMode::CoolingSwitch { .. } => MagnetMode::CoolingSwitch { left_s: whole_s - used_s },
            MagnetMode::WarmingSwitch { .. } => MagnetMode::WarmingSwitch { left_s: whole_s - used_s },
            mode => mode,
        };
        used_s
    }
}
