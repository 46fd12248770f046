//! How much faster or slower a run is than its rehearsal, and what that makes of the time left.

use crate::analysis::forecast::student_95;

/// Part of the whole that counts as evidence for the rehearsal's own pace before the run has shown its own.
const PRIOR_PART: f64 = 0.02;
/// Shorter stretches are taken together up to this part of the whole: a second more for an approach says nothing
/// about an hour of sweeps.
const SHORTEST_PART: f64 = 0.005;
/// Stretches that are needed for bounds.
const FEWEST: usize = 4;

/// A stretch between two marks: what it took in the rehearsal, and what it took.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// In the rehearsal, s.
    pub foreseen_s: f64,
    /// In the run, s.
    pub took_s: f64,
}

/// The pace so far.
#[derive(Debug, Clone, PartialEq)]
pub struct Pace {
    total_s: f64,
    segments: Vec<Segment>,
    /// What is not long enough yet to stand for itself.
    open: Segment,
}

impl Pace {
    /// Of a run whose rehearsal took so long, s.
    pub fn new(total_s: f64) -> Self {
        Self { total_s, segments: Vec::new(), open: Segment { foreseen_s: 0.0, took_s: 0.0 } }
    }

    /// Takes in a stretch. One without a length in the rehearsal says nothing about the pace.
    pub fn take_in(&mut self, segment: Segment) {
        if segment.foreseen_s > 0.0 && segment.took_s.is_finite() && segment.took_s >= 0.0 {
            self.open.foreseen_s += segment.foreseen_s;
            self.open.took_s += segment.took_s;
            if self.open.foreseen_s >= SHORTEST_PART * self.total_s {
                let nothing = Segment { foreseen_s: 0.0, took_s: 0.0 };
                self.segments.push(std::mem::replace(&mut self.open, nothing));
            }
        }
    }

    /// Time of the run for one second of its rehearsal: all that it took over all that was foreseen, with the
    /// rehearsal's own pace as a little evidence more.
    pub fn ratio(&self) -> f64 {
        let (foreseen_s, took_s) = self.sums();
        let prior = PRIOR_PART * self.total_s;
        if foreseen_s + prior > 0.0 { (took_s + prior) / (foreseen_s + prior) } else { 1.0 }
    }

    /// Time that a rest of so many seconds of the rehearsal will take, with its bounds at 95 % as soon as they are
    /// narrower than the time itself.
    ///
    /// Deviations of stretches from the common ratio r have a variance in proportion to their length, q² l. What
    /// is left then has q² (L + L²/E) with E the length seen: the scatter of the rest, and the uncertainty of r
    /// (a ratio estimator; common practice).
    pub fn left(&self, foreseen_s: f64) -> (f64, Option<(f64, f64)>) {
        let ratio = self.ratio();
        let left_s = ratio * foreseen_s;
        if self.segments.len() < FEWEST {
            return (left_s, None);
        }
        let (seen_s, _) = self.sums();
        let squares: f64 =
            self.segments.iter().map(|s| (s.took_s - ratio * s.foreseen_s).powi(2) / s.foreseen_s).sum();
        let freedom = self.segments.len() - 1;
        let variance = squares / freedom as f64 * (foreseen_s + foreseen_s * foreseen_s / seen_s);
        let half = student_95(freedom) * variance.sqrt();
        // Bounds as wide as the time itself say nothing, and frighten.
        let bounds = ((left_s - half).max(0.0), left_s + half);
        (left_s, (half <= left_s).then_some(bounds))
    }

    /// How the pace compares, in words; none while too little is seen or it is the same to a twentieth.
    pub fn words(&self) -> Option<String> {
        let ratio = self.ratio();
        if self.segments.len() < FEWEST || (ratio - 1.0).abs() < 0.05 {
            return None;
        }
        let percent = ((ratio - 1.0) * 100.0).abs().round();
        let word = if ratio > 1.0 { "longer" } else { "less" };
        Some(format!("so far it takes {percent} % {word} than there"))
    }

    /// How many stretches were seen.
    pub fn seen(&self) -> usize {
        self.segments.len()
    }

    fn sums(&self) -> (f64, f64) {
        let all = self.segments.iter().chain(std::iter::once(&self.open));
        all.fold((0.0, 0.0), |(a, b), s| (a + s.foreseen_s, b + s.took_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    #[test]
    fn at_first_the_rehearsal_counts_and_later_the_run_itself() {
        let mut pace = Pace::new(36_000.0);
        assert_eq!(pace.left(36_000.0), (36_000.0, None));
        for _ in 0..20 {
            pace.take_in(Segment { foreseen_s: 600.0, took_s: 750.0 });
        }
        let (left_s, bounds) = pace.left(24_000.0);
        assert!((left_s - 30_000.0).abs() < 400.0, "{left_s}");
        let (least, most) = bounds.unwrap();
        assert!(least <= left_s && left_s <= most && most - least < 2_000.0, "{bounds:?}");
        assert_eq!(pace.words().unwrap(), "so far it takes 24 % longer than there");
    }

    #[test]
    fn bounds_hold_as_often_as_they_say() {
        // Stretches of 60 to 900 s whose lengths scatter as the bounds suppose, at a pace of 1.2.
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let (mut held, runs) = (0, 2000);
        for _ in 0..runs {
            let lengths: Vec<f64> = (0..40).map(|_| random.random_range(60.0..900.0)).collect();
            let mut pace = Pace::new(lengths.iter().sum());
            let took: Vec<f64> = lengths
                .iter()
                .map(|l| {
                    let normal: f64 = (0..12).map(|_| random.random_range(-0.5..0.5)).sum();
                    1.2 * l + 2.0 * l.sqrt() * normal
                })
                .collect();
            for (foreseen_s, took_s) in lengths.iter().zip(&took).take(15) {
                pace.take_in(Segment { foreseen_s: *foreseen_s, took_s: *took_s });
            }
            let truth: f64 = took[15..].iter().sum();
            let (_, bounds) = pace.left(lengths[15..].iter().sum());
            let (least, most) = bounds.unwrap();
            held += u32::from(least <= truth && truth <= most);
        }
        let part = f64::from(held) / f64::from(runs);
        // The pull towards the rehearsal's pace costs a little.
        assert!((0.90..=0.985).contains(&part), "{part}");
    }
}
