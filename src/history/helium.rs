//! The helium level of a run, with its transfers.

use crate::analysis::forecast::{LevelUse, level_use};
use crate::bench::Bench;

/// The level as it was recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Name of the channel.
    pub channel: String,
    /// A rise by more is a transfer, m³.
    pub transfer_m3: f64,
    /// Level at which a refill is due, m³.
    pub mark_m3: f64,
    /// Readings: s, m³.
    pub readings: Vec<(f64, f64)>,
}

impl Level {
    /// Of a bench that has a budget.
    pub fn of(bench: &Bench) -> Option<Self> {
        let budget = bench.helium?;
        Some(Self {
            channel: bench.channel(budget.channel).name.clone(),
            transfer_m3: budget.transfer_m3(),
            mark_m3: budget.refill_mark_m3,
            readings: Vec::new(),
        })
    }

    pub(super) fn note(&mut self, at_s: f64, level_m3: f64) {
        if level_m3.is_finite() {
            self.readings.push((at_s, level_m3));
        }
    }

    /// What the readings add up to, m³; what was filled in does not count against it.
    pub fn used(&self) -> LevelUse {
        level_use(&self.readings, self.transfer_m3)
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
        assert_eq!(used(&[58.1, 58.0, 78.0, 77.9, 77.9]), "0.20 L used, 20.0 L filled in");
    }
}
