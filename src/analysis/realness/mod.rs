//! Is it real? Verdicts on a set of spectra taken at several fields.
//!
//! A free moment under the tip gives a line at `f = 2 μ |B + B_tip| / h`: it moves in proportion to field, with
//! an offset from the tip. Peaks of the transmission line, ripple and rectification stay in place.

mod field_line;
pub(crate) mod tails;
mod unusable;

pub use field_line::{FieldLine, MU_B_PER_H_HZ_PER_T, field_line};
pub use unusable::Unusable;
