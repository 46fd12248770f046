//! The lock-in's chain of filters, from what the chop leaks into it: no spin is needed for that.

use super::World;
use super::closed_form::source_v;

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
