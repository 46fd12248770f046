//! One cascade of RC stages driven by a constant level and white noise, advanced
//! exactly by any time.
//!
//! The stages obey τ dx₁ = (u − x₁) dt + dw and τ dx_k = (x_{k−1} − x_k) dt. With
//! s = t/τ the transition matrix is lower triangular with e^{−s} s^j/j! on its j-th
//! diagonal; the level u arrives at stage k as u·P(k, s). White noise of one-sided
//! density D leaves, after the same time, Gaussian deviations of covariance
//!
//! Q_{ij} = D²/(2τ) · m!/((i−1)!(j−1)!) · 2^{−(m+1)} · P(m+1, 2s), m = i+j−2,
//!
//! the integral ∫₀ˢ e^{−2y} y^m dy in closed form. Its Cholesky root is taken once for
//! a step s and kept, so that a step costs a few multiplications and `order` normal deviates.

use super::gamma::ladder;

const STAGES: usize = super::ORDER_MAX as usize;
const KEPT_STEPS: usize = 4;
/// Beyond this many time constants nothing of the past is left in double precision.
const FORGOTTEN: f64 = 800.0;

/// Coefficients of one step of s = dt/τ at one order.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Step {
    s: f64,
    order: usize,
    decay: [f64; STAGES],
    rise: [f64; STAGES],
    root: [[f64; STAGES]; STAGES],
}

impl Step {
    pub(super) fn new(order: usize, s: f64) -> Self {
        assert!((1..=STAGES).contains(&order), "filter order {order} is outside 1 to {STAGES}");
        let bounded = s.min(FORGOTTEN);
        let mut decay = [0.0; STAGES];
        let rise = ladder::<STAGES>(bounded);
        let mut term = (-bounded).exp();
        for (k, slot) in decay.iter_mut().enumerate() {
            *slot = term;
            term *= bounded / (k + 1) as f64;
        }
        Self { s, order, decay, rise, root: noise_root(order, bounded) }
    }
}

/// Lower Cholesky root of the noise covariance for D²/(2τ) = 1.
#[expect(clippy::needless_range_loop, reason = "matrices are clearer by their indices")]
fn noise_root(order: usize, s: f64) -> [[f64; STAGES]; STAGES] {
    // m!/((i−1)!(j−1)!) is a binomial coefficient.
    const BINOMIAL: [[f64; STAGES]; STAGES] =
        [[1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0, 4.0], [1.0, 3.0, 6.0, 10.0], [1.0, 4.0, 10.0, 20.0]];
    let arrived = ladder::<{ 2 * STAGES - 1 }>(2.0 * s);
    let mut q = [[0.0; STAGES]; STAGES];
    let mut half = 0.5;
    for m in 0..2 * order - 1 {
        for i in m.saturating_sub(order - 1)..=m.min(order - 1) {
            q[i][m - i] = BINOMIAL[i][m - i] * half * arrived[m];
        }
        half *= 0.5;
    }
    // For short steps the stages' variances differ by many powers of s. Scaled to
    // correlations the matrix is at worst the Hilbert matrix, which is harmless at order 4.
    let mut root = [[0.0; STAGES]; STAGES];
    let sigma: [f64; STAGES] = std::array::from_fn(|i| q[i][i].sqrt());
    for i in 0..order {
        if sigma[i] == 0.0 {
            continue;
        }
        for j in 0..=i {
            if sigma[j] == 0.0 {
                continue;
            }
            let below: f64 = (0..j).map(|k| root[i][k] * root[j][k]).sum();
            let rest = q[i][j] / (sigma[i] * sigma[j]) - below;
            root[i][j] = if i == j { rest.max(0.0).sqrt() } else { rest / root[j][j] };
        }
    }
    for i in 0..order {
        for j in 0..=i {
            root[i][j] *= sigma[i];
        }
    }
    root
}

/// The few steps used lately, so that a loop over two or three intervals computes none anew.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Steps {
    kept: Vec<Step>,
    oldest: usize,
}

impl Steps {
    pub(super) fn get(&mut self, order: usize, s: f64) -> &Step {
        let found = self.kept.iter().position(|step| step.s == s && step.order == order);
        let at = found.unwrap_or_else(|| {
            let step = Step::new(order, s);
            if self.kept.len() < KEPT_STEPS {
                self.kept.push(step);
                self.kept.len() - 1
            } else {
                let at = self.oldest;
                self.kept[at] = step;
                self.oldest = (at + 1) % KEPT_STEPS;
                at
            }
        });
        &self.kept[at]
    }
}

/// The voltages on the stages, in the unit of the input.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Cascade {
    stage: [f64; STAGES],
}

impl Cascade {
    /// Advances by one step. `normals` are independent standard normal deviates, one a stage;
    /// `spread` is density/√(2τ).
    pub(super) fn advance(&mut self, step: &Step, level: f64, spread: f64, normals: &[f64; STAGES]) {
        let old = self.stage;
        for k in 0..step.order {
            let mut now = step.rise[k] * level;
            let mut noise = 0.0;
            for j in 0..=k {
                now += step.decay[k - j] * old[j];
                noise += step.root[k][j] * normals[j];
            }
            self.stage[k] = now + spread * noise;
        }
    }

    pub(super) fn output(&self, order: usize) -> f64 {
        self.stage[order - 1]
    }

    /// Stages switched in start from where the output stood, so that the reading doesn't jump.
    pub(super) fn reorder(&mut self, from: usize, to: usize) {
        for k in from..to {
            self.stage[k] = self.stage[from - 1];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn covariance(step: &Step) -> [[f64; STAGES]; STAGES] {
        std::array::from_fn(|i| {
            std::array::from_fn(|j| (0..STAGES).map(|k| step.root[i][k] * step.root[j][k]).sum())
        })
    }

    /// Two steps in a row must be the same as one of both: Q(s+t) = Q(t) + A(t) Q(s) A(t)ᵀ.
    #[test]
    #[expect(clippy::needless_range_loop, reason = "matrices are clearer by their indices")]
    fn noise_of_two_steps_adds_up_to_that_of_one() {
        for order in 1..=STAGES {
            for (s, t) in [(1e-4, 3e-4), (0.01, 0.5), (0.7, 1.9), (5.0, 1e-3), (30.0, 40.0)] {
                let (first, second, both) =
                    (Step::new(order, s), Step::new(order, t), Step::new(order, s + t));
                let (q1, q2, q12) = (covariance(&first), covariance(&second), covariance(&both));
                let a = |i: usize, j: usize| if j <= i { second.decay[i - j] } else { 0.0 };
                for i in 0..order {
                    for j in 0..order {
                        let mut carried = q2[i][j];
                        for k in 0..order {
                            for l in 0..order {
                                carried += a(i, k) * q1[k][l] * a(j, l);
                            }
                        }
                        assert!((carried / q12[i][j] - 1.0).abs() < 1e-11, "{order} {s} {t} {i} {j}");
                    }
                }
            }
        }
    }

    /// The covariance once more from the matrix exponential of the block matrix
    /// [[−A, L Lᵀ], [0, Aᵀ]]·s (IEEE Trans. Autom. Control 23, 395 (1978); from memory, not checked),
    /// with the exponential of a linear-algebra library.
    #[test]
    fn transition_and_noise_agree_with_a_matrix_exponential() {
        for order in 1..=STAGES {
            for s in [0.05, 0.4, 1.0, 3.0, 8.0] {
                let step = Step::new(order, s);
                let q = covariance(&step);
                let a = nalgebra::DMatrix::from_fn(order, order, |i, j| {
                    if i == j {
                        -1.0
                    } else if i == j + 1 {
                        1.0
                    } else {
                        0.0
                    }
                });
                let mut block = nalgebra::DMatrix::zeros(2 * order, 2 * order);
                block.view_mut((0, 0), (order, order)).copy_from(&(-&a * s));
                block.view_mut((order, order), (order, order)).copy_from(&(a.transpose() * s));
                // D²/2 = τ for D²/(2τ) = 1, and the noise enters the first stage alone.
                block[(0, order)] = s;
                let exponential = block.exp();
                let transition = exponential.view((order, order), (order, order)).transpose();
                let noise = &transition * exponential.view((0, order), (order, order));
                for i in 0..order {
                    for j in 0..order {
                        let decay = if j <= i { step.decay[i - j] } else { 0.0 };
                        assert!((transition[(i, j)] - decay).abs() < 1e-12);
                        // −A makes entries of size e^s, and that many digits are lost in the product.
                        let lost = 1e-13 * s.exp() * s.exp();
                        assert!((noise[(i, j)] - q[i][j]).abs() < lost.max(1e-13), "{order} {s} {i} {j}");
                    }
                }
            }
        }
    }

    #[test]
    fn extreme_steps_stay_finite() {
        for order in 1..=STAGES {
            for s in [0.0, 1e-300, 1e-60, 1e-12, 1e3, 1e300] {
                let step = Step::new(order, s);
                let mut cascade = Cascade { stage: [1.0, -2.0, 3.0, -4.0] };
                cascade.advance(&step, 5.0, 1.0, &[1.0, -1.0, 1.0, -1.0]);
                assert!(cascade.stage.iter().all(|x| x.is_finite()), "order {order}, s {s}");
            }
        }
    }

    #[test]
    fn steps_are_kept_and_replaced() {
        let mut steps = Steps::default();
        for s in [0.1, 0.2, 0.3, 0.4, 0.5, 0.1, 0.5] {
            assert_eq!(steps.get(2, s), &Step::new(2, s));
        }
        assert_eq!(steps.kept.len(), KEPT_STEPS);
    }
}
