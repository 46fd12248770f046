//! The law of a free moment through centres that are already known, and why numbers cannot be used.
//!
//! A free moment under the tip gives a line at `f = 2 μ |B + B_tip| / h`: it moves in proportion to field, with an offset
//! from the tip. Whether spectra show one at all is for [`joint`](super::joint) to say.

mod resonance_law;
mod scatter;
pub(crate) mod tails;
mod unusable;

pub use resonance_law::{MU_B_PER_H_HZ_PER_T, ResonanceLaw, resonance_law};
pub use unusable::Unusable;
pub(crate) use unusable::{at_least, finite, same_length};
