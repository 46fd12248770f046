//! Levels, rectification and the measurement of a line through the junction.
//!
//! Level to amplitude: V₀ = √(2·50 Ω·P); an open end doubles it. Rectification (V₀²/4) d²I/dV²:
//! Appl. Phys. Lett. 107, 093101 (2015).

use noctule_sim::rf::{
    Compensation, RfLine, RfSource, RfSourceParams, dbm_to_volts, junction_volts, level_for_junction_dbm,
    rectified_a, rectified_exact_a, transmission_from_rectified_db,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde_json::Value;

#[test]
fn levels_into_fifty_ohms() {
    let values: Value = serde_json::from_str(include_str!("data/apparatus_values.json")).unwrap();
    for level in ["-30", "-20", "-10", "0", "10"] {
        let expected = values[format!("Vpk_50ohm_{level}dBm")].as_f64().unwrap();
        let found = dbm_to_volts(level.parse().unwrap());
        assert!((found / expected - 1.0).abs() < 1e-13, "{level} dBm: {found}");
    }
    let open_mv = values["Vpk_open_-10dBm_30dBloss_mV"].as_f64().unwrap();
    assert!((1e3 * junction_volts(-10.0, -30.0) / open_mv - 1.0).abs() < 1e-13);
}

/// Mean of an exponential curve over a sine: the modified Bessel function I₀, by its series.
#[test]
fn rectification_of_an_exponential_curve() {
    let scale_v = 0.02;
    for v0_v in [1e-3, 0.01, 0.06] {
        let quarter = (v0_v / scale_v / 2.0_f64).powi(2);
        let mut term = 1.0;
        let mut bessel = 0.0;
        for k in 1..60 {
            bessel += term;
            term *= quarter / f64::from(k * k);
        }
        let found = rectified_exact_a(|v| (v / scale_v).exp(), 0.0, v0_v, 64);
        assert!((found / (bessel - 1.0) - 1.0).abs() < 1e-11, "{v0_v} V: {found}");
    }
    let small = rectified_exact_a(|v| (v / scale_v).exp(), 0.0, 1e-4, 64);
    assert!((small / rectified_a(1e-4, 1.0 / (scale_v * scale_v)) - 1.0).abs() < 1e-4);
}

/// A line with ripple and a dip is measured point by point through the rectified current and
/// compensated; between the points the flatness is that of linear interpolation.
#[test]
fn a_line_measured_through_the_junction_can_be_flattened() {
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let line = RfLine::example().with_ripple(5, 1.5, (3e-9, 20e-9), &mut rng);
    let curvature = 4e-8;
    let probe_dbm = -5.0;
    let points: Vec<(f64, f64)> = (0..=800)
        .map(|k| {
            let frequency_hz = 12e9 + 5e6 * f64::from(k);
            let v0_v = junction_volts(probe_dbm, line.transmission_db(frequency_hz));
            let current_a = rectified_a(v0_v, curvature);
            (frequency_hz, transmission_from_rectified_db(current_a, curvature, probe_dbm).unwrap())
        })
        .collect();
    let table = Compensation::new(points.clone()).unwrap();
    for (frequency_hz, transmission_db) in &points {
        assert!((transmission_db - line.transmission_db(*frequency_hz)).abs() < 1e-10);
    }
    let wanted_v = 10e-3;
    let wanted_dbm = level_for_junction_dbm(wanted_v, 0.0);
    let (mut flat_worst, mut plain_worst) = (0.0_f64, 0.0_f64);
    let fixed_dbm = table.level_dbm(12e9, wanted_dbm).unwrap();
    for k in 0..4000 {
        let frequency_hz = 12e9 + 1e6 * f64::from(k);
        let level_dbm = table.level_dbm(frequency_hz, wanted_dbm).unwrap();
        let transmission_db = line.transmission_db(frequency_hz);
        flat_worst = flat_worst.max((junction_volts(level_dbm, transmission_db) / wanted_v - 1.0).abs());
        plain_worst = plain_worst.max((junction_volts(fixed_dbm, transmission_db) / wanted_v - 1.0).abs());
    }
    // Linear interpolation over h leaves h²/8 · max|T″|: for a wave A(2πτ)², for the Lorentzian dip
    // 8·|height|/fwhm² at its centre.
    let curvature_db_hz2: f64 = line
        .waves
        .iter()
        .map(|w| w.amplitude_db * (std::f64::consts::TAU * w.delay_s).powi(2))
        .chain(line.resonances.iter().map(|r| 8.0 * r.height_db.abs() / r.fwhm_hz.powi(2)))
        .sum();
    let bound = 10.0_f64.powf(curvature_db_hz2 * 5e6_f64.powi(2) / 8.0 / 20.0) - 1.0;
    assert!(flat_worst < bound * 1.01, "flat to {flat_worst}, interpolation allows {bound}");
    assert!(plain_worst > 0.3, "without compensation the amplitude swings, here by {plain_worst}");
}

/// The time without output is mean/(mean + interval) of the whole; the number of drop-outs
/// follows the rate. Four standard errors.
#[test]
fn dropouts_come_at_their_rate_and_last_their_time() {
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    let mut source = RfSource::new(RfSourceParams {
        dropouts_per_h: 4.0,
        dropout_mean_s: 90.0,
        ..RfSourceParams::example()
    });
    source.set_output(true);
    let (steps, dt_s) = (6_000_000_u32, 10.0);
    let (mut missing, mut begun, mut before) = (0_u32, 0_u32, false);
    for _ in 0..steps {
        source.advance(dt_s, &mut rng);
        assert_eq!(source.emitted_dbm().is_none(), source.dropped());
        missing += u32::from(source.dropped());
        begun += u32::from(source.dropped() && !before);
        before = source.dropped();
    }
    let part = 90.0 / (90.0 + 900.0);
    // A two-state process of mean times a and b is correlated over ab/(a+b).
    let correlated_s = 90.0 * 900.0 / 990.0;
    let whole_s = f64::from(steps) * dt_s;
    let error = (part * (1.0 - part) * 2.0 * correlated_s / whole_s).sqrt();
    let found = f64::from(missing) / f64::from(steps);
    assert!((found - part).abs() < 4.0 * error, "missing {found}, expected {part} ± {error}");
    // Seen on a grid, a drop-out begins between two looks with 1 − e^{−dt(1/a+1/b)} of the stationary flow.
    let seen = f64::from(steps) * (1.0 - part) * part * (1.0 - (-dt_s / correlated_s).exp());
    let spread = 4.0 * seen.sqrt();
    assert!((f64::from(begun) - seen).abs() < spread, "{begun} drop-outs seen, expected {seen} ± {spread}");
}
