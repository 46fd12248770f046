//! Helium as a coolant: what a watt boils off.
//!
//! Liquid at its normal boiling point (101 325 Pa), from the equation of state of helium as the
//! library CoolProp 8.0.0 evaluates it. That boils at 4.2238 K; on ITS-90 it is 4.2221 K
//! (NISTIR 8474 (2023), 10.6028/NIST.IR.8474).

/// Latent heat of helium at its normal boiling point, J/g.
pub const LATENT_HEAT_J_G: f64 = 20.564_394_565_990_526;
/// Density of the liquid at its normal boiling point, g/L.
pub const LIQUID_G_L: f64 = 124.669_267_865_497_7;

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
