//! Magnet, cryostat, vacuum and RF: the apparatus round the junction.

use crate::act::Refusal;
use crate::noise::{Source, Stream};
use crate::rf::{RfLine, RfSource, junction_volts};
use crate::world::World;

/// The apparatus. Its clock moves on a grid of one second and with every command.
#[derive(Debug, Clone)]
pub(super) struct Plant {
    pub(super) source: RfSource,
    line: RfLine,
    drop_outs: Stream,
    field_t: [f64; 2],
    target_t: [f64; 2],
    stage_k: f64,
    level_l: f64,
    clock_s: f64,
}

impl Plant {
    pub(super) fn new(world: &World, seed: u64) -> Self {
        Self {
            source: RfSource::new(world.rf_source.clone()),
            line: world.rf_line.clone(),
            drop_outs: Stream::new(seed, Source::DropOuts),
            field_t: [0.0; 2],
            target_t: [0.0; 2],
            stage_k: 0.4,
            level_l: 60.0,
            clock_s: 0.0,
        }
    }

    /// Field at the sample, T (x, y, z).
    pub(super) fn field_t(&self) -> [f64; 3] {
        [self.field_t[1], 0.0, self.field_t[0]]
    }

    pub(super) fn stage_k(&self) -> f64 {
        self.stage_k
    }

    /// RF amplitude at the junction, zero-to-peak V.
    pub(super) fn amplitude_v(&self) -> f64 {
        match self.source.emitted_dbm() {
            Some(level_dbm) => junction_volts(level_dbm, self.line.transmission_db(self.source.frequency_hz())),
            None => 0.0,
        }
    }

    pub(super) fn set_field(&mut self, coil: usize, target_t: f64) -> Result<(), Refusal> {
        self.target_t[coil] = target_t;
        Ok(())
    }

    /// To `now_s`, on the grid.
    pub(super) fn tick(&mut self, now_s: f64) {
        let dt_s = now_s - self.clock_s;
        self.clock_s = now_s;
        self.advance(dt_s);
    }

    fn advance(&mut self, dt_s: f64) {
        self.source.advance(dt_s, self.drop_outs.rng());
        for (field, target) in self.field_t.iter_mut().zip(self.target_t) {
            let step = 1.7e-3 * dt_s;
            *field += (target - *field).clamp(-step, step);
        }
        self.level_l = (self.level_l - dt_s * 0.7 / 3600.0).max(0.0);
    }
}
