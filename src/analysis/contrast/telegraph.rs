//! Random switching between two currents.
#![allow(
    clippy::needless_range_loop,
    reason = "rows and columns of small matrices are named by their numbers"
)]

use serde::Serialize;

use super::mixture::Mixture;

/// One-sided power spectral density of random telegraph noise, unit² / Hz.
///
/// `S(f) = 4 ΔI² / {(τ1 + τ2) [(1/τ1 + 1/τ2)² + (2πf)²]}` with mean dwell times in s and the step `delta` in any unit
/// (J. Appl. Phys. 25, 341 (1954), 10.1063/1.1721637; from memory, not checked).
///
/// ```
/// use noctule::analysis::contrast::telegraph_psd;
/// assert!((telegraph_psd(0.0, 0.1, 0.3, 2.0) - 0.225).abs() < 1e-12);
/// assert!((telegraph_psd(1.0, 0.1, 0.3, 2.0) - 0.184114427).abs() < 1e-9);
/// ```
pub fn telegraph_psd(f_hz: f64, dwell_1_s: f64, dwell_2_s: f64, delta: f64) -> f64 {
    let rate = 1.0 / dwell_1_s + 1.0 / dwell_2_s;
    let omega = 2.0 * std::f64::consts::PI * f_hz;
    4.0 * delta * delta / ((dwell_1_s + dwell_2_s) * (rate * rate + omega * omega))
}

/// Switching between two levels, from a two-state fit of a trace.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Switching {
    /// Mean dwell time in the lower and in the upper level, s.
    pub dwell_s: [f64; 2],
    /// Their standard errors, s.
    pub dwell_error_s: [f64; 2],
    /// Rates out of the lower and out of the upper level, 1/s.
    pub rate_hz: [f64; 2],
    /// Expected number of switches in the trace.
    pub switches: f64,
    /// Corner frequency of the telegraph spectrum, `(1/τ1 + 1/τ2)/2π`, Hz.
    pub corner_hz: f64,
    /// Telegraph spectrum at zero frequency, unit²/Hz.
    pub psd_zero: f64,
    /// Levels in order, unit of the trace.
    pub levels: [f64; 2],
    /// Noise in either level, unit of the trace.
    pub deviations: [f64; 2],
    /// Part of the time in either level.
    pub shares: [f64; 2],
    /// Gain in log likelihood of a persistent state over independent draws from the same two levels.
    pub persistence: f64,
}

/// Most iterations of the two-state fit.
const MOST_ROUNDS: usize = 60;

/// Samples that are averaged for a start at levels that overlap in single samples.
const STRETCHES: [usize; 3] = [4, 12, 40];

/// A two-state chain that was fitted to a trace.
struct Chain {
    levels: Mixture,
    stay: [f64; 2],
    switches: f64,
    unsure: f64,
    likelihood: f64,
}

/// Fits a two-state chain to a trace, starting from the mixture and from the levels of averaged stretches; levels and
/// widths are refined with it. Gives the gain of its log likelihood over one Gaussian too.
///
/// `None` where the chain stays in no state for longer than a sample, or loses a state.
pub(super) fn switching(trace: &[f64], step_s: f64, mixture: &Mixture) -> Option<(Switching, f64)> {
    let starts = STRETCHES.iter().filter(|m| trace.len() >= 12 * **m).map(|m| stretched(trace, *m));
    let chains = [(*mixture, 0.9)].into_iter().chain(starts).filter_map(|(m, stay)| chain(trace, m, stay));
    let best = chains.max_by(|a, b| a.likelihood.total_cmp(&b.likelihood))?;
    let independent: f64 = trace.iter().map(|x| mixture.density(*x).max(1e-300).ln()).sum();
    let n = trace.len() as f64;
    let mean = trace.iter().sum::<f64>() / n;
    let variance = trace.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
    let one = -0.5 * n * ((2.0 * std::f64::consts::PI * variance).ln() + 1.0);
    let (m, out, back) = (best.levels, 1.0 - best.stay[0], 1.0 - best.stay[1]);
    // A chain that forgets its state within a sample (out + back ≥ 1) has no dwell time to speak of.
    if !(out + back < 0.95 && best.likelihood.is_finite()) {
        return None;
    }
    // The transition matrix over one sample is exp(Q Δt); its eigenvalue 1 − out − back is exp(−(k1 + k2) Δt).
    let total = -(1.0 - out - back).ln() / step_s;
    let rate = [total * out / (out + back), total * back / (out + back)];
    let dwell = rate.map(|r| 1.0 / r);
    let delta = m.means[1] - m.means[0];
    let seen = (0.5 * best.switches).max(0.5);
    let switching = Switching {
        dwell_s: dwell,
        // Half of the switches end a stay in either level; a mean of k exponential times has error 1/√k, and
        // switches hidden in the noise come and go in pairs.
        dwell_error_s: dwell.map(|d| d * (seen + best.unsure).sqrt() / seen),
        rate_hz: rate,
        switches: best.switches,
        corner_hz: total / (2.0 * std::f64::consts::PI),
        psd_zero: telegraph_psd(0.0, dwell[0], dwell[1], delta),
        levels: m.means,
        deviations: m.deviations,
        shares: m.weights,
        persistence: best.likelihood - independent,
    };
    Some((switching, best.likelihood - one))
}

/// Two levels at the quarters of means over stretches, as wide as what the stretches leave; and the probability to stay.
fn stretched(trace: &[f64], samples: usize) -> (Mixture, f64) {
    let mut means: Vec<f64> =
        trace.chunks_exact(samples).map(|c| c.iter().sum::<f64>() / samples as f64).collect();
    let square = |c: &[f64], mean: f64| c.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
    let inside: f64 = trace.chunks_exact(samples).zip(&means).map(|(c, m)| square(c, *m)).sum();
    let width = (inside / (means.len() * (samples - 1)) as f64).sqrt().max(1e-3);
    means.sort_by(f64::total_cmp);
    let at = |share: f64| means[((means.len() - 1) as f64 * share) as usize];
    let (low, high) = (at(0.15), at(0.85));
    let means = if high > low { [low, high] } else { [low - 0.5 * width, low + 0.5 * width] };
    (Mixture { means, deviations: [width; 2], weights: [0.5; 2] }, 1.0 - 0.5 / samples as f64)
}

/// Expectation and maximisation from a start; the lower level first.
fn chain(trace: &[f64], start: Mixture, stay: f64) -> Option<Chain> {
    let n = trace.len();
    let (mut m, mut stay) = (start, [stay; 2]);
    let mut forward = vec![[0.0f64; 2]; n];
    let mut scale = vec![0.0f64; n];
    let (mut switches, mut unsure) = (0.0, 0.0);
    let mut likelihood = f64::NEG_INFINITY;
    for _ in 0..MOST_ROUNDS {
        let before = likelihood;
        likelihood = forward_pass(trace, &m, stay, &mut forward, &mut scale);
        let (pairs, levels, doubt) = backward_pass(trace, &m, stay, &forward, &scale);
        for k in 0..2 {
            let from = pairs[k][0] + pairs[k][1];
            if from.is_nan() || from <= 1.0 {
                return None;
            }
            stay[k] = (pairs[k][k] / from).clamp(1e-6, 1.0 - 1e-9);
        }
        switches = pairs[0][1] + pairs[1][0];
        unsure = doubt;
        for k in 0..2 {
            let [w, s, q] = levels[k];
            let mean = s / w;
            m.deviations[k] = (q / w - mean * mean).max(0.0).sqrt().max(0.3 * start.deviations[k]);
            m.means[k] += mean;
            m.weights[k] = w / n as f64;
        }
        if (likelihood - before).abs() < 1e-6 * likelihood.abs().max(1.0) {
            break;
        }
    }
    if m.means[0] > m.means[1] {
        m.means.swap(0, 1);
        m.deviations.swap(0, 1);
        m.weights.swap(0, 1);
        stay.swap(0, 1);
    }
    Some(Chain { levels: m, stay, switches, unsure, likelihood })
}

fn emission(x: f64, m: &Mixture) -> [f64; 2] {
    // A floor keeps a far outlier from ruling out both states.
    [0, 1].map(|k| {
        let z = (x - m.means[k]) / m.deviations[k];
        ((-0.5 * z * z).exp() / (m.deviations[k] * (2.0 * std::f64::consts::PI).sqrt())).max(1e-200)
    })
}

/// Scaled forward probabilities; gives the log likelihood.
fn forward_pass(
    trace: &[f64],
    m: &Mixture,
    stay: [f64; 2],
    forward: &mut [[f64; 2]],
    scale: &mut [f64],
) -> f64 {
    let mut likelihood = 0.0;
    let mut prior = m.weights;
    for (t, x) in trace.iter().enumerate() {
        let e = emission(*x, m);
        let joint = [prior[0] * e[0], prior[1] * e[1]];
        scale[t] = joint[0] + joint[1];
        forward[t] = [joint[0] / scale[t], joint[1] / scale[t]];
        likelihood += scale[t].ln();
        let [a, b] = forward[t];
        prior = [a * stay[0] + b * (1.0 - stay[1]), a * (1.0 - stay[0]) + b * stay[1]];
    }
    likelihood
}

/// Expected numbers of steps between the states, for each level weight, sum and square sum of deviations, and
/// the variance of the number of switches that the noise leaves open.
fn backward_pass(
    trace: &[f64],
    m: &Mixture,
    stay: [f64; 2],
    forward: &[[f64; 2]],
    scale: &[f64],
) -> ([[f64; 2]; 2], [[f64; 3]; 2], f64) {
    let step = [[stay[0], 1.0 - stay[0]], [1.0 - stay[1], stay[1]]];
    let mut backward = [1.0, 1.0];
    let mut pairs = [[0.0; 2]; 2];
    let mut levels = [[1e-12, 0.0, 0.0]; 2];
    let mut unsure = 0.0;
    for t in (0..trace.len()).rev() {
        for k in 0..2 {
            let p = forward[t][k] * backward[k];
            let d = trace[t] - m.means[k];
            levels[k][0] += p;
            levels[k][1] += p * d;
            levels[k][2] += p * d * d;
        }
        if t == 0 {
            break;
        }
        let e = emission(trace[t], m);
        let mut earlier = [0.0; 2];
        let mut switched = 0.0;
        for i in 0..2 {
            for j in 0..2 {
                let reach = step[i][j] * e[j] * backward[j] / scale[t];
                let p = forward[t - 1][i] * reach;
                pairs[i][j] += p;
                switched += if i == j { 0.0 } else { p };
                earlier[i] += reach;
            }
        }
        backward = earlier;
        unsure += switched * (1.0 - switched).max(0.0);
    }
    (pairs, levels, unsure)
}
