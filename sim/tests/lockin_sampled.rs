//! The lock-in as it runs: settling and noise measured from its outputs.
//!
//! Theory for n equal RC stages: step response P(n, t/τ); output variance D²·ENBW; normalised
//! autocorrelation of white noise behind them e^{−x}·{1; 1+x; 1+x+x²/3; 1+x+2x²/5+x³/15} with x = lag/τ,
//! the transform of [1+(ωτ)²]⁻ⁿ.

mod lockin_common;

use lockin_common::{PARAMS, enbw_hz, settled_fraction};
use noctule_sim::lockin::{Lockin, LockinInput};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const TAU_S: f64 = 0.3;

fn lockin(order: u32) -> Lockin {
    let mut lockin = Lockin::new(PARAMS);
    lockin.set_time_constant(TAU_S).unwrap();
    lockin.set_order(order).unwrap();
    lockin
}

fn quiet(level_a: f64) -> LockinInput {
    LockinInput { level_a, density_a_rthz: 0.0, peak_a: 0.0 }
}

fn noisy(density_a_rthz: f64) -> LockinInput {
    LockinInput { level_a: 0.0, density_a_rthz, peak_a: 0.0 }
}

fn correlation(order: u32, x: f64) -> f64 {
    let polynomial = match order {
        1 => 1.0,
        2 => 1.0 + x,
        3 => 1.0 + x + x * x / 3.0,
        _ => 1.0 + x + 2.0 * x * x / 5.0 + x.powi(3) / 15.0,
    };
    polynomial * (-x).exp()
}

#[test]
fn a_step_settles_as_the_table_says_whatever_the_intervals() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for order in 1..=4 {
        let mut lockin = lockin(order);
        let mut t_s = 0.0;
        while t_s < 30.0 * TAU_S {
            // From a microsecond to a second, evenly in the logarithm.
            let dt_s = 10.0_f64.powf(-6.0 + 6.0 * rng.random::<f64>());
            lockin.advance(dt_s, quiet(1e-14), &mut rng);
            t_s += dt_s;
            let expected = settled_fraction(order, TAU_S, t_s);
            let found = lockin.output_a() / 1e-14;
            assert!((found - expected).abs() < 1e-11, "order {order} at {t_s} s: {found}, {expected}");
        }
    }
}

/// Readings far apart are independent, so their variance has a relative error of √(2/N).
#[test]
fn noise_of_rare_readings_has_the_rms_of_the_bandwidth() {
    let (density, n) = (1.8e-15, 8000);
    for order in 1..=4 {
        let mut rng = ChaCha8Rng::seed_from_u64(100 + u64::from(order));
        let mut lockin = lockin(order);
        let mut xx = 0.0;
        for _ in 0..n {
            lockin.advance(40.0 * TAU_S, noisy(density), &mut rng);
            xx += lockin.output_a().powi(2);
        }
        let variance = density * density * enbw_hz(order, TAU_S);
        let error = (2.0 / f64::from(n)).sqrt();
        let scale = f64::from(n) * variance;
        assert!((xx / scale - 1.0).abs() < 4.0 * error, "order {order}: X {}", xx / scale);
    }
}

/// Frequent readings: autocovariance at several lags within four of its standard errors,
/// var Ĉ_k = (1/N) Σ_m (C_m² + C_{m+k} C_{m−k}) for a Gaussian process of known mean.
#[test]
fn noise_of_frequent_readings_has_the_autocorrelation_of_the_cascade() {
    let (density, n) = (2.0e-15, 120_000_usize);
    for order in 1..=4 {
        for (step, lags) in [(0.02, [0, 10, 50, 150]), (0.25, [0, 1, 4, 12]), (1.5, [0, 1, 2, 4])] {
            let mut rng = ChaCha8Rng::seed_from_u64(200 + u64::from(order));
            let mut lockin = lockin(order);
            lockin.advance(60.0 * TAU_S, noisy(density), &mut rng);
            let unit = density * enbw_hz(order, TAU_S).sqrt();
            let series: Vec<f64> = (0..n)
                .map(|_| {
                    lockin.advance(step * TAU_S, noisy(density), &mut rng);
                    lockin.output_a() / unit
                })
                .collect();
            let c = |k: i64| correlation(order, step * k.unsigned_abs() as f64);
            let reach = (60.0 / step) as i64;
            for lag in lags {
                let pairs = series.iter().zip(&series[lag..]);
                let found = pairs.map(|(a, b)| a * b).sum::<f64>() / (n - lag) as f64;
                let k = lag as i64;
                let sum: f64 = (-reach..=reach).map(|m| c(m) * c(m) + c(m + k) * c(m - k)).sum();
                let error = (sum / (n - lag) as f64).sqrt();
                let expected = c(k);
                assert!(
                    (found - expected).abs() < 4.0 * error,
                    "order {order}, step {step} τ, lag {lag}: {found} instead of {expected} ± {error}"
                );
            }
        }
    }
}

/// From a reset filter the variance grows; unequal steps must not change how.
#[test]
fn noise_grows_from_rest_alike_in_one_step_and_in_many() {
    let runs = 6000;
    for order in 1..=4 {
        let mut variances = [0.0; 2];
        for (slot, pieces) in [(0, vec![1.0]), (1, vec![0.001, 0.3, 0.049, 0.65])] {
            let mut rng = ChaCha8Rng::seed_from_u64(300 + u64::from(order));
            for _ in 0..runs {
                let mut lockin = lockin(order);
                for piece in &pieces {
                    lockin.advance(piece * TAU_S, noisy(1e-15), &mut rng);
                }
                variances[slot] += (lockin.output_a() / 1e-15).powi(2) / f64::from(runs);
            }
        }
        // Both estimates scatter by √(2/runs) of themselves.
        let error = 2.0 / f64::from(runs).sqrt();
        assert!((variances[0] / variances[1] - 1.0).abs() < 4.0 * error, "order {order}: {variances:?}");
    }
}

#[test]
fn the_same_seed_gives_the_same_readings_to_the_last_bit() {
    let run = || {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut lockin = lockin(4);
        (0..500)
            .map(|k| {
                lockin.advance(0.001 * f64::from(1 + k % 7), noisy(1e-15), &mut rng);
                lockin.output_a().to_bits()
            })
            .collect::<Vec<u64>>()
    };
    assert_eq!(run(), run());
}
