//! Covariance of fitted parameters from the derivatives of the model.

use nalgebra::DMatrix;

/// Inverse of JᵀJ for a weighted Jacobian given as columns, or `None` if the columns are dependent.
///
/// The columns are scaled to unit length and decomposed by QR, so that neither the units of the parameters nor
/// the squaring of the condition number costs digits.
pub(crate) fn of_columns(columns: &[Vec<f64>]) -> Option<DMatrix<f64>> {
    let m = columns.len();
    let n = columns.first()?.len();
    if n < m {
        return None;
    }
    let mut lengths = Vec::with_capacity(m);
    for column in columns {
        let largest = column.iter().fold(0.0_f64, |a, v| a.max(v.abs()));
        if !largest.is_finite() || largest == 0.0 {
            return None;
        }
        let sum: f64 = column.iter().map(|v| (v / largest) * (v / largest)).sum();
        let length = largest * sum.sqrt();
        if !length.is_finite() || column.iter().any(|v| !v.is_finite()) {
            return None;
        }
        lengths.push(length);
    }
    let scaled = DMatrix::from_fn(n, m, |i, j| columns[j][i] / lengths[j]);
    let r = scaled.qr().r();
    let smallest = (0..m).map(|i| r[(i, i)].abs()).fold(f64::INFINITY, f64::min);
    // Unit columns: a diagonal element this small is a dependence to within rounding.
    let independent = smallest > 1e-13 * (n as f64).sqrt();
    if !independent {
        return None;
    }
    let inverse = r.solve_upper_triangular(&DMatrix::identity(m, m))?;
    let mut covariance = &inverse * inverse.transpose();
    for i in 0..m {
        for j in 0..m {
            covariance[(i, j)] = covariance[(i, j)] / lengths[i] / lengths[j];
        }
    }
    covariance.iter().all(|v| v.is_finite()).then_some(covariance)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn straight_line_in_closed_form() {
        // For a line through x = 1..5 the inverse of [[5, 15], [15, 55]] is [[1.1, -0.3], [-0.3, 0.1]].
        let x: Vec<f64> = (1..=5).map(f64::from).collect();
        let c = of_columns(&[vec![1.0; 5], x]).unwrap();
        for (value, expected) in c.iter().zip([1.1, -0.3, -0.3, 0.1]) {
            assert!((value - expected).abs() < 1e-13);
        }
    }

    #[test]
    fn dependent_columns_are_refused() {
        let x: Vec<f64> = (1..=9).map(f64::from).collect();
        let twice: Vec<f64> = x.iter().map(|v| 2e7 * v).collect();
        assert!(of_columns(&[x.clone(), twice]).is_none());
        assert!(of_columns(&[x, vec![0.0; 9]]).is_none());
        assert!(of_columns(&[]).is_none());
    }

    #[test]
    fn units_do_not_matter() {
        let x: Vec<f64> = (1..=5).map(|i| 1e90 * f64::from(i)).collect();
        let c = of_columns(&[vec![1e-90; 5], x]).unwrap();
        assert!((c[(0, 0)] / 1.1e180 - 1.0).abs() < 1e-12);
        assert!((c[(1, 1)] / 0.1e-180 - 1.0).abs() < 1e-12);
    }
}
