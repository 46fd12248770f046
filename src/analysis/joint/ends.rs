//! Where a comb ends: which lines at its distance there are.
//!
//! What combs explain in all does not tell that well, since lines differ in height: a dip of the RF line takes one away in one
//! spectrum. But a dip stays at its frequency, and the comb moves through it. So each line at that distance, and some beyond
//! both ends, is given a height of its own in each spectrum, all of them fitted together; over the fields a line that is there
//! comes out as high as the others, and one that is not at nothing.

use super::centres::{Centre, Shape};
use super::clean::Bases;
use super::combs::{MOST, Pattern};
use super::members::Members;
use super::spectra::{Ready, dot};
use crate::analysis::order::middle;
use nalgebra::{DMatrix, DVector};

/// How far inside of a window a line has to lie, in widths, to be asked about; nearer ones are fitted only.
const INSIDE: f64 = 0.3;
/// Scatter of the heights of one line from spectrum to spectrum, as part of the typical one, and what remains over them.
const SCATTER: f64 = 0.4;
const REMAINS: f64 = 0.15;
/// Log probability beforehand of each line that no window holds.
pub(super) const UNSEEN: f64 = -1.2;
/// The same of each number of lines from two on. A nucleus of spin I makes 2I + 1; stable nuclei with a whole spin are few,
/// ²H, ⁶Li and ¹⁴N with three lines, ¹⁰B with seven (handbook knowledge, from memory), and five are made by none.
const LINES: [f64; MOST - 1] = [0.0, -0.5, 0.0, -2.5, 0.0, -2.5, 0.0];
/// Probability below which another number of lines is told of.
pub(super) const SURE: f64 = 0.95;

/// What all spectra say about a line at one place of the comb.
#[derive(Debug, Clone, Copy, Default)]
struct Seen {
    weight: f64,
    height: f64,
    /// Of the height, were no line there, times the square of the weight.
    noise: f64,
}

impl Seen {
    /// Log likelihood that it is there, less that it is not; nothing where no window holds it.
    fn there(self, typical: f64) -> Option<f64> {
        if self.weight == 0.0 {
            return None;
        }
        let height = self.height / self.weight;
        let likely = |mean: f64, variance: f64| -0.5 * ((height - mean).powi(2) / variance + variance.ln());
        let there = 1.0 / self.weight + (REMAINS * typical).powi(2);
        let not = self.noise / self.weight.powi(2) + (0.5 * REMAINS * typical).powi(2);
        Some(likely(typical, there) - likely(0.0, not))
    }
}

/// The comb with the lines that are there. `shape` is that of one line, the given centres lie where `comb` says.
pub(super) fn ends(
    spectra: &[Ready],
    bases: &Bases,
    shape: Shape,
    seen: &[Centre],
    comb: Members,
) -> Members {
    let lines = comb.pattern.lines as i64;
    let beyond = (MOST as i64 - lines).max(1);
    let ranks: Vec<i64> = (-beyond..lines + beyond).collect();
    let shape = Shape { width: comb.width, pattern: Pattern::ONE, ..shape };
    let place = |c: &Centre, rank: i64| {
        c.f + comb.off + comb.pattern.spacing * (rank as f64 - 0.5 * (lines - 1) as f64)
    };
    let heights: Vec<(usize, f64, f64)> = seen
        .iter()
        .flat_map(|c| {
            let places: Vec<f64> = ranks.iter().map(|rank| place(c, *rank)).collect();
            heights(&spectra[c.index], bases, shape, &places)
        })
        .collect();
    let of_comb = |k: usize| (0..lines).contains(&ranks[k]);
    let typical = middle(heights.iter().filter(|h| of_comb(h.0)).map(|h| h.1).collect());
    if typical.is_nan() || typical <= 0.0 {
        return comb;
    }
    let mut all = vec![Seen::default(); ranks.len()];
    for (k, height, variance) in heights {
        let weight = 1.0 / (variance + (SCATTER * typical).powi(2));
        all[k].weight += weight;
        all[k].height += weight * height;
        all[k].noise += weight * weight * variance;
    }
    let there: Vec<Option<f64>> = all.iter().map(|one| one.there(typical)).collect();
    likeliest(&there, beyond, comb)
}

/// The likeliest run of lines, and how far it is settled that it is this one.
fn likeliest(there: &[Option<f64>], beyond: i64, comb: Members) -> Members {
    let runs = (2..=MOST.min(there.len()))
        .flat_map(|lines| (0..=there.len() - lines).map(move |from| (from, lines)));
    let of = |(from, lines): (usize, usize)| {
        let run = &there[from..from + lines];
        let unseen = run.iter().filter(|one| one.is_none()).count();
        let likely = run.iter().flatten().sum::<f64>() + UNSEEN * unseen as f64 + LINES[lines - 2];
        // How far its middle lies from that of the comb, in distances.
        let off = from as f64 - beyond as f64 + 0.5 * (lines as f64 - comb.pattern.lines as f64);
        (2 * unseen <= lines && unseen + 2 <= lines).then_some((likely, lines, off))
    };
    let all: Vec<(f64, usize, f64)> = runs.filter_map(of).collect();
    let Some(top) = all.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0)) else { return comb };
    let weight = |one: &(f64, usize, f64)| (one.0 - top.0).exp();
    let total: f64 = all.iter().map(weight).sum();
    let spread = all.iter().map(|one| weight(one) * (one.2 - top.2).powi(2)).sum::<f64>() / total;
    let part = |lines: usize| all.iter().filter(|one| one.1 == lines).map(weight).sum::<f64>() / total;
    let other = (2..=MOST).filter(|lines| *lines != top.1);
    let other = other.max_by(|a, b| part(*a).total_cmp(&part(*b))).filter(|_| part(top.1) < SURE);
    let spacing = comb.pattern.spacing;
    Members {
        pattern: Pattern { lines: top.1, spacing },
        off: comb.off + top.2 * spacing,
        error: comb.error.hypot(spread.sqrt() * spacing),
        other: other.or(comb.other.filter(|lines| *lines != top.1)),
        ..comb
    }
}

/// Heights of lines at these places in one spectrum, fitted together, with their variances: those well inside of its window.
fn heights(s: &Ready, bases: &Bases, shape: Shape, places: &[f64]) -> Vec<(usize, f64, f64)> {
    let (low, high) = (s.f[0], s.f[s.f.len() - 1]);
    let near = |k: &usize| places[*k] > low - shape.width && places[*k] < high + shape.width;
    let fitted: Vec<usize> = (0..places.len()).filter(near).collect();
    let lines: Vec<Vec<f64>> =
        fitted.iter().map(|k| s.f.iter().map(|f| shape.at(*f, places[*k])).collect()).collect();
    let cleaned: Vec<Vec<f64>> = lines
        .iter()
        .map(|line| {
            let mut line = line.clone();
            bases.clean(s.basis, &mut line);
            line
        })
        .collect();
    let n = fitted.len();
    let mut matrix = DMatrix::from_fn(n, n, |i, j| dot(&cleaned[i.min(j)], &lines[i.max(j)]));
    // Of a line of which next to nothing lies inside nothing is known.
    let least = 1e-3 * (0..n).map(|i| matrix[(i, i)]).fold(0.0, f64::max);
    (0..n).for_each(|i| matrix[(i, i)] += least);
    let right = DVector::from_fn(n, |i, _| dot(&lines[i], &s.y));
    let Some(root) = matrix.cholesky() else { return Vec::new() };
    let (found, inverse) = (root.solve(&right), root.inverse());
    let inside = |place: f64| place > low + INSIDE * shape.width && place < high - INSIDE * shape.width;
    let each = fitted.iter().enumerate().filter(|(_, k)| inside(places[**k]));
    each.map(|(i, k)| (*k, found[i], inverse[(i, i)])).collect()
}
