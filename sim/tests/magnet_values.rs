//! The magnet's energy, voltage and quench against worked values, and a quench in the bath.
//!
//! E = ½LI², V = L dI/dt; 10 H at 60 A: 18 kJ, which boils 7.02 L; 0.1 A/s: 1 V.

mod examples;

use examples::Example;
use noctule_sim::cryo::{Cryostat, CryostatParams};
use noctule_sim::magnet::{Magnet, MagnetParams, RampSegment};
use serde_json::Value;

fn params() -> MagnetParams {
    MagnetParams {
        segments: vec![RampSegment { up_to_t: 6.0, rate_t_s: 0.01 }],
        remanence_t: 0.0,
        lag_s: 0.0,
        ..MagnetParams::example()
    }
}

#[test]
fn energy_and_voltage() {
    let values: Value = serde_json::from_str(include_str!("data/apparatus_values.json")).unwrap();
    let mut magnet = Magnet::new(params());
    magnet.set_target(6.0).unwrap();
    let inductive_v = magnet.lead_v();
    assert!((inductive_v - values["V_10H_0.1A_s"].as_f64().unwrap()).abs() < 1e-12);
    magnet.advance(300.0);
    // Half way at 30 A the leads' 10 mΩ add 0.3 V.
    assert!((magnet.lead_v() - inductive_v - 0.3).abs() < 1e-9);
    magnet.advance(400.0);
    assert!((magnet.energy_j() - values["E_J_10H_60A"].as_f64().unwrap()).abs() < 1e-9);
    assert!((magnet.lead_v() - 0.6).abs() < 1e-12, "a standing field needs the leads' voltage only");
}

/// ∫ V dt of the inductive part over a ramp is L·I, and ∫ V I dt is the stored energy.
#[test]
fn the_supply_pays_for_the_energy() {
    let mut magnet = Magnet::new(MagnetParams { lead_ohm: 0.0, lag_s: 0.0, ..MagnetParams::example() });
    magnet.set_target(5.0).unwrap();
    let dt_s = 0.5;
    let (mut volt_s, mut joule) = (0.0, 0.0);
    while magnet.ramping() {
        let (volts, amperes) = (magnet.lead_v(), magnet.current_a());
        magnet.advance(dt_s);
        // The last step and those over a segment's edge are shared; weigh by what the current did.
        let mean_a = 0.5 * (amperes + magnet.current_a());
        volt_s += volts * dt_s;
        joule += volts * mean_a * dt_s;
    }
    // Edges and end are met within one step: at most three steps of 0.5 V · 0.5 s.
    assert!((volt_s - 500.0).abs() < 3.0 * 0.25, "{volt_s} V s");
    assert!((joule - magnet.energy_j()).abs() < 3.0 * 0.25 * 50.0, "{joule} J, {} J", magnet.energy_j());
}

#[test]
fn a_quench_boils_the_helium_it_should() {
    let values: Value = serde_json::from_str(include_str!("data/apparatus_values.json")).unwrap();
    let expected_l = values["quench_18kJ_boils_L"].as_f64().unwrap();
    let mut cryostat = Cryostat::new(CryostatParams::example());
    let mut magnet = Magnet::new(params());
    magnet.place(6.0).unwrap();
    magnet.quench();
    let mut lost_l = 0.0;
    for _ in 0..600 {
        let step = magnet.advance(0.1);
        lost_l += cryostat.bath_mut().dump_j(step.quench_j);
    }
    assert!((lost_l / expected_l - 1.0).abs() < 1e-9, "{lost_l} L instead of {expected_l} L");
    assert_eq!(magnet.current_a(), 0.0);
}

/// After one time constant the current is 1/e and e⁻² of the energy is left.
#[test]
fn the_field_collapses_exponentially() {
    let mut magnet = Magnet::new(params());
    magnet.place(3.0).unwrap();
    magnet.quench();
    let step = magnet.advance(magnet.params().quench_tau_s);
    assert!((magnet.field_t() / 3.0 - (-1.0_f64).exp()).abs() < 1e-12);
    assert!((step.quench_j / 4500.0 - 1.0 + (-2.0_f64).exp()).abs() < 1e-12);
}
