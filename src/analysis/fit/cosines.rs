//! The slowest cosines of columns of numbers.
//!
//! A cosine is even or odd about the middle of the points, so each column is folded there once and half the points do. This
//! is where a fit in suspected slow noise spends its time: several cosines are worked out side by side.

use std::cell::RefCell;
use std::rc::Rc;

use wide::f64x2;

/// Pairs of cosines that are worked out together.
const PAIRS: usize = 8;

/// Cosines of a point.
type Wave = [f64x2; PAIRS];

/// Cosines over so few points are kept: spectra of a night have the same number of points over and over.
const KEPT: usize = 2048;

/// The slowest cosines over some points, as vectors of unit length.
#[derive(Debug)]
pub(super) struct Cosines {
    points: usize,
    modes: usize,
    /// Even and odd ones in blocks; in each block a wave for each point of the first half.
    waves: [Vec<Vec<Wave>>; 2],
}

thread_local! {
    static LAST: RefCell<Option<Rc<Cosines>>> = const { RefCell::new(None) };
}

impl Cosines {
    /// For so many points. The last ones of this thread are used again where they fit; they are the same to the last bit.
    pub(super) fn of(points: usize, modes: usize) -> Rc<Self> {
        let last = LAST.with_borrow(Clone::clone);
        if let Some(last) = last.filter(|last| (last.points, last.modes) == (points, modes)) {
            return last;
        }
        let blocks = |parity| {
            let firsts = (parity..modes).step_by(4 * PAIRS);
            firsts.map(|first| waves(first, points)).collect()
        };
        let found = Rc::new(Self { points, modes, waves: [blocks(0), blocks(1)] });
        if points <= KEPT {
            LAST.set(Some(Rc::clone(&found)));
        }
        found
    }

    /// How much of each cosine is in a column.
    pub(super) fn in_column(&self, column: &[f64]) -> Vec<f64> {
        let n = self.points;
        assert_eq!(column.len(), n, "a column of other points");
        let mut all = vec![0.0; self.modes];
        let unit = (2.0 / n as f64).sqrt();
        if column.iter().all(|v| *v == column[0]) {
            all[0] = column[0] * n as f64 * unit;
        } else {
            for (parity, blocks) in self.waves.iter().enumerate() {
                let half = fold(column, parity);
                // A slope has no even part.
                if half.iter().all(|v| *v == 0.0) {
                    continue;
                }
                for (block, waves) in blocks.iter().enumerate() {
                    for (pair, sum) in product(&half, waves).iter().enumerate() {
                        let k = parity + 4 * (block * PAIRS + pair);
                        for (lane, sum) in sum.as_array_ref().iter().enumerate() {
                            if let Some(place) = all.get_mut(k + 2 * lane) {
                                *place = sum * unit;
                            }
                        }
                    }
                }
            }
        }
        // The mean is a cosine of another length.
        all[0] *= 0.5_f64.sqrt();
        all
    }
}

/// Sum (0) or difference (1) of each point and its mirror image; the one in the middle is its own.
fn fold(column: &[f64], parity: usize) -> Vec<f64> {
    let n = column.len();
    let mirrored = column.iter().zip(column.iter().rev());
    let mut half: Vec<f64> = match parity {
        0 => mirrored.take(n.div_ceil(2)).map(|(a, b)| a + b).collect(),
        _ => mirrored.take(n.div_ceil(2)).map(|(a, b)| a - b).collect(),
    };
    if n % 2 == 1 {
        half[n / 2] = [column[n / 2], 0.0][parity];
    }
    half
}

/// `cos(pi k (i + 1/2) / n)` for every second k from `first`, from point to point by the recurrence of cosines.
fn waves(first: usize, n: usize) -> Vec<Wave> {
    let angle = |lane: usize| std::f64::consts::PI * (first + 2 * lane) as f64 / n as f64;
    let pair = |of: &dyn Fn(f64) -> f64, k: usize| f64x2::new([of(angle(2 * k)), of(angle(2 * k + 1))]);
    let twice: Wave = std::array::from_fn(|k| pair(&|a| 2.0 * a.cos(), k));
    let mut here: Wave = std::array::from_fn(|k| pair(&|a| (0.5 * a).cos(), k));
    let mut before = here;
    let mut all = Vec::with_capacity(n.div_ceil(2));
    for _ in 0..n.div_ceil(2) {
        all.push(here);
        let next = std::array::from_fn(|k| twice[k] * here[k] - before[k]);
        (before, here) = (here, next);
    }
    all
}

fn product(half: &[f64], waves: &[Wave]) -> Wave {
    let mut sum = Wave::default();
    for (value, wave) in half.iter().zip(waves) {
        let value = f64x2::splat(*value);
        for (sum, wave) in sum.iter_mut().zip(wave) {
            *sum += value * *wave;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cosines_keep_lengths_and_agree_with_their_definition() {
        for n in [40, 41] {
            let values: Vec<f64> = (0..n).map(|i| ((i * 7919) % 101) as f64 - 50.0).collect();
            let all = &Cosines::of(n, n).in_column(&values);
            for (k, found) in all.iter().enumerate() {
                let angle = |i: usize| std::f64::consts::PI * k as f64 * (i as f64 + 0.5) / n as f64;
                let direct: f64 = values.iter().enumerate().map(|(i, v)| v * angle(i).cos()).sum();
                let unit = (if k == 0 { 1.0 } else { 2.0 } / n as f64).sqrt();
                assert!((found - direct * unit).abs() < 1e-9, "cosine {k} of {n}");
            }
            let square = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>();
            assert!((square(&values) / square(all) - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn a_constant_and_a_slope_have_one_kind_of_cosine_each() {
        let (flat, slope) = (vec![1.0; 41], (0..41).map(|i| f64::from(i) - 20.0).collect::<Vec<_>>());
        let cosines = Cosines::of(41, 20);
        let (flat, slope) = (cosines.in_column(&flat), cosines.in_column(&slope));
        assert!((flat[0] - 41_f64.sqrt()).abs() < 1e-12 && flat[1..].iter().all(|v| *v == 0.0));
        assert!(slope.iter().step_by(2).all(|v| *v == 0.0) && slope[1].abs() > 10.0);
        assert!(Rc::ptr_eq(&cosines, &Cosines::of(41, 20)) && !Rc::ptr_eq(&cosines, &Cosines::of(40, 20)));
    }
}
