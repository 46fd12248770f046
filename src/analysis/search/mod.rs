//! An adaptive search for one line: where to measure next so that the answer says most about the line.
//!
//! A grid of centres and widths carries the posterior; for each cell, height, asymmetry (as the height of a dispersive
//! part) and background are linear and their Gaussian posterior is exact. The next place is the one whose outcome is expected to tell the cells apart
//! best: the mutual information of outcome and cell, with both taken as Gaussian. As the line gets known, the grid
//! closes in on it. (Choosing measurements by expected information: Ann. Math. Statist. 27, 986 (1956), from
//! memory, not checked.)
//!
//! ```
//! use noctule::analysis::search::Search;
//! // One symmetric line of 8 to 20 MHz somewhere in 400 MHz, 50 to 200 fA high, 20 fA of noise.
//! let mut search = Search::new((14.0e9, 14.4e9), (8.0e6, 20.0e6), (50.0, 200.0), 0.0, Some(20.0)).unwrap();
//! for i in 0..60 {
//!     let f_hz = search.next();
//!     let delta = (f_hz - 14.123e9) / 6.0e6;
//!     let noise = if i % 2 == 0 { 15.0 } else { -15.0 };
//!     search.observe(f_hz, 100.0 / (1.0 + delta * delta) + noise).unwrap();
//! }
//! let found = search.estimate();
//! assert!((found.centre - 14.123e9).abs() < 4.0 * found.centre_error && found.centre_error < 1.5e6);
//! assert!(found.presence > 0.999);
//! ```

mod background;
mod cells;
mod information;

use serde::Serialize;

use crate::analysis::fit::{FitError, check_values};
use background::{Background, Ground};
use cells::{Cells, Noise, Prior};

/// Centres in the grid.
const CENTRES: usize = 161;

/// Observations from which the noise is estimated: those of line and background are fitted to them as well.
const FEWEST_FOR_NOISE: usize = 12;

/// Spreads of the waves of the background over the typical height of the line; the most probable one is used, with a line
/// and without.
const WAVES: [f64; 4] = [0.003, 0.03, 0.12, 0.4];

/// Widths in the grid.
const WIDTHS: usize = 5;

/// A search in progress.
#[derive(Debug, Clone)]
pub struct Search {
    range: (f64, f64),
    widths: (f64, f64),
    sigma: Option<f64>,
    prior: Prior,
    cells: Cells,
    observations: Vec<(f64, f64)>,
    /// Posterior weight of each cell; they add to one.
    weights: Vec<f64>,
    /// Noise in use: given, or estimated from the best cell.
    noise: f64,
    /// The background alone, with the most probable spread of its waves.
    ground: Ground,
    presence: f64,
}

/// What is known about the line so far.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// Posterior mean of the centre.
    pub centre: f64,
    /// Posterior standard deviation of the centre.
    pub centre_error: f64,
    /// Posterior mean of the full width at half maximum.
    pub width: f64,
    /// Posterior standard deviation of the width.
    pub width_error: f64,
    /// Posterior mean of the height.
    pub height: f64,
    /// Posterior standard deviation of the height.
    pub height_error: f64,
    /// Dispersive height over height, as in a resonance fit; zero for a symmetric line.
    pub asymmetry: f64,
    /// Posterior mean of the background.
    pub offset: f64,
    /// Standard deviation of one observation, given or estimated.
    pub sigma: f64,
    /// Probability that there is a line as described at all, one in two before the first observation.
    pub presence: f64,
    /// Observations so far.
    pub observations: usize,
}

impl Search {
    /// Starts a search for one line in a range, with full widths at half maximum and heights between the
    /// given ones (heights may be negative or of either sign), and noise of a known standard deviation or one
    /// that is estimated on the way. `asymmetry` is the standard deviation of the line's asymmetry `q` in
    /// `(1 + q δ)/(1 + δ²)`: 0 for a line known to be symmetric, about 1 for one of which nothing is known.
    ///
    /// # Errors
    /// [`FitError::BadSetting`] for ranges that are not finite and rising, widths that are not positive or wider
    /// than the range, heights that are all zero, an asymmetry below zero or above 100, or noise that is not positive.
    pub fn new(
        range: (f64, f64),
        widths: (f64, f64),
        heights: (f64, f64),
        asymmetry: f64,
        sigma: Option<f64>,
    ) -> Result<Self, FitError> {
        let refuse = |message: &str| Err(FitError::BadSetting { message: message.to_owned() });
        let numbers =
            [range.0, range.1, widths.0, widths.1, heights.0, heights.1, asymmetry, sigma.unwrap_or(1.0)];
        check_values(&numbers)?;
        let span = range.1 - range.0;
        if span <= 1e-12 * range.0.abs().max(range.1.abs()) {
            return refuse("the searched range must run from a lower to a higher value");
        }
        if widths.0 <= 0.0 || widths.1 < widths.0 || widths.1 > span || widths.0 < 1e-6 * span {
            return refuse("the widths must be positive, in rising order, and fit the range");
        }
        if heights.1 < heights.0 || (heights.0 == 0.0 && heights.1 == 0.0) {
            return refuse("the heights must be in rising order and not all zero");
        }
        if sigma.is_some_and(|s| s <= 0.0) {
            return refuse("the noise must be positive");
        }
        if !(0.0..=100.0).contains(&asymmetry) {
            return refuse("the spread of the asymmetry must lie between 0 and 100");
        }
        let prior = Prior::of(heights, asymmetry);
        // The first grid must not step over a line of the least width.
        let centres = CENTRES.max((3.0 * span / widths.0).ceil() as usize).min(4001);
        let cells = Cells::new(range, centres, widths, WIDTHS, Background::new(range, widths.1));
        let weights = vec![1.0 / cells.count() as f64; cells.count()];
        let noise = sigma.unwrap_or(0.2 * prior.typical());
        let ground = cells.ground(&prior, noise, WAVES[0]);
        Ok(Self {
            range,
            widths,
            sigma,
            prior,
            cells,
            observations: Vec::new(),
            weights,
            noise,
            ground,
            presence: 0.5,
        })
    }

    /// The place to measure next.
    pub fn next(&self) -> f64 {
        let places = self.places();
        information::best(&places, &self.cells, &self.weights, &self.prior, self.noise, &self.ground)
    }

    /// Takes in an observation, wherever it was made.
    ///
    /// # Errors
    /// [`FitError`] for values that are not finite; the search is then unchanged.
    pub fn observe(&mut self, x: f64, y: f64) -> Result<(), FitError> {
        check_values(&[x, y])?;
        if self.observations.is_empty() {
            self.prior.set_level(y);
        }
        self.observations.push((x, y));
        self.cells.add(x, y - self.prior.level());
        self.weigh();
        self.close_in();
        Ok(())
    }

    /// What is known so far.
    pub fn estimate(&self) -> Estimate {
        let mut sums = [0.0; 8];
        for (k, weight) in self.weights.iter().enumerate().filter(|(_, w)| **w > 0.0) {
            let (centre, width) = (self.cells.centre(k) - self.cells.middle(), self.cells.width(k));
            let state = self.cells.state(k, &self.prior, self.noise, &self.ground);
            let terms = [
                centre,
                centre * centre,
                width,
                width * width,
                state.mean[0],
                state.mean[0] * state.mean[0] + state.covariance[0],
                state.mean[1],
                self.under(&state, self.cells.centre(k)),
            ];
            for (sum, term) in sums.iter_mut().zip(terms) {
                *sum += weight * term;
            }
        }
        let [centre, square, width, width_square, height, height_square, dispersive, offset] = sums;
        let grid = self.cells.spacing() * self.cells.spacing() / 12.0;
        Estimate {
            centre: self.cells.middle() + centre,
            centre_error: ((square - centre * centre).max(0.0) + grid).sqrt(),
            width,
            width_error: (width_square - width * width).max(0.0).sqrt(),
            height,
            height_error: (height_square - height * height).max(0.0).sqrt(),
            asymmetry: if height == 0.0 { 0.0 } else { dispersive / height },
            offset: offset + self.prior.level(),
            sigma: self.noise,
            presence: self.presence,
            observations: self.observations.len(),
        }
    }

    /// Places worth trying: the centres of the grid and its near surroundings, and the whole range coarsely.
    fn places(&self) -> Vec<f64> {
        let (low, high) = self.range;
        let coarse = 36;
        let mut places: Vec<f64> =
            (0..=coarse).map(|k| low + (high - low) * f64::from(k) / f64::from(coarse)).collect();
        let stride = self.cells.centres().len().div_ceil(100);
        places.extend(self.cells.centres().iter().step_by(stride));
        let (first, last) = self.cells.span();
        for k in -20..=20 {
            let place = 0.5 * (first + last) + 0.2 * f64::from(k) * self.widths.1;
            if (low..=high).contains(&place) {
                places.push(place);
            }
        }
        places
    }

    /// Background at a place, with a line as in this state.
    fn under(&self, state: &cells::State, x: f64) -> f64 {
        let alone = self.ground.back(&self.ground.z);
        let functions = self.cells.functions(x);
        let part = |v| cells::dot(v, &functions);
        part(&alone) - state.mean[0] * part(&state.gives_way[0]) - state.mean[1] * part(&state.gives_way[1])
    }

    /// Works out the posterior weights, and the noise for the next time if it was not given.
    fn weigh(&mut self) {
        let noise = Noise { sigma: self.noise, known: self.sigma.is_some() };
        let likely =
            self.weights.iter().enumerate().fold((0, 0.0), |m, (k, w)| if *w > m.1 { (k, *w) } else { m }).0;
        // The waves that suit the line where it was likely so far, and those that suit none.
        let (mut line, mut nothing) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        for waves in WAVES {
            let ground = self.cells.ground(&self.prior, self.noise, waves);
            nothing = nothing.max(self.cells.ln_evidence_of_nothing(noise, &ground));
            let (here, _) = self.cells.ln_evidence(likely, &self.prior, noise, &ground);
            if here > line {
                (line, self.ground) = (here, ground);
            }
        }
        let evidence: Vec<(f64, f64)> = (0..self.cells.count())
            .map(|k| self.cells.ln_evidence(k, &self.prior, noise, &self.ground))
            .collect();
        let (largest, left) =
            evidence.iter().fold((f64::NEG_INFINITY, 0.0), |m, e| if e.0 > m.0 { *e } else { m });
        self.weights = evidence.iter().map(|e| (e.0 - largest).exp()).collect();
        let total: f64 = self.weights.iter().sum();
        assert!(total >= 1.0 && total.is_finite(), "the best cell has weight one");
        self.weights.iter_mut().for_each(|w| *w /= total);
        // Cells outside a grid that has closed in were all but excluded; the mean is over the full first grid.
        let share = self.cells.share_of(self.range) / self.cells.count() as f64;
        self.presence = 1.0 / (1.0 + (nothing - largest - (share * total).ln()).exp());
        if self.sigma.is_none() && self.observations.len() >= FEWEST_FOR_NOISE {
            let each = left / self.observations.len() as f64;
            self.noise = (self.noise * each.sqrt()).max(1e-9 * self.prior.typical());
        }
    }

    /// Makes the grid finer about the line once the posterior fills a small part of it.
    fn close_in(&mut self) {
        let found = self.estimate();
        let (first, last) = self.cells.span();
        let spread = (found.centre_error * found.centre_error - self.cells.spacing().powi(2) / 12.0).sqrt();
        let small = spread < 1.2 * self.cells.spacing();
        if !small || self.observations.len() < 8 || self.presence < 0.999 {
            return;
        }
        // Wide enough for the error of a grid that no longer resolves the posterior.
        let reach = 8.0 * self.cells.spacing();
        let (low, high) = ((found.centre - reach).max(first), (found.centre + reach).min(last));
        if high - low > 0.5 * (last - first) || high - low < 1e-10 * high.abs() {
            return;
        }
        self.cells = Cells::new(
            (low, high),
            CENTRES,
            self.widths,
            2 * WIDTHS,
            Background::new(self.range, self.widths.1),
        );
        for (x, y) in &self.observations {
            self.cells.add(*x, y - self.prior.level());
        }
        self.weigh();
    }
}
