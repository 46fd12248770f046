//! The helium budget of a run, and when the refill is due.

use crate::bench::Bench;
use crate::history::Level;

/// What is known of the helium.
#[derive(Debug, Clone, PartialEq)]
pub struct Helium {
    /// Level at the start, m³.
    pub first_m3: f64,
    /// Level at the end, m³, by the straight line through the readings since the last transfer.
    pub last_m3: f64,
    /// Level at which a refill is due, m³.
    pub mark_m3: f64,
    /// Full bath, m³.
    pub volume_m3: f64,
    /// What was used and filled in since the start, in words.
    pub used: String,
    /// Loss since the last transfer, m³/s; none where too little was read.
    pub loss_m3_per_s: Option<f64>,
    /// When the last transfer ended, s.
    pub filled_at_s: Option<f64>,
    /// When the level reaches the mark at that loss, s from the start of the run.
    pub due_at_s: Option<f64>,
}

/// What the recorded level of a run tells.
pub fn forecast(level: &Level, bench: &Bench) -> Option<Helium> {
    let budget = bench.helium?;
    let (_, first) = *level.readings.first()?;
    let now = level.since_transfer();
    let (last_s, last_read) = *now.last()?;
    let line = level.line().map(|(line, _)| line);
    Some(Helium {
        first_m3: first,
        last_m3: line.map_or(last_read, |line| line.at(last_s).0),
        mark_m3: budget.refill_mark_m3,
        volume_m3: budget.volume_m3,
        used: level.used_in_words(),
        loss_m3_per_s: line.map(|line| -line.rate).filter(|loss| *loss > 0.0),
        filled_at_s: (now.len() < level.readings.len()).then(|| now[0].0),
        due_at_s: level.due().map(|due| due.at_s),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(levels: &[(f64, f64)]) -> Option<Helium> {
        let bench = crate::bench::builtin();
        let mut level = Level::of(&bench).unwrap();
        levels.iter().for_each(|(at_s, m3)| level.note(*at_s, *m3));
        forecast(&level, &bench)
    }

    /// A bath that loses 1 L/h.
    fn falling(from_s: f64, hours: usize, level_l: f64) -> Vec<(f64, f64)> {
        (0..=hours * 60).map(|m| (from_s + m as f64 * 60.0, (level_l - m as f64 / 60.0) * 1e-3)).collect()
    }

    #[test]
    fn the_refill_is_due_when_the_straight_line_meets_the_mark() {
        // 40 L, 1 L/h, mark at 10 L: 30 h after the start.
        let helium = told(&falling(0.0, 8, 40.0)).unwrap();
        assert!((helium.due_at_s.unwrap() - 30.0 * 3600.0).abs() < 1.0, "{helium:?}");
        assert_eq!(helium.filled_at_s, None);
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
