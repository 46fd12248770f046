//! Gas kinetics against worked values, and bursts and gauge by sampling.
//!
//! Flux p/√(2πmkT), 1 langmuir = 10⁻⁶ Torr s, a monolayer of 10¹⁵ per cm²; the worked values are in
//! `data/apparatus_values.json`.

use noctule_sim::vacuum::{
    Chamber, ChamberParams, Gas, LANGMUIR_PA_S, MBAR_PA, coverage_ml, dose_langmuir, flux_m2_s, mbar_to_pa,
    monolayer_s, pa_to_mbar, pa_to_torr, torr_to_pa,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde_json::Value;

fn close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!((found / expected - 1.0).abs() <= relative, "{what}: {found} instead of {expected}");
}

#[test]
fn flux_and_monolayers() {
    let values: Value = serde_json::from_str(include_str!("data/apparatus_values.json")).unwrap();
    let value = |name: &str| values[name].as_f64().unwrap();
    let gases =
        [(Gas::Nitrogen, "N2"), (Gas::Hydrogen, "H2"), (Gas::CarbonMonoxide, "CO"), (Gas::Water, "H2O")];
    for (gas, name) in gases {
        // Molar masses in use differ in the sixth digit.
        let pressure_pa = torr_to_pa(1e-6);
        let flux_cm2 = 1e-4 * flux_m2_s(pressure_pa, 300.0, gas);
        close(flux_cm2, value(&format!("flux_1e-6Torr_300K_{name}_cm2s")), 2e-5, name);
        close(monolayer_s(pressure_pa, 300.0, gas, 1.0), value(&format!("t_ML_s_1e15_{name}")), 2e-5, name);
    }
    let low_pa = mbar_to_pa(1e-10);
    close(1e-4 * flux_m2_s(low_pa, 300.0, Gas::Hydrogen), value("flux_1e-10mbar_H2_cm2s"), 2e-5, "H2");
    let hours = |gas| monolayer_s(low_pa, 300.0, gas, 1.0) / 3600.0;
    close(hours(Gas::Hydrogen), value("t_ML_h_1e-10mbar_H2"), 2e-5, "H2, hours");
    close(hours(Gas::CarbonMonoxide), value("t_ML_h_1e-10mbar_CO"), 2e-5, "CO, hours");
    close(LANGMUIR_PA_S, value("langmuir_Pa_s"), 1e-14, "langmuir");
    close(LANGMUIR_PA_S / MBAR_PA, value("langmuir_mbar_s"), 1e-14, "langmuir in mbar s");
    close(dose_langmuir(low_pa * 3600.0), value("exposure_L_1h_1e-10mbar"), 1e-13, "an hour's dose");
    let whole = monolayer_s(low_pa, 300.0, Gas::Water, 0.3);
    close(coverage_ml(low_pa * whole, 300.0, Gas::Water, 0.3), 1.0, 1e-13, "coverage in that time");
    close(torr_to_pa(pa_to_torr(3.3)), 3.3, 1e-15, "torr");
    close(pa_to_mbar(mbar_to_pa(7.0)), 7.0, 1e-15, "mbar");
    close(torr_to_pa(760.0), 101_325.0, 1e-14, "atmosphere");
}

/// Bursts at a rate λ with exponential steps of mean s that decay with τ add λ s τ to the pressure on
/// average (Campbell's theorem), with the variance λ·2s²·τ/2 and the correlation time τ. Four standard errors.
#[test]
fn bursts_come_at_their_rate_and_add_their_gas() {
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let params = ChamberParams {
        bursts_per_h: 30.0,
        burst_mean_pa: 1e-7,
        pump_tau_s: 20.0,
        ..ChamberParams::example_chamber()
    };
    let mut chamber = Chamber::new(params.clone());
    let hours = 5000.0;
    for _ in 0..5000 {
        chamber.advance(3600.0, &mut rng);
    }
    let expected = 30.0 * hours;
    let count = chamber.bursts() as f64;
    assert!((count - expected).abs() < 4.0 * expected.sqrt(), "{count} bursts, expected {expected}");
    // Each burst's whole dose is s·τ; the sum over a Poisson number has variance N·2(sτ)².
    let bursts_pa_s = chamber.dose_pa_s() - params.base_pa * hours * 3600.0;
    let unit_pa_s = params.burst_mean_pa * params.pump_tau_s;
    let error = (2.0 * expected).sqrt();
    let found = bursts_pa_s / unit_pa_s;
    assert!((found - expected).abs() < 4.0 * error, "dose of {found} bursts, expected {expected} ± {error}");
}

#[test]
fn the_gauge_scatters_by_its_relative_noise() {
    let mut rng = ChaCha8Rng::seed_from_u64(13);
    let chamber = Chamber::new(ChamberParams { gauge_digits: 9, ..ChamberParams::example_chamber() });
    let n = 10_000;
    let logs: Vec<f64> = (0..n).map(|_| (chamber.gauge_pa(&mut rng) / chamber.pressure_pa()).ln()).collect();
    let mean = logs.iter().sum::<f64>() / f64::from(n);
    let variance = logs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n - 1);
    assert!(mean.abs() < 4.0 * 0.03 / f64::from(n).sqrt());
    assert!((variance / 9e-4 - 1.0).abs() < 4.0 * (2.0 / f64::from(n)).sqrt());
}

/// The dose is the integral of the pressure: compared with a fine sum of the readings.
#[test]
fn the_dose_is_the_integral_of_the_pressure() {
    let mut rng = ChaCha8Rng::seed_from_u64(14);
    let mut chamber =
        Chamber::new(ChamberParams { initial_excess_pa: 1e-6, ..ChamberParams::example_chamber() });
    let dt_s = 1e-3;
    let mut sum_pa_s = 0.0;
    for k in 0..40_000 {
        if k == 20_000 {
            chamber.set_pumped(false);
        }
        let before_pa = chamber.pressure_pa();
        chamber.advance(dt_s, &mut rng);
        sum_pa_s += 0.5 * (before_pa + chamber.pressure_pa()) * dt_s;
    }
    close(chamber.dose_pa_s(), sum_pa_s, 1e-7, "dose");
}
