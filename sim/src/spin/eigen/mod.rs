//! Eigenvalues and eigenvectors of small Hermitian matrices.
//!
//! Householder reflections bring the matrix to a real tridiagonal one, implicit
//! QL steps diagonalise that, and the reflections are undone on the vectors
//! (standard numerical practice). The rotations of the QL steps act on real
//! vectors and every inner loop runs along contiguous memory, which for the
//! dimensions of spin systems (2 to a few dozen) is what decides the time.
//!
//! Largest error of an eigenvalue: a few ε times the largest element.

mod householder;
mod implicit_ql;

use nalgebra::{Complex, DMatrix};

/// Eigenvalues in ascending order and the vectors that belong to them.
#[derive(Debug, Clone, PartialEq)]
pub struct Eigen {
    /// The eigenvalues, ascending, in the unit of the matrix.
    pub values: Vec<f64>,
    /// Column `k` is the normalised eigenvector of `values[k]`.
    pub vectors: DMatrix<Complex<f64>>,
}

/// Why a matrix has no eigenvalues to offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum EigenError {
    /// Not square, or empty.
    #[error("a square matrix of at least 1 by 1 is needed, not {rows} by {columns}")]
    NotSquare {
        /// Rows.
        rows: usize,
        /// Columns.
        columns: usize,
    },
    /// An element is NaN or infinite.
    #[error("the matrix has an element that is not a finite number")]
    NotFinite,
    /// The matrix differs from its own adjoint.
    #[error("the matrix is not Hermitian: elements ({row}, {column}) and ({column}, {row}) do not match")]
    NotHermitian {
        /// Row, from 0.
        row: usize,
        /// Column, from 0.
        column: usize,
    },
    /// The iteration did not settle.
    #[error("the eigenvalue iteration did not converge")]
    NoConvergence,
}

/// Diagonalises a Hermitian matrix.
///
/// ```
/// use nalgebra::{Complex, DMatrix};
/// use noctule_sim::spin::eigen::eigh;
///
/// let i = Complex::new(0.0, 1.0);
/// let zero = Complex::new(0.0, 0.0);
/// let sigma_y = DMatrix::from_row_slice(2, 2, &[zero, -i, i, zero]);
/// let eigen = eigh(&sigma_y).unwrap();
/// assert!((eigen.values[0] + 1.0).abs() < 1e-14 && (eigen.values[1] - 1.0).abs() < 1e-14);
/// ```
pub fn eigh(matrix: &DMatrix<Complex<f64>>) -> Result<Eigen, EigenError> {
    let n = matrix.nrows();
    let largest = check(matrix)?;
    if largest == 0.0 {
        return Ok(Eigen { values: vec![0.0; n], vectors: DMatrix::identity(n, n) });
    }
    // With elements of at most 1 no square below over- or underflows harmfully.
    let (mut tridiagonal, reflections) = householder::tridiagonalise(matrix, 1.0 / largest);
    let mut vectors = vec![0.0; n * n];
    for k in 0..n {
        vectors[k * n + k] = 1.0;
    }
    implicit_ql::diagonalise(&mut tridiagonal, &mut vectors)?;

    let values = tridiagonal.diagonal;
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    Ok(Eigen {
        values: order.iter().map(|&k| values[k] * largest).collect(),
        vectors: reflections.undo(&vectors, &order),
    })
}

/// Checks shape, finiteness and symmetry; gives the largest real or imaginary part.
fn check(matrix: &DMatrix<Complex<f64>>) -> Result<f64, EigenError> {
    let (rows, columns) = matrix.shape();
    if rows != columns || rows == 0 {
        return Err(EigenError::NotSquare { rows, columns });
    }
    let mut largest = 0.0_f64;
    let mut sum = 0.0;
    for z in matrix.as_slice() {
        largest = largest.max(z.re.abs()).max(z.im.abs());
        sum += z.re.abs() + z.im.abs();
    }
    // `max` skips NaN, the sum does not; a sum of finite numbers may overflow.
    if sum.is_nan() || !largest.is_finite() {
        return Err(EigenError::NotFinite);
    }
    let tolerance = 1e-11 * largest;
    for column in 0..columns {
        for row in 0..=column {
            let difference = matrix[(row, column)] - matrix[(column, row)].conj();
            if difference.re.abs() > tolerance || difference.im.abs() > tolerance {
                return Err(EigenError::NotHermitian { row, column });
            }
        }
    }
    Ok(largest)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn hermitian(n: usize, numbers: &[f64]) -> DMatrix<Complex<f64>> {
        let raw = DMatrix::from_fn(n, n, |i, j| {
            let at = (i * n + j) * 2;
            Complex::new(numbers[at % numbers.len()], numbers[(at + 1) % numbers.len()])
        });
        (&raw + raw.adjoint()) * Complex::new(0.5, 0.0)
    }

    fn assert_solves(matrix: &DMatrix<Complex<f64>>) {
        let n = matrix.nrows();
        let eigen = eigh(matrix).unwrap();
        let scale = matrix.iter().fold(1e-300_f64, |m, z| m.max(z.norm()));
        let values = DMatrix::from_diagonal(&nalgebra::DVector::from_iterator(
            n,
            eigen.values.iter().map(|&v| Complex::new(v, 0.0)),
        ));
        let residual = matrix * &eigen.vectors - &eigen.vectors * values;
        assert!(residual.iter().all(|z| z.norm() < 1e-13 * scale * n as f64), "{residual}");
        let unity = eigen.vectors.adjoint() * &eigen.vectors - DMatrix::identity(n, n);
        assert!(unity.iter().all(|z| z.norm() < 1e-13 * n as f64), "{unity}");
        assert!(eigen.values.windows(2).all(|w| w[0] <= w[1]));
        // The library's own solver, an independent implementation.
        let mut theirs: Vec<f64> = matrix.clone().symmetric_eigenvalues().iter().copied().collect();
        theirs.sort_by(f64::total_cmp);
        for (ours, theirs) in eigen.values.iter().zip(&theirs) {
            assert!((ours - theirs).abs() < 1e-13 * scale * n as f64, "{ours} {theirs}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(128))]
        #[test]
        fn random_matrices_are_solved(
            n in 1_usize..21,
            numbers in prop::collection::vec(-1.0_f64..1.0, 441 * 2),
            exponent in -12_i32..12,
            sparse in 1_usize..5,
        ) {
            let scale = 10_f64.powi(exponent);
            let numbers: Vec<f64> = numbers.iter().enumerate()
                .map(|(k, v)| if (k / 2) % sparse == 0 { v * scale } else { 0.0 }).collect();
            assert_solves(&hermitian(n, &numbers));
        }
    }

    #[test]
    fn degenerate_graded_and_diagonal_matrices_are_solved() {
        assert_solves(&DMatrix::identity(7, 7));
        assert_solves(&DMatrix::from_element(9, 9, Complex::new(1.0, 0.0)));
        assert_solves(&DMatrix::from_fn(8, 8, |i, j| Complex::new(10_f64.powi(-3 * (i + j) as i32), 0.0)));
        let zeros = DMatrix::from_element(4, 4, Complex::new(0.0, 0.0));
        assert_eq!(eigh(&zeros).unwrap().values, [0.0; 4]);
    }

    #[test]
    fn bad_matrices_are_refused() {
        let z = |re: f64| Complex::new(re, 0.0);
        assert_eq!(
            eigh(&DMatrix::from_element(2, 3, z(0.0))),
            Err(EigenError::NotSquare { rows: 2, columns: 3 })
        );
        assert!(matches!(eigh(&DMatrix::from_element(0, 0, z(0.0))), Err(EigenError::NotSquare { .. })));
        assert_eq!(eigh(&DMatrix::from_element(2, 2, z(f64::NAN))), Err(EigenError::NotFinite));
        assert_eq!(eigh(&DMatrix::from_element(2, 2, z(f64::INFINITY))), Err(EigenError::NotFinite));
        let skew = DMatrix::from_row_slice(2, 2, &[z(0.0), z(1.0), z(2.0), z(0.0)]);
        assert_eq!(eigh(&skew), Err(EigenError::NotHermitian { row: 0, column: 1 }));
    }
}
