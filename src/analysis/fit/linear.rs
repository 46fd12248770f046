//! Linear least squares for starting values: best factors of given columns.

use nalgebra::{DMatrix, DVector};

/// Factors of the columns that fit y best, and the sum of squares left; `None` if the columns are dependent.
/// Good for starting values: normal equations of scaled columns, not the last digits.
pub(crate) fn factors(columns: &[Vec<f64>], y: &[f64]) -> Option<(Vec<f64>, f64)> {
    let m = columns.len();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let lengths: Vec<f64> = columns.iter().map(|c| dot(c, c).sqrt()).collect();
    if lengths.iter().any(|l| !(l.is_finite() && *l > 0.0)) {
        return None;
    }
    let mut normal = DMatrix::zeros(m, m);
    for i in 0..m {
        for j in 0..=i {
            let product = dot(&columns[i], &columns[j]) / (lengths[i] * lengths[j]);
            normal[(i, j)] = product;
            normal[(j, i)] = product;
        }
        // A trace of damping, so that nearly dependent columns give moderate factors instead of none.
        normal[(i, i)] += 1e-10;
    }
    let right = DVector::from_iterator(m, (0..m).map(|i| dot(&columns[i], y) / lengths[i]));
    let solved = normal.cholesky()?.solve(&right);
    let factors: Vec<f64> = (0..m).map(|i| solved[i] / lengths[i]).collect();
    let mut left = 0.0;
    for (k, y) in y.iter().enumerate() {
        let fitted: f64 = factors.iter().zip(columns).map(|(f, c)| f * c[k]).sum();
        left += (y - fitted) * (y - fitted);
    }
    (left.is_finite() && factors.iter().all(|f| f.is_finite())).then_some((factors, left))
}

/// Geometric grid from `low` to `high`, both included.
pub(crate) fn geometric(low: f64, high: f64, count: usize) -> impl Iterator<Item = f64> {
    let ratio = (high / low).powf(1.0 / (count - 1) as f64);
    (0..count).map(move |k| low * ratio.powi(k as i32))
}

/// Even grid from `low` to `high`, both included.
pub(crate) fn even(low: f64, high: f64, count: usize) -> impl Iterator<Item = f64> {
    (0..count).map(move |k| low + (high - low) * k as f64 / (count - 1) as f64)
}
