//! The grid of centres and widths, with the sums of observations that each cell needs.
//!
//! In each cell the signal is linear in the height of the absorptive part of the line, the height of its dispersive part
//! (asymmetry times height), and the background. Their Gaussian posterior is exact.

use super::background::{Background, Functions, Ground, Sums};

/// What is known beforehand of height, dispersive height and background, as Gaussians.
#[derive(Debug, Clone)]
pub(super) struct Prior {
    height: f64,
    /// Variances of height, dispersive height, offset.
    variances: [f64; 3],
    typical: f64,
    level: f64,
}

/// Gaussian posterior of height and dispersive height in one cell, with what the background does to them.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) mean: [f64; 2],
    /// Covariances 00, 01, 11.
    pub(super) covariance: [f64; 3],
    /// How the background gives way to either part of the line.
    pub(super) gives_way: [Functions; 2],
}

/// What the observations say of height and dispersive height in one cell.
struct Solved {
    mean: [f64; 2],
    covariance: [f64; 3],
    /// Logarithm of the determinant of the precision matrix, background and all.
    ln_determinant: f64,
    /// What the posterior mean explains of the sum of squares over the noise variance, the prior counted in.
    explained: f64,
    /// Solutions of the background's factor for either part of the line.
    crossed: [Functions; 2],
}

impl State {
    /// Expected signal but for the background alone, and its variance, where the two parts of the line and the functions of
    /// the background have these values.
    pub(super) fn predict(&self, [l, d]: [f64; 2], functions: &Functions) -> (f64, f64) {
        let (l, d) = (l - dot(&self.gives_way[0], functions), d - dot(&self.gives_way[1], functions));
        let [hh, hk, kk] = self.covariance;
        (self.mean[0] * l + self.mean[1] * d, l * (l * hh + 2.0 * d * hk) + d * d * kk)
    }
}

/// Scalar product.
pub(super) fn dot(u: &Functions, v: &Functions) -> f64 {
    u.iter().zip(v).map(|(a, b)| a * b).sum()
}

#[derive(Debug, Clone)]
pub(super) struct Cells {
    centres: Vec<f64>,
    widths: Vec<f64>,
    /// For each cell, sums over the observations of l², l d, d², l y, d y, with l and d the parts of the line there.
    sums: Vec<[f64; 5]>,
    /// For each cell, sums of the functions of the background times l, then times d.
    crossed: Vec<f64>,
    background: Background,
    common: Sums,
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
    pub(super) fn new(
        (low, high): (f64, f64),
        centres: usize,
        widths: (f64, f64),
        count: usize,
        background: Background,
    ) -> Self {
        let step = (high - low) / (centres - 1) as f64;
        let ratio = (widths.1 / widths.0).powf(1.0 / (count - 1) as f64);
        let centres: Vec<f64> = (0..centres).map(|k| low + step * k as f64).collect();
        let widths: Vec<f64> = if ratio > 1.0 + 1e-9 {
            (0..count).map(|k| widths.0 * ratio.powi(k as i32)).collect()
        } else {
            vec![widths.0]
        };
        let cells = centres.len() * widths.len();
        let m = background.functions;
        let crossed = vec![0.0; cells * 2 * m];
        Self { centres, widths, sums: vec![[0.0; 5]; cells], crossed, background, common: Sums::new(m) }
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

    /// The functions of the background at a place.
    pub(super) fn functions(&self, x: f64) -> Functions {
        self.background.at(x)
    }

    /// Takes an observation, relative to the level, into the sums.
    pub(super) fn add(&mut self, x: f64, y: f64) {
        let m = self.background.functions;
        let functions = self.background.at(x);
        self.common.add(&functions[..m], y);
        let mut k = 0;
        for centre in &self.centres {
            for width in &self.widths {
                let [l, d] = parts(x, *centre, *width);
                for (sum, term) in self.sums[k].iter_mut().zip([l * l, l * d, d * d, l * y, d * y]) {
                    *sum += term;
                }
                let crossed = &mut self.crossed[2 * m * k..2 * m * (k + 1)];
                for i in 0..m {
                    crossed[i] += l * functions[i];
                    crossed[m + i] += d * functions[i];
                }
                k += 1;
            }
        }
    }

    /// The background alone, with waves of a spread relative to the typical height.
    pub(super) fn ground(&self, prior: &Prior, sigma: f64, waves: f64) -> Ground {
        Ground::new(&self.common, sigma, prior.variances[2], (waves * prior.typical).powi(2))
    }

    pub(super) fn state(&self, k: usize, prior: &Prior, sigma: f64, ground: &Ground) -> State {
        let solved = self.solve(k, prior, sigma, ground);
        let gives_way = solved.crossed.map(|w| ground.back(&w));
        State { mean: solved.mean, covariance: solved.covariance, gives_way }
    }

    fn solve(&self, k: usize, prior: &Prior, sigma: f64, ground: &Ground) -> Solved {
        let [ll, ld, dd, ly, dy] = self.sums[k];
        let m = self.background.functions;
        let unit = 1.0 / (sigma * sigma);
        let at = 2 * m * k;
        let wl = ground.forward(&self.crossed[at..at + m], unit);
        let wd = ground.forward(&self.crossed[at + m..at + 2 * m], unit);
        let [vh, vk, _] = prior.variances;
        let a = 1.0 / vh + (ll * unit - dot(&wl, &wl)).max(0.0);
        let b = ld * unit - dot(&wl, &wd);
        let c = 1.0 / vk + (dd * unit - dot(&wd, &wd)).max(0.0);
        let determinant = (a * c - b * b).max(f64::MIN_POSITIVE);
        let covariance = [c / determinant, -b / determinant, a / determinant];
        let right = [prior.height / vh + ly * unit - dot(&wl, &ground.z), dy * unit - dot(&wd, &ground.z)];
        let mean = [
            covariance[0] * right[0] + covariance[1] * right[1],
            covariance[1] * right[0] + covariance[2] * right[1],
        ];
        Solved {
            mean,
            covariance,
            ln_determinant: ground.ln_determinant + determinant.ln(),
            explained: ground.explained + mean[0] * right[0] + mean[1] * right[1],
            crossed: [wl, wd],
        }
    }

    /// Logarithm of the probability of all observations if the line is in this cell, and what is left of the sum of squares.
    pub(super) fn ln_evidence(&self, k: usize, prior: &Prior, noise: Noise, ground: &Ground) -> (f64, f64) {
        let state = self.solve(k, prior, noise.sigma, ground);
        let before = prior.height * prior.height / prior.variances[0];
        let ln_prior = ground.ln_prior + prior.variances[0].ln() + prior.variances[1].ln();
        let left = self.common.squares / (noise.sigma * noise.sigma) + before - state.explained;
        (-0.5 * (ln_prior + state.ln_determinant) + noise.ln_probability(self.common.count, left), left)
    }

    /// The same if there is a background only.
    pub(super) fn ln_evidence_of_nothing(&self, noise: Noise, ground: &Ground) -> f64 {
        let left = self.common.squares / (noise.sigma * noise.sigma) - ground.explained;
        -0.5 * (ground.ln_prior + ground.ln_determinant) + noise.ln_probability(self.common.count, left)
    }
}

/// The noise of one observation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    pub(super) sigma: f64,
    /// Whether it was given, and is not just the best guess.
    pub(super) known: bool,
}

impl Noise {
    /// Logarithm of the probability of what is left of the sum of squares, in units of the noise in use. Where that is only a
    /// guess, every size of it counts with its own probability, so that no line is made of a wrong guess.
    fn ln_probability(self, count: f64, left: f64) -> f64 {
        let left = left.max(1e-12 * count);
        if self.known { -0.5 * left } else { -0.5 * count * (left / count).ln() }
    }
}
