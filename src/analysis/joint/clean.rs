//! The background: whatever repeats no faster than the longest delay of an RF line lets it.
//!
//! A wave that is reflected and comes back after a delay τ makes a ripple of period 1/τ in frequency. A background made of
//! delays up to some longest one is band-limited, and in a window W wide such functions span about 2Wτ dimensions
//! (Bell Syst. Tech. J. 40, 43 (1961), 10.1002/j.1538-7305.1961.tb03976.x; from memory, not checked). These
//! dimensions are taken out of each spectrum by itself, so a ripple may drift in any way and still makes no ghost. A
//! line narrower than 1/(2πτ) keeps most of what tells it.

use super::remembered::{Bits, Remembered, bits};
use std::rc::Rc;

/// Longest delay that is taken out, s.
pub(super) const LONGEST_S: f64 = 13e-9;
/// Spacing of the delays times the span: closer ones add nothing new.
const CLOSE: f64 = 0.7;
/// What is left of a function below this part of it is no new dimension.
const NEW: f64 = 0.03;

/// Orthonormal vectors of the background on one grid.
#[derive(Debug)]
pub(super) struct Basis {
    number: u64,
    vectors: Vec<Vec<f64>>,
}

/// The grids of some spectra.
#[derive(Debug, Default)]
pub(super) struct Bases {
    all: Vec<Grid>,
}

#[derive(Debug)]
struct Grid {
    count: usize,
    span: f64,
    even: bool,
    basis: Rc<Basis>,
}

impl Bases {
    /// The number of the grid that these frequencies have.
    pub fn of(&mut self, f: &[f64], remembered: &mut Remembered) -> usize {
        let (count, span) = (f.len(), f[f.len() - 1] - f[0]);
        let step = span / (count - 1) as f64;
        let even = f.iter().enumerate().all(|(i, x)| (x - f[0] - step * i as f64).abs() < 0.02 * step);
        let same = |g: &Grid| even && g.even && g.count == count && (g.span - span).abs() < 1e-4 * span;
        self.all.iter().position(same).unwrap_or_else(|| {
            let (asking, key): (_, Bits) = (remembered.asking, bits(f).collect());
            let basis = remembered.bases.known(asking, &key).unwrap_or_else(|| {
                let new = Basis { number: remembered.number(), vectors: vectors(f) };
                remembered.bases.keep(asking, key, new)
            });
            self.all.push(Grid { count, span, even, basis });
            self.all.len() - 1
        })
    }

    pub fn clean(&self, basis: usize, v: &mut [f64]) {
        self.clean_all(basis, v.as_chunks_mut::<1>().0);
    }

    /// The same for several vectors at once, one in each column.
    pub fn clean_all<const N: usize>(&self, basis: usize, rows: &mut [[f64; N]]) {
        project(rows, &self.all[basis].basis.vectors);
    }

    /// Whether spectra with this basis share one grid.
    pub fn even(&self, basis: usize) -> bool {
        self.all[basis].even
    }

    /// What tells this basis from all others.
    pub fn number(&self, basis: usize) -> u64 {
        self.all[basis].basis.number
    }
}

fn vectors(f: &[f64]) -> Vec<Vec<f64>> {
    let (low, span) = (f[0], f[f.len() - 1] - f[0]);
    let delays = (LONGEST_S * span / CLOSE).ceil().max(1.0) as usize;
    let mut kept: Vec<Vec<f64>> = Vec::new();
    let mut add = |v: Vec<f64>| add_new(&mut kept, v);
    let unit = |x: &f64| 2.0 * (x - low) / span - 1.0;
    (0..3).for_each(|degree| add(f.iter().map(|x| unit(x).powi(degree)).collect()));
    for k in 1..=delays {
        let omega = 2.0 * std::f64::consts::PI * LONGEST_S * k as f64 / delays as f64;
        add(f.iter().map(|x| (omega * (x - low - 0.5 * span)).cos()).collect());
        add(f.iter().map(|x| (omega * (x - low - 0.5 * span)).sin()).collect());
    }
    kept
}

/// Adds to an orthonormal set what is new in a vector, at length one.
pub(super) fn add_new(kept: &mut Vec<Vec<f64>>, mut v: Vec<f64>) {
    let before = v.iter().map(|x| x * x).sum::<f64>().sqrt();
    // Twice, since the first time leaves what rounding lost.
    project(v.as_chunks_mut::<1>().0, kept);
    project(v.as_chunks_mut::<1>().0, kept);
    let norm = v.iter().map(|x| x * x).sum::<f64>().sqrt();
    // A basis that filled the space would leave nothing to judge.
    if norm > NEW * before && 2 * kept.len() < v.len() {
        v.iter_mut().for_each(|x| *x /= norm);
        kept.push(v);
    }
}

/// Takes the part along each vector of an orthonormal set out of every column. Several columns cost hardly more than one: each
/// sum waits for the one before, and those of other columns need not.
pub(super) fn project<const N: usize>(rows: &mut [[f64; N]], basis: &[Vec<f64>]) {
    for b in basis {
        let mut along = [0.0; N];
        for (row, y) in rows.iter().zip(b) {
            (0..N).for_each(|j| along[j] += row[j] * y);
        }
        for (row, y) in rows.iter_mut().zip(b) {
            (0..N).for_each(|j| row[j] -= along[j] * y);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slow_ripples_go_and_a_line_stays() {
        let f: Vec<f64> = (0..201).map(|i| 14e9 + 1.6e6 * f64::from(i)).collect();
        let mut bases = Bases::default();
        let basis = bases.of(&f, &mut Remembered::default());
        let energy = |v: &[f64]| v.iter().map(|x| x * x).sum::<f64>();
        for delay in [0.3e-9, 1.3e-9, 4.7e-9, 9.1e-9, 12e-9] {
            let mut ripple: Vec<f64> =
                f.iter().map(|f| (2.0 * std::f64::consts::PI * delay * f + 0.3).sin()).collect();
            let before = energy(&ripple);
            bases.clean(basis, &mut ripple);
            assert!(energy(&ripple) < 2e-3 * before, "{delay}: {}", energy(&ripple) / before);
        }
        let mut line: Vec<f64> = f.iter().map(|f| 1.0 / (1.0 + ((f - 14.15e9) / 7e6).powi(2))).collect();
        let before = energy(&line);
        bases.clean(basis, &mut line);
        assert!(energy(&line) > 0.2 * before, "{}", energy(&line) / before);
    }
}
