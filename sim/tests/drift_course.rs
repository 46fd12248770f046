//! The drift's slow wander and the scanner's creep, by sampling.

use noctule_sim::drift::{Drift, DriftLaw};

fn law(wander_m_s: f64, creep_fraction: f64) -> DriftLaw {
    DriftLaw { velocity_m_s: [1e-13, 0.0, 0.0], wander_m_s, wander_s: 5400.0, creep_fraction }
}

fn advance(drift: &mut Drift, t_s: f64) {
    while drift.next_step_s() <= t_s {
        drift.step();
    }
}

/// The velocity scatters about its mean by the wander, and is correlated by e^{−t/τ} after t (C).
#[test]
fn the_velocity_wanders_as_it_should() {
    let (seeds, lag_s) = (4000, 5400.0);
    let (mut sum, mut square, mut product) = (0.0, 0.0, 0.0);
    for seed in 0..seeds {
        let mut drift = Drift::new(law(5e-14, 0.0), seed);
        let first = drift.velocity_m_s()[0];
        advance(&mut drift, lag_s);
        let second = drift.velocity_m_s()[0];
        sum += first;
        square += (first - 1e-13).powi(2);
        product += (first - 1e-13) * (second - 1e-13);
    }
    let n = seeds as f64;
    // Four standard errors each: σ/√n, √(2/n), √((1+ρ²)/n).
    assert!((sum / n - 1e-13).abs() < 4.0 * 5e-14 / n.sqrt());
    assert!((square / n / 2.5e-27 - 1.0).abs() < 4.0 * (2.0 / n).sqrt());
    assert!((product / n / 2.5e-27 - (-1.0f64).exp()).abs() < 4.0 * (1.14 / n).sqrt());
}

/// Position is the integral of the velocity, and continuous where the velocity changes.
#[test]
fn the_sample_moves_without_jumps() {
    let mut drift = Drift::new(law(5e-14, 0.0), 3);
    let mut last = drift.sample_m(0.0);
    for step in 1..=36_000 {
        let t_s = f64::from(step) * 0.5;
        advance(&mut drift, t_s);
        let now = drift.sample_m(t_s);
        let fastest = (0..3).map(|i| (now[i] - last[i]).abs()).fold(0.0, f64::max);
        assert!(fastest < 0.5 * 5e-13, "{fastest} at {t_s}");
        last = now;
    }
}

/// Creep approaches logarithmically: about the same share of the move in each decade of time.
#[test]
fn creep_spreads_over_the_decades() {
    let mut drift = Drift::new(law(0.0, 0.01), 1);
    drift.moved(0.0, [100e-9, 0.0]);
    let lag = |t_s: f64| -drift.creep_m(t_s)[0];
    assert!((lag(0.0) / 3e-9 - 1.0).abs() < 1e-12);
    for (from_s, to_s) in [(4.0, 40.0), (40.0, 400.0), (400.0, 4000.0)] {
        let share = (lag(from_s) - lag(to_s)) / 1e-9;
        assert!((0.6..1.2).contains(&share), "{from_s} s: {share}");
    }
    // Two half moves at once are one whole move.
    let mut twice = Drift::new(law(0.0, 0.01), 1);
    twice.moved(0.0, [50e-9, 0.0]);
    twice.moved(0.0, [50e-9, 0.0]);
    assert!((twice.creep_m(70.0)[0] / drift.creep_m(70.0)[0] - 1.0).abs() < 1e-12);
}
