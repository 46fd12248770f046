//! Spin matrices and how they enter a product basis.

use nalgebra::{Complex, DMatrix, Matrix3, Vector3};

pub(super) type C = Complex<f64>;

/// Number of projections 2S + 1, or `None` if S is no positive multiple of 1/2.
pub(super) fn multiplicity(spin: f64) -> Option<u64> {
    let twice = spin * 2.0;
    // 2^32 is far beyond what is diagonalised and well inside what an f64 counts exactly.
    ((1.0..4_294_967_296.0).contains(&twice) && twice.fract() == 0.0).then(|| twice as u64 + 1)
}

/// ⟨m+1|S₊|m⟩ for the basis states 0 (m = S) to 2S − 1: element `k` leads from state k + 1 to state k.
pub(super) fn raising(multiplicity: usize) -> Vec<f64> {
    let spin = (multiplicity as f64 - 1.0) / 2.0;
    (1..multiplicity)
        .map(|k| {
            let m = spin - k as f64;
            (spin * (spin + 1.0) - m * (m + 1.0)).sqrt()
        })
        .collect()
}

/// Projections m from S down to −S.
pub(super) fn projections(multiplicity: usize) -> Vec<f64> {
    let spin = (multiplicity as f64 - 1.0) / 2.0;
    (0..multiplicity).map(|k| spin - k as f64).collect()
}

/// Sx, Sy, Sz as full matrices.
pub(super) fn cartesian(multiplicity: usize) -> [DMatrix<C>; 3] {
    let mut plus = DMatrix::from_element(multiplicity, multiplicity, C::new(0.0, 0.0));
    for (k, element) in raising(multiplicity).into_iter().enumerate() {
        plus[(k, k + 1)] = C::new(element, 0.0);
    }
    let minus = plus.adjoint();
    let z = DMatrix::from_diagonal(&nalgebra::DVector::from_iterator(
        multiplicity,
        projections(multiplicity).into_iter().map(|m| C::new(m, 0.0)),
    ));
    [(&plus + &minus) * C::new(0.5, 0.0), (&plus - &minus) * C::new(0.0, -0.5), z]
}

/// Σ n_i S_i.
pub(super) fn along(spin: &[DMatrix<C>; 3], n: &Vector3<f64>) -> DMatrix<C> {
    &spin[0] * C::new(n.x, 0.0) + &spin[1] * C::new(n.y, 0.0) + &spin[2] * C::new(n.z, 0.0)
}

/// Σ Q_ij S_i S_j.
pub(super) fn quadratic(spin: &[DMatrix<C>; 3], q: &Matrix3<f64>) -> DMatrix<C> {
    let n = spin[0].nrows();
    let mut sum = DMatrix::from_element(n, n, C::new(0.0, 0.0));
    for i in 0..3 {
        for j in 0..3 {
            if q[(i, j)] != 0.0 {
                sum += &spin[i] * &spin[j] * C::new(q[(i, j)], 0.0);
            }
        }
    }
    sum
}

/// Where one site stands in the product basis: `left` states of the sites before it, `right` of those after it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) left: usize,
    pub(super) own: usize,
    pub(super) right: usize,
}

impl Place {
    pub(super) fn all(multiplicities: &[usize]) -> Vec<Place> {
        let total: usize = multiplicities.iter().product();
        let mut left = 1;
        let mut places = Vec::with_capacity(multiplicities.len());
        for &own in multiplicities {
            places.push(Place { left, own, right: total / (left * own) });
            left *= own;
        }
        places
    }

    /// Adds a single-site operator to the matrix of the whole system.
    pub(super) fn add(&self, matrix: &mut DMatrix<C>, operator: &DMatrix<C>) {
        for i in 0..self.own {
            for j in 0..self.own {
                let element = operator[(i, j)];
                if element.re == 0.0 && element.im == 0.0 {
                    continue;
                }
                for l in 0..self.left {
                    let row = (l * self.own + i) * self.right;
                    let column = (l * self.own + j) * self.right;
                    for r in 0..self.right {
                        matrix[(row + r, column + r)] += element;
                    }
                }
            }
        }
    }
}

/// Adds Σ T_ij A_i B_j of two different sites, `first` standing before `second`.
pub(super) fn add_pair(
    matrix: &mut DMatrix<C>,
    (first, a): (&Place, &[DMatrix<C>; 3]),
    (second, b): (&Place, &[DMatrix<C>; 3]),
    tensor: &Matrix3<f64>,
) {
    assert!(first.left < second.left, "sites in order");
    let middle = second.left / (first.left * first.own);
    // B summed with the rows of T first: three products instead of nine.
    let summed: [DMatrix<C>; 3] = std::array::from_fn(|i| along(b, &tensor.row(i).transpose()));
    for i in 0..first.own {
        for j in 0..first.own {
            for k in 0..second.own {
                for m in 0..second.own {
                    let element: C = (0..3).map(|x| a[x][(i, j)] * summed[x][(k, m)]).sum();
                    if element.re == 0.0 && element.im == 0.0 {
                        continue;
                    }
                    for l in 0..first.left {
                        for c in 0..middle {
                            let row = (((l * first.own + i) * middle + c) * second.own + k) * second.right;
                            let column = (((l * first.own + j) * middle + c) * second.own + m) * second.right;
                            for r in 0..second.right {
                                matrix[(row + r, column + r)] += element;
                            }
                        }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// [Sx, Sy] = i Sz and S² = S(S+1), the defining relations.
    #[test]
    fn the_matrices_are_spins() {
        for multiplicity in 2..=9 {
            let [x, y, z] = cartesian(multiplicity);
            let commutator = &x * &y - &y * &x - &z * C::new(0.0, 1.0);
            assert!(commutator.iter().all(|e| e.norm() < 1e-12));
            let spin = (multiplicity as f64 - 1.0) / 2.0;
            let square = &x * &x + &y * &y + &z * &z
                - DMatrix::identity(multiplicity, multiplicity) * C::new(spin * (spin + 1.0), 0.0);
            assert!(square.iter().all(|e| e.norm() < 1e-12));
        }
    }

    #[test]
    fn only_multiples_of_one_half_are_spins() {
        assert_eq!(multiplicity(0.5), Some(2));
        assert_eq!(multiplicity(3.5), Some(8));
        for bad in [0.3, 0.0, -0.5, f64::NAN, f64::INFINITY, 1e300, 0.25] {
            assert_eq!(multiplicity(bad), None, "{bad}");
        }
    }

    #[test]
    fn pairs_equal_the_full_product() {
        let multiplicities = [2, 3, 2, 4];
        let places = Place::all(&multiplicities);
        let dimension = 48;
        let tensor = Matrix3::new(1.0, 0.2, -0.3, 0.5, 2.0, 0.7, 0.1, -0.4, 3.0);
        let zero = DMatrix::from_element(dimension, dimension, C::new(0.0, 0.0));
        for (a, b) in [(0, 1), (0, 3), (1, 2), (1, 3)] {
            let (sa, sb) = (cartesian(multiplicities[a]), cartesian(multiplicities[b]));
            let mut matrix = zero.clone();
            add_pair(&mut matrix, (&places[a], &sa), (&places[b], &sb), &tensor);
            for i in 0..3 {
                for j in 0..3 {
                    let (mut first, mut second) = (zero.clone(), zero.clone());
                    places[a].add(&mut first, &sa[i]);
                    places[b].add(&mut second, &sb[j]);
                    matrix -= first * second * C::new(tensor[(i, j)], 0.0);
                }
            }
            assert!(matrix.iter().all(|e| e.norm() < 1e-12));
        }
    }
}
