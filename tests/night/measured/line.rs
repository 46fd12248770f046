//! The line: height and width against level and current, place against the field of the tip, contrast against field.

use super::World;
use super::closed_form::{junction, saturation, width_hz};

/// On the adatom at 0.6 T, with a slow lock-in.
const ON_THE_SPIN: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
set("LockinTimeConstant", 3.s);
set("LockinOrder", 4);
approach();
go_to(3.2.nm, -1.85.nm);
ramp_field(0.6.T);
wait(10.min);
set("RfOutput", 1);
fn line(name, centre, half_range, samples) {
    let taken = sweep(#{ name: name, channel: "RfFrequency", from: centre - half_range, to: centre + half_range,
        points: 81, read: ["LockinX", "StageTemperature", "FieldZ"],
        settle: 45.s, dwell: samples * 3.s, average: samples });
    fit_shape("lorentzian", taken, "LockinX")
}
"#;

/// Beyond noise, 0.2 %: the loss of the line grows by 0.17 dB over the widest sweep, almost odd about the line.
const BEYOND: f64 = 0.002;

/// Over 30 dB of level the height goes as s/(1+s) and the width as √(1+s)/(πT2), s = Ω²T1T2 (Bloch's equations in
/// their steady state, textbook); the height itself is what the polarisation of tip and spin makes of the current.
#[test]
fn height_and_width_follow_the_level_over_thirty_decibels() {
    let world = World::quiet(&[]);
    let sequence = format!(
        r#"{ON_THE_SPIN}
let centre = 15.15.GHz;
for row in [[6.dBm, 200.MHz, 4], [-4.dBm, 90.MHz, 4], [-14.dBm, 60.MHz, 8], [-24.dBm, 50.MHz, 24]] {{
    set("RfLevel", row[0]);
    centre = line(`${{row[0]}}`, centre, row[1], row[2]).value("centre");
}}
park();
"#
    );
    let run = world.rehearse(&sequence);
    for (n, level_dbm) in [6.0, -4.0, -14.0, -24.0].into_iter().enumerate() {
        let there = junction(&world, run.mean(n, "field_z"), run.mean(n, "stage_temperature"), 0.06, 10e-12);
        let s = saturation(&world, level_dbm, there.line_hz, 10e-12);
        let expected_hz = width_hz(&world, level_dbm, there.line_hz, 10e-12);
        let expected_a = there.full_height_a * s / (1.0 + s);
        let (width, height) = (run.fitted(n, "width"), run.fitted(n, "height"));
        println!(
            "{level_dbm} dBm: s {s:.4}, width {:+.4} of {expected_hz:.4e} Hz within {:.4}, height {:+.4} of \
             {expected_a:.4e} A within {:.4}",
            width.off(expected_hz),
            width.bound(BEYOND),
            height.off(expected_a),
            height.bound(BEYOND)
        );
        assert!(
            width.off(expected_hz).abs() < width.bound(BEYOND),
            "{level_dbm} dBm: {width:?} {expected_hz}"
        );
        assert!(
            height.off(expected_a).abs() < height.bound(BEYOND),
            "{level_dbm} dBm: {height:?} {expected_a}"
        );
    }
}

/// More current, shorter memory: the width is √(1+s)·(1/T2 + p·I/e)/π (Sci. Adv. 4, eaaq1543 (2018),
/// 10.1126/sciadv.aaq1543, for the law). The line is at |g·(B + Btip)|·μB/h: with the tip's field of the summary's
/// truth, which is itself that of the closed form.
#[test]
fn place_and_width_follow_the_setpoint() {
    // A line without slope: one of 0.43 dB/GHz would move the broadest line by 18 kHz.
    let flat = "ripple: [], fixed_loss_db: 22.0, conductor_loss_db: 0.0, insulation_loss_db: 0.0";
    let world = World::quiet(&[("exchange_mt: -0.75", "exchange_mt: 3.0"), ("ripple: []", flat)]);
    // The tip comes anew for each setpoint, so that the truth has a stay for each.
    let sequence = format!(
        r#"{ON_THE_SPIN}
set("RfLevel", -10.dBm);
for row in [[5.pA, 15.21.GHz], [20.pA, 15.34.GHz], [80.pA, 15.68.GHz]] {{
    set("RfOutput", 0);
    withdraw();
    set("Setpoint", row[0]);
    approach();
    set("RfOutput", 1);
    line(`${{row[0]}}`, row[1], if row[0] > 50.pA {{ 150.MHz }} else {{ 80.MHz }}, 4);
}}
park();
"#
    );
    let run = world.rehearse(&sequence);
    let stays = run.summary["truth"]["stays"].as_array().unwrap();
    assert_eq!(stays.len(), 4, "one before the first setpoint, and one for each");
    let mut places_hz = Vec::new();
    for (n, current_a) in [5e-12, 20e-12, 80e-12].into_iter().enumerate() {
        let there =
            junction(&world, run.mean(n, "field_z"), run.mean(n, "stage_temperature"), 0.06, current_a);
        let truth_t: Vec<f64> =
            stays[n + 1]["tip_field_t"].as_array().unwrap().iter().map(|b| b.as_f64().unwrap()).collect();
        let [truth_size_t, expected_t] = [&truth_t[..], &there.tip_field_t[..]]
            .map(|field_t| field_t.iter().map(|b| b * b).sum::<f64>().sqrt());
        assert!((truth_size_t / expected_t - 1.0).abs() < 0.001, "{current_a}: {truth_t:?} {expected_t}");
        let centre = run.fitted(n, "centre");
        let from_truth_hz = super::closed_form::line_hz(run.mean(n, "field_z"), &truth_t);
        let expected_hz = width_hz(&world, -10.0, there.line_hz, current_a);
        let width = run.fitted(n, "width");
        println!(
            "{current_a:e} A: tip's field {:+.4}, place {:+.0} Hz off with the truth's tip field, {:+.0} Hz off the closed form \
             (error {:.0} Hz), width {:+.4} of {expected_hz:.4e} Hz within {:.4}",
            truth_size_t / expected_t - 1.0,
            centre.value - from_truth_hz,
            centre.value - there.line_hz,
            centre.error,
            width.off(expected_hz),
            width.bound(BEYOND)
        );
        // The mean of 324 readings of the field knows it to 1 µT/√324: 1.4 kHz.
        let bound_hz = 4.0 * centre.error.hypot(1.4e3);
        assert!((centre.value - from_truth_hz).abs() < bound_hz, "{current_a}: {centre:?} {from_truth_hz}");
        assert!(width.off(expected_hz).abs() < width.bound(BEYOND), "{current_a}: {width:?} {expected_hz}");
        places_hz.push(centre.value);
    }
    assert!(places_hz[2] - places_hz[0] > 100e6, "the tip moves the line: {places_hz:?}");
}

/// A saturated line is as high as the thermal order, tanh(hf/2kT) (textbook): the height itself at each field.
#[test]
fn contrast_follows_the_field() {
    let world = World::quiet(&[]);
    let sequence = format!(
        r#"{ON_THE_SPIN}
set("RfLevel", 6.dBm);
for field in [0.3.T, 0.6.T, 1.2.T] {{
    ramp_field(field);
    wait(20.min);
    line(`${{field}}`, 25.05.GHz / 1.T * (field + 4.5.mT), 200.MHz, 4);
}}
park();
"#
    );
    let run = world.rehearse(&sequence);
    let mut heights_a = Vec::new();
    for (n, field_t) in [0.3, 0.6, 1.2].into_iter().enumerate() {
        let kelvin = run.mean(n, "stage_temperature");
        let there = junction(&world, run.mean(n, "field_z"), kelvin, 0.06, 10e-12);
        let s = saturation(&world, 6.0, there.line_hz, 10e-12);
        let expected_a = there.full_height_a * s / (1.0 + s);
        let height = run.fitted(n, "height");
        let order = super::closed_form::order(there.line_hz, kelvin);
        println!(
            "{field_t} T, {kelvin:.4} K: order {order:.4}, s {s:.2}, height {:+.4} of {expected_a:.4e} A within {:.4}",
            height.off(expected_a),
            height.bound(BEYOND)
        );
        assert!(height.off(expected_a).abs() < height.bound(BEYOND), "{field_t} T: {height:?} {expected_a}");
        heights_a.push(height.value);
    }
    assert!(heights_a[2] > 1.5 * heights_a[0], "{heights_a:?}");
}
