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

    /// Time that a rest of so many seconds of the rehearsal will take, and its half width at 95 %; none while too
    /// little is seen.
    ///
    /// Deviations of stretches from the common ratio r have a variance in proportion to their length, q² l. What
    /// is left then has q² (L + L²/E) with E the length seen: the scatter of the rest, and the uncertainty of r
    /// (a ratio estimator; common practice).
    pub fn left(&self, foreseen_s: f64) -> (f64, Option<f64>) {
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
        (left_s, Some(student_95(freedom) * variance.sqrt()))
    }

    /// Takes in what a current stretch shows, without making it a stretch of its own.
    pub fn glance_at(&mut self, part: Segment) {
        if part.foreseen_s > 0.0 && part.took_s.is_finite() && part.took_s >= 0.0 {
            self.open.foreseen_s += part.foreseen_s;
            self.open.took_s += part.took_s;
        }
    }

    /// How much of a stretch of the rehearsal is still to come after so much time of the run in it.
    pub fn still_of(&self, whole_s: f64, gone_s: f64) -> f64 {
        (whole_s - gone_s / self.ratio()).max(0.0)
    }

    fn sums(&self) -> (f64, f64) {
        let all = self.segments.iter().chain(std::iter::once(&self.open));
        all.fold((0.0, 0.0), |(a, b), s| (a + s.foreseen_s, b + s.took_s))
    }
}

/// Seconds of the rehearsal: in sweeps, and beside them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Rest {
    /// In sweeps.
    pub sweeping_s: f64,
    /// Ramps, approaches, images, waits.
    pub other_s: f64,
}

/// The pace of sweeps and that of all else. A ramp that falls away because the field stood there already says
/// nothing about how fast points come.
#[derive(Debug, Clone, PartialEq)]
pub struct Paces {
    /// Of sweeps.
    pub sweeping: Pace,
    /// Of all else.
    pub other: Pace,
}

impl Paces {
    /// Of a run whose rehearsal took so long.
    pub fn new(whole: Rest) -> Self {
        Self { sweeping: Pace::new(whole.sweeping_s), other: Pace::new(whole.other_s) }
    }

    /// Time that a rest will take, with its bounds at 95 % as soon as they are narrower than the time itself.
    pub fn left(&self, rest: Rest) -> (f64, Option<(f64, f64)>) {
        let (sweeping_s, sweeping_half) = self.sweeping.left(rest.sweeping_s);
        let (other_s, other_half) = self.other.left(rest.other_s);
        let left_s = sweeping_s + other_s;
        // What is no part of the rest has no error.
        let half = |half: Option<f64>, part_s: f64| half.or((part_s <= 0.0).then_some(0.0));
        let bounds = half(sweeping_half, rest.sweeping_s).zip(half(other_half, rest.other_s));
        let bounds = bounds.map(|(a, b)| a.hypot(b)).filter(|half| *half > 0.0 && *half <= left_s);
        // Bounds as wide as the time itself say nothing, and frighten.
        (left_s, bounds.map(|half| ((left_s - half).max(0.0), left_s + half)))
    }

    /// How the pace compares, in words; none while too little is seen or it is the same to a twentieth.
    pub fn words(&self) -> Option<String> {
        let ((a, b), (c, d)) = (self.sweeping.sums(), self.other.sums());
        let (foreseen_s, took_s) = (a + c, b + d);
        if self.seen() < FEWEST || (took_s / foreseen_s - 1.0).abs() < 0.05 {
            return None;
        }
        let percent = ((took_s / foreseen_s - 1.0) * 100.0).abs().round();
        let word = if took_s > foreseen_s { "longer" } else { "less" };
        Some(format!("so far it has taken {percent} % {word} than in the rehearsal"))
    }

    /// How many stretches were seen.
    pub fn seen(&self) -> usize {
        self.sweeping.segments.len() + self.other.segments.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    #[test]
    fn at_first_the_rehearsal_counts_and_later_the_run_itself() {
        let rest = |other_s| Rest { sweeping_s: 0.0, other_s };
        let mut pace = Paces::new(rest(36_000.0));
        assert_eq!(pace.left(rest(36_000.0)), (36_000.0, None));
        for i in 0..20 {
            // They scatter a little.
            let took_s = if i % 2 == 0 { 745.0 } else { 755.0 };
            pace.other.take_in(Segment { foreseen_s: 600.0, took_s });
        }
        let (left_s, bounds) = pace.left(rest(24_000.0));
        assert!((left_s - 30_000.0).abs() < 400.0, "{left_s}");
        let (least, most) = bounds.unwrap();
        assert!(least <= left_s && left_s <= most && most - least < 2_000.0, "{bounds:?}");
        assert_eq!(pace.words().unwrap(), "so far it has taken 25 % longer than in the rehearsal");
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
            let (left_s, half) = pace.left(lengths[15..].iter().sum());
            held += u32::from((truth - left_s).abs() <= half.unwrap());
        }
        let part = f64::from(held) / f64::from(runs);
        // The pull towards the rehearsal's pace costs a little.
        assert!((0.90..=0.985).contains(&part), "{part}");
    }
}
