//! Helium as a coolant: what a watt boils off, how much gas that is, what it does to the air.
//!
//! Liquid at its normal boiling point (101 325 Pa), from the equation of state of helium as the
//! library CoolProp 8.0.0 evaluates it. That boils at 4.2238 K; on ITS-90 it is 4.2221 K
//! (NISTIR 8474 (2023), 10.6028/NIST.IR.8474).

use crate::spin::constants::R_J_PER_MOL_K;

/// Latent heat of helium at its normal boiling point, J/g.
pub const LATENT_HEAT_J_G: f64 = 20.564_394_565_990_526;
/// Density of the liquid at its normal boiling point, g/L.
pub const LIQUID_G_L: f64 = 124.669_267_865_497_7;
/// Density of the vapour over that of the liquid at the normal boiling point.
pub const VAPOUR_TO_LIQUID: f64 = 0.135_579_601_409_178_38;
/// Molar mass of helium, g/mol.
pub const HELIUM_G_MOL: f64 = 4.002_602;

/// Pressure of the standard atmosphere, Pa.
const ATMOSPHERE_PA: f64 = 101_325.0;
/// Second virial coefficient of helium near room temperature, m³/mol (from memory, not checked;
/// it corrects the ideal gas by 0.05 %).
const VIRIAL_M3_MOL: f64 = 11.8e-6;

/// Heat that evaporates one litre of liquid, J.
pub const LITRE_J: f64 = LATENT_HEAT_J_G * LIQUID_G_L;

/// Liquid in litres that `heat_j` evaporates.
///
/// ```
/// // One watt for an hour: 1.404 litres.
/// assert!((noctule_sim::cryo::boiled_l(3600.0) - 1.4042).abs() < 1e-4);
/// ```
pub fn boiled_l(heat_j: f64) -> f64 {
    heat_j / LITRE_J
}

/// Litres of gas at `gas_k` and one atmosphere from one litre of liquid.
pub fn expansion_ratio(gas_k: f64) -> f64 {
    let ideal_m3_mol = R_J_PER_MOL_K * gas_k / ATMOSPHERE_PA;
    let gas_l_mol = 1000.0 * (ideal_m3_mol + VIRIAL_M3_MOL);
    LIQUID_G_L / HELIUM_G_MOL * gas_l_mol
}

/// Gas in L/min (at `gas_k`, one atmosphere) that leaves a vessel in which `heat_w` evaporates
/// liquid. Less than what evaporates, since vapour fills the room the liquid leaves.
pub fn gas_leaving_l_min(heat_w: f64, gas_k: f64) -> f64 {
    boiled_l(heat_w * 60.0) * expansion_ratio(gas_k) * (1.0 - VAPOUR_TO_LIQUID)
}

/// Oxygen in the air of a room, per cent, after `liquid_l` of helium evaporated into
/// `room_m3` and mixed well while air left: 20.9 % · exp(−V_gas/V_room), gas at 20 °C.
pub fn oxygen_percent(liquid_l: f64, room_m3: f64) -> f64 {
    20.9 * (-liquid_l * expansion_ratio(293.15) / (1000.0 * room_m3)).exp()
}

/// Heat in W per m³ that eddy currents make in a slab of `thickness_m` with the changing field
/// in its plane: Ḃ²a²/(12ρ).
pub fn eddy_slab_w_m3(field_rate_t_s: f64, thickness_m: f64, resistivity_ohm_m: f64) -> f64 {
    (field_rate_t_s * thickness_m).powi(2) / (12.0 * resistivity_ohm_m)
}

/// Heat in W per m³ that eddy currents make in a cylinder of `radius_m` with the changing field
/// along its axis: Ḃ²R²/(8ρ).
pub fn eddy_cylinder_w_m3(field_rate_t_s: f64, radius_m: f64, resistivity_ohm_m: f64) -> f64 {
    (field_rate_t_s * radius_m).powi(2) / (8.0 * resistivity_ohm_m)
}
