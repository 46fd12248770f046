//! The RF line, from the current that it makes the junction rectify under a blind tip.

use super::World;
use super::closed_form::loss_db;
use std::f64::consts::TAU;

/// A film of which the characteristic has no steps rectifies a·V₀²/2 + b·3V·V₀²/2, so the ratio of two currents is one
/// of powers (Appl. Phys. Lett. 107, 093101 (2015), abstract). Over frequency that is the loss of a coaxial line and
/// A·cos(2πfτ + φ) of a pair of reflections (textbook). Three parameters are fitted; what remains is noise.
#[test]
fn transmission_under_a_blind_tip_is_that_of_the_line() {
    let world = World::quiet(&[
        ("polarisation: 0.36, moment_mub: 5.0", "polarisation: 0.0, moment_mub: 0.0"),
        ("exchange_mt: -0.75", "exchange_mt: 0.0"),
        ("quadratic_per_v: 0.0, cubic_per_v2: 0.0", "quadratic_per_v: 0.15, cubic_per_v2: 2.5"),
        ("ripple: []", "ripple: [Wave(amplitude_db: 0.8, delay_ns: 4.7, phase_rad: 2.1)]"),
    ]);
    let sequence = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
set("Setpoint", 60.pA);
set("RfLevel", -3.dBm);
set("RfOutput", 1);
wait(10.s);
transmission(sweep(#{ name: "line", channel: "RfFrequency", from: 12.GHz, to: 14.GHz, points: 201,
    read: "LockinX", dwell: 4.s, average: 20 }));
park();
"#;
    let run = world.rehearse(sequence);
    let said = run.fits["other"].as_array().unwrap().iter().find(|other| other["what"] == "transmission");
    let line = &said.expect("the transmission is in the record")["body"];
    let list = |name: &str| -> Vec<f64> {
        line[name].as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
    };
    let (f_hz, db) = (list("f_hz"), list("db"));
    let over_loss: Vec<f64> = f_hz.iter().zip(&db).map(|(f_hz, db)| db + loss_db(&world, *f_hz)).collect();
    // The delay is looked for; at each the wave and the mean are a linear problem of least squares.
    let told_s = 1e-9 * 4.7;
    let tried = (-400..=400).map(|step| told_s * (1.0 + 1e-4 * f64::from(step)));
    let fits = tried.map(|delay_s| (delay_s, wave(&f_hz, &over_loss, delay_s)));
    let (delay_s, (amplitude_db, phase_rad, rest_db)) = fits.min_by(|a, b| a.1.2.total_cmp(&b.1.2)).unwrap();
    // What noise of `rest_db` a point makes of a cosine over N points and a range F (least squares, textbook).
    let count = f_hz.len() as f64;
    let range_hz = f_hz[f_hz.len() - 1] - f_hz[0];
    let amplitude_error_db = rest_db * (2.0 / count).sqrt();
    let delay_error_s = amplitude_error_db / amplitude_db * 12f64.sqrt() / (TAU * range_hz);
    let error_db = line["error_db"].as_f64().unwrap();
    println!(
        "amplitude {:+.4} dB off within {:.4}, delay {:+.5} ns off within {:.5}, phase at 13 GHz {:+.4} rad off, rest \
         {rest_db:.4} dB, quoted {error_db:.4} dB",
        amplitude_db - 0.8,
        4.0 * amplitude_error_db,
        1e9 * (delay_s - told_s),
        4e9 * delay_error_s,
        phase_off(phase_rad, delay_s),
    );
    assert!(
        (amplitude_db - 0.8).abs() < 4.0 * amplitude_error_db,
        "{amplitude_db} ± {amplitude_error_db} dB"
    );
    assert!((delay_s - told_s).abs() < 4.0 * delay_error_s, "{delay_s} ± {delay_error_s} s");
    assert!(phase_off(phase_rad, delay_s).abs() < 4.0 * amplitude_error_db / amplitude_db, "{phase_rad}");
    assert!(rest_db < 1.2 * error_db, "nothing but noise remains: {rest_db} dB, quoted {error_db} dB");
}

/// The phase in the middle of the range, where it does not depend on the delay, against that of the world file.
fn phase_off(phase_rad: f64, delay_s: f64) -> f64 {
    let off = phase_rad - 2.1 + TAU * 13e9 * (delay_s - 4.7e-9);
    (off + 0.5 * TAU).rem_euclid(TAU) - 0.5 * TAU
}

/// Mean, cosine and sine of one delay through points, least squares: amplitude, phase at zero frequency, rms of the rest.
fn wave(f_hz: &[f64], y: &[f64], delay_s: f64) -> (f64, f64, f64) {
    let rows = nalgebra::DMatrix::from_fn(f_hz.len(), 3, |i, k| match k {
        0 => 1.0,
        1 => (TAU * f_hz[i] * delay_s).cos(),
        _ => -(TAU * f_hz[i] * delay_s).sin(),
    });
    let y = nalgebra::DVector::from_column_slice(y);
    let found = rows.clone().svd(true, true).solve(&y, 0.0).unwrap();
    let rest = (&y - rows * &found).norm() / (f_hz.len() as f64 - 4.0).sqrt();
    (found[1].hypot(found[2]), found[2].atan2(found[1]), rest)
}
