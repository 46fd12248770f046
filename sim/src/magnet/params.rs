//! What a magnet and its supply are made of.

use crate::cryo::bounds::Bounds;

/// Rate of the ramp up to a field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RampSegment {
    /// The segment ends here, T (absolute value). The last one holds beyond its end too.
    pub up_to_t: f64,
    /// Rate within it, T/s.
    pub rate_t_s: f64,
}

/// Persistent mode: a switch across the coil.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SwitchParams {
    /// Time for the switch to warm or to cool, s.
    pub switch_s: f64,
    /// Heat of its heater into the bath while it is open, W.
    pub heater_w: f64,
    /// Rate at which the leads alone are ramped, A/s.
    pub lead_rate_a_s: f64,
    /// Part of the current lost per hour in persistent mode.
    pub decay_per_h: f64,
}

/// What doesn't change during a night.
#[derive(Debug, Clone, PartialEq)]
pub struct MagnetParams {
    /// Inductance, H.
    pub inductance_h: f64,
    /// Highest current, A.
    pub current_limit_a: f64,
    /// Field per current, T/A.
    pub tesla_per_ampere: f64,
    /// Ramp rates by range of the field, from the lowest.
    pub segments: Vec<RampSegment>,
    /// Resistance of the leads, Ω.
    pub lead_ohm: f64,
    /// Heat the leads bring into the bath per ampere, W/A (their share without current is in the
    /// bath's static load).
    pub lead_heat_w_a: f64,
    /// Time by which the field lags the current, s (eddy currents in the former).
    pub lag_s: f64,
    /// Remanence: the field that trapped flux adds after a long ramp down or takes after one up, T.
    pub remanence_t: f64,
    /// A change of the field of this size turns most of the remanence over, T.
    pub remanence_width_t: f64,
    /// Noise of the field reading, rms T.
    pub reading_noise_t: f64,
    /// Persistent mode, if there is a switch.
    pub switch: Option<SwitchParams>,
    /// Time constant of the collapse in a quench, s.
    pub quench_tau_s: f64,
    /// Protection diodes hold the voltage in a quench to this, V.
    pub quench_clamp_v: f64,
    /// Part of the stored energy that ends in the bath in a quench (0 to 1).
    pub quench_bath_part: f64,
    /// With less helium than this in the bath a magnet that carries current quenches, litres.
    pub quench_below_l: f64,
}

impl MagnetParams {
    /// 10 H and 60 A for 6 T, slower above 4 T.
    pub fn example() -> Self {
        Self {
            inductance_h: 10.0,
            current_limit_a: 60.0,
            tesla_per_ampere: 0.1,
            segments: vec![
                RampSegment { up_to_t: 2.0, rate_t_s: 5e-3 },
                RampSegment { up_to_t: 4.0, rate_t_s: 3e-3 },
                RampSegment { up_to_t: 6.0, rate_t_s: 1.2e-3 },
            ],
            lead_ohm: 0.01,
            lead_heat_w_a: 2.5e-3,
            lag_s: 0.8,
            remanence_t: 1.5e-3,
            remanence_width_t: 0.03,
            reading_noise_t: 5e-6,
            switch: Some(SwitchParams {
                switch_s: 45.0,
                heater_w: 0.06,
                lead_rate_a_s: 1.0,
                decay_per_h: 1e-6,
            }),
            quench_tau_s: 3.0,
            quench_clamp_v: 8.0,
            quench_bath_part: 1.0,
            quench_below_l: 2.0,
        }
    }

    /// Highest field, T.
    pub fn field_limit_t(&self) -> f64 {
        self.current_limit_a * self.tesla_per_ampere
    }

    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut bounds = Bounds::new();
        bounds.positive("inductance_h", self.inductance_h);
        bounds.positive("current_limit_a", self.current_limit_a);
        bounds.positive("tesla_per_ampere", self.tesla_per_ampere);
        bounds.forbid(self.segments.is_empty(), || "`segments` must hold at least one ramp rate".to_owned());
        for (k, segment) in self.segments.iter().enumerate() {
            bounds.positive(&format!("segments[{k}].up_to_t"), segment.up_to_t);
            bounds.positive(&format!("segments[{k}].rate_t_s"), segment.rate_t_s);
            bounds.forbid(k > 0 && segment.up_to_t <= self.segments[k - 1].up_to_t, || {
                format!("`segments[{k}].up_to_t` must be above that of the segment before it")
            });
        }
        bounds.not_negative("lead_ohm", self.lead_ohm);
        bounds.not_negative("lead_heat_w_a", self.lead_heat_w_a);
        bounds.not_negative("lag_s", self.lag_s);
        bounds.within("remanence_t", self.remanence_t, 0.0, 0.1);
        bounds.positive("remanence_width_t", self.remanence_width_t);
        bounds.within("reading_noise_t", self.reading_noise_t, 0.0, 0.1);
        if let Some(switch) = &self.switch {
            bounds.positive("switch.switch_s", switch.switch_s);
            bounds.not_negative("switch.heater_w", switch.heater_w);
            bounds.positive("switch.lead_rate_a_s", switch.lead_rate_a_s);
            bounds.within("switch.decay_per_h", switch.decay_per_h, 0.0, 1.0);
        }
        bounds.positive("quench_tau_s", self.quench_tau_s);
        bounds.not_negative("quench_clamp_v", self.quench_clamp_v);
        bounds.within("quench_bath_part", self.quench_bath_part, 0.0, 1.0);
        bounds.not_negative("quench_below_l", self.quench_below_l);
        bounds.done()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
