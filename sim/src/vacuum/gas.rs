//! Pressures in several units, and what a residual gas does to a surface.

use crate::spin::constants::{N_A_PER_MOL, R_J_PER_MOL_K};
use std::f64::consts::PI;

/// One millibar, Pa.
pub const MBAR_PA: f64 = 100.0;
/// One torr, Pa: 101 325/760.
pub const TORR_PA: f64 = 101_325.0 / 760.0;
/// One langmuir, Pa s: 10⁻⁶ Torr s.
pub const LANGMUIR_PA_S: f64 = 1e-6 * TORR_PA;
/// Sites per m² that count as one monolayer (10¹⁵ per cm², the usual convention).
pub const MONOLAYER_M2: f64 = 1e19;

/// A residual gas.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gas {
    /// H₂.
    Hydrogen,
    /// H₂O.
    Water,
    /// CO.
    CarbonMonoxide,
    /// N₂.
    Nitrogen,
}

impl Gas {
    /// Molar mass, g/mol.
    pub fn molar_g(self) -> f64 {
        match self {
            Gas::Hydrogen => 2.015_88,
            Gas::Water => 18.015_28,
            Gas::CarbonMonoxide => 28.010,
            Gas::Nitrogen => 28.0134,
        }
    }
}

/// Pressure in mbar.
pub fn pa_to_mbar(pressure_pa: f64) -> f64 {
    pressure_pa / MBAR_PA
}

/// Pressure in Pa from mbar.
pub fn mbar_to_pa(pressure_mbar: f64) -> f64 {
    pressure_mbar * MBAR_PA
}

/// Pressure in Torr.
pub fn pa_to_torr(pressure_pa: f64) -> f64 {
    pressure_pa / TORR_PA
}

/// Pressure in Pa from Torr.
pub fn torr_to_pa(pressure_torr: f64) -> f64 {
    pressure_torr * TORR_PA
}

/// Molecules that hit a surface, per m² and s: p/√(2πmkT).
///
/// ```
/// use noctule_sim::vacuum::{Gas, flux_m2_s, torr_to_pa};
/// let per_cm2 = flux_m2_s(torr_to_pa(1e-6), 300.0, Gas::Nitrogen) * 1e-4;
/// assert!((per_cm2 / 3.8318e14 - 1.0).abs() < 1e-5);
/// ```
pub fn flux_m2_s(pressure_pa: f64, gas_k: f64, gas: Gas) -> f64 {
    let molar_kg = gas.molar_g() * 1e-3;
    pressure_pa * N_A_PER_MOL / (2.0 * PI * molar_kg * R_J_PER_MOL_K * gas_k).sqrt()
}

/// Time in s in which a monolayer of 10¹⁵ per cm² lands, if a part `sticking` (0 to 1) stays.
pub fn monolayer_s(pressure_pa: f64, gas_k: f64, gas: Gas, sticking: f64) -> f64 {
    MONOLAYER_M2 / (sticking * flux_m2_s(pressure_pa, gas_k, gas))
}

/// Dose in langmuir from a dose in Pa s.
pub fn dose_langmuir(dose_pa_s: f64) -> f64 {
    dose_pa_s / LANGMUIR_PA_S
}

/// Monolayers that land in `dose_pa_s` if a part `sticking` (0 to 1) stays and none leaves.
pub fn coverage_ml(dose_pa_s: f64, gas_k: f64, gas: Gas, sticking: f64) -> f64 {
    sticking * flux_m2_s(dose_pa_s, gas_k, gas) / MONOLAYER_M2
}
