//! The grid of centres and widths, with the sums of observations that each cell needs.
//!
//! In each cell the signal is linear in three numbers: the height of the absorptive part of the line, the height of its
//! dispersive part (asymmetry times height), and the offset. Their Gaussian posterior is exact.

/// What is known beforehand of height, dispersive height and offset, as Gaussians.
#[derive(Debug, Clone)]
pub(super) struct Prior {
    height: f64,
    /// Variances of height, dispersive height, offset.
    variances: [f64; 3],
    typical: f64,
    level: f64,
}

/// Gaussian posterior of height, dispersive height and offset in one cell.
#[derive(Debug, Clone, Copy)]
pub(super) struct State {
    pub(super) mean: [f64; 3],
    /// Covariances 00, 01, 02, 11, 12, 22.
    pub(super) covariance: [f64; 6],
    /// Logarithm of the determinant of the precision matrix.
    ln_determinant: f64,
    /// What the posterior mean explains of the sum of squares over the noise variance, the prior counted in.
    explained: f64,
}

impl State {
    /// Expected signal and its variance where the two parts of the line have these values.
    pub(super) fn predict(&self, [l, d]: [f64; 2]) -> (f64, f64) {
        let [h, k, o] = self.mean;
        let [hh, hk, ho, kk, ko, oo] = self.covariance;
        (h * l + k * d + o, l * (l * hh + 2.0 * (d * hk + ho)) + d * (d * kk + 2.0 * ko) + oo)
    }
}

#[derive(Debug, Clone)]
pub(super) struct Cells {
    centres: Vec<f64>,
    widths: Vec<f64>,
    /// For each cell, sums over the observations of l, d, l², l d, d², l y, d y, with l and d the parts of the line there.
    sums: Vec<[f64; 7]>,
    /// Sums over the observations of 1, y, y².
    common: [f64; 3],
}

impl Prior {
    /// A Gaussian that covers the range of heights with one standard deviation.
    ///
    /// The asymmetry is as likely on either side; its standard deviation is given.
    pub(super) fn of((low, high): (f64, f64), asymmetry: f64) -> Self {
        let largest = low.abs().max(high.abs());
        let height = 0.5 * (low + high);
        let spread = (0.5 * (high - low)).max(0.2 * largest);
        // The offset is taken from the first observation, which may lie on the line.
        let offset = 3.0 * largest;
        let typical = height.abs().max(0.5 * largest);
        // A symmetric line is one whose dispersive part is known to be next to nothing.
        let dispersive = asymmetry.max(1e-5) * typical.hypot(spread);
        Self { height, variances: [spread, dispersive, offset].map(|s| s * s), typical, level: 0.0 }
    }

    /// Numbers that the best cell fits to the observations: centre, width, height, offset, and asymmetry if any.
    pub(super) fn free(&self) -> f64 {
        if self.variances[1] < 1e-6 * self.typical * self.typical { 4.0 } else { 5.0 }
    }

    pub(super) fn typical(&self) -> f64 {
        self.typical
    }

    /// The signal at the first observation, which all others are taken relative to.
    pub(super) fn set_level(&mut self, level: f64) {
        self.level = level;
    }

    pub(super) fn level(&self) -> f64 {
        self.level
    }
}

/// The absorptive and the dispersive part of a line of height one.
pub(super) fn parts(x: f64, centre: f64, width: f64) -> [f64; 2] {
    let delta = 2.0 * (x - centre) / width;
    let absorptive = 1.0 / (1.0 + delta * delta);
    [absorptive, delta * absorptive]
}

impl Cells {
    pub(super) fn new((low, high): (f64, f64), centres: usize, widths: (f64, f64), count: usize) -> Self {
        let step = (high - low) / (centres - 1) as f64;
        let ratio = (widths.1 / widths.0).powf(1.0 / (count - 1) as f64);
        let centres: Vec<f64> = (0..centres).map(|k| low + step * k as f64).collect();
        let widths: Vec<f64> = if ratio > 1.0 + 1e-9 {
            (0..count).map(|k| widths.0 * ratio.powi(k as i32)).collect()
        } else {
            vec![widths.0]
        };
        let cells = centres.len() * widths.len();
        Self { centres, widths, sums: vec![[0.0; 7]; cells], common: [0.0; 3] }
    }

    pub(super) fn count(&self) -> usize {
        self.sums.len()
    }

    pub(super) fn centres(&self) -> &[f64] {
        &self.centres
    }

    pub(super) fn centre(&self, k: usize) -> f64 {
        self.centres[k / self.widths.len()]
    }

    pub(super) fn width(&self, k: usize) -> f64 {
        self.widths[k % self.widths.len()]
    }

    pub(super) fn spacing(&self) -> f64 {
        self.centres[1] - self.centres[0]
    }

    pub(super) fn span(&self) -> (f64, f64) {
        (self.centres[0], self.centres[self.centres.len() - 1])
    }

    pub(super) fn middle(&self) -> f64 {
        let (first, last) = self.span();
        0.5 * (first + last)
    }

    /// Share of the searched range that the grid covers.
    pub(super) fn share_of(&self, range: (f64, f64)) -> f64 {
        let (first, last) = self.span();
        ((last - first) / (range.1 - range.0)).min(1.0)
    }

    /// Takes an observation, relative to the level, into the sums.
    pub(super) fn add(&mut self, x: f64, y: f64) {
        for (common, term) in self.common.iter_mut().zip([1.0, y, y * y]) {
            *common += term;
        }
        let mut k = 0;
        for centre in &self.centres {
            for width in &self.widths {
                let [l, d] = parts(x, *centre, *width);
                for (sum, term) in self.sums[k].iter_mut().zip([l, d, l * l, l * d, d * d, l * y, d * y]) {
                    *sum += term;
                }
                k += 1;
            }
        }
    }

    pub(super) fn state(&self, k: usize, prior: &Prior, sigma: f64) -> State {
        let [l, d, ll, ld, dd, ly, dy] = self.sums[k];
        let [n, y, _] = self.common;
        let unit = 1.0 / (sigma * sigma);
        // Cholesky factors of the precision matrix, row by row.
        let [vh, vk, vo] = prior.variances;
        let a = (1.0 / vh + ll * unit).sqrt();
        let b = ld * unit / a;
        let c = (1.0 / vk + dd * unit - b * b).sqrt();
        let e = l * unit / a;
        let f = (d * unit - e * b) / c;
        let g = (1.0 / vo + n * unit - e * e - f * f).max(f64::MIN_POSITIVE).sqrt();
        // The inverse of the factor gives mean and covariance.
        let (ia, ic, ig) = (1.0 / a, 1.0 / c, 1.0 / g);
        let ib = -b * ia * ic;
        let i_f = -f * ic * ig;
        let ie = -(e * ia + f * ib) * ig;
        let right = [prior.height / vh + ly * unit, dy * unit, y * unit];
        let z =
            [ia * right[0], ib * right[0] + ic * right[1], ie * right[0] + i_f * right[1] + ig * right[2]];
        State {
            mean: [ia * z[0] + ib * z[1] + ie * z[2], ic * z[1] + i_f * z[2], ig * z[2]],
            covariance: [
                ia * ia + ib * ib + ie * ie,
                ib * ic + ie * i_f,
                ie * ig,
                ic * ic + i_f * i_f,
                i_f * ig,
                ig * ig,
            ],
            ln_determinant: 2.0 * (a * c * g).ln(),
            explained: z.iter().map(|v| v * v).sum(),
        }
    }

    /// Logarithm of the probability of all observations if the line is in this cell.
    pub(super) fn ln_evidence(&self, k: usize, prior: &Prior, sigma: f64) -> f64 {
        let state = self.state(k, prior, sigma);
        let before = prior.height * prior.height / prior.variances[0];
        let [n, _, yy] = self.common;
        let ln_prior: f64 = prior.variances.iter().map(|v| v.ln()).sum();
        -0.5 * (ln_prior + state.ln_determinant)
            - n * sigma.ln()
            - 0.5 * (yy / (sigma * sigma) + before - state.explained)
    }

    /// The same if there is an offset only.
    pub(super) fn ln_evidence_of_nothing(&self, prior: &Prior, sigma: f64) -> f64 {
        let [n, y, yy] = self.common;
        let unit = 1.0 / (sigma * sigma);
        let precision = 1.0 / prior.variances[2] + n * unit;
        let explained = (y * unit) * (y * unit) / precision;
        -0.5 * (precision * prior.variances[2]).ln() - n * sigma.ln() - 0.5 * (yy * unit - explained)
    }

    /// Sum of squares that the best height, dispersive height and offset of a cell leave.
    pub(super) fn residual_square(&self, k: usize, prior: &Prior, sigma: f64) -> f64 {
        let [h, q, o] = self.state(k, prior, sigma).mean;
        let [l, d, ll, ld, dd, ly, dy] = self.sums[k];
        let [n, y, yy] = self.common;
        let crossed = 2.0 * (h * ly + q * dy + o * y);
        let model = h * h * ll + q * q * dd + 2.0 * (h * q * ld + o * (h * l + q * d)) + n * o * o;
        (yy - crossed + model).max(0.0)
    }
}
