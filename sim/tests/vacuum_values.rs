//! Bursts and gauge by sampling.

mod examples;

use examples::Example;
use noctule_sim::vacuum::{Chamber, ChamberParams};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// Bursts at a rate λ with exponential steps of mean s that decay with τ add λ s τ to the pressure on
/// average (Campbell's theorem), with the variance λ·2s²·τ/2 and the correlation time τ. Four standard errors.
#[test]
fn bursts_come_at_their_rate_and_add_their_gas() {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let params = ChamberParams {
        bursts_per_h: 30.0,
        burst_mean_pa: 1e-7,
        pump_tau_s: 20.0,
        ..ChamberParams::example()
    };
    let mut chamber = Chamber::new(params.clone());
    // Looked at every 5 τ, so that looks are independent to e⁻⁵.
    let looks = 200_000;
    let mut sum_pa = 0.0;
    for _ in 0..looks {
        chamber.advance(5.0 * params.pump_tau_s, &mut rng);
        sum_pa += chamber.pressure_pa() - params.base_pa;
    }
    let rate_hz = params.bursts_per_h / 3600.0;
    let expected_pa = rate_hz * params.burst_mean_pa * params.pump_tau_s;
    let error_pa = params.burst_mean_pa * (rate_hz * params.pump_tau_s / f64::from(looks)).sqrt();
    let found_pa = sum_pa / f64::from(looks);
    assert!(
        (found_pa - expected_pa).abs() < 4.0 * error_pa,
        "{found_pa}, expected {expected_pa} ± {error_pa}"
    );
}

#[test]
fn the_gauge_scatters_by_its_relative_noise() {
    let mut rng = ChaCha8Rng::seed_from_u64(13);
    let chamber = Chamber::new(ChamberParams { gauge_digits: 9, ..ChamberParams::example() });
    let n = 10_000;
    let logs: Vec<f64> = (0..n).map(|_| (chamber.gauge_pa(&mut rng) / chamber.pressure_pa()).ln()).collect();
    let mean = logs.iter().sum::<f64>() / f64::from(n);
    let variance = logs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n - 1);
    assert!(mean.abs() < 4.0 * 0.03 / f64::from(n).sqrt());
    assert!((variance / 9e-4 - 1.0).abs() < 4.0 * (2.0 / f64::from(n)).sqrt());
}
