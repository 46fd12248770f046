//! Magnet, cryostat, vacuum and RF: the apparatus round the junction.

use super::chronicle::ColdTruth;
use super::effects::Effects;
use crate::act::Refusal;
use crate::cryo::{CryoFaults, CryoLoads, Cryostat, LITRE_J};
use crate::magnet::Magnet;
use crate::noise::{Source, Stream, Wander};
use crate::rf::{LineDrift, RfLine, RfSource, dbm_to_volts, dissipated_w, junction_volts};
use crate::vacuum::Chamber;
use crate::world::World;

/// Noise of the voltmeter at the magnet's leads, V.
const LEAD_NOISE_V: f64 = 1e-3;
/// A line that lets nothing through: all RF power is heat, but for what the junction reflects.
const LOST_DB: f64 = -200.0;

/// The apparatus. Its clock moves on a grid of one second and with every command to it, never
/// because a gauge was read.
#[derive(Debug, Clone)]
pub(super) struct Plant {
    pub(super) source: RfSource,
    line: RfLine,
    duty: f64,
    magnets: [Magnet; 2],
    cryostat: Cryostat,
    chambers: [Chamber; 2],
    faults: CryoFaults,
    /// Power of the heater on the stage, W.
    pub(super) heater_w: f64,
    loads: CryoLoads,
    /// RF energy, J, and squared field rate times time, T²/s, since the sample's warmth was asked for, and how long, s.
    since_asked: [f64; 3],
    drop_outs: Stream,
    bursts: [Stream; 2],
    clock_s: f64,
    effects: Effects,
    /// Temperature of the warm part of the RF line, off its mean, K.
    line_warmth_k: Wander,
    initial_l: f64,
}

impl Plant {
    pub(super) fn new(world: &World, effects: Effects, seed: u64) -> Self {
        Self {
            effects,
            line_warmth_k: Wander::new(
                seed,
                Source::LineWarmth,
                effects.line_wander_k,
                effects.line_wander_s,
                60.0,
            ),
            initial_l: world.cryostat.bath.initial_l,
            source: RfSource::new(world.rf_source.clone()),
            line: world.rf_line.clone(),
            duty: world.lockin.chop_duty,
            magnets: [Magnet::new(world.magnet_z.clone()), Magnet::new(world.magnet_x.clone())],
            cryostat: Cryostat::new(world.cryostat.clone()),
            chambers: [Chamber::new(world.chamber.clone()), Chamber::new(world.preparation.clone())],
            faults: CryoFaults::default(),
            heater_w: 0.0,
            loads: CryoLoads::default(),
            since_asked: [0.0; 3],
            drop_outs: Stream::new(seed, Source::DropOuts),
            bursts: [Stream::new(seed, Source::Bursts(0)), Stream::new(seed, Source::Bursts(1))],
            clock_s: 0.0,
        }
    }

    /// Brings everything to `now_s`: on the grid, and before a command changes its course.
    pub(super) fn catch_up(&mut self, now_s: f64) {
        let dt_s = now_s - self.clock_s;
        if dt_s <= 0.0 {
            return;
        }
        self.clock_s = now_s;
        self.source.advance(dt_s, self.drop_outs.rng());
        let level_l = self.cryostat.bath().level_l();
        let (mut bath_j, mut square, mut quench_j) = (0.0, 0.0, 0.0);
        for magnet in &mut self.magnets {
            let step = magnet.advance(dt_s);
            bath_j += step.bath_j;
            square += step.rate_square_t2_s;
            quench_j += step.quench_j;
            magnet.watch_helium(level_l);
        }
        self.loads = CryoLoads {
            bath_w: bath_j / dt_s,
            rf_w: self.duty * self.source.emitted_dbm().map_or(0.0, |level| dissipated_w(level, LOST_DB)),
            field_rate_t_s: (square / dt_s).sqrt(),
            stage_w: self.heater_w,
        };
        let more = [self.loads.rf_w * dt_s, square, dt_s];
        self.since_asked.iter_mut().zip(more).for_each(|(sum, more)| *sum += more);
        let filling = self.cryostat.bath().refilling();
        self.cryostat.advance(dt_s, self.loads);
        if filling && !self.cryostat.bath().refilling() {
            self.chambers[0].burst(self.cryostat.transfer().burst_pa);
        }
        if quench_j > 0.0 {
            self.cryostat.bath_mut().dump_j(quench_j);
        }
        for (chamber, stream) in self.chambers.iter_mut().zip(&mut self.bursts) {
            chamber.advance(dt_s, stream.rng());
        }
    }

    /// Field at the sample when the clock last moved, T (x, y, z).
    pub(super) fn field_t(&self) -> [f64; 3] {
        [self.magnets[1].field_t(), 0.0, self.magnets[0].field_t()]
    }

    /// Field of one coil at `now_s`, carried on from the clock along its ramp.
    fn coil_t(&self, coil: usize, now_s: f64) -> f64 {
        let magnet = &self.magnets[coil];
        if !magnet.ramping() {
            return magnet.field_t();
        }
        let ahead_s = (now_s - self.clock_s).min(magnet.until_target_s());
        magnet.field_t() + magnet.rate_t_s() * ahead_s
    }

    pub(super) fn field_gauge_t(&self, coil: usize, now_s: f64, stream: &mut Stream) -> f64 {
        self.coil_t(coil, now_s) + self.magnets[coil].params().reading_noise_t * stream.normal()
    }

    /// The larger of the voltages at the leads of the two coils, V.
    pub(super) fn lead_gauge_v(&self, stream: &mut Stream) -> f64 {
        let [z, x] = [0, 1].map(|coil: usize| self.magnets[coil].lead_v());
        let largest = if x.abs() > z.abs() { x } else { z };
        largest + LEAD_NOISE_V * stream.normal()
    }

    pub(super) fn stage_k(&self) -> f64 {
        self.cryostat.stage().t_k()
    }

    pub(super) fn stage_thermometer_k(&self, stream: &mut Stream) -> f64 {
        self.cryostat.stage_thermometer_k(stream.rng())
    }

    pub(super) fn pot_thermometer_k(&self, stream: &mut Stream) -> f64 {
        self.cryostat.pot_thermometer_k(stream.rng())
    }

    pub(super) fn helium_l(&self) -> f64 {
        self.cryostat.bath().level_l()
    }

    /// What became of the helium so far.
    pub(super) fn cold(&self) -> ColdTruth {
        let (bath, pot) = (self.cryostat.bath(), self.cryostat.pot());
        ColdTruth {
            helium_boiled_l: bath.boiled_l(),
            helium_filled_l: bath.filled_l(),
            condensations: pot.regenerations(),
            pot_left_s: pot.hold_left_s(0.0),
        }
    }

    pub(super) fn helium_gauge_l(&self, stream: &mut Stream) -> f64 {
        self.cryostat.bath().gauge_l(stream.rng())
    }

    pub(super) fn chamber_gauge_pa(&self, chamber: usize, stream: &mut Stream) -> f64 {
        self.chambers[chamber].gauge_pa(stream.rng())
    }

    /// RF amplitude at the junction, zero-to-peak V.
    pub(super) fn amplitude_v(&self) -> f64 {
        match self.source.emitted_dbm() {
            Some(level_dbm) => {
                let (effects, warmth_k) = (&self.effects, self.line_warmth_k.value());
                let fallen_l = self.initial_l - self.cryostat.bath().level_l();
                let drift = LineDrift {
                    loss_db: effects.line_loss_db_k * warmth_k,
                    phase_rad: effects.line_phase_rad_k * warmth_k + effects.line_phase_rad_l * fallen_l,
                    resonance_hz: effects.line_resonance_hz_k * warmth_k,
                };
                junction_volts(level_dbm, self.line.drifted_db(self.source.frequency_hz(), drift))
            }
            None => 0.0,
        }
    }

    /// Amplitude at the source, zero-to-peak V; 0 with the output off.
    pub(super) fn source_v(&self) -> f64 {
        self.source.emitted_dbm().map_or(0.0, dbm_to_volts)
    }

    /// The warm part of the RF line wanders on: once a minute.
    pub(super) fn step(&mut self) {
        self.line_warmth_k.step();
    }

    /// Where the heat of RF and ramps since this was asked last would move the sample in the end, m (x, y, z), and the
    /// time constant, s.
    pub(super) fn warmth(&mut self) -> ([f64; 3], f64) {
        let Effects { drift_rf_m_w, drift_ramp_m_s2_t2, drift_heat_s, .. } = self.effects;
        let [rf_j, square_t2_s, over_s] = std::mem::take(&mut self.since_asked);
        let (rf_w, square) = if over_s > 0.0 { (rf_j / over_s, square_t2_s / over_s) } else { (0.0, 0.0) };
        let to_m = [0, 1, 2].map(|i| drift_rf_m_w[i] * rf_w + drift_ramp_m_s2_t2[i] * square);
        (to_m, drift_heat_s)
    }

    pub(super) fn set_field(&mut self, now_s: f64, coil: usize, target_t: f64) -> Result<(), Refusal> {
        self.catch_up(now_s);
        let magnet = &mut self.magnets[coil];
        // A supply that is set again after a quench starts anew, once the field is gone.
        if magnet.quenched() {
            magnet.release().map_err(|error| Refusal::NotNow(error.to_string()))?;
        }
        magnet.set_target(target_t).map_err(|error| match error {
            crate::magnet::MagnetError::Field { .. } => Refusal::Invalid(error.to_string()),
            _ => Refusal::NotNow(error.to_string()),
        })
    }

    /// Where a coil goes to, T.
    pub(super) fn field_target_t(&self, coil: usize) -> f64 {
        self.magnets[coil].target_t()
    }

    /// Puts the coils on their switches, or takes them off; gives how long that takes, s.
    pub(super) fn persist(&mut self, now_s: f64, persistent: bool) -> Result<f64, Refusal> {
        self.catch_up(now_s);
        let mut left_s: f64 = 0.0;
        for magnet in self.magnets.iter_mut().filter(|magnet| magnet.params().switch.is_some()) {
            magnet.set_persistent(persistent).map_err(|error| Refusal::NotNow(error.to_string()))?;
            left_s = left_s.max(magnet.until_mode_s());
        }
        Ok(left_s)
    }

    /// Whether a change of the magnet's mode is over, and whether it led to `persistent`.
    pub(super) fn persisted(&self, persistent: bool) -> Option<bool> {
        use crate::magnet::MagnetMode;
        let mut with_switch = self.magnets.iter().filter(|magnet| magnet.params().switch.is_some());
        if with_switch.clone().any(|magnet| magnet.until_mode_s() > 0.0) {
            return None;
        }
        let wanted = if persistent { MagnetMode::Persistent } else { MagnetMode::Supply };
        Some(with_switch.all(|magnet| magnet.mode() == wanted && !magnet.quenched()))
    }

    pub(super) fn regenerate(&mut self, now_s: f64) -> Result<f64, Refusal> {
        self.catch_up(now_s);
        self.cryostat.begin_regeneration().map_err(|error| Refusal::NotNow(error.to_string()))?;
        Ok(self.cryostat.regeneration_left_s(self.loads).unwrap_or(0.0))
    }

    /// `Some(true)` once the pot is cold again, `Some(false)` if it ran dry on the way.
    pub(super) fn regenerated(&self) -> Option<bool> {
        if self.cryostat.regenerated(self.loads) {
            return Some(true);
        }
        self.cryostat.regeneration_left_s(self.loads).is_none().then_some(false)
    }

    pub(super) fn refill(&mut self, now_s: f64, to_l: f64) -> Result<f64, Refusal> {
        self.catch_up(now_s);
        let loads_w = self.cryostat.bath_load_w(self.loads);
        let bath = self.cryostat.bath_mut();
        bath.begin_refill(to_l).map_err(|error| Refusal::Invalid(error.to_string()))?;
        let duration_s = bath.until_event_s(loads_w);
        self.chambers[0].burst(self.cryostat.transfer().burst_pa);
        Ok(duration_s)
    }

    /// What a transfer disturbs: the velocity of the drift it sets off, m/s, and its time constant, s.
    pub(super) fn transfer_drift(&self) -> ([f64; 3], f64) {
        let transfer = self.cryostat.transfer();
        (transfer.drift_m_s, transfer.drift_tau_s)
    }

    pub(super) fn refilled(&self) -> bool {
        !self.cryostat.bath().refilling()
    }

    pub(super) fn stop_refill(&mut self, now_s: f64) {
        self.catch_up(now_s);
        self.cryostat.bath_mut().stop_refill();
    }

    pub(super) fn leak(&mut self, now_s: f64, l_per_h: f64) {
        self.catch_up(now_s);
        self.faults.bath_w = l_per_h * LITRE_J / 3600.0;
        self.cryostat.set_faults(self.faults);
    }

    pub(super) fn warm_up(&mut self, now_s: f64, k: f64) {
        self.catch_up(now_s);
        let warming_k_w = self.cryostat.stage().params().warming_k_w;
        self.faults.stage_w = k / warming_k_w;
        self.cryostat.set_faults(self.faults);
    }

    pub(super) fn burst(&mut self, now_s: f64, pa: f64) {
        self.catch_up(now_s);
        self.chambers[0].burst(pa);
    }

    pub(super) fn quench(&mut self, now_s: f64) {
        self.catch_up(now_s);
        for magnet in &mut self.magnets {
            magnet.quench();
        }
    }

    pub(super) fn clear(&mut self, now_s: f64) {
        self.catch_up(now_s);
        self.faults = CryoFaults::default();
        self.cryostat.set_faults(self.faults);
    }
}
