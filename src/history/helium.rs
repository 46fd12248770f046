//! The helium level of a run, with its transfers.

use crate::analysis::forecast::{
    self, LevelForecast, LevelUse, latest_change, level_forecast, level_use, student_95,
};
use crate::bench::Bench;
use crate::quantity::TimePoint;
use crate::record::HeliumOutlook;

/// The level as it was recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Name of the channel.
    pub channel: String,
    /// A rise by more is a transfer, m³.
    pub transfer_m3: f64,
    /// Level at which a refill is due, m³.
    pub limit_m3: f64,
    /// Readings: s, m³.
    pub readings: Vec<(f64, f64)>,
    /// Readings of the holds in which helium was transferred: the first one in it, and the first one after it once it
    /// is over.
    transfers: Vec<(usize, Option<usize>)>,
}

/// Readings are kept so far apart, s: closer ones say nothing new about a bath.
const APART_S: f64 = 50.0;
/// Readings older than this say little about the loss of now, s.
const KEPT_S: f64 = 6.0 * 3600.0;
/// No forecast from a shorter time, s.
const LEAST_S: f64 = 1800.0;
/// No forecast from fewer readings.
const LEAST_READINGS: usize = 20;
/// A bend of so many of its standard errors means that the loss may have changed.
const BENT: f64 = 3.0;
/// Readings after a change that are enough for a forecast.
const AFTER_CHANGE: usize = 8;

impl Level {
    /// Of a bench that has a budget.
    pub fn of(bench: &Bench) -> Option<Self> {
        let budget = bench.helium?;
        Some(Self {
            channel: bench.channel(budget.channel).name.clone(),
            transfer_m3: budget.transfer_m3(),
            limit_m3: budget.refill_limit_m3,
            readings: Vec::new(),
            transfers: Vec::new(),
        })
    }

    /// A reading has come.
    pub fn note(&mut self, at_s: f64, level_m3: f64) {
        let apart = self.readings.last().is_none_or(|(last_s, _)| at_s - last_s >= APART_S);
        if level_m3.is_finite() && apart {
            self.readings.push((at_s, level_m3));
        }
    }

    /// The run is held so that helium can be transferred.
    pub fn transfer_begins(&mut self) {
        if self.transfers.last().is_none_or(|(_, after)| after.is_some()) {
            self.transfers.push((self.readings.len(), None));
        }
    }

    /// A transfer is over: the level before it says nothing about the time after it, however little came in.
    pub fn transfer_ends(&mut self) {
        if let Some((_, after @ None)) = self.transfers.last_mut() {
            *after = Some(self.readings.len());
        }
    }

    /// Holds in which helium was transferred.
    pub fn transfers(&self) -> usize {
        self.transfers.len()
    }

    /// The readings since the last transfer.
    pub fn since_transfer(&self) -> &[(f64, f64)] {
        &self.readings[self.used().since..]
    }

    /// The straight line through the readings that tell the loss of now, and those readings; none while there are
    /// too few. Where the loss has changed, by a leak, a ramp or a warm-up, only the later ones count.
    pub fn line(&self) -> Option<(LevelForecast, &[(f64, f64)])> {
        let mut readings = self.since_transfer();
        let (last_s, _) = *readings.last()?;
        let recent = readings.iter().position(|(at_s, _)| last_s - at_s <= KEPT_S).unwrap_or(0);
        readings = &readings[recent..];
        let (mut least, mut least_s) = (LEAST_READINGS, LEAST_S);
        loop {
            let over_s = readings.last()?.0 - readings.first()?.0;
            if readings.len() < least || over_s < least_s {
                return None;
            }
            let (times, levels): (Vec<f64>, Vec<f64>) = readings.iter().copied().unzip();
            let line = level_forecast(&times, &levels).ok()?;
            let change = if line.bend.abs() > BENT { latest_change(&times, &levels) } else { None };
            let later = change.map(|knot| &readings[knot..]);
            match later.filter(|later| later.len() >= AFTER_CHANGE && later.len() < readings.len()) {
                // A change shows itself by being large, so fewer readings tell what it is.
                Some(later) => (readings, least, least_s) = (later, AFTER_CHANGE, 0.0),
                None => return Some((line, readings)),
            }
        }
    }

    /// What will be left above the refill limit, by that line; by the last level alone while there is none.
    pub fn outlook(&self, now: TimePoint, level_m3: f64) -> HeliumOutlook {
        let Some((line, readings)) = self.line() else {
            return HeliumOutlook { left_m3: level_m3 - self.limit_m3, ..HeliumOutlook::default() };
        };
        let count = readings.len() as f64;
        let mean_s = readings.iter().map(|(at_s, _)| at_s).sum::<f64>() / count;
        HeliumOutlook {
            left_m3: line.at(now.s()).0 - self.limit_m3,
            rate_m3_per_s: line.rate,
            rate_error_m3_per_s: line.rate_error,
            mean_error_m3: line.scatter / count.sqrt(),
            ahead_s: now.s() - mean_s,
            quantile: student_95(readings.len() - 2),
            readings: readings.len() as u64,
            over_s: readings[readings.len() - 1].0 - readings[0].0,
        }
    }

    /// When the refill is due by that line, with its bounds, s from the start of the run; none while that is not
    /// known, or while nothing is lost.
    pub fn due(&self) -> Option<forecast::Crossing> {
        let (line, _) = self.line().filter(|(line, _)| line.rate < 0.0)?;
        line.reaches(self.limit_m3).ok()
    }

    /// What the readings add up to, m³; what was filled in does not count against it.
    pub fn used(&self) -> LevelUse {
        level_use(&self.readings, self.transfer_m3, &self.transfers)
    }

    /// Helium used in words. The error of a difference of two readings comes from how readings scatter that follow
    /// each other; what is not above twice that was not measured.
    pub fn used_in_words(&self) -> String {
        let found = self.used();
        let (used_l, filled_l) = (found.used * 1e3, found.filled * 1e3);
        let steps = self.readings.windows(2).map(|pair| (pair[1].1 - pair[0].1) * 1e3);
        // A litre at once is a transfer, not the scatter of a gauge.
        let steps: Vec<f64> = steps.filter(|step| step.abs() < 1.0).collect();
        let squares: f64 = steps.iter().map(|step| step * step).sum();
        let error_l = if steps.len() < 3 { 0.0 } else { (squares / steps.len() as f64).sqrt() };
        let mut words = if used_l > 2.0 * error_l {
            format!("{used_l:.2} L used")
        } else {
            "no use that could be measured".to_owned()
        };
        if filled_l > 0.0 {
            words += &format!(", {filled_l:.1} L filled in");
        }
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn helium_below_its_error_is_no_use() {
        let used = |readings: &[f64]| {
            let mut level = Level::of(&crate::bench::builtin()).unwrap();
            for (minute, litres) in readings.iter().enumerate() {
                level.note(60.0 * minute as f64, litres * 1e-3);
            }
            level.used_in_words()
        };
        let nothing = "no use that could be measured";
        assert_eq!(used(&[58.0, 58.1]), nothing);
        assert_eq!(used(&[58.1, 58.0, 58.1, 58.0, 58.1, 58.0]), nothing);
        assert_eq!(used(&[58.1, 57.9, 58.0, 57.6, 57.5, 57.1]), "1.00 L used");
        assert_eq!(used(&[58.1, 58.0, 78.0, 77.9, 77.9]), "0.27 L used, 20.1 L filled in");
    }

    const LIMIT_M3: f64 = 0.01;

    /// A gauge that shows steps of 0.1 L, read every 20 s.
    fn read(log: &mut Level, from_s: f64, for_s: f64, level: impl Fn(f64) -> f64) -> f64 {
        let mut t = from_s;
        while t < from_s + for_s {
            let wobble = 0.08e-3 * ((t * 0.7129).sin() + (t * 0.2911).cos());
            let shown = ((level(t) + wobble) * 1e4).round() * 1e-4;
            log.note(t, shown);
            t += 20.0;
        }
        t
    }

    #[test]
    fn the_band_holds_the_truth_and_widens() {
        let mut log = Level::of(&crate::bench::builtin()).unwrap();
        let level = |t: f64| 0.030 - 0.7e-3 / 3600.0 * t;
        let now_s = read(&mut log, 0.0, 2.0 * 3600.0, level);
        let outlook = log.outlook(TimePoint::from_s(now_s), level(now_s));
        assert!(outlook.is_forecast() && outlook.readings >= 115, "{outlook:?}");
        for ahead_s in [0.0, 3600.0, 8.0 * 3600.0] {
            let (by_line, least) = outlook.after(ahead_s);
            let truth = level(now_s + ahead_s) - LIMIT_M3;
            assert!((by_line - truth).abs() <= by_line - least, "{ahead_s}: {by_line} ≥ {least}, {truth}");
        }
        let width = |s: f64| outlook.after(s).0 - outlook.after(s).1;
        assert!(width(8.0 * 3600.0) > 2.0 * width(0.0) && width(0.0) > 0.0);
    }

    #[test]
    fn a_quarter_of_an_hour_gives_no_forecast() {
        let mut log = Level::of(&crate::bench::builtin()).unwrap();
        let now_s = read(&mut log, 0.0, 900.0, |_| 0.03);
        let outlook = log.outlook(TimePoint::from_s(now_s), 0.0301);
        assert!(!outlook.is_forecast());
        assert_eq!(outlook.after(3600.0), (0.0301 - LIMIT_M3, 0.0301 - LIMIT_M3));
    }

    #[test]
    fn a_transfer_and_a_change_of_the_loss_begin_anew() {
        let mut log = Level::of(&crate::bench::builtin()).unwrap();
        let mut now_s = read(&mut log, 0.0, 3.0 * 3600.0, |_| 0.020);
        now_s = read(&mut log, now_s, 3600.0, |_| 0.060);
        assert!(log.outlook(TimePoint::from_s(now_s), 0.06).over_s <= 3600.0);
        // A leak: 3 L/h more from here on.
        let leak_from_s = now_s;
        let level = |t: f64| 0.060 - 3e-3 / 3600.0 * (t - leak_from_s);
        now_s = read(&mut log, now_s, 2.0 * 3600.0, level);
        let outlook = log.outlook(TimePoint::from_s(now_s), level(now_s));
        let loss_l_h = -outlook.rate_m3_per_s * 3.6e6;
        assert!((loss_l_h - 3.0).abs() < 0.3, "{loss_l_h} L/h, {outlook:?}");
    }

    #[test]
    fn a_leak_is_foretold_within_a_tenth_after_twenty_minutes() {
        for leak_l_h in [3.0, 6.0, 12.0, 30.0] {
            let mut log = Level::of(&crate::bench::builtin()).unwrap();
            let before = |t: f64| 0.050 - 0.7e-3 / 3600.0 * t;
            let begins_s = read(&mut log, 0.0, 8.0 * 3600.0, before);
            let level = |t: f64| before(t) - leak_l_h * 1e-3 / 3600.0 * (t - begins_s);
            let now_s = read(&mut log, begins_s, 1200.0, level);
            let loss_m3_s = (0.7 + leak_l_h) * 1e-3 / 3600.0;
            let due_in_s = (level(now_s) - LIMIT_M3) / loss_m3_s;
            let told_s = log.due().unwrap().at_s - now_s;
            assert!((told_s / due_in_s - 1.0).abs() < 0.1, "{leak_l_h} L/h: {told_s} s for {due_in_s} s");
        }
    }
}
