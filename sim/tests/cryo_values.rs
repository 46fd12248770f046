//! Helium against published and worked values.
//!
//! Latent heat and densities: equation of state of helium as CoolProp 8.0.0 evaluates it.
//! Worked values: `data/apparatus_values.json`, computed from the formulas the library's docs name.

use noctule_sim::cryo::{LATENT_HEAT_J_G, LIQUID_G_L, boiled_l, helium3_latent_j_mol};
use serde_json::Value;

fn values() -> Value {
    serde_json::from_str(include_str!("data/apparatus_values.json")).unwrap()
}

fn close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!((found / expected - 1.0).abs() <= relative, "{what}: {found} instead of {expected}");
}

#[test]
fn boil_off_per_watt() {
    let values = values();
    let value = |name: &str| values[name].as_f64().unwrap();
    close(boiled_l(3600.0), value("LHe_L_per_h_per_W_EOS"), 1e-12, "litres per hour and watt");
    close(LATENT_HEAT_J_G, value("L_nbp_J_g"), 1e-14, "latent heat");
    close(LIQUID_G_L, value("rho_l"), 1e-14, "density");
    // Rounded textbook numbers (20.7 J/g, 125 g/L) give 1.391; the equation of state must be near.
    close(boiled_l(3600.0), 3600.0 / 20.7 / 125.0, 0.011, "textbook numbers");
    close(boiled_l(18_000.0), value("quench_18kJ_boils_L"), 1e-12, "litres in a quench of 18 kJ");
}

/// L ≈ L₀ + (5/2)RT with L₀ ≈ 20.6 J/mol: from memory, not checked; n·L/Q is its definition.
#[test]
fn helium3_holds() {
    assert!((helium3_latent_j_mol(0.3) - 26.8).abs() < 0.05);
    // n·L/Q in hours.
    let hours = helium3_latent_j_mol(0.3) / 100e-6 / 3600.0;
    assert!((hours - 74.5).abs() < 0.1, "1 mol under 100 µW: {hours} h");
}
