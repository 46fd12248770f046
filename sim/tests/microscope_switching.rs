//! A current histogram over a magnetic atom: two peaks under a magnetic tip, one under a bare one.

mod microscope_common;

use microscope_common::{STILL, deviation, mean, night_with, over, run, set, wait};
use noctule_sim::{Act, Signal};

const INTERVAL_S: f64 = 5e-3;
const SAMPLES: u32 = 40_000;

/// Currents over A1 at 100 mV and 100 pA with the loop open.
fn currents(changes: &[(&str, &str)]) -> (Vec<f64>, f64, [f64; 3]) {
    let mut all = STILL.to_vec();
    all.extend(changes);
    let mut microscope = over(&night_with(&all), 21, "A1", 0.4);
    set(&mut microscope, Signal::Bias, 0.1);
    set(&mut microscope, Signal::Setpoint, 100e-12);
    wait(&mut microscope, 5.0);
    set(&mut microscope, Signal::Feedback, 0.0);
    let kelvin = microscope.truth().stage_k;
    let report = run(
        &mut microscope,
        Act::Trace { signal: Signal::Current, samples: SAMPLES, interval_s: INTERVAL_S },
    );
    assert_eq!(report.data.len(), SAMPLES as usize);
    let truth = microscope.truth();
    let sign = if truth.tip_up { 1.0 } else { -1.0 };
    (report.data, kelvin, truth.tip_field_t.map(|b| sign * b))
}

/// Ratio of the currents (1+η↓)/(1−η↑) with η = Pt·Ps·cosθ (C, textbook of spin-polarised
/// tunnelling), the spin along g·(B ± Btip) in each state of the tip; D = |μ1−μ2|/√((σ1²+σ2²)/2) > 2 for a clean split (Astron. J. 108, 2348 (1994),
/// doi:10.1086/117248, from memory, not checked).
#[test]
fn a_magnetic_tip_shows_two_peaks_at_their_places() {
    let (data, kelvin, tip_field_t) = currents(&[]);
    let middle =
        0.5 * (data.iter().fold(f64::MIN, |a, b| a.max(*b)) + data.iter().fold(f64::MAX, |a, b| a.min(*b)));
    let (high, low): (Vec<f64>, Vec<f64>) = data.iter().partition(|current| **current > middle);
    let separation =
        (mean(&high) - mean(&low)) / (0.5 * (deviation(&high).powi(2) + deviation(&low).powi(2))).sqrt();
    assert!(separation > 20.0, "{separation}");
    // μB/k = 0.67171381563 K/T (CODATA 2022); tip of the world: P = 0.36, tilt 12°, turned by 40°; g of the adatom.
    let (tilt, turn) = (12f64.to_radians(), 40f64.to_radians());
    let axis = [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()];
    let contrast = |sign: f64| {
        let turning_t =
            [0, 1, 2].map(|i| [1.86, 1.86, 1.79][i] * ([0.0, 0.0, 0.4][i] + sign * tip_field_t[i]));
        let size_t = turning_t.iter().map(|b| b * b).sum::<f64>().sqrt();
        let along: f64 = (0..3).map(|i| axis[i] * turning_t[i] / size_t).sum();
        0.36 * along * (0.5 * 0.671_713_815_63 * size_t / kelvin).tanh()
    };
    let expected = (1.0 + contrast(-1.0)) / (1.0 - contrast(1.0));
    let ratio = mean(&high) / mean(&low);
    println!("ratio {ratio:.5} of {expected:.5}: {:+.5}", ratio / expected - 1.0);
    // The amplifier's 1/f noise of 0.05 % at 1 Hz is what limits this.
    assert!((ratio / expected - 1.0).abs() < 0.004, "{ratio} {expected}");
}

/// Sampled every Δ, a telegraph process differs from its next sample with the probability
/// π₁(1 − e^{−(1/τ₁+1/τ₂)Δ})·2 and spends τ₁/(τ₁+τ₂) in its first state (J. Appl. Phys. 25, 341
/// (1954), doi:10.1063/1.1721637, from memory, not checked).
#[test]
fn the_switching_has_its_statistics() {
    let (data, kelvin, _) = currents(&[]);
    let middle =
        mean(&[data.iter().copied().fold(f64::MIN, f64::max), data.iter().copied().fold(f64::MAX, f64::min)]);
    // Less current flows with the moment up, along the spin's.
    let up: Vec<bool> = data.iter().map(|current| *current < middle).collect();
    // The rates by the law of the world, for the current in each state.
    let leave = |current_a: f64, sign: f64| {
        let open = 1.0 / (1.0 + (-(100.0 - 80.0) / 1.5f64).exp());
        let field_t = 0.4;
        // μB/k = 0.6717138 K/T.
        let balance = 5.0 * 12f64.to_radians().cos() * field_t * 0.671_713_8 / kelvin;
        3e-8 * current_a * 6.241_509_074e18 * open + 3e-4 * (-sign * balance).exp()
    };
    let (high, low): (Vec<f64>, Vec<f64>) = data.iter().partition(|current| **current > middle);
    let (from_up, from_down) = (leave(mean(&low), 1.0), leave(mean(&high), -1.0));
    let total = from_up + from_down;
    let part = from_down / total;
    let occupied = up.iter().filter(|state| **state).count() as f64 / f64::from(SAMPLES);
    // Correlated samples: variance of the mean is π(1−π)·2/(total·time).
    let time_s = f64::from(SAMPLES) * INTERVAL_S;
    let sigma = (part * (1.0 - part) * 2.0 / (total * time_s)).sqrt();
    assert!((occupied - part).abs() < 4.0 * sigma, "{occupied} instead of {part} ± {sigma}");
    let changes = up.windows(2).filter(|pair| pair[0] != pair[1]).count() as f64;
    let expected = 2.0 * part * (1.0 - part) * (1.0 - (-total * INTERVAL_S).exp()) * f64::from(SAMPLES);
    assert!((changes - expected).abs() < 4.0 * expected.sqrt(), "{changes} instead of {expected}");
}

#[test]
fn a_bare_tip_shows_one_peak() {
    let (data, _, _) = currents(&[("polarisation: 0.36", "polarisation: 0.0")]);
    let spread = deviation(&data) / mean(&data);
    assert!(spread < 0.01, "{spread}");
    let (middle, sigma) = (mean(&data), deviation(&data));
    let fourth: Vec<f64> = data.iter().map(|current| ((current - middle) / sigma).powi(4)).collect();
    let excess = mean(&fourth) - 3.0;
    // Normal noise with a little slow 1/f on it: two peaks would give −2.
    assert!(excess > -0.5, "{excess}");
}

/// Below the threshold of the bias, in a field, the tip keeps the state the field prefers.
#[test]
fn cold_tunnelling_in_a_field_keeps_the_tip_still() {
    let mut microscope = over(&night_with(&STILL), 21, "A1", 0.6);
    wait(&mut microscope, 120.0);
    assert!(microscope.truth().tip_up);
    let mut down = 0;
    for _ in 0..3600 {
        wait(&mut microscope, 1.0);
        down += u32::from(!microscope.truth().tip_up);
    }
    assert_eq!(down, 0);
}
