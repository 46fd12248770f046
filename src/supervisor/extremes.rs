//! Which readings go into the record beside the regular ones: those that leave what a channel usually shows. So a burst
//! between two regular readings is in the record, with its own time, and a gauge that only scatters costs nothing.

/// Regular readings that say what is usual.
const USUAL: usize = 16;
/// A reading this far outside of what is usual is recorded at once, in widths of it …
const WIDTHS: f64 = 1.0;
/// … but at least this part of the reading: a gauge that shows the same number for long is no reason.
const LEAST_PART: f64 = 0.01;
/// Until so many regular readings have shown how a channel scatters, only what differs by this part is recorded at once.
const KNOWN: usize = 6;
const PART_BEFORE: f64 = 0.5;
/// A further one is recorded where it lies farther out by this part.
const FARTHER: f64 = 0.1;

/// What a channel usually shows, and how far it has been outside since the last regular reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Extremes {
    usual: [f64; USUAL],
    count: usize,
    lowest: f64,
    highest: f64,
}

impl Default for Extremes {
    fn default() -> Self {
        Self { usual: [0.0; USUAL], count: 0, lowest: 0.0, highest: 0.0 }
    }
}

impl Extremes {
    /// Whether a reading is to be recorded; `due`: it is a regular one, and recorded anyway.
    pub fn is_new(&mut self, value: f64, due: bool) -> bool {
        if !value.is_finite() {
            return due;
        }
        let filled = self.count.min(USUAL);
        let (low, high) = self.usual[..filled]
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)));
        if due {
            self.usual[self.count % USUAL] = value;
            self.count += 1;
            // From here on it is counted anew how far it goes outside.
            (self.lowest, self.highest) = (low.min(value), high.max(value));
            return true;
        }
        if filled == 0 {
            return false;
        }
        let part = if filled < KNOWN { PART_BEFORE } else { LEAST_PART };
        let margin = (WIDTHS * (high - low)).max(part * low.abs().max(high.abs()));
        let further = |edge: f64, reached: f64| margin.max(FARTHER * (reached - edge).abs());
        let above = value > high + margin && value > self.highest + further(high, self.highest);
        let below = value < low - margin && value < self.lowest - further(low, self.lowest);
        if above {
            self.highest = value;
        }
        if below {
            self.lowest = value;
        }
        above || below
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings twice a second, one in a hundred and twenty a regular one; what was recorded beside those.
    fn recorded(readings: impl Iterator<Item = f64>) -> Vec<f64> {
        let mut extremes = Extremes::default();
        let all = readings.enumerate();
        all.filter(|(i, value)| {
            let due = i % 120 == 0;
            extremes.is_new(*value, due) && !due
        })
        .map(|(_, value)| value)
        .collect()
    }

    #[test]
    fn a_burst_between_two_regular_readings_is_recorded_to_its_top() {
        let scatter = |i: u32| 5e-11 * (1.0 + 0.05 * f64::from(i * 7919 % 101) / 101.0);
        let burst = |i: u32| {
            scatter(i) + if (6010..6050).contains(&i) { 2.5e-8 * f64::from(i - 6009) / 40.0 } else { 0.0 }
        };
        let found = recorded((0..10_000).map(burst));
        let top = found.iter().copied().fold(0.0, f64::max);
        assert!(top > 0.9 * 2.5e-8 && found.len() < 40, "{found:?}");
    }

    #[test]
    fn what_only_scatters_drifts_or_stands_costs_little() {
        let noise = |i: u32| 1e-11 + 1e-13 * (f64::from(i * 7919 % 1009) / 1009.0 - 0.5);
        let after_a_while = |readings: Vec<f64>| readings.len();
        assert!(after_a_while(recorded((0..50_000).map(noise))) < 30);
        assert_eq!(recorded((0..50_000).map(|i| 0.05 - 1e-9 * f64::from(i))), Vec::<f64>::new());
        assert_eq!(recorded((0..50_000).map(|_| 0.3)), Vec::<f64>::new());
        assert_eq!(recorded([f64::NAN, 1.0, f64::NAN].into_iter()), Vec::<f64>::new());
    }
}
