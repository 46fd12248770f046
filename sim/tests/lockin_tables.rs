//! The lock-in against closed forms and tables.
//!
//! Sources: the table of settling times, bandwidths and corner frequencies is that of n equal RC
//! stages, computed from the inverse of the incomplete gamma function and Γ(n−½)/(4√π Γ(n) τ)
//! (`data/apparatus_values.json`; formulas as named in `noctule_sim::lockin`).

use noctule_sim::lockin::{
    Reference, chopped_harmonic_rms_a, chopped_rms_a, cutoff_hz, delta_from_chopped_a, enbw_hz,
    modulated_rms_a, second_harmonic_rms_a, settle_time_s, settled_fraction,
};
use serde_json::Value;

fn values() -> Value {
    serde_json::from_str(include_str!("data/apparatus_values.json")).unwrap()
}

fn close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!((found / expected - 1.0).abs() <= relative, "{what}: {found} instead of {expected}");
}

#[test]
fn settling_bandwidth_and_corner_of_the_table() {
    let values = values();
    let mut settled = 0;
    for order in 1..=4_u32 {
        for (name, expected) in values.as_object().unwrap() {
            let expected = expected.as_f64().unwrap();
            if name == &format!("ENBW_tau_order{order}") {
                close(enbw_hz(order, 1.0).unwrap(), expected, 1e-14, name);
            } else if name == &format!("f3dB_tau_order{order}") {
                close(cutoff_hz(order, 1.0).unwrap(), expected, 1e-14, name);
            } else if let Some(fraction) = name.strip_prefix(&format!("settle_order{order}_")) {
                let fraction: f64 = fraction.parse().unwrap();
                close(settle_time_s(order, 1.0, fraction).unwrap(), expected, 1e-10, name);
                settled += 1;
            }
        }
    }
    assert_eq!(settled, 4 * 8, "eight settled fractions for each of four orders");
}

/// The printed table with four decimals, as such tables usually are.
#[test]
#[expect(clippy::approx_constant, reason = "the table as printed")]
fn settling_as_printed() {
    let printed = [
        (1, [1.0000, 2.3026, 2.9957, 4.6052, 6.9078, 9.2103]),
        (2, [2.1462, 3.8897, 4.7439, 6.6384, 9.2334, 11.7564]),
        (3, [3.2583, 5.3223, 6.2958, 8.4059, 11.2289, 13.9282]),
        (4, [4.3520, 6.6808, 7.7537, 10.0451, 13.0622, 15.9138]),
    ];
    let fractions = [1.0 - (-1.0_f64).exp(), 0.9, 0.95, 0.99, 0.999, 0.9999];
    for (order, times) in printed {
        for (fraction, time) in fractions.into_iter().zip(times) {
            let found = settle_time_s(order, 1.0, fraction).unwrap();
            assert!((found - time).abs() <= 0.5001e-4, "order {order}, {fraction}: {found}");
        }
    }
}

/// The noise bandwidth by its definition, ∫|H|² df, with Simpson's rule in f = tan(u)/(2πτ).
#[test]
fn bandwidth_by_quadrature() {
    for order in 1..=4_u32 {
        let n = 2000;
        let h = std::f64::consts::FRAC_PI_2 / f64::from(n);
        let integrand = |u: f64| u.cos().powi(2 * order as i32 - 2) / std::f64::consts::TAU;
        let sum: f64 = (0..=n)
            .map(|k| {
                let weight = if k == 0 || k == n { 1.0 } else { f64::from(2 + 2 * (k % 2)) };
                weight * integrand(f64::from(k) * h)
            })
            .sum();
        close(enbw_hz(order, 1.0).unwrap(), sum * h / 3.0, 1e-12, "bandwidth");
    }
}

#[test]
fn chopped_readings() {
    let values = values();
    let value = |name: &str| values[name].as_f64().unwrap();
    close(chopped_rms_a(1.0, 0.5), value("sq_fund_rms_over_pp"), 1e-14, "(√2/π)");
    close(delta_from_chopped_a(1.0, 0.5).unwrap(), value("pp_over_rms"), 1e-14, "π/√2");
    for duty in ["0.1", "0.25", "0.5", "0.75"] {
        let name = format!("duty{duty}_fund_rms_over_pp");
        close(chopped_rms_a(1.0, duty.parse().unwrap()), value(&name), 1e-13, &name);
    }
    close(chopped_harmonic_rms_a(1.0, 0.5, 3).abs(), chopped_rms_a(1.0, 0.5) / 3.0, 1e-12, "third harmonic");
    assert!(chopped_harmonic_rms_a(1.0, 0.5, 2).abs() < 1e-15, "even harmonics vanish at half duty");
    // A 20 fA step reads 9.003 fA; with 10 pA of shot noise, order 2 and 1 s the noise is 0.632886 fA rms.
    let signal_fa = chopped_rms_a(20.0, 0.5);
    close(signal_fa, 9.003, 2e-5, "20 fA chopped");
    let noise_fa = value("shot_fA_rtHz_10pA") * enbw_hz(2, 1.0).unwrap().sqrt();
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

/// Second harmonic of an exponential curve: √2 I₂(V₀/V_t), a modified Bessel function, here by its series
/// I₂(x) = Σ (x/2)^{2k+2}/(k!(k+2)!).
#[test]
fn harmonics_of_an_exponential_curve() {
    let scale_v = 0.01;
    for v0_v in [1e-4, 3e-3, 0.02, 0.05] {
        let x: f64 = v0_v / scale_v;
        let bessel = |order: i32| {
            let mut term = (x / 2.0).powi(order) / (1..=order).map(f64::from).product::<f64>();
            let mut sum = 0.0;
            for k in 1..60 {
                sum += term;
                term *= (x / 2.0).powi(2) / f64::from(k) / f64::from(k + order);
            }
            sum
        };
        let curve = |v: f64| (v / scale_v).exp();
        let first = modulated_rms_a(curve, 0.0, v0_v, Reference::Fundamental, 64);
        let second = modulated_rms_a(curve, 0.0, v0_v, Reference::SecondHarmonic, 64);
        close(first, 2.0_f64.sqrt() * bessel(1), 1e-11, "first harmonic");
        close(second, 2.0_f64.sqrt() * bessel(2), 1e-9, "second harmonic");
    }
    let small = modulated_rms_a(|v| (v / scale_v).exp(), 0.0, 1e-5, Reference::SecondHarmonic, 64);
    close(small, second_harmonic_rms_a(1e-5, 1.0 / (scale_v * scale_v)), 1e-6, "V0²/(4√2) I″");
}

#[test]
fn fractions_outside_time() {
    assert_eq!(settled_fraction(3, 1.0, -5.0), Ok(0.0));
    assert_eq!(settled_fraction(3, 1.0, 1e9), Ok(1.0));
}
