//! The helium budget of a run, and when the refill is due.

use crate::analysis::forecast::{LevelUse, level_use};
use crate::bench::Bench;

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
    /// Loss since the last transfer, m³/s; none where too little was read.
    pub loss_m3_per_s: Option<f64>,
    /// When the last transfer ended, s.
    pub filled_at_s: Option<f64>,
    /// When the level reaches the mark at that loss, s from the start of the run.
    pub due_at_s: Option<f64>,
    /// Lost in the run, m³; transfers are not counted against it.
    pub used_m3: f64,
}

/// From readings of the level (s, m³) and the budget of the bench.
pub fn forecast(levels: &[(f64, f64)], bench: &Bench) -> Option<Helium> {
    let budget = bench.helium?;
    let (_, first) = *levels.first()?;
    let LevelUse { used, since, .. } = level_use(levels, budget.transfer_m3());
    let now = &levels[since..];
    let (last_t, last_read) = now[now.len() - 1];
    let line = straight(now);
    let last = line.map_or(last_read, |(mean_t, mean, slope)| mean + slope * (last_t - mean_t));
    let loss = line.map(|(_, _, slope)| -slope).filter(|loss| *loss > 0.0);
    let due = loss.map(|loss| last_t + (last - budget.refill_mark_m3) / loss).filter(|due| due.is_finite());
    Some(Helium {
        first_m3: first,
        last_m3: last,
        mark_m3: budget.refill_mark_m3,
        volume_m3: budget.volume_m3,
        loss_m3_per_s: loss,
        filled_at_s: (since > 0).then(|| now[0].0),
        due_at_s: due,
        used_m3: used,
    })
}

/// Mean time, mean level and slope by least squares; none below half an hour, which says nothing about a day.
fn straight(levels: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let (first, last) = (levels.first()?, levels.last()?);
    if levels.len() < 5 || last.0 - first.0 < 1800.0 {
        return None;
    }
    let n = levels.len() as f64;
    let mean_t = levels.iter().map(|l| l.0).sum::<f64>() / n;
    let mean = levels.iter().map(|l| l.1).sum::<f64>() / n;
    let tt: f64 = levels.iter().map(|l| (l.0 - mean_t).powi(2)).sum();
    let tl: f64 = levels.iter().map(|l| (l.0 - mean_t) * (l.1 - mean)).sum();
    Some((mean_t, mean, tl / tt))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bath that loses 1 L/h.
    fn falling(from_s: f64, hours: usize, level_l: f64) -> Vec<(f64, f64)> {
        (0..=hours * 60).map(|m| (from_s + m as f64 * 60.0, (level_l - m as f64 / 60.0) * 1e-3)).collect()
    }

    #[test]
    fn the_refill_is_due_when_the_straight_line_meets_the_mark() {
        // 40 L, 1 L/h, mark at 10 L: 30 h after the start.
        let helium = forecast(&falling(0.0, 8, 40.0), &crate::bench::builtin()).unwrap();
        assert!((helium.due_at_s.unwrap() - 30.0 * 3600.0).abs() < 1.0, "{helium:?}");
        assert!((helium.used_m3 - 8e-3).abs() < 1e-5);
        assert_eq!(helium.filled_at_s, None);
    }

    #[test]
    fn a_transfer_begins_a_new_count() {
        let mut levels = falling(0.0, 4, 20.0);
        levels.extend(falling(5.0 * 3600.0, 3, 65.0));
        let helium = forecast(&levels, &crate::bench::builtin()).unwrap();
        assert_eq!(helium.filled_at_s, Some(5.0 * 3600.0));
        assert!((helium.due_at_s.unwrap() - 60.0 * 3600.0).abs() < 1.0, "{helium:?}");
        assert!((helium.used_m3 - 7e-3).abs() < 1e-5, "{helium:?}");
    }

    #[test]
    fn a_few_minutes_give_no_forecast_and_a_rising_level_none_either() {
        let bench = crate::bench::builtin();
        assert_eq!(forecast(&falling(0.0, 0, 40.0), &bench).unwrap().due_at_s, None);
        let rising: Vec<_> = falling(0.0, 2, 40.0).into_iter().map(|(t, l)| (t, 0.08 - l)).collect();
        assert_eq!(forecast(&rising, &bench).unwrap().due_at_s, None);
        assert_eq!(forecast(&[], &bench), None);
    }
}
