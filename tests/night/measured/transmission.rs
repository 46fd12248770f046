//! The RF line, from the current that it makes the junction rectify under a blind tip.

use super::World;
use super::closed_form::loss_db;
use std::f64::consts::TAU;

/// A film of which the characteristic has no steps rectifies a·V₀²/2 + b·3V·V₀²/2, so the ratio of two currents is one
/// of powers (Appl. Phys. Lett. 107, 093101 (2015), abstract). Over frequency that is the loss of a coaxial line and
/// A·cos(2πfτ + φ) of a pair of reflections (textbook). Four parameters are fitted; what remains is noise.
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
    // Least squares about the wave of the world file: its size, its phase in the middle and its delay to first order.
    let [told_db, told_s, told_rad] = [0.8, 4.7e-9, 2.1];
    let middle_hz = 0.5 * (f_hz[0] + f_hz[f_hz.len() - 1]);
    let rows = nalgebra::DMatrix::from_fn(f_hz.len(), 4, |i, k| {
        let turn = TAU * f_hz[i] * told_s + told_rad;
        [1.0, turn.cos(), -turn.sin(), -turn.sin() * TAU * (f_hz[i] - middle_hz) * 1e-9][k]
    });
    let y = nalgebra::DVector::from_vec(over_loss);
    let normal = (rows.transpose() * &rows).try_inverse().unwrap();
    let found = &normal * rows.transpose() * &y;
    let rest_db = (&y - rows * &found).norm() / (f_hz.len() as f64 - 4.0).sqrt();
    let error_db = line["error_db"].as_f64().unwrap();
    println!("rest {rest_db:.4} dB a point, quoted {error_db:.4} dB");
    assert!(rest_db < 1.2 * error_db, "nothing but noise remains: {rest_db} dB, quoted {error_db} dB");
    for (k, name, off) in [
        (1, "amplitude, parts", found[1] / told_db - 1.0),
        (2, "phase in the middle, rad", found[2] / told_db),
        (3, "delay, ns", found[3] / told_db),
    ] {
        let bound = 4.0 * rest_db * normal[(k, k)].sqrt() / told_db;
        println!("{name}: {off:+.5} within {bound:.5}");
        assert!(off.abs() < bound, "{name}: {off} of {bound}");
    }
}
