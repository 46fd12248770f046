//! Moving windows of many lengths over a spectrum.

use super::noise;
use super::significance::{Chance, score_of};

/// A place and window length, with its evidence.
#[derive(Debug, Clone, Copy)]
pub(super) struct Window {
    /// Index of the first point right of the middle.
    pub(super) place: usize,
    /// Half the length of the core, in points.
    pub(super) half: usize,
    /// Squared score with two degrees of freedom, noise estimate and colour allowed for.
    pub(super) evidence: f64,
}

/// What all windows need to know.
pub(super) struct Scan {
    /// Half lengths, rising.
    pub(super) halves: Vec<usize>,
    /// Spread of the kernels over that of white noise, for each half length.
    pub(super) colour: Vec<f64>,
    /// What squared kernels are multiplied by, for each half length: one over the variance of noise in them.
    pub(super) weights: Vec<f64>,
    pub(super) sigma: f64,
    pub(super) chance: Chance,
}

/// Running sums of the level, which make the sum over any stretch a difference.
pub(super) fn running(level: &[f64]) -> Vec<f64> {
    let mut sums = Vec::with_capacity(level.len() + 1);
    let mut total = 0.0;
    sums.push(total);
    for value in level {
        total += value;
        sums.push(total);
    }
    sums
}

/// Scores of the even and the odd kernel about the gap before point `i`, for unit noise.
///
/// The even kernel is 1 on the core of 2m points and -1/2 on flanks of 2m points either side; the odd one
/// is -1 and 1 on the two halves of the core with 1/8 and -1/8 on the flanks, which makes it blind to a slope. At the
/// ends of the data the even kernel takes the flank there is, and the odd one is left out.
pub(super) fn kernels(sums: &[f64], i: usize, m: usize) -> (f64, f64) {
    let n = sums.len() - 1;
    let (left, right) = (i - m, i + m);
    let core_left = sums[i] - sums[left];
    let core_right = sums[right] - sums[i];
    let core = core_left + core_right;
    if left >= 2 * m && right + 2 * m <= n {
        let flank_left = sums[left] - sums[left - 2 * m];
        let flank_right = sums[right + 2 * m] - sums[right];
        let even = core - 0.5 * (flank_left + flank_right);
        let odd = core_right - core_left - 0.125 * (flank_right - flank_left);
        let m = m as f64;
        return (even / (3.0 * m).sqrt(), odd / (2.0625 * m).sqrt());
    }
    let far_left = left.saturating_sub(2 * m);
    let far_right = (right + 2 * m).min(n);
    let flank = sums[left] - sums[far_left] + sums[far_right] - sums[right];
    let flanks = (left - far_left + far_right - right) as f64;
    if flanks < 1.0 {
        return (0.0, 0.0);
    }
    let cores = 2.0 * m as f64;
    let even = core - flank * cores / flanks;
    (even / (cores + cores * cores / flanks).sqrt(), 0.0)
}

impl Scan {
    /// Step between places for a half length: a quarter of it loses little of any line.
    pub(super) fn step(half: usize) -> usize {
        (half / 4).max(1)
    }

    /// Measures the colour of the noise for each half length.
    pub(super) fn measure_colour(&mut self, sums: &[f64]) {
        let n = sums.len() - 1;
        self.colour = self
            .halves
            .iter()
            .map(|&m| {
                if n < 40 * m || self.sigma <= 0.0 {
                    return 1.0;
                }
                let step = m.div_ceil(2);
                let mut spread: Vec<f64> =
                    (3 * m..=n - 3 * m).step_by(step).map(|i| kernels(sums, i, m).0.abs()).collect();
                1.4826 * noise::median(&mut spread) / self.sigma
            })
            .collect();
        // Too long windows to measure take the colour of the longest measured one.
        let mut last = 1.0;
        for (colour, m) in self.colour.iter_mut().zip(&self.halves) {
            if n >= 40 * m {
                last = *colour;
            } else {
                *colour = last;
            }
        }
    }

    /// Largest spread that may still be the error of the spread of white noise.
    fn doubt(&self, n: usize, k: usize) -> f64 {
        1.0 + 2.5 / (n as f64 / self.halves[k] as f64).sqrt()
    }

    /// Whether the noise is clearly more than white at some length.
    pub(super) fn coloured(&self, n: usize) -> bool {
        (0..self.halves.len()).any(|k| self.colour[k] > self.doubt(n, k))
    }

    /// Evidence at one place and half length number `k`.
    pub(super) fn evidence(&self, sums: &[f64], place: usize, k: usize) -> f64 {
        let (even, odd) = kernels(sums, place, self.halves[k]);
        (even * even + odd * odd) * self.weights[k]
    }

    /// Takes the noise as white, or as it was measured, for all evidence from now on. A few per cent are the error of
    /// the measured spread itself; only a clear excess is colour. Without noise nothing has evidence.
    pub(super) fn weigh(&mut self, white: bool, n: usize) {
        self.weights = (0..self.halves.len())
            .map(|k| {
                let measured = !white && self.colour[k] > self.doubt(n, k);
                let unit = self.sigma * if measured { self.colour[k] } else { 1.0 };
                let weight = 1.0 / (unit * unit);
                if weight.is_finite() { weight } else { 0.0 }
            })
            .collect();
    }

    /// Largest evidence in windows about a place that suit a width, both in points.
    pub(super) fn about(&self, sums: &[f64], place: f64, width: f64) -> f64 {
        let n = sums.len() - 1;
        let mut best = 0.0_f64;
        for (k, &half) in self.halves.iter().enumerate() {
            let core = 2.0 * half as f64;
            let edge = k == 0 || k + 1 == self.halves.len();
            if !edge && !(0.4 * width..2.5 * width).contains(&core) {
                continue;
            }
            for shift in [-0.5, 0.0, 0.5] {
                let i = (place + 0.5 + shift * half as f64).round().max(0.0) as usize;
                best = best.max(self.evidence(sums, i.clamp(half, n - half), k));
            }
        }
        best
    }

    /// All windows whose evidence is the largest near them at their length and above a floor, strongest first.
    pub(super) fn maxima(&self, sums: &[f64], floor: f64) -> Vec<Window> {
        let n = sums.len() - 1;
        let mut found = Vec::new();
        for (k, &half) in self.halves.iter().enumerate() {
            let step = Self::step(half);
            let (mut before, mut here) = (0.0, 0.0);
            let mut place = half;
            while place + half <= n {
                let next = self.evidence(sums, place, k);
                if here > floor && here >= before && here > next {
                    found.push(Window { place: place - step, half, evidence: here });
                }
                (before, here) = (here, next);
                place += step;
            }
            if here > floor && here >= before {
                found.push(Window { place: place - step, half, evidence: here });
            }
        }
        found.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
        found
    }
}

/// Score in standard deviations of the evidence.
pub(super) fn strength(evidence: f64) -> f64 {
    score_of(evidence)
}
