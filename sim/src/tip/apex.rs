//! The end of the tip.

use crate::noise::Stream;

/// The last few atoms of the tip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apex {
    /// Magnetic atoms picked up so far.
    pub atoms: u32,
    /// Spin polarisation of the current, 0 (no contrast) to 1.
    pub polarisation: f64,
    /// Moment of the apex in Bohr magnetons.
    pub moment_mub: f64,
    /// Easy axis of the moment, unit vector with z ≥ 0.
    pub axis: [f64; 3],
    /// Exchange field on a spin at the reference gap, T, along the moment if positive.
    pub exchange_t: f64,
}

/// Chance that a tip with so many picked-up atoms gives contrast. Three or four
/// typically do (common practice, no source); the numbers are invented.
const CONTRAST_CHANCE: [f64; 6] = [0.0, 0.08, 0.35, 0.75, 0.92, 0.95];

impl Apex {
    /// A bare tip: no atoms, no contrast.
    pub const BARE: Self =
        Self { atoms: 0, polarisation: 0.0, moment_mub: 0.0, axis: [0.0, 0.0, 1.0], exchange_t: 0.0 };

    /// An apex as it comes out of a change, with `atoms` atoms on it. It always
    /// draws the same count of numbers, whatever comes out.
    pub fn drawn(atoms: u32, stream: &mut Stream) -> Self {
        let chance = CONTRAST_CHANCE[(atoms as usize).min(CONTRAST_CHANCE.len() - 1)];
        let polarised = stream.chance(chance);
        let polarisation = 0.22 + 0.23 * stream.uniform();
        let moment_mub = 4.0 + 3.0 * stream.uniform();
        let tilt = 0.35 * stream.uniform();
        let turn = 2.0 * std::f64::consts::PI * stream.uniform();
        let size_t = 1e-3 + 3e-3 * stream.uniform();
        let sign = if stream.chance(0.5) { 1.0 } else { -1.0 };
        if !polarised {
            return Self { atoms, ..Self::BARE };
        }
        let axis = [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()];
        Self { atoms, polarisation, moment_mub, axis, exchange_t: sign * size_t }
    }

    /// Whether a spin under this tip can be seen.
    pub fn has_contrast(&self) -> bool {
        self.polarisation > 0.0
    }
}
