//! Time left of a sequence from its own progress.

use serde::Serialize;

use super::student_95;
use crate::analysis::realness::{Unusable, at_least, finite};

/// Time left of a sequence.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Progress {
    /// Steps still to do.
    pub steps_left: usize,
    /// Mean time of a step, s.
    pub step_s: f64,
    /// Time left, s.
    pub left_s: f64,
    /// Lower end at 95 %, s.
    pub at_least_s: f64,
    /// Upper end at 95 %, s.
    pub at_most_s: f64,
    /// Whether the last third of the steps was certainly slower or faster than those before; then only
    /// the last third counts.
    pub pace_changed: bool,
}

/// Estimates the time left from when steps ended.
///
/// `ended_s` are the rising times at which the start (first) and every finished step ended; `total` is the number of
/// steps in all. The time left is the sum of as many more draws of the same spread, with the uncertainty of the
/// mean pace itself: variance `r s² + r² s²/n` for r steps left after n (common practice).
///
/// # Errors
/// Refuses fewer than two finished steps, unusable numbers, times that fall, and more steps done than there are.
///
/// ```
/// use noctule::analysis::forecast::progress;
/// let ended: Vec<f64> = (0..=10).map(|i| 60.0 * i as f64 + (i % 2) as f64).collect();
/// let left = progress(&ended, 40).unwrap();
/// assert_eq!(left.steps_left, 30);
/// assert!((left.left_s - 1800.0).abs() < 20.0 && left.at_least_s < left.left_s);
/// ```
pub fn progress(ended_s: &[f64], total: usize) -> Result<Progress, Unusable> {
    at_least(ended_s.len(), 3, "step ends")?;
    finite(ended_s, "times")?;
    let steps: Vec<f64> = ended_s.windows(2).map(|w| w[1] - w[0]).collect();
    if let Some(&value) = steps.iter().find(|d| **d < 0.0) {
        return Err(Unusable::OutOfRange {
            what: "The time of a step",
            value,
            range: "the numbers from zero",
        });
    }
    if steps.len() > total {
        let value = total as f64;
        return Err(Unusable::OutOfRange {
            what: "The number of steps",
            value,
            range: "the steps done and above",
        });
    }
    let (early, late) = steps.split_at(steps.len() - steps.len() / 3);
    let (a, b) = (mean_and_variance(early), mean_and_variance(late));
    let pace_changed = late.len() >= 4
        && (a.0 - b.0).abs() > 4.0 * (a.1 / early.len() as f64 + b.1 / late.len() as f64).sqrt()
        && (a.0 - b.0).abs() > 0.05 * a.0;
    let used = if pace_changed { late } else { &steps };
    let (step_s, variance) = mean_and_variance(used);
    let (n, r) = (used.len() as f64, (total - steps.len()) as f64);
    let half = student_95(used.len() - 1) * (r * variance + r * r * variance / n).sqrt();
    let left_s = r * step_s;
    Ok(Progress {
        steps_left: total - steps.len(),
        step_s,
        left_s,
        at_least_s: (left_s - half).max(0.0),
        at_most_s: left_s + half,
        pace_changed,
    })
}

fn mean_and_variance(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n.max(1.0);
    (mean, values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slower_pace_is_noticed() {
        let mut t = 0.0;
        let mut ended = vec![0.0];
        for i in 0..30 {
            t += if i < 18 { 10.0 } else { 25.0 } + 0.1 * f64::from(i % 3);
            ended.push(t);
        }
        let left = progress(&ended, 40).unwrap();
        assert!(left.pace_changed && (left.left_s - 251.0).abs() < 3.0, "{left:?}");
    }

    #[test]
    fn nothing_left_takes_no_time() {
        assert_eq!(progress(&[0.0, 1.0, 2.0], 2).unwrap().at_most_s, 0.0);
    }
}
