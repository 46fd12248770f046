//! Noise, forecasts and registration against numpy and scipy (`tests/data/make_judge_references.py`) and against
//! images whose shift is known.

use noctule::analysis::forecast::level_forecast;
use noctule::analysis::noise::{allan_at, welch};
use noctule::analysis::register::{Image, drift, recentre, register};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;

fn references() -> Value {
    serde_json::from_str(include_str!("../data/judge_references.json")).expect("the references are JSON")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|v| v.as_f64().expect("a number")).collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// scipy.signal.welch with a Hann window, half overlap, mean removed, one-sided density.
#[test]
fn welch_agrees_with_scipy() {
    let w = &references()["welch"];
    let psd = welch(&numbers(&w["x"]), number(&w["rate_hz"]), number(&w["length"]) as usize).expect("good");
    let (f, p) = (numbers(&w["f_hz"]), numbers(&w["psd"]));
    assert_eq!(psd.f_hz.len(), f.len());
    for k in 0..f.len() {
        assert!((psd.f_hz[k] - f[k]).abs() < 1e-12);
        assert!((psd.density[k] - p[k]).abs() < 1e-10 * p[k].abs() + 1e-14, "{k}: {}", psd.density[k]);
    }
}

/// The 1,000-point series of NIST Special Publication 1065 (2008); its overlapping Allan deviations from memory, not
/// checked: 2.922319e-1, 9.159953e-2, 3.241343e-2. The values compared to are computed by the formula in numpy.
#[test]
fn allan_deviation_of_the_thousand_point_series() {
    let mut n: u64 = 1_234_567_890;
    let series: Vec<f64> = (0..1000)
        .map(|_| {
            let value = n as f64 / 2_147_483_647.0;
            n = 16_807 * n % 2_147_483_647;
            value
        })
        .collect();
    for (points, remembered) in [(1, 2.922319e-1), (10, 9.159953e-2), (100, 3.241343e-2)] {
        let got = allan_at(&series, points).expect("good numbers");
        let computed = number(&references()["allan"][points.to_string()]);
        assert!((got / computed - 1.0).abs() < 1e-10, "{points}: {got} against {computed}");
        assert!((got / remembered - 1.0).abs() < 1e-6);
    }
}

/// numpy.polyfit of degree one with its covariance.
#[test]
fn level_line_agrees_with_numpy() {
    let line = &references()["line"];
    let forecast = level_forecast(&numbers(&line["t"]), &numbers(&line["y"])).expect("good numbers");
    assert!((forecast.rate / number(&line["slope"]) - 1.0).abs() < 1e-10);
    assert!((forecast.rate_error / number(&line["slope_error"]) - 1.0).abs() < 1e-9);
    assert!((forecast.level_now / number(&line["at_end"]) - 1.0).abs() < 1e-10);
}

/// The 95 % bounds of the time to a mark hold the truth in 95 % of simulated levels.
#[test]
fn bounds_of_the_helium_forecast_cover_the_truth() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let (mut held, count) = (0, 600);
    for _ in 0..count {
        let n = rng.random_range(6..30);
        let rate = -rng.random_range(0.5..1.5) / 3600.0;
        let t: Vec<f64> = (0..n).map(|i| 1200.0 * i as f64).collect();
        let y: Vec<f64> = t
            .iter()
            .map(|t| {
                70.0 + rate * t
                    + 0.1 * <StandardNormal as Distribution<f64>>::sample(&StandardNormal, &mut rng)
            })
            .collect();
        let mark = 30.0;
        let truth = (mark - 70.0) / rate;
        let moment = level_forecast(&t, &y).and_then(|f| f.reaches(mark)).expect("a falling level");
        held += usize::from(moment.earliest_s <= truth && moment.latest_s.is_none_or(|l| truth <= l));
    }
    let share = 100.0 * f64::from(held as u32) / f64::from(count);
    println!("time to the mark within its 95 % bounds: {share:.1} %");
    assert!((share - 95.0).abs() < 3.0, "{share}");
}

/// Atoms as Gaussian hills on a tilted plane, with noise.
fn scene(n: usize, shift: (f64, f64), noise: f64, seed: u64) -> Vec<f64> {
    let mut places = ChaCha8Rng::seed_from_u64(77);
    let atoms: Vec<(f64, f64, f64)> = (0..12)
        .map(|_| {
            let side = n as f64;
            (places.random::<f64>() * side, places.random::<f64>() * side, places.random_range(0.5..1.5))
        })
        .collect();
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..n * n)
        .map(|i| {
            let (x, y) = ((i % n) as f64 - shift.0, (i / n) as f64 - shift.1);
            let hills: f64 =
                atoms.iter().map(|(a, b, h)| h * (-((x - a).powi(2) + (y - b).powi(2)) / 40.0).exp()).sum();
            let z: f64 = StandardNormal.sample(&mut rng);
            hills + 0.01 * x - 0.02 * y + noise * z
        })
        .collect()
}

/// Shifts of noisy images lie within their errors: 1 and 2 standard errors hold about 68 and 95 %.
#[test]
fn shifts_are_found_within_their_errors() {
    let n = 48;
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let mut pulls = Vec::new();
    for trial in 0..60 {
        let truth = (rng.random_range(-6.0..6.0), rng.random_range(-6.0..6.0));
        let a = scene(n, (0.0, 0.0), 0.05, 1000 + trial);
        let b = scene(n, truth, 0.05, 5000 + trial);
        let shift = register(Image::new(n, n, &a).expect("good"), Image::new(n, n, &b).expect("good"))
            .expect("the scene has structure");
        pulls.push((shift.x - truth.0) / shift.x_error);
        pulls.push((shift.y - truth.1) / shift.y_error);
        assert!(shift.correlation > 0.8);
    }
    let within =
        |s: f64| 100.0 * pulls.iter().filter(|p: &&f64| p.abs() <= s).count() as f64 / pulls.len() as f64;
    println!("shift within 1, 2 errors: {:.1} %, {:.1} %", within(1.0), within(2.0));
    // 120 pulls: one standard error of the shares is 4.3 and 2 %.
    assert!((within(1.0) - 68.3).abs() < 13.0 && within(2.0) > 89.0);
}

/// Centres from a noisy nine-point pattern and drift rates lie within their errors.
#[test]
fn centres_and_drift_rates_are_within_their_errors() {
    let mut rng = ChaCha8Rng::seed_from_u64(10);
    let mut normal = move || -> f64 { StandardNormal.sample(&mut rng) };
    let pattern: Vec<(f64, f64)> = (0..9).map(|i| (f64::from(i % 3) - 1.0, f64::from(i / 3) - 1.0)).collect();
    let (mut one, mut two, mut all) = (0, 0, 0);
    for k in 0..400 {
        let truth = (0.3 * (f64::from(k) * 0.7).sin(), 0.3 * (f64::from(k) * 1.3).cos());
        let z: Vec<f64> = pattern
            .iter()
            .map(|(x, y)| 5.0 - (x - truth.0).powi(2) - 1.5 * (y - truth.1).powi(2) + 0.05 * normal())
            .collect();
        let c = recentre(&pattern, &z, Some(0.05)).expect("a hill");
        for pull in [(c.x - truth.0) / c.x_error, (c.y - truth.1) / c.y_error] {
            one += usize::from(pull.abs() <= 1.0);
            two += usize::from(pull.abs() <= 2.0);
            all += 1;
        }
        let t = [0.0, 100.0, 250.0, 400.0, 600.0];
        let x = t.map(|t| 0.02 * t + 0.5 * normal());
        let y = t.map(|t| -0.01 * t + 0.5 * normal());
        let d = drift(&t, &x, &y, &[0.5; 5]).expect("good numbers");
        assert!((d.x_rate - 0.02).abs() < 5.5 * d.x_rate_error && d.due(1.0).is_ok());
    }
    let (one, two) = (100.0 * one as f64 / f64::from(all), 100.0 * two as f64 / f64::from(all));
    println!("centre within 1, 2 errors: {one:.1} %, {two:.1} %");
    assert!((one - 68.3).abs() < 5.0 && (two - 95.4).abs() < 2.5);
}
