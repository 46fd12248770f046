//! One line in a stretch of the level, and taking it out.

use super::noise;
use crate::analysis::fit::linear;
use crate::analysis::fit::separable::{Limits, Scaled};

/// A line that was taken out, in points.
#[derive(Debug, Clone, Copy)]
pub(super) struct Taken {
    pub(super) place: f64,
    pub(super) width: f64,
    pub(super) height: f64,
    /// Height of the odd part.
    pub(super) odd: f64,
    pub(super) evidence: f64,
    /// Whether the line falls off like a Gaussian and not like a Lorentzian.
    gaussian: bool,
}

impl Taken {
    fn at(&self, place: f64) -> f64 {
        let delta = 2.0 * (place - self.place) / self.width;
        let even = even_part(delta, self.gaussian);
        (self.height + self.odd * delta) * even
    }

    /// Takes the line out of the level.
    pub(super) fn subtract(&self, level: &mut [f64]) {
        for (i, value) in level.iter_mut().enumerate() {
            *value -= self.at(i as f64);
        }
    }

    /// Puts the line back.
    pub(super) fn add(&self, level: &mut [f64]) {
        for (i, value) in level.iter_mut().enumerate() {
            *value += self.at(i as f64);
        }
    }
}

fn even_part(delta: f64, gaussian: bool) -> f64 {
    if gaussian { (-std::f64::consts::LN_2 * delta * delta).exp() } else { 1.0 / (1.0 + delta * delta) }
}

/// Strength from which on the shape of a line shows.
const SHAPE_SHOWS: f64 = 400.0;

/// Shifts of the centre and factors of the width, both in rough widths, that are tried before a fit.
const TRIES: [(f64, f64); 9] = [
    (-0.5, 0.5),
    (-0.5, 1.0),
    (-0.25, 0.5),
    (-0.25, 1.0),
    (0.0, 0.5),
    (0.25, 0.5),
    (0.25, 1.0),
    (0.5, 0.5),
    (0.5, 1.0),
];

/// Fits one asymmetric line to the stretch about a place of a known rough width (both in points).
/// `reach` is half the stretch over the width.
pub(super) fn fit(level: &[f64], (about, wide): (f64, f64), reach: f64, evidence: f64) -> Taken {
    let n = level.len();
    let first = (about - reach * wide).max(0.0) as usize;
    let last = ((about + reach * wide).ceil().max(8.0) as usize).min(n);
    let first = first.min(last - 8);
    let middle = 0.5 * (first + last - 1) as f64;
    let span = 0.5 * (last - 1 - first) as f64;
    let t: Vec<f64> = (first..last).map(|i| (i as f64 - middle) / span).collect();
    let scaled = Scaled::new(t, level[first..last].to_vec(), Vec::new());
    let (centre, width) = ((about - middle) / span, wide.max(2.0) / span);
    let narrowest = (0.25 * width).max(1.5 / span);
    let limits =
        Limits { centre: (centre - 0.75 * width, centre + 0.75 * width), width: (narrowest, 2.5 * width) };
    // The two sides of the core tell a line beside the middle as well as one in it, so the place is tried out.
    let mut start = scaled.point(centre, width);
    for (shift, narrowing) in TRIES {
        let trial = scaled.point(centre + shift * width, (narrowing * width).max(narrowest));
        if let Some(trial) = trial
            && start.as_ref().is_none_or(|s| trial.sum < s.sum)
        {
            start = Some(trial);
        }
    }
    let Some(start) = start else {
        // Where no line can be told from the background, the mean of the core is the height.
        let core = &level[first..last];
        let height = core.iter().sum::<f64>() / core.len() as f64;
        return Taken { place: about, width: wide, height, odd: 0.0, evidence, gaussian: true };
    };
    let p = scaled.settle(start, limits).point;
    let line = Taken {
        place: middle + span * p.centre,
        width: span * p.width,
        height: p.linear[2],
        odd: p.linear[3],
        evidence,
        gaussian: false,
    };
    if evidence < SHAPE_SHOWS {
        return line;
    }
    match bell(&level[first..last], first, &line) {
        Some((other, left)) if left < p.sum => other,
        _ => line,
    }
}

/// The best line with Gaussian fall-off near a fitted one, with the sum of squares it leaves.
fn bell(stretch: &[f64], first: usize, line: &Taken) -> Option<(Taken, f64)> {
    let mut best: Option<(Taken, f64)> = None;
    // An asymmetric Lorentzian puts its centre beside the maximum; a few places between cover both.
    for shift in [-0.2, -0.1, 0.0, 0.1, 0.2] {
        for stretch_by in [0.8, 0.9, 1.0, 1.1, 1.2, 1.35] {
            let place = line.place + shift * line.width;
            let width = line.width * stretch_by;
            let delta: Vec<f64> =
                (0..stretch.len()).map(|i| 2.0 * ((first + i) as f64 - place) / width).collect();
            let even: Vec<f64> = delta.iter().map(|d| even_part(*d, true)).collect();
            let odd = delta.iter().zip(&even).map(|(d, e)| d * e).collect();
            let ramp = (0..stretch.len()).map(|i| i as f64 - 0.5 * stretch.len() as f64).collect();
            let Some((f, left)) = linear::factors(&[vec![1.0; stretch.len()], ramp, even, odd], stretch)
            else {
                continue;
            };
            if best.as_ref().is_none_or(|(_, sum)| left < *sum) {
                let taken = Taken { place, width, height: f[2], odd: f[3], gaussian: true, ..*line };
                best = Some((taken, left));
            }
        }
    }
    best
}

/// Subtracts a straight line through the medians of sixteen stretches, which lines hardly move.
pub(super) fn remove_line(level: &mut [f64]) {
    let n = level.len();
    let stretch = n.div_ceil(16).max(1);
    let (mut t, mut v) = (Vec::new(), Vec::new());
    for (k, chunk) in level.chunks(stretch).enumerate() {
        t.push((k * stretch) as f64 + 0.5 * (chunk.len() - 1) as f64);
        v.push(noise::median(&mut chunk.to_vec()));
    }
    // The median of the slopes of all pairs (common practice) bears stretches that a line fills.
    let mut slopes = Vec::new();
    for i in 0..t.len() {
        for j in 0..i {
            slopes.push((v[i] - v[j]) / (t[i] - t[j]));
        }
    }
    let slope = noise::median(&mut slopes);
    let mut offsets: Vec<f64> = t.iter().zip(&v).map(|(t, v)| v - slope * t).collect();
    let offset = noise::median(&mut offsets);
    for (i, value) in level.iter_mut().enumerate() {
        *value -= offset + slope * i as f64;
    }
}
