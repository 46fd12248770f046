//! The RF source: limits, levelling, drop-outs.

use super::RfError;
use super::line::{StandingWave, ripple_db};
use crate::cryo::bounds::passed_s;
use noctule_ground::section;
use noctule_ground::section::{Described, Range, number, si};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1};

/// No level of a source lies outside this.
const LEVELS_DBM: Range = Range::Within(-200.0, 60.0);

section! {
    /// What the source can do and how often it fails.
    #[derive(Debug, Clone, PartialEq)]
    pub struct RfSourceParams = "Rf" checked by RfSourceParams::check {
        /// Lowest frequency.
        pub frequency_min_hz: f64 = number("GHz", 1e9, Range::Positive), "frequency_min_ghz";
        /// Highest frequency.
        pub frequency_max_hz: f64 = number("GHz", 1e9, Range::Positive), "frequency_max_ghz";
        /// Lowest level that can be set.
        pub level_min_dbm: f64 = si("dBm", LEVELS_DBM), "level_min_dbm";
        /// Highest level that can be set.
        pub level_max_dbm: f64 = si("dBm", LEVELS_DBM), "level_max_dbm";
        /// Highest levelled output at the lowest frequency.
        pub levelled_low_dbm: f64 = si("dBm", LEVELS_DBM), "levelled_low_dbm";
        /// Highest levelled output at the highest frequency; between the two it falls linearly.
        pub levelled_high_dbm: f64 = si("dBm", LEVELS_DBM), "levelled_high_dbm";
        /// Levels are rounded to this; 0 for none.
        pub level_step_db: f64 = si("dB", Range::Within(0.0, 10.0)), "level_step_db";
        /// Error of the levelling against frequency.
        pub flatness: Vec<StandingWave> = StandingWave::PARTS, "flatness";
        /// Drop-outs, on average; 0 for none.
        pub dropouts_per_h: f64 = si("1/h", Range::Within(0.0, 3600.0)), "dropouts_per_h";
        /// Mean length of a drop-out.
        pub dropout_mean_s: f64 = si("s", Range::Within(0.1, 1e6)), "dropout_mean_s";
    }
}

impl RfSourceParams {
    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut faults = self.out_of_range();
        if self.frequency_min_hz >= self.frequency_max_hz {
            faults.push("`frequency_min_ghz` must be below `frequency_max_ghz`".to_owned());
        }
        if self.level_min_dbm >= self.level_max_dbm {
            faults.push("`level_min_dbm` must be below `level_max_dbm`".to_owned());
        }
        faults
    }
}

/// The source: settings and whether it has dropped out.
///
/// Drop-outs come and go by themselves at moments drawn ahead, so that their history depends
/// on the random stream alone and not on how often anyone looked.
#[derive(Debug, Clone)]
pub struct RfSource {
    params: RfSourceParams,
    frequency_hz: f64,
    level_dbm: f64,
    output: bool,
    dropped: bool,
    forced: bool,
    until_change_s: Option<f64>,
}

impl RfSource {
    /// A source that is off, at its lowest frequency and level.
    ///
    /// # Panics
    /// If the parameters have faults; [`RfSourceParams::check`] tells them.
    pub fn new(params: RfSourceParams) -> Self {
        assert!(params.check().is_empty(), "RF source parameters must be checked before use");
        Self {
            frequency_hz: params.frequency_min_hz,
            level_dbm: params.level_min_dbm,
            output: false,
            dropped: false,
            forced: false,
            until_change_s: None,
            params,
        }
    }

    /// What it was built with.
    pub fn params(&self) -> &RfSourceParams {
        &self.params
    }

    /// Sets the frequency, Hz.
    ///
    /// # Errors
    /// [`RfError::Frequency`] outside the source's range; nothing changes then.
    pub fn set_frequency(&mut self, frequency_hz: f64) -> Result<(), RfError> {
        let (low_hz, high_hz) = (self.params.frequency_min_hz, self.params.frequency_max_hz);
        if !(low_hz..=high_hz).contains(&frequency_hz) {
            return Err(RfError::Frequency { frequency_hz, low_hz, high_hz });
        }
        self.frequency_hz = frequency_hz;
        Ok(())
    }

    /// Sets the level, dBm, rounded to the source's step.
    ///
    /// # Errors
    /// [`RfError::Level`] outside the source's range; nothing changes then.
    pub fn set_level(&mut self, level_dbm: f64) -> Result<(), RfError> {
        let (low_dbm, high_dbm) = (self.params.level_min_dbm, self.params.level_max_dbm);
        if !(low_dbm..=high_dbm).contains(&level_dbm) {
            return Err(RfError::Level { level_dbm, low_dbm, high_dbm });
        }
        let step_db = self.params.level_step_db;
        let rounded = if step_db > 0.0 { (level_dbm / step_db).round() * step_db } else { level_dbm };
        self.level_dbm = rounded.clamp(low_dbm, high_dbm);
        Ok(())
    }

    /// Switches the output.
    pub fn set_output(&mut self, on: bool) {
        self.output = on;
    }

    /// Frequency, Hz.
    pub fn frequency_hz(&self) -> f64 {
        self.frequency_hz
    }

    /// Level as set, dBm.
    pub fn level_dbm(&self) -> f64 {
        self.level_dbm
    }

    /// Whether the output is switched on. A drop-out doesn't show here, as on a real source.
    pub fn output(&self) -> bool {
        self.output
    }

    /// Highest level in dBm the source can hold at its present frequency.
    pub fn levelled_dbm(&self) -> f64 {
        let p = &self.params;
        let along = (self.frequency_hz - p.frequency_min_hz) / (p.frequency_max_hz - p.frequency_min_hz);
        p.levelled_low_dbm + along * (p.levelled_high_dbm - p.levelled_low_dbm)
    }

    /// What really leaves the connector, dBm, with the error of the levelling; `None` if the
    /// output is off or has dropped out.
    pub fn emitted_dbm(&self) -> Option<f64> {
        if !self.output || self.dropped || self.forced {
            return None;
        }
        let error_db = ripple_db(&self.params.flatness, self.frequency_hz, 0.0);
        Some(self.level_dbm.min(self.levelled_dbm()) + error_db)
    }

    /// Fault: the output is missing until this is called with `false`, apart from the drop-outs
    /// that come by themselves.
    pub fn force_dropout(&mut self, missing: bool) {
        self.forced = missing;
    }

    /// Lets `dt_s` pass: drop-outs begin and end.
    pub fn advance(&mut self, dt_s: f64, rng: &mut ChaCha8Rng) {
        if self.params.dropouts_per_h == 0.0 {
            return;
        }
        let mut left_s = passed_s(dt_s);
        loop {
            let change_s = match self.until_change_s {
                Some(time_s) => time_s,
                None => self.draw_s(rng),
            };
            if change_s > left_s {
                self.until_change_s = Some(change_s - left_s);
                return;
            }
            left_s -= change_s;
            self.dropped = !self.dropped;
            self.until_change_s = None;
        }
    }

    fn draw_s(&self, rng: &mut ChaCha8Rng) -> f64 {
        let mean_s =
            if self.dropped { self.params.dropout_mean_s } else { 3600.0 / self.params.dropouts_per_h };
        let unit: f64 = Exp1.sample(rng);
        mean_s * unit
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::examples::Example;
    use rand::SeedableRng;

    #[test]
    fn limits_are_kept() {
        let mut source = RfSource::new(RfSourceParams::example());
        assert!(matches!(source.set_frequency(41e9), Err(RfError::Frequency { .. })));
        assert!(source.set_frequency(f64::NAN).is_err());
        assert!(matches!(source.set_level(25.0), Err(RfError::Level { .. })));
        source.set_level(-12.3456).unwrap();
        assert!((source.level_dbm() + 12.35).abs() < 1e-9);
        assert_eq!(source.emitted_dbm(), None);
        source.set_output(true);
        assert!(source.emitted_dbm().is_some());
        source.force_dropout(true);
        assert_eq!(source.emitted_dbm(), None);
        assert!(source.output());
    }

    #[test]
    fn too_much_is_not_held_at_the_top() {
        let mut params = RfSourceParams::example();
        params.flatness.clear();
        let mut source = RfSource::new(params);
        source.set_output(true);
        source.set_level(20.0).unwrap();
        assert!((source.emitted_dbm().unwrap() - 20.0).abs() < 1e-12);
        source.set_frequency(40e9).unwrap();
        assert!((source.emitted_dbm().unwrap() - 16.0).abs() < 1e-12);
    }

    #[test]
    fn dropouts_do_not_depend_on_who_looks() {
        let params =
            RfSourceParams { dropouts_per_h: 6.0, dropout_mean_s: 60.0, ..RfSourceParams::example() };
        let (mut often, mut rarely) = (RfSource::new(params.clone()), RfSource::new(params));
        often.set_output(true);
        rarely.set_output(true);
        let mut rng_often = ChaCha8Rng::seed_from_u64(11);
        let mut rng_rarely = ChaCha8Rng::seed_from_u64(11);
        for _ in 0..50 {
            for _ in 0..64 {
                often.advance(15.625, &mut rng_often);
            }
            rarely.advance(1000.0, &mut rng_rarely);
            assert_eq!(often.emitted_dbm(), rarely.emitted_dbm());
        }
    }

    #[test]
    fn faults_are_told_all_at_once() {
        let mut params = RfSourceParams::example();
        params.frequency_min_hz = 50e9;
        params.level_step_db = -1.0;
        params.dropout_mean_s = 0.0;
        assert_eq!(params.check().len(), 3);
    }
}
