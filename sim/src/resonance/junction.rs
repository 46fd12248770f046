//! What the junction makes of a change in the spin's polarisation.

use crate::spin::constants::{H_J_S, K_B_J_PER_K};
use nalgebra::Vector3;

/// The tunnel junction over a spin.
///
/// Its current is I·(1 + P t·s): t the direction of the tip's moment, P the
/// junction's polarisation, s the direction of the spin's moment times its
/// degree of order. At rest in its ground state the moment lies along the
/// field; saturating a line takes that order away.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Junction {
    /// Current without contrast, A.
    pub current_a: f64,
    /// P: contrast of a fully ordered spin against a parallel tip, 0 to 1.
    pub polarisation: f64,
    /// Direction of the tip's moment; any length but zero.
    pub tip_direction: [f64; 3],
}

impl Junction {
    /// The vector whose product with the order that is lost gives the change of the current, A.
    pub(super) fn loss_a(&self) -> Vector3<f64> {
        let tip = Vector3::from(self.tip_direction);
        let length = tip.norm();
        if length > 0.0 { tip * (-self.current_a * self.polarisation / length) } else { Vector3::zeros() }
    }
}

/// Difference of the occupations of two levels, tanh(hf/2kT); 1 at 0 K.
///
/// ```
/// use noctule_sim::resonance::polarisation;
/// assert!((polarisation(20e9, 1.2) - 0.3798949896).abs() < 1e-10);
/// assert_eq!(polarisation(20e9, 0.0), 1.0);
/// ```
pub fn polarisation(f_hz: f64, temperature_k: f64) -> f64 {
    if f_hz == 0.0 { 0.0 } else { (H_J_S * f_hz / (2.0 * K_B_J_PER_K * temperature_k)).tanh() }
}
