//! The end of the tip.

use super::Odds;
use crate::noise::Stream;
use crate::spin::constants::{K_B_J_PER_K, MU_B_J_PER_T};
use serde::Serialize;

/// The last few atoms of the tip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Apex {
    /// Magnetic atoms picked up so far.
    pub atoms: u32,
    /// Size of the spin polarisation of the current, 0 (no contrast) to 1. Whether aligned moments let more or
    /// less current through is told by the effects of the microscope.
    pub polarisation: f64,
    /// Moment of the apex in Bohr magnetons.
    pub moment_mub: f64,
    /// Easy axis of the moment, unit vector with z ≥ 0.
    pub axis: [f64; 3],
    /// Exchange field on a spin at the reference gap, T, along the moment if positive.
    pub exchange_t: f64,
    /// A second end beside the first: a double tip, which shows everything twice.
    pub second: Option<SecondEnd>,
}

/// The second end of a double tip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SecondEnd {
    /// Where it sits beside the first, m (x, y).
    pub offset_m: [f64; 2],
    /// How much farther from the surface it is, m.
    pub higher_m: f64,
}

impl SecondEnd {
    /// Drawn from a stream: from half a nanometre to two beside the first end, up to 80 pm farther away (common
    /// practice: a ghost of each atom beside it; the numbers are invented).
    fn drawn(stream: &mut Stream) -> Self {
        let size_m = 0.5e-9 + 1.5e-9 * stream.uniform();
        let turn = 2.0 * std::f64::consts::PI * stream.uniform();
        let higher_m = 80e-12 * stream.uniform();
        Self { offset_m: [size_m * turn.cos(), size_m * turn.sin()], higher_m }
    }
}

impl Apex {
    /// A bare tip: no atoms, no contrast.
    pub const BARE: Self = Self {
        atoms: 0,
        polarisation: 0.0,
        moment_mub: 0.0,
        axis: [0.0, 0.0, 1.0],
        exchange_t: 0.0,
        second: None,
    };

    /// An apex as it comes out of a change, with `atoms` atoms on it. It always
    /// draws the same count of numbers, whatever comes out.
    pub fn drawn(atoms: u32, odds: &Odds, stream: &mut Stream) -> Self {
        let polarised = stream.chance(odds.contrast_chance(atoms));
        let weakest = odds.weakest_polarisation;
        let polarisation = weakest + (0.45 - weakest) * stream.uniform();
        let moment_mub = 4.0 + 3.0 * stream.uniform();
        let tilt = 0.35 * stream.uniform();
        let turn = 2.0 * std::f64::consts::PI * stream.uniform();
        let size_t = 1e-3 + 3e-3 * stream.uniform();
        let sign = if stream.chance(0.5) { 1.0 } else { -1.0 };
        if !polarised {
            return Self { atoms, ..Self::BARE };
        }
        let axis = [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()];
        Self { atoms, polarisation, moment_mub, axis, exchange_t: sign * size_t, second: None }
    }

    /// The apex as a paramagnet of the spin `spin` (g = 2) in the field `field_t` at `kelvin`: its moment
    /// follows the field, and moment, exchange and polarisation have the size that [`brillouin`] leaves.
    pub fn paramagnetic(&self, spin: f64, field_t: [f64; 3], kelvin: f64) -> Self {
        let size_t = field_t.iter().map(|b| b * b).sum::<f64>().sqrt();
        let axis = if size_t > 0.0 { field_t.map(|b| b / size_t) } else { self.axis };
        let order = brillouin(spin, 2.0 * spin * MU_B_J_PER_T * size_t / (K_B_J_PER_K * kelvin.max(1e-3)));
        Self {
            polarisation: self.polarisation * order,
            moment_mub: self.moment_mub * order,
            exchange_t: self.exchange_t * order,
            axis,
            ..*self
        }
    }

    /// Whether it has a field of its own.
    pub fn has_field(&self) -> bool {
        self.moment_mub != 0.0 || self.exchange_t != 0.0
    }

    /// The same with the flaws that a change of the tip may leave: a second end. Also whether it will not live long.
    /// The numbers come from a stream of their own, always as many.
    pub fn with_flaws(self, odds: &Odds, stream: &mut Stream) -> (Self, bool) {
        let double = stream.chance(odds.double_chance);
        let second = SecondEnd::drawn(stream);
        let short_lived = stream.chance(odds.short_lived_part);
        (Self { second: double.then_some(second), ..self }, short_lived)
    }

    /// Whether a spin under this tip can be seen.
    pub fn has_contrast(&self) -> bool {
        self.polarisation > 0.0
    }
}

/// Brillouin's function of a spin J at x = gμB J B/kT:
/// (2J+1)/2J·coth((2J+1)x/2J) − 1/2J·coth(x/2J). Textbook; for J = 1/2 it is tanh x.
pub fn brillouin(spin: f64, x: f64) -> f64 {
    let (a, b) = ((2.0 * spin + 1.0) / (2.0 * spin), 1.0 / (2.0 * spin));
    if x.abs() < 1e-4 {
        return (spin + 1.0) / (3.0 * spin) * x;
    }
    a / (a * x).tanh() - b / (b * x).tanh()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// B½(x) = tanh x; Curie's law (J+1)x/3J for small x; 1 for large (textbook).
    #[test]
    fn brillouin_has_its_limits() {
        for x in [1e-5, 0.01, 0.3, 1.0, 4.0] {
            assert!((brillouin(0.5, x) - f64::tanh(x)).abs() < 1e-10, "{x}");
        }
        for spin in [0.5, 1.0, 2.0, 2.5] {
            assert!((brillouin(spin, 1e-3) / ((spin + 1.0) / (3.0 * spin) * 1e-3) - 1.0).abs() < 1e-6);
            assert!((brillouin(spin, 50.0) - 1.0).abs() < 1e-5);
        }
        // The two branches meet.
        assert!((brillouin(2.0, 0.99e-4) / brillouin(2.0, 1.01e-4) - 99.0 / 101.0).abs() < 1e-6);
    }

    /// A moment of spin 1/2 at 1 T and 0.6717138 K: x = μB B/kT = 1, order tanh 1 = 0.7615942.
    #[test]
    fn a_paramagnet_follows_the_field() {
        let apex = Apex { polarisation: 0.4, moment_mub: 5.0, exchange_t: 2e-3, ..Apex::BARE };
        let there = apex.paramagnetic(0.5, [1.0, 0.0, 0.0], 0.671_713_8);
        assert!((there.polarisation / 0.4 - 0.761_594_2).abs() < 1e-6);
        assert!((there.moment_mub / 5.0 - 0.761_594_2).abs() < 1e-6);
        assert_eq!(there.axis, [1.0, 0.0, 0.0]);
        assert_eq!(apex.paramagnetic(2.0, [0.0; 3], 0.3).polarisation, 0.0);
    }
}
