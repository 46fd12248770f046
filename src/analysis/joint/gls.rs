//! Straight laws by generalised least squares, for many sizes of what moves centres together.
#![allow(
    clippy::needless_range_loop,
    reason = "rows and columns of small matrices are named by their numbers"
)]

use super::answers::Answer;
use super::spectra::dot;

/// Logarithm beyond which the inverse of a number is none.
const NEVER: f64 = 746.0;

/// A straight law `p[0] + p[1] x` with its variances.
pub(super) struct Gls {
    pub p: [f64; 2],
    pub v: [[f64; 2]; 2],
    /// Curvature in units of its error.
    pub curved: f64,
    /// Sum of the squares of what is left.
    pub rest: f64,
    pub log_likelihood: f64,
    pub bent: bool,
}

/// How large everything is that moves centres, in the unit of the centres.
pub(super) struct Size {
    pub wander: f64,
    /// Which of the durations.
    pub lasts: usize,
    pub bend: f64,
    /// Which of the answers of the tip's field.
    pub answer: usize,
}

/// Lower halves of matrices of covariances, row by row.
pub(super) struct Covariances {
    n: usize,
    /// What does not depend on any size.
    fixed: Vec<f64>,
    /// Of a wander of size one, for each duration.
    wander: Vec<Vec<f64>>,
    /// Of an answer of size one.
    answers: Vec<Vec<f64>>,
}

impl Covariances {
    /// Variances that centres have of their own, what they have in common, when they were measured with the durations of a
    /// wander in units of the whole time, and the answers.
    pub fn new<const N: usize>(
        own: &[f64],
        common: &[[f64; N]],
        (times, lasts): (&[f64], &[f64]),
        answers: &[Answer],
    ) -> Self {
        let n = own.len();
        let half = |of: &dyn Fn(usize, usize) -> f64| {
            (0..n).flat_map(|i| (0..=i).map(move |j| (i, j))).map(|(i, j)| of(i, j)).collect::<Vec<f64>>()
        };
        let end = |of: fn(f64, f64) -> f64, from: f64| times.iter().fold(from, |m, t| of(m, *t));
        let length = (end(f64::max, f64::NEG_INFINITY) - end(f64::min, f64::INFINITY)).max(1e-9);
        let wander = |lasts: &f64| {
            half(&|i, j| {
                let lag = (times[i] - times[j]).abs() / (lasts * length);
                if lag < NEVER { (-lag).exp() } else { 0.0 }
            })
        };
        let fixed = half(&|i, j| {
            let own = if i == j { own[i] } else { 0.0 };
            own + dot(&common[i], &common[j])
        });
        let answer = |of: &Answer| {
            let bend = |i: usize, j: usize| of.bend.as_ref().map_or(0.0, |bend| bend[i] * bend[j]);
            half(&|i, j| of.along[i] * of.along[j] + bend(i, j))
        };
        let answers = answers.iter().map(answer).collect();
        Covariances { n, fixed, wander: lasts.iter().map(wander).collect(), answers }
    }

    /// How many answers there are.
    pub fn answers(&self) -> usize {
        self.answers.len()
    }

    /// The straight law through values `y` at `x`, and how much of a curve it leaves; nothing where the covariances are none.
    /// The matrix is room to work in.
    pub fn fit(
        &self,
        size: &Size,
        (x, y, curve): (&[f64], &[f64], &[f64]),
        matrix: &mut Vec<f64>,
    ) -> Option<Gls> {
        let n = self.n;
        let (wander, bend) = (size.wander * size.wander, size.bend * size.bend);
        let parts = self.wander[size.lasts].iter().zip(&self.answers[size.answer]);
        matrix.clear();
        matrix.extend(self.fixed.iter().zip(parts).map(|(fixed, (w, a))| fixed + wander * w + bend * a));
        let mut log_det = 0.0;
        for i in 0..n {
            let (done, row) = matrix.split_at_mut(i * (i + 1) / 2);
            for j in 0..i {
                let above = &done[j * (j + 1) / 2..];
                row[j] = (row[j] - dot(&row[..j], &above[..j])) / above[j];
            }
            let left = row[i] - dot(&row[..i], &row[..i]);
            row[i] = (left > 0.0).then(|| left.sqrt())?;
            log_det += row[i].ln();
        }
        let white = |v: &dyn Fn(usize) -> f64| {
            let mut w = Vec::with_capacity(n);
            for i in 0..n {
                let row = &matrix[i * (i + 1) / 2..];
                w.push((v(i) - dot(&row[..i], &w)) / row[i]);
            }
            w
        };
        let (one, line, wy) = (white(&|_| 1.0), white(&|i| x[i]), white(&|i| y[i]));
        let mut bend = white(&|i| curve[i]);
        let (a, b, d) = (dot(&one, &one), dot(&one, &line), dot(&line, &line));
        let det = a * d - b * b;
        let (u, w) = (dot(&one, &wy), dot(&line, &wy));
        let p = [(d * u - b * w) / det, (a * w - b * u) / det];
        let rest: Vec<f64> = (0..n).map(|i| wy[i] - p[0] * one[i] - p[1] * line[i]).collect();
        let (u, w) = (dot(&one, &bend), dot(&line, &bend));
        let q = [(d * u - b * w) / det, (a * w - b * u) / det];
        (0..n).for_each(|i| bend[i] -= q[0] * one[i] + q[1] * line[i]);
        let curved = dot(&bend, &rest) / dot(&bend, &bend).sqrt().max(1e-300);
        let left = dot(&rest, &rest);
        (det > 0.0).then_some(Gls {
            p,
            v: [[d / det, -b / det], [-b / det, a / det]],
            curved,
            rest: left,
            log_likelihood: -log_det - 0.5 * det.ln() - 0.5 * left,
            bent: false,
        })
    }
}
