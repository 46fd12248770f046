//! What the junction makes of a change in the spin's polarisation.

use crate::spin::constants::{H_J_S, K_B_J_PER_K};
use nalgebra::Vector3;

/// The tunnel junction over a spin.
///
/// Its current is I·(1 + P t·s): t the direction of the tip's moment, P the
/// junction's polarisation with its sign, s the direction of the spin's moment
/// times its degree of order. At rest in its ground state the moment lies along
/// the field; saturating a line takes that order away. With P above zero more
/// current flows when the moments are aligned, and saturation lowers it; with P
/// below zero both turn round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Junction {
    /// I: current without contrast, A.
    pub current_a: f64,
    /// P: contrast of a fully ordered spin against a parallel tip, −1 to 1.
    pub polarisation: f64,
    /// Direction of the tip's moment; any length but zero.
    pub tip_direction: [f64; 3],
    /// How the driven spin mixes with the RF.
    pub homodyne: Homodyne,
}

/// The rectified part: the spin turns at the frequency of the RF, so that the conductance does, and the RF voltage
/// across it makes a direct current.
///
/// With the transverse part of Bloch's steady state, of size ΩT2/(1 + s + x²) in quadrature with the drive and
/// x times that in phase, the mean of voltage times conductance is
/// I·P·t⊥·order·(V_RF/2V_DC)·ΩT2·(x cos φ + sin φ)/(1 + s + x²) (own derivation; that the asymmetry comes from
/// the coupling of the moment to the microwave field: Phys. Rev. Research 6, 023126 (2024), abstract).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Homodyne {
    /// V_RF/(2 V_DC) times the part that takes part, no unit; 0 is off.
    pub ratio: f64,
    /// Phase φ of the drive against the RF voltage, rad; at 0 the part is purely odd about the line.
    pub phase_rad: f64,
}

impl Junction {
    /// What an order adds to the current, as a part of it: P t·s.
    pub fn contrast(&self, order: &Vector3<f64>) -> f64 {
        let tip = Vector3::from(self.tip_direction);
        let length = tip.norm();
        if length > 0.0 { self.polarisation * tip.dot(order) / length } else { 0.0 }
    }

    /// The same of a transverse order of this size, turned into the plane of tip and order: P |t⊥| |s|.
    pub(super) fn contrast_across(&self, order: &Vector3<f64>) -> f64 {
        let tip = Vector3::from(self.tip_direction);
        let length = tip.norm();
        if length > 0.0 { self.polarisation * tip.cross(order).norm() / length } else { 0.0 }
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
