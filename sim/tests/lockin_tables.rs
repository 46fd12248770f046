//! The lock-in against closed forms and tables.
//!
//! Sources: the table of settling times is that of n equal RC stages, computed from the inverse of the incomplete
//! gamma function by scipy (`data/apparatus_values.json`).

use noctule_sim::lockin::{Lockin, LockinInput, LockinParams, chopped_rms_a};
use rand::SeedableRng;
use serde_json::Value;

fn values() -> Value {
    serde_json::from_str(include_str!("data/apparatus_values.json")).unwrap()
}

fn close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!((found / expected - 1.0).abs() <= relative, "{what}: {found} instead of {expected}");
}

/// What a step of size 1 reads after `t_s` behind `order` stages of 1 s.
fn step_after(order: u32, t_s: f64) -> f64 {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    let mut lockin = Lockin::new(LockinParams { reference_hz: 95.0, chop_duty: 0.5, overload_a: 1.0 });
    lockin.set_order(order).unwrap();
    lockin.set_time_constant(1.0).unwrap();
    lockin.advance(t_s, LockinInput { level_a: 1.0, density_a_rthz: 0.0, peak_a: 0.0 }, &mut rng);
    lockin.output_a()
}

#[test]
fn a_step_has_settled_when_the_table_says_so() {
    let mut settled = 0;
    for order in 1..=4_u32 {
        for (name, expected) in values().as_object().unwrap() {
            if let Some(fraction) = name.strip_prefix(&format!("settle_order{order}_")) {
                let fraction: f64 = fraction.parse().unwrap();
                close(step_after(order, expected.as_f64().unwrap()), fraction, 1e-10, name);
                settled += 1;
            }
        }
    }
    assert_eq!(settled, 4 * 8, "eight settled fractions for each of four orders");
}

#[test]
fn chopped_readings() {
    let values = values();
    let value = |name: &str| values[name].as_f64().unwrap();
    close(chopped_rms_a(1.0, 0.5), value("sq_fund_rms_over_pp"), 1e-14, "(√2/π)");
    for duty in ["0.1", "0.25", "0.5", "0.75"] {
        let name = format!("duty{duty}_fund_rms_over_pp");
        close(chopped_rms_a(1.0, duty.parse().unwrap()), value(&name), 1e-13, &name);
    }
    // A 20 fA step reads 9.003 fA; with 10 pA of shot noise, order 2 and 1 s the noise is 0.632886 fA rms.
    let signal_fa = chopped_rms_a(20.0, 0.5);
    close(signal_fa, 9.003, 2e-5, "20 fA chopped");
    let noise_fa = value("shot_fA_rtHz_10pA") * (1.0_f64 / 8.0).sqrt();
    close(noise_fa, value("shot_rms_fA_10pA_ENBW0.125"), 1e-12, "shot noise behind the filter");
    assert!((signal_fa / noise_fa - 14.2).abs() < 0.05);
}

/// Fourier component of a rectangular wave, summed numerically.
#[test]
fn chopped_reading_by_a_sum_over_the_wave() {
    let n = 200_000;
    for duty in [0.1, 0.25, 0.5, 0.62] {
        let (mut c, mut s) = (0.0, 0.0);
        for k in 0..n {
            let t = (f64::from(k) + 0.5) / f64::from(n);
            if t < duty {
                c += (std::f64::consts::TAU * t).cos();
                s += (std::f64::consts::TAU * t).sin();
            }
        }
        let rms = 2.0 * c.hypot(s) / f64::from(n) / 2.0_f64.sqrt();
        close(chopped_rms_a(1.0, duty), rms, 1e-7, "rectangular wave");
    }
}
