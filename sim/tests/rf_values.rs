//! Levels and drop-outs. Level to amplitude: V₀ = √(2·50 Ω·P); an open end doubles it.

mod examples;

use examples::Example;
use noctule_sim::rf::{RfSource, RfSourceParams, dbm_to_volts, junction_volts};
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
        let dropped = source.emitted_dbm().is_none();
        missing += u32::from(dropped);
        begun += u32::from(dropped && !before);
        before = dropped;
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
