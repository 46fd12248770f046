//! Slow noise with one level: how well it explains a trace, so that drift and flicker are not taken for switching.

use crate::analysis::fit::slow_noise_gain;

/// Memories of the slow part that are tried, in samples, up to a quarter of the trace.
const SHORTEST: f64 = 0.7;

/// Variances of the slow part over the white one that are tried.
const SHARES: [f64; 7] = [0.05, 0.2, 0.6, 2.0, 8.0, 40.0, 300.0];

/// Gain in log likelihood of the best Gaussian noise with memory over white noise: white noise and one that forgets with
/// a time constant, exact for its samples; or flicker and random walk on a straight drift. Zero at least.
pub(super) fn gain(trace: &[f64]) -> f64 {
    let n = trace.len() as f64;
    let mean = trace.iter().sum::<f64>() / n;
    let squares: f64 = trace.iter().map(|y| (y - mean).powi(2)).sum();
    let white = -0.5 * n * (squares / n).ln();
    let mut best = slow_noise_gain(trace);
    let mut memory = SHORTEST;
    while memory < 0.25 * n {
        for share in SHARES {
            best = best.max(forgetting(trace, mean, (-1.0 / memory).exp(), share) - white);
        }
        memory *= 2.0;
    }
    best.max(0.0)
}

/// Log likelihood, but for a constant, of white noise plus noise that keeps `left` of itself from sample to sample, by the
/// recursive prediction of each sample from those before it (a Kalman filter, common practice); the size of both is fitted.
fn forgetting(trace: &[f64], mean: f64, left: f64, share: f64) -> f64 {
    let (mut state, mut variance) = (0.0, share);
    let (mut logs, mut squares) = (0.0, 0.0);
    let mut product = 1.0_f64;
    for y in trace {
        let f = variance + 1.0;
        let off = y - mean - state;
        squares += off * off / f;
        // Logarithms of products: one for a few samples.
        product *= f;
        if product > 1e200 {
            logs += product.ln();
            product = 1.0;
        }
        let weight = variance / f;
        state = left * (state + weight * off);
        variance = left * left * variance * (1.0 - weight) + (1.0 - left * left) * share;
    }
    logs += product.ln();
    let n = trace.len() as f64;
    -0.5 * (logs + n * (squares / n).ln())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_without_memory_gains_next_to_nothing_and_drift_gains_much() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(2);
        let white: Vec<f64> = (0..1000).map(|_| StandardNormal.sample(&mut rng)).collect();
        assert!(gain(&white) < 8.0, "{}", gain(&white));
        let drift: Vec<f64> = white.iter().enumerate().map(|(i, v)| v + 0.004 * i as f64).collect();
        assert!(gain(&drift) > 100.0, "{}", gain(&drift));
    }
}
