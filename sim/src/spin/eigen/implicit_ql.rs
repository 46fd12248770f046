//! Diagonalises a real symmetric tridiagonal matrix with implicit QL steps.

use super::EigenError;

/// Steps allowed for one eigenvalue; two or three are usual.
const STEPS_MAX: u32 = 80;
/// Off-diagonal elements below this are nothing beside elements of size 1.
const NEGLIGIBLE: f64 = 1e-30;

/// The matrix: `off[k]` couples `k` and `k + 1`, the last entry is unused.
#[derive(Debug)]
pub(super) struct Tridiagonal {
    pub(super) diagonal: Vec<f64>,
    pub(super) off: Vec<f64>,
}

/// Leaves the eigenvalues (in no order) on the diagonal and turns `vectors`, stored column by column, along.
pub(super) fn diagonalise(matrix: &mut Tridiagonal, vectors: &mut [f64]) -> Result<(), EigenError> {
    let n = matrix.diagonal.len();
    assert_eq!(vectors.len(), n * n, "one column for each eigenvalue");
    for first in 0..n {
        let mut steps = 0;
        loop {
            let last = block_end(matrix, first);
            if last == first {
                break;
            }
            steps += 1;
            if steps > STEPS_MAX {
                return Err(EigenError::NoConvergence);
            }
            step(matrix, first, last, vectors);
        }
    }
    Ok(())
}

/// The end of the block that still hangs together with `first`.
fn block_end(matrix: &Tridiagonal, first: usize) -> usize {
    let d = &matrix.diagonal;
    (first..d.len() - 1)
        .find(|&k| matrix.off[k].abs() <= f64::EPSILON * (d[k].abs() + d[k + 1].abs()) + NEGLIGIBLE)
        .unwrap_or(d.len() - 1)
}

/// One QL step on the block `first..=last`, shifted by the eigenvalue of its upper corner.
fn step(matrix: &mut Tridiagonal, first: usize, last: usize, vectors: &mut [f64]) {
    let n = matrix.diagonal.len();
    let (d, e) = (&mut matrix.diagonal, &mut matrix.off);
    let half_gap = (d[first + 1] - d[first]) / (2.0 * e[first]);
    let root = (half_gap * half_gap + 1.0).sqrt();
    let shift = d[first] - e[first] / (half_gap + root.copysign(half_gap));
    let mut g = d[last] - shift;
    let (mut sine, mut cosine, mut p) = (1.0, 1.0, 0.0);
    for i in (first..last).rev() {
        let f = sine * e[i];
        let b = cosine * e[i];
        let r = (f * f + g * g).sqrt();
        e[i + 1] = r;
        if r == 0.0 {
            // The block fell apart on the way: the next step starts from the smaller one.
            d[i + 1] -= p;
            e[last] = 0.0;
            return;
        }
        sine = f / r;
        cosine = g / r;
        let q = d[i + 1] - p;
        let t = (d[i] - q) * sine + 2.0 * cosine * b;
        p = sine * t;
        d[i + 1] = q + p;
        g = cosine * t - b;
        rotate(&mut vectors[i * n..(i + 2) * n], n, sine, cosine);
    }
    d[first] -= p;
    e[first] = g;
    e[last] = 0.0;
}

/// Turns two neighbouring columns into each other.
#[inline]
fn rotate(columns: &mut [f64], n: usize, sine: f64, cosine: f64) {
    let (low, high) = columns.split_at_mut(n);
    for (a, b) in low.iter_mut().zip(high.iter_mut()) {
        let f = *b;
        *b = sine * *a + cosine * f;
        *a = cosine * *a - sine * f;
    }
}
