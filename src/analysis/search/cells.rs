//! The grid of centres and widths, with the sums of observations that each cell needs.

/// What is known of height and offset beforehand, as Gaussians.
#[derive(Debug, Clone)]
pub(super) struct Prior {
    height: f64,
    height_variance: f64,
    offset_variance: f64,
    typical: f64,
    level: f64,
}

/// Gaussian posterior of height and offset in one cell.
#[derive(Debug, Clone, Copy)]
pub(super) struct State {
    pub(super) height: f64,
    pub(super) height_variance: f64,
    pub(super) offset: f64,
    pub(super) offset_variance: f64,
    pub(super) covariance: f64,
}

#[derive(Debug, Clone)]
pub(super) struct Cells {
    centres: Vec<f64>,
    widths: Vec<f64>,
    /// For each cell, sums over the observations of l, l², l y, with l the shape of the line there.
    sums: Vec<[f64; 3]>,
    /// Sums over the observations of 1, y, y².
    common: [f64; 3],
}

impl Prior {
    /// A Gaussian that covers the range of heights with one standard deviation.
    pub(super) fn of((low, high): (f64, f64)) -> Self {
        let largest = low.abs().max(high.abs());
        let height = 0.5 * (low + high);
        let spread = (0.5 * (high - low)).max(0.2 * largest);
        // The offset is taken from the first observation, which may lie on the line.
        let offset = 3.0 * largest;
        Self {
            height,
            height_variance: spread * spread,
            offset_variance: offset * offset,
            typical: height.abs().max(0.5 * largest),
            level: 0.0,
        }
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

/// Symmetric line of height one.
pub(super) fn shape(x: f64, centre: f64, width: f64) -> f64 {
    let delta = 2.0 * (x - centre) / width;
    1.0 / (1.0 + delta * delta)
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
        Self { centres, widths, sums: vec![[0.0; 3]; cells], common: [0.0; 3] }
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
                let l = shape(x, *centre, *width);
                let sums = &mut self.sums[k];
                sums[0] += l;
                sums[1] += l * l;
                sums[2] += l * y;
                k += 1;
            }
        }
    }

    /// Elements of the precision matrix of height and offset (height, cross, offset) and the right-hand side.
    fn normal(&self, k: usize, prior: &Prior, sigma: f64) -> ([f64; 3], [f64; 2]) {
        let [l, ll, ly] = self.sums[k];
        let [n, y, _] = self.common;
        let unit = 1.0 / (sigma * sigma);
        let matrix =
            [1.0 / prior.height_variance + ll * unit, l * unit, 1.0 / prior.offset_variance + n * unit];
        (matrix, [prior.height / prior.height_variance + ly * unit, y * unit])
    }

    pub(super) fn state(&self, k: usize, prior: &Prior, sigma: f64) -> State {
        let ([a, b, c], [r, s]) = self.normal(k, prior, sigma);
        let determinant = a * c - b * b;
        State {
            height: (c * r - b * s) / determinant,
            offset: (a * s - b * r) / determinant,
            height_variance: c / determinant,
            offset_variance: a / determinant,
            covariance: -b / determinant,
        }
    }

    /// Logarithm of the probability of all observations if the line is in this cell.
    pub(super) fn ln_evidence(&self, k: usize, prior: &Prior, sigma: f64) -> f64 {
        let ([a, b, c], [r, s]) = self.normal(k, prior, sigma);
        let determinant = a * c - b * b;
        let explained = (c * r * r - 2.0 * b * r * s + a * s * s) / determinant;
        let before = prior.height * prior.height / prior.height_variance;
        let [n, _, yy] = self.common;
        let prior_determinant = 1.0 / (prior.height_variance * prior.offset_variance);
        0.5 * (prior_determinant / determinant).ln()
            - n * sigma.ln()
            - 0.5 * (yy / (sigma * sigma) + before - explained)
    }

    /// The same if there is an offset only.
    pub(super) fn ln_evidence_of_nothing(&self, prior: &Prior, sigma: f64) -> f64 {
        let [n, y, yy] = self.common;
        let unit = 1.0 / (sigma * sigma);
        let precision = 1.0 / prior.offset_variance + n * unit;
        let explained = (y * unit) * (y * unit) / precision;
        -0.5 * (precision * prior.offset_variance).ln() - n * sigma.ln() - 0.5 * (yy * unit - explained)
    }

    /// Sum of squares that the best height and offset of a cell leave.
    pub(super) fn residual_square(&self, k: usize, prior: &Prior, sigma: f64) -> f64 {
        let State { height, offset, .. } = self.state(k, prior, sigma);
        let [l, ll, ly] = self.sums[k];
        let [n, y, yy] = self.common;
        let crossed = 2.0 * (height * ly + offset * y);
        let model = height * height * ll + 2.0 * height * offset * l + n * offset * offset;
        (yy - crossed + model).max(0.0)
    }
}
