//! The helium of a run now, and when the refill is due.

use super::{Part, Weight, ahead};
use crate::bench::Bench;
use crate::history::{Clock, Level};
use crate::quantity::significant;
use serde::Serialize;

/// What is known of the helium.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HeliumNow {
    /// Level at the start, m³.
    pub first_m3: f64,
    /// Level at the end, m³, by the straight line through the readings that tell the loss of now.
    pub last_m3: f64,
    /// Level at which a refill is due, m³.
    pub limit_m3: f64,
    /// Full bath, m³.
    pub volume_m3: f64,
    /// What was used and filled in since the start, in words.
    pub used: String,
    /// Loss now, m³/s: since the last transfer, and since it last changed; none where too little was read.
    pub loss_m3_per_s: Option<f64>,
    /// Its standard error, m³/s.
    pub loss_error_m3_per_s: Option<f64>,
    /// When the last transfer ended, s.
    pub filled_at_s: Option<f64>,
    /// When the level reaches the limit at that loss, s from the start of the run.
    pub due_at_s: Option<f64>,
    /// The earliest it may be at 95 %, s.
    pub due_from_s: Option<f64>,
    /// The end of what is known of the run, s.
    pub end_s: f64,
}

/// A refill that is due within this time is looked after now, s.
const SOON_S: f64 = 12.0 * 3600.0;

/// A bath that would be empty in so short a time loses its helium fast, s.
const FAST_S: f64 = 86_400.0;

impl HeliumNow {
    /// What the recorded level of a run tells at a moment.
    pub fn of(level: &Level, bench: &Bench, end_s: f64) -> Option<Self> {
        let budget = bench.helium?;
        let (_, first) = *level.readings.first()?;
        let now = level.since_transfer();
        let (last_s, last_read) = *now.last()?;
        let line = level.line().map(|(line, _)| line);
        let due = level.due();
        Some(Self {
            first_m3: first,
            last_m3: line.map_or(last_read, |line| line.at(last_s).0),
            limit_m3: budget.refill_limit_m3,
            volume_m3: budget.volume_m3,
            used: level.used_in_words(),
            loss_m3_per_s: line.map(|line| -line.rate).filter(|loss| *loss > 0.0),
            loss_error_m3_per_s: line.filter(|line| line.rate < 0.0).map(|line| line.rate_error),
            filled_at_s: (now.len() < level.readings.len()).then(|| now[0].0),
            due_at_s: due.map(|due| due.at_s),
            due_from_s: due.map(|due| due.earliest_s),
            end_s,
        })
    }

    /// Whether the level is at the limit or below it.
    pub fn is_short(&self) -> bool {
        self.last_m3 <= self.limit_m3
    }

    /// The loss for people, where so much is lost that a full bath would not last a day, which a cryostat in order does not
    /// do.
    pub fn lost_fast(&self, bench: &Bench) -> Option<String> {
        let loss = self.loss_m3_per_s.filter(|loss| loss * FAST_S > self.volume_m3)?;
        Some(format!("{} an hour", self.in_unit_of(bench, loss * 3600.0)))
    }

    /// The level for people.
    pub fn level(&self, bench: &Bench) -> String {
        self.in_unit_of(bench, self.last_m3)
    }

    /// Another level for people.
    pub fn in_unit_of(&self, bench: &Bench, m3: f64) -> String {
        let Some(budget) = bench.helium else { return String::new() };
        let unit = &bench.channel(budget.channel).unit;
        format!("{} {}", significant(unit.from_si(m3), 3), unit.text)
    }

    /// The loss for people, with its error: `0.71 ± 0.05 L an hour`.
    pub fn loss(&self, bench: &Bench) -> Option<String> {
        let unit = &bench.channel(bench.helium?.channel).unit;
        let per_hour = |m3_per_s: f64| unit.from_si(m3_per_s * 3600.0);
        let (loss, error) = (per_hour(self.loss_m3_per_s?), per_hour(self.loss_error_m3_per_s?));
        let number = if error > 0.0 && error < loss {
            crate::quantity::rounded(loss, error)
        } else {
            significant(loss, 2)
        };
        Some(format!("{number} {} an hour", unit.text))
    }

    /// When somebody is there next, s, where the refill is due before that.
    pub fn nobody_before(&self, bench: &Bench, clock: &Clock) -> Option<f64> {
        let attended = bench.helium?.attended?;
        let due_s = self.due_at_s?;
        let now = clock.minute_of_week(self.end_s)?;
        let wait = (0..7 * 1440).find(|minute| attended.is_there((now + minute) % (7 * 1440)))?;
        let there_s = self.end_s + 60.0 * f64::from(wait);
        (there_s > due_s).then_some(there_s)
    }

    /// Its part of the headline.
    pub fn part(&self, bench: &Bench, clock: &Clock) -> Part {
        let part = |weight, words| Part { about: "helium", weight, words };
        let fast = self.lost_fast(bench).map_or(String::new(), |loss| format!(" ({loss} are lost)"));
        if self.is_short() {
            return part(Weight::Wrong, format!("refill helium now: {} left{fast}", self.level(bench)));
        }
        let Some(due_s) = self.due_at_s else {
            return part(Weight::Good, format!("helium {}", self.level(bench)));
        };
        let words = format!("helium until {}{fast}", ahead(clock, due_s, self.end_s));
        if let Some(there_s) = self.nobody_before(bench, clock) {
            let there = ahead(clock, there_s, self.end_s);
            return part(Weight::Wrong, format!("{words}, and nobody is there before {there}"));
        }
        part(if due_s - self.end_s < SOON_S { Weight::Look } else { Weight::Good }, words)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(levels: &[(f64, f64)]) -> Option<HeliumNow> {
        let bench = crate::bench::builtin();
        let mut level = Level::of(&bench).unwrap();
        levels.iter().for_each(|(at_s, m3)| level.note(*at_s, *m3));
        let end_s = levels.last().map_or(0.0, |last| last.0);
        HeliumNow::of(&level, &bench, end_s)
    }

    /// A bath that loses 1 L/h.
    fn falling(from_s: f64, hours: usize, level_l: f64) -> Vec<(f64, f64)> {
        (0..=hours * 60).map(|m| (from_s + m as f64 * 60.0, (level_l - m as f64 / 60.0) * 1e-3)).collect()
    }

    #[test]
    fn the_refill_is_due_when_the_straight_line_meets_the_limit() {
        // 40 L, 1 L/h, limit at 10 L: 30 h after the start.
        let helium = told(&falling(0.0, 8, 40.0)).unwrap();
        assert!((helium.due_at_s.unwrap() - 30.0 * 3600.0).abs() < 1.0, "{helium:?}");
        assert_eq!(helium.filled_at_s, None);
    }

    #[test]
    fn the_alarm_is_told_where_nobody_comes_before_the_refill_is_due_and_nowhere_else() {
        // On a Friday evening, 1 L/h, due on Saturday at 18:00.
        let part = |attended: Option<&str>| {
            let mut bench = crate::bench::builtin();
            bench.helium.as_mut().unwrap().attended = attended.and_then(crate::bench::Attended::parse);
            let mut level = Level::of(&bench).unwrap();
            falling(0.0, 2, 30.0).into_iter().for_each(|(at_s, m3)| level.note(at_s, m3));
            let helium = HeliumNow::of(&level, &bench, 7200.0).unwrap();
            helium.part(&bench, &Clock::new(Some("2026-11-27T22:00:00Z"), None))
        };
        let alarm = part(Some("Mon-Fri 08:00-18:00"));
        assert_eq!(
            (alarm.weight, alarm.words.as_str()),
            (Weight::Wrong, "helium until 18:00, and nobody is there before Monday 08:00")
        );
        for hours in [Some("Mon-Sun 08:00-18:00"), Some("Sat-Sat 17:00-18:30"), None] {
            let usual = part(hours);
            assert_eq!(usual.words, "helium until 18:00", "{hours:?}");
            assert!(usual.weight < Weight::Wrong, "{hours:?}");
        }
    }

    #[test]
    fn a_transfer_begins_a_new_count() {
        let mut levels = falling(0.0, 4, 20.0);
        levels.extend(falling(5.0 * 3600.0, 3, 65.0));
        let helium = told(&levels).unwrap();
        assert_eq!(helium.filled_at_s, Some(5.0 * 3600.0));
        assert!((helium.due_at_s.unwrap() - 60.0 * 3600.0).abs() < 1.0, "{helium:?}");
    }

    #[test]
    fn a_few_minutes_give_no_forecast_and_a_rising_level_none_either() {
        assert_eq!(told(&falling(0.0, 0, 40.0)).unwrap().due_at_s, None);
        let rising: Vec<_> = falling(0.0, 2, 40.0).into_iter().map(|(t, l)| (t, 0.08 - l)).collect();
        assert_eq!(told(&rising).unwrap().due_at_s, None);
        assert_eq!(told(&[]), None);
    }
}
