//! Diagnostics of residuals: whether what the model left over looks like noise.

use serde::Serialize;

/// What the residuals look like, in units of their own scatter. Points are taken in the order of x.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Residuals {
    /// Largest residual over the standard deviation of the residuals.
    pub largest: f64,
    /// Index of the point it belongs to.
    pub largest_index: usize,
    /// Correlation of neighbouring residuals, near 0 for noise.
    pub autocorrelation: f64,
    /// Number of stretches of equal sign.
    pub runs: usize,
    /// Standard score of the number of runs under random order (the runs test, common practice); strongly
    /// negative if the residuals wave about the curve.
    pub runs_score: f64,
    /// Durbin-Watson statistic, near 2 for noise (common practice).
    pub durbin_watson: f64,
}

impl Residuals {
    /// Looks at residuals (each over its sigma, where known) in the order of x; `order` maps the place in that
    /// order to the index of the point.
    pub(crate) fn of(weighted: &[f64], order: Option<&[usize]>) -> Self {
        let at = |i: usize| order.map_or(weighted[i], |o| weighted[o[i]]);
        let n = weighted.len();
        let (mut squares, mut neighbours, mut differences) = (0.0, 0.0, 0.0);
        let (mut largest, mut largest_index) = (0.0_f64, 0);
        let (mut above, mut runs) = (0_usize, 0_usize);
        let mut before = f64::NAN;
        for i in 0..n {
            let r = at(i);
            squares += r * r;
            if i > 0 {
                neighbours += r * before;
                differences += (r - before) * (r - before);
            }
            if i == 0 || (r >= 0.0) != (before >= 0.0) {
                runs += 1;
            }
            above += usize::from(r >= 0.0);
            if r.abs() > largest {
                largest = r.abs();
                largest_index = order.map_or(i, |o| o[i]);
            }
            before = r;
        }
        let scatter = (squares / n.max(1) as f64).sqrt();
        let ratio = |a: f64, b: f64| if b > 0.0 { a / b } else { 0.0 };
        Self {
            largest: ratio(largest, scatter),
            largest_index,
            autocorrelation: ratio(neighbours, squares),
            runs,
            runs_score: runs_score(above as f64, (n - above) as f64, runs as f64),
            durbin_watson: if squares > 0.0 { differences / squares } else { 2.0 },
        }
    }

    /// Whether the residuals follow a pattern beyond any reasonable chance. Both tests must agree in sign: the
    /// bounds (5 standard deviations) are met by noise less than once in a million fits.
    pub(crate) fn patterned(&self, points: usize) -> bool {
        let score = self.autocorrelation * (points as f64).sqrt();
        points >= 20 && (score > 5.0 || self.runs_score < -5.0)
    }

    /// Whether one point lies further off than noise would put it in any reasonable number of fits.
    pub(crate) fn outlying(&self, points: usize) -> bool {
        // The largest of n Gaussian residuals is near sqrt(2 ln n); 2.5 beyond that is rarer than one in 10^5.
        points >= 20 && self.largest > (2.0 * (points as f64).ln()).sqrt() + 2.5
    }
}

/// Standard score of a number of runs, given how many points lie above and below.
fn runs_score(above: f64, below: f64, runs: f64) -> f64 {
    let n = above + below;
    let product = 2.0 * above * below;
    let expected = product / n + 1.0;
    let variance = product * (product - n) / (n * n * (n - 1.0));
    if variance > 0.0 { (runs - expected) / variance.sqrt() } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wave_is_a_pattern_and_alternation_is_not() {
        let wave: Vec<f64> = (0..200).map(|i| (i as f64 * 0.1).sin()).collect();
        assert!(Residuals::of(&wave, None).patterned(200));
        let flip: Vec<f64> = (0..200).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
        let seen = Residuals::of(&flip, None);
        assert!(!seen.patterned(200));
        assert_eq!(seen.runs, 200);
        assert!((seen.durbin_watson - 4.0).abs() < 0.05);
    }

    #[test]
    fn a_spike_is_named() {
        let mut noise: Vec<f64> = (0..300).map(|i| ((i * 7919) % 101) as f64 / 50.0 - 1.0).collect();
        noise[77] = 30.0;
        let seen = Residuals::of(&noise, None);
        assert!(seen.outlying(300));
        assert_eq!(seen.largest_index, 77);
    }

    #[test]
    fn exact_residuals_are_no_trouble() {
        let seen = Residuals::of(&[0.0; 30], None);
        assert_eq!(seen.largest, 0.0);
        assert!(!seen.patterned(30) && !seen.outlying(30));
    }
}
