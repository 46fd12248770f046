//! The lock-in's chain of filters, from what the chop leaks into it: no spin is needed for that.

use super::closed_form::source_v;
use super::noise::{spectrum, white_a2_hz};
use super::{World, mean};
use std::f64::consts::TAU;

/// 1 − e^(−x)·Σ x^k/k! over k below the order, x = t/τ: n equal RC stages after a step (textbook).
fn settled(order: u32, tau_s: f64, t_s: f64) -> f64 {
    let x = t_s / tau_s;
    let (mut term, mut sum) = (1.0, 0.0);
    for k in 1..=order {
        sum += term;
        term *= x / f64::from(k);
    }
    1.0 - (-x).exp() * sum
}

/// The RF is switched on and X is traced: `crosstalk_fa_v` times the voltage of the source, filtered. A trace begins 1 ms
/// after the verb before it and its first reading comes after one interval, so the time is known to 1 ms of 3 s; noise is
/// 1.2 fA of 32 pA.
#[test]
fn the_lockin_settles_as_its_order_says() {
    let world = World::quiet(&[("loop_suppresses: true", "loop_suppresses: true, crosstalk_fa_v: 1e5")]);
    let sequence = r#"
set("Bias", 60.mV);
approach();
set("LockinTimeConstant", 3.s);
set("RfLevel", 0.dBm);
for order in 1..=4 {
    set("LockinOrder", order);
    set("RfOutput", 0);
    wait(120.s);
    set("RfOutput", 1);
    trace("LockinX", 500, 100.ms);
}
park();
"#;
    let run = world.rehearse(sequence);
    let whole_a = 1e-15 * world.number("crosstalk_fa_v") * source_v(0.0);
    for order in 1..=4_u32 {
        let n = order as usize - 1;
        let mut worst = 0.0_f64;
        for (t_s, x_a) in run.column("trace", n, "time").iter().zip(run.column("trace", n, "lockin_x")) {
            let off = x_a / whole_a - settled(order, 3.0, t_s + 0.1);
            worst = if off.abs() > worst.abs() { off } else { worst };
        }
        println!("order {order}: {worst:+.5}");
        assert!(worst.abs() < 1e-3, "order {order}: {worst}");
    }
}

/// Without RF the output has the noise of the current at the frequency of the chop, of which a loop of the first order
/// leaves f/√(f²+fb²), through n equal RC stages: density in squares × 1/(1+(2πfτ)²)ⁿ, in all × 1/4, 1/8, 3/32 or 5/64 of
/// 1/τ (textbook). Readings 30 ms apart fold less than 1 % of order 1 back into the bands.
#[test]
fn noise_of_the_lockin_has_the_bandwidth_of_its_order() {
    let world = World::quiet(&[("feedback_k: 4.2", "feedback_k: 300.0")]);
    let sequence = r#"
set("Bias", 60.mV);
approach();
set("LockinTimeConstant", 300.ms);
for order in 1..=4 {
    set("LockinOrder", order);
    wait(20.s);
    trace("LockinX", 65536, 30.ms);
}
park();
"#;
    let run = world.rehearse(sequence);
    let [chop_hz, loop_hz] = ["reference_hz", "loop_bandwidth_hz"].map(|name| world.number(name));
    let left = chop_hz * chop_hz / (chop_hz * chop_hz + loop_hz * loop_hz);
    let density_a2 = white_a2_hz(&world, 10e-12) * left;
    for (n, bandwidth) in [1.0 / 4.0, 1.0 / 8.0, 3.0 / 32.0, 5.0 / 64.0].into_iter().enumerate() {
        let values = run.column("trace", n, "lockin_x");
        let middle = mean(&values);
        let whole = mean(&values.iter().map(|x| (x - middle).powi(2)).collect::<Vec<_>>());
        let off = whole / (density_a2 * bandwidth / 0.3) - 1.0;
        // Of 1966 s the output keeps a reading for about 1/(2·bandwidth).
        let bound = 4.0 / (1966.0 * bandwidth / 0.3_f64).sqrt();
        println!("order {}: variance {off:+.4} within {bound:.4}", n + 1);
        assert!(off.abs() < bound, "order {}: {off} of {bound}", n + 1);
        let spectrum = spectrum(&values, 0.03, 1024);
        for band in spectrum.chunks(16).take(3) {
            let passed = |f_hz: f64| (1.0 + (TAU * f_hz * 0.3).powi(2)).powi(-1 - n as i32);
            let parts: Vec<f64> = band.iter().map(|(f_hz, s)| s / (density_a2 * passed(*f_hz))).collect();
            let off = mean(&parts) - 1.0;
            let bound = 4.0 / (0.5 * 16.0 * 127.0_f64).sqrt() + 0.01;
            println!("order {}, from {:.2} Hz on: density {off:+.4} within {bound:.4}", n + 1, band[0].0);
            assert!(off.abs() < bound, "order {} from {} Hz on: {off} of {bound}", n + 1, band[0].0);
        }
    }
}
