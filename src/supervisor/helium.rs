//! The level of the helium as the run itself has read it, and what it will be.

use crate::analysis::forecast::{level_forecast, student_95};
use crate::quantity::Moment;
use crate::record::HeliumOutlook;
use std::collections::VecDeque;

/// Readings are kept so far apart, s: closer ones say nothing new about a bath.
const APART_S: f64 = 60.0;
/// Readings older than this say little about the loss of now, s.
const KEPT_S: f64 = 6.0 * 3600.0;
/// No forecast from a shorter time, s.
const LEAST_S: f64 = 1800.0;
/// No forecast from fewer readings.
const LEAST_READINGS: usize = 20;
/// A bend of so many of its standard errors means that the loss has changed.
const BENT: f64 = 3.0;

/// Readings of the level since the last transfer.
#[derive(Debug, Default)]
pub struct HeliumLog {
    readings: VecDeque<(f64, f64)>,
    lowest_m3: f64,
}

impl HeliumLog {
    /// A reading has come.
    pub fn note(&mut self, now: Moment, level_m3: f64, transfer_m3: f64) {
        if self.readings.is_empty() || level_m3 > self.lowest_m3 + transfer_m3 {
            self.readings.clear();
            self.lowest_m3 = level_m3;
        }
        self.lowest_m3 = self.lowest_m3.min(level_m3);
        if self.readings.back().is_none_or(|(at_s, _)| now.s() - at_s >= APART_S) {
            self.readings.push_back((now.s(), level_m3));
        }
        while self.readings.front().is_some_and(|(at_s, _)| now.s() - at_s > KEPT_S) {
            self.readings.pop_front();
        }
    }

    /// A transfer is over: the level before it says nothing about the time after it.
    pub fn forget(&mut self) {
        self.readings.clear();
    }

    /// What will be left above a mark, by a straight line through the readings; by the last level alone while there
    /// are too few. Where the loss has changed, only the later readings count.
    pub fn outlook(&self, now: Moment, level_m3: f64, mark_m3: f64) -> HeliumOutlook {
        let alone = HeliumOutlook { left_m3: level_m3 - mark_m3, ..HeliumOutlook::default() };
        let (times, levels): (Vec<f64>, Vec<f64>) = self.readings.iter().copied().unzip();
        let mut from = 0;
        loop {
            let (times, levels) = (&times[from..], &levels[from..]);
            let over_s = times.last().zip(times.first()).map_or(0.0, |(last, first)| last - first);
            if times.len() < LEAST_READINGS || over_s < LEAST_S {
                return alone;
            }
            let Ok(line) = level_forecast(times, levels) else { return alone };
            let later = times.len() / 2;
            let enough = later >= LEAST_READINGS && over_s >= 2.0 * LEAST_S + APART_S;
            if line.bend.abs() > BENT && enough {
                from += times.len() - later;
                continue;
            }
            let count = times.len() as f64;
            let mean_s = times.iter().sum::<f64>() / count;
            return HeliumOutlook {
                left_m3: line.at(now.s()).0 - mark_m3,
                rate_m3_per_s: line.rate,
                rate_error_m3_per_s: line.rate_error,
                mean_error_m3: line.scatter / count.sqrt(),
                ahead_s: now.s() - mean_s,
                quantile: student_95(times.len() - 2),
                readings: times.len() as u64,
                over_s,
            };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TRANSFER_M3: f64 = 3.5e-3;
    const MARK_M3: f64 = 0.01;

    /// A gauge that shows steps of 0.1 L, read every 20 s.
    fn read(log: &mut HeliumLog, from_s: f64, for_s: f64, level: impl Fn(f64) -> f64) -> f64 {
        let mut t = from_s;
        while t < from_s + for_s {
            let wobble = 0.08e-3 * ((t * 0.7129).sin() + (t * 0.2911).cos());
            let shown = ((level(t) + wobble) * 1e4).round() * 1e-4;
            log.note(Moment::from_s(t), shown, TRANSFER_M3);
            t += 20.0;
        }
        t
    }

    #[test]
    fn the_band_holds_the_truth_and_widens() {
        let mut log = HeliumLog::default();
        let level = |t: f64| 0.030 - 0.7e-3 / 3600.0 * t;
        let now_s = read(&mut log, 0.0, 2.0 * 3600.0, level);
        let outlook = log.outlook(Moment::from_s(now_s), level(now_s), MARK_M3);
        assert!(outlook.is_forecast() && outlook.readings >= 115, "{outlook:?}");
        for ahead_s in [0.0, 3600.0, 8.0 * 3600.0] {
            let (by_line, least) = outlook.after(ahead_s);
            let truth = level(now_s + ahead_s) - MARK_M3;
            assert!((by_line - truth).abs() <= by_line - least, "{ahead_s}: {by_line} ≥ {least}, {truth}");
        }
        let width = |s: f64| outlook.after(s).0 - outlook.after(s).1;
        assert!(width(8.0 * 3600.0) > 2.0 * width(0.0) && width(0.0) > 0.0);
    }

    #[test]
    fn a_quarter_of_an_hour_gives_no_forecast() {
        let mut log = HeliumLog::default();
        let now_s = read(&mut log, 0.0, 900.0, |_| 0.03);
        let outlook = log.outlook(Moment::from_s(now_s), 0.0301, MARK_M3);
        assert!(!outlook.is_forecast());
        assert_eq!(outlook.after(3600.0), (0.0301 - MARK_M3, 0.0301 - MARK_M3));
    }

    #[test]
    fn a_transfer_and_a_change_of_the_loss_begin_anew() {
        let mut log = HeliumLog::default();
        let mut now_s = read(&mut log, 0.0, 3.0 * 3600.0, |_| 0.020);
        now_s = read(&mut log, now_s, 3600.0, |_| 0.060);
        assert!(log.outlook(Moment::from_s(now_s), 0.06, MARK_M3).over_s <= 3600.0);
        // A leak: 3 L/h more from here on.
        let leak_from_s = now_s;
        let level = |t: f64| 0.060 - 3e-3 / 3600.0 * (t - leak_from_s);
        now_s = read(&mut log, now_s, 2.0 * 3600.0, level);
        let outlook = log.outlook(Moment::from_s(now_s), level(now_s), MARK_M3);
        let loss_l_h = -outlook.rate_m3_per_s * 3.6e6;
        assert!((loss_l_h - 3.0).abs() < 0.3, "{loss_l_h} L/h, {outlook:?}");
    }
}
