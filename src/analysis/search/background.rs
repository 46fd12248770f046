//! What is under the line: an offset and waves over the range that are longer than any line is wide.
//!
//! The transmission of an RF line ripples, and the ripple has a top somewhere. Waves of every length down to one and a half
//! times the widest line, each as high as the spread in use makes likely, explain it without a line.

/// Most waves.
const MOST: usize = 12;

/// One number for each function of a background; those it does not have are zero.
pub(super) type Functions = [f64; MOST + 1];

/// Offset and half waves on a range.
#[derive(Debug, Clone, Copy)]
pub(super) struct Background {
    low: f64,
    span: f64,
    /// Number of functions, the constant one included.
    pub(super) functions: usize,
}

impl Background {
    /// Waves that are longer than a line is wide.
    pub(super) fn new((low, high): (f64, f64), widest: f64) -> Self {
        let waves = (((high - low) / (0.75 * widest)) as usize).clamp(1, MOST);
        Self { low, span: high - low, functions: waves + 1 }
    }

    /// The functions at a place.
    pub(super) fn at(&self, x: f64) -> Functions {
        let angle = std::f64::consts::PI * (x - self.low) / self.span;
        let twice = 2.0 * angle.cos();
        let mut values: Functions = [0.0; MOST + 1];
        let (mut before, mut here) = (angle.cos(), 1.0);
        for value in values.iter_mut().take(self.functions) {
            *value = here;
            (before, here) = (here, twice * here - before);
        }
        values
    }
}

/// Sums over the observations that the background needs.
#[derive(Debug, Clone)]
pub(super) struct Sums {
    /// Products of the functions with each other, row by row.
    products: Vec<f64>,
    /// Products with the observed values.
    values: Vec<f64>,
    /// Sum of squares of the observed values.
    pub(super) squares: f64,
    pub(super) count: f64,
}

impl Sums {
    pub(super) fn new(functions: usize) -> Self {
        Self {
            products: vec![0.0; functions * functions],
            values: vec![0.0; functions],
            squares: 0.0,
            count: 0.0,
        }
    }

    pub(super) fn add(&mut self, functions: &[f64], y: f64) {
        let m = self.values.len();
        for i in 0..m {
            self.values[i] += functions[i] * y;
            for j in 0..m {
                self.products[i * m + j] += functions[i] * functions[j];
            }
        }
        self.squares += y * y;
        self.count += 1.0;
    }
}

/// The Gaussian posterior of the background alone.
#[derive(Debug, Clone)]
pub(super) struct Ground {
    m: usize,
    /// Lower triangular factor of the precision matrix, row by row.
    lower: Vec<f64>,
    /// The factor's solution for the observed values.
    pub(super) z: Functions,
    pub(super) ln_determinant: f64,
    /// Logarithm of the product of the prior variances.
    pub(super) ln_prior: f64,
    pub(super) explained: f64,
}

impl Ground {
    /// For noise and prior variances of the offset and of all waves together.
    pub(super) fn new(sums: &Sums, sigma: f64, offset: f64, waves: f64) -> Self {
        let m = sums.values.len();
        let unit = 1.0 / (sigma * sigma);
        let each = waves / (m - 1) as f64;
        let mut lower = vec![0.0; m * m];
        let (mut ln_determinant, mut ln_prior) = (0.0, 0.0);
        for i in 0..m {
            let prior = if i == 0 { offset } else { each };
            ln_prior += prior.ln();
            for j in 0..=i {
                let taken: f64 = (0..j).map(|k| lower[i * m + k] * lower[j * m + k]).sum();
                let own = sums.products[i * m + j] * unit + if i == j { 1.0 / prior } else { 0.0 };
                lower[i * m + j] = if i == j {
                    (own - taken).max(f64::MIN_POSITIVE).sqrt()
                } else {
                    (own - taken) / lower[j * m + j]
                };
            }
            ln_determinant += 2.0 * lower[i * m + i].ln();
        }
        let mut ground = Self { m, lower, z: [0.0; MOST + 1], ln_determinant, ln_prior, explained: 0.0 };
        ground.z = ground.forward(&sums.values, unit);
        ground.explained = ground.z.iter().map(|z| z * z).sum();
        ground
    }

    /// Solves `L u = unit v`.
    pub(super) fn forward(&self, v: &[f64], unit: f64) -> Functions {
        let mut u = [0.0; MOST + 1];
        for i in 0..self.m {
            let mut rest = v[i] * unit;
            let row = &self.lower[i * self.m..i * self.m + i];
            for (l, u) in row.iter().zip(&u) {
                rest -= l * u;
            }
            u[i] = rest / self.lower[i * self.m + i];
        }
        u
    }

    /// Solves `Lᵀ u = v`.
    pub(super) fn back(&self, v: &Functions) -> Functions {
        let mut u = *v;
        for i in (0..self.m).rev() {
            let taken: f64 = (i + 1..self.m).map(|k| self.lower[k * self.m + i] * u[k]).sum();
            u[i] = (u[i] - taken) / self.lower[i * self.m + i];
        }
        u
    }
}
