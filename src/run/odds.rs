//! What will be known in the morning: the claims of many rehearsed nights beside what was really there.

use super::nights::Spread;
use super::truth::Truth;
use crate::analysis::joint::Verdict;
use crate::history::History;
use serde::{Deserialize, Serialize};

/// How one night went, in what it claims.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct InTheMorning {
    /// Whether anything was judged.
    pub judged: bool,
    /// Whether there was a spin under a polarised tip while it was measured.
    pub spin: bool,
    /// Whether one was proved, and rightly.
    pub proved: bool,
    /// Whether anything was called real that was not there.
    pub falsely: bool,
    /// Whether a verdict was left open.
    pub undecided: bool,
    /// When the first right proof came, s.
    pub proof_s: Option<f64>,
    /// Deviations of moments from the truth in units of their errors.
    pub moment_pulls: Vec<f64>,
    /// The same for tip fields.
    pub tip_field_pulls: Vec<f64>,
}

impl InTheMorning {
    /// Compares what a night claims with the truth.
    pub fn new(history: &History, truth: &Truth) -> Self {
        let mut night = Self { judged: !history.claims.is_empty(), ..Self::default() };
        for claim in &history.claims {
            let there = truth.between(claim.from_s, claim.to_s);
            night.spin |= there.is_some();
            night.undecided |= claim.verdict == Verdict::Undecided;
            let Some(moment) = claim.moment_mu_b.filter(|_| claim.verdict == Verdict::Real) else { continue };
            let Some(stay) = truth.meant_by(claim) else {
                night.falsely = true;
                continue;
            };
            night.proved = true;
            let first = claim.proved_s.unwrap_or(claim.at_s);
            night.proof_s = Some(night.proof_s.map_or(first, |known: f64| known.min(first)));
            night.moment_pulls.push((moment.value - stay.moment_mub[2]) / moment.error);
            let there_t = truth.tip_field_within_t(stay, &history.measured_s(claim));
            night.tip_field_pulls.extend(claim.tip_field_t.map(|tip| (tip.value - there_t) / tip.error));
        }
        night
    }
}

/// A share of nights with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    /// Nights for which it holds.
    pub count: u64,
    /// Nights that it is a share of.
    pub of: u64,
    /// The share; none of nothing.
    pub share: Option<f64>,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Share {
    /// With the interval of J. Am. Stat. Assoc. 22, 209 (1927), 10.1080/01621459.1927.10502953 (from memory, not checked).
    ///
    /// ```
    /// use noctule::run::odds::Share;
    /// // None of 3,000: below 1.28 in a thousand, 3.84/(n + 3.84).
    /// assert!((Share::new(0, 3000).high - 3.8415 / 3003.8415).abs() < 1e-6);
    /// ```
    pub fn new(count: u64, of: u64) -> Self {
        const Z: f64 = 1.959_963_985;
        let n = of as f64;
        if of == 0 {
            return Self { count, of, share: None, low: 0.0, high: 1.0 };
        }
        let p = count as f64 / n;
        let middle = (p + Z * Z / (2.0 * n)) / (1.0 + Z * Z / n);
        let half = Z / (1.0 + Z * Z / n) * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt();
        // At the ends the interval ends exactly, which rounding would miss by a hair.
        let low = if count == 0 { 0.0 } else { middle - half };
        let high = if count == of { 1.0 } else { middle + half };
        Self { count, of, share: Some(p), low, high }
    }
}

/// How far quoted errors hold the truth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coverage {
    /// Within one error: 68 % where errors are right.
    pub within_one: Share,
    /// Within 1.96 errors: 95 %.
    pub within_two: Share,
    /// Root of the mean squared deviation in units of the errors: one.
    pub rms: f64,
}

impl Coverage {
    fn of(pulls: &[f64]) -> Self {
        let within = |limit: f64| {
            Share::new(pulls.iter().filter(|p| p.abs() < limit).count() as u64, pulls.len() as u64)
        };
        let squares = pulls.iter().fold(0.0, |sum, p| sum + p * p);
        let rms = (squares / pulls.len().max(1) as f64).sqrt();
        Self { within_one: within(1.0), within_two: within(1.96), rms }
    }
}

/// What a sequence will have found out in the morning.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Odds {
    /// Nights in which anything was judged.
    pub judged: u64,
    /// Of nights with a spin under a polarised tip: one was proved, with the right moment.
    pub proved_and_right: Share,
    /// Of those nights: none was.
    pub missed: Share,
    /// Of all nights judged: something was called real that was not there.
    pub false_real: Share,
    /// Of all nights judged: a verdict was left open.
    pub undecided: Share,
    /// Coverage of the moments quoted.
    pub moment: Coverage,
    /// Coverage of the tip fields quoted.
    pub tip_field: Coverage,
    /// Time to the first right proof, h.
    pub time_to_proof_h: Spread,
}

impl Odds {
    /// Adds nights up.
    pub fn of(nights: &[&InTheMorning]) -> Self {
        let judged: Vec<&&InTheMorning> = nights.iter().filter(|night| night.judged).collect();
        let with_spin: Vec<&&&InTheMorning> = judged.iter().filter(|night| night.spin).collect();
        let proved = with_spin.iter().filter(|night| night.proved).count() as u64;
        let (spins, all) = (with_spin.len() as u64, judged.len() as u64);
        let count = |of: fn(&InTheMorning) -> bool| judged.iter().filter(|night| of(night)).count() as u64;
        let pulls = |of: fn(&InTheMorning) -> &Vec<f64>| -> Vec<f64> {
            judged.iter().flat_map(|night| of(night).iter().copied()).collect()
        };
        Self {
            judged: all,
            proved_and_right: Share::new(proved, spins),
            missed: Share::new(spins - proved, spins),
            false_real: Share::new(count(|night| night.falsely), all),
            undecided: Share::new(count(|night| night.undecided), all),
            moment: Coverage::of(&pulls(|night| &night.moment_pulls)),
            tip_field: Coverage::of(&pulls(|night| &night.tip_field_pulls)),
            time_to_proof_h: Spread::of(
                judged.iter().filter_map(|night| night.proof_s).map(|s| s / 3600.0).collect(),
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nights_are_counted_by_what_is_true() {
        let right = InTheMorning {
            judged: true,
            spin: true,
            proved: true,
            proof_s: Some(3600.0),
            moment_pulls: vec![0.5],
            tip_field_pulls: vec![-3.0],
            ..InTheMorning::default()
        };
        let missed = InTheMorning { judged: true, spin: true, undecided: true, ..InTheMorning::default() };
        let ghost = InTheMorning { judged: true, falsely: true, ..InTheMorning::default() };
        let nothing = InTheMorning::default();
        let odds = Odds::of(&[&right, &missed, &ghost, &nothing]);
        assert_eq!((odds.judged, odds.proved_and_right.count, odds.proved_and_right.of), (3, 1, 2));
        assert_eq!((odds.missed.count, odds.false_real.count, odds.undecided.count), (1, 1, 1));
        assert_eq!((odds.moment.within_one.count, odds.tip_field.within_two.count), (1, 0));
        assert_eq!(odds.time_to_proof_h.median, 1.0);
    }
}
