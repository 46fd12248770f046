//! Is it real? Verdicts on a set of spectra taken at several fields.
//!
//! A free moment under the tip gives a line at `f = 2 μ |B + B_tip| / h`: it moves in proportion to field, with
//! an offset from the tip. Peaks of the transmission line, ripple and rectification stay in place.
//!
//! [`judge`] takes the ripples that all spectra share out, tries a line of every width at every place of every
//! spectrum, and looks for features that lie on one field line. It does so twice: on the spectra as they are, and
//! on each spectrum less the median of the others, where features in place are gone. A line is believed only if
//! its evidence outweighs the places tried, it was seen at three fields or more, moved by more than two widths,
//! is not missing where it should be, keeps its asymmetry, and would hardly arise by chance. [`field_line`] is the
//! law alone, from centres already known.

mod background;
mod case;
mod doubt;
mod field_line;
mod in_place;
mod judge;
mod judgement;
mod law;
mod power;
mod scan;
mod scatter;
mod settle;
mod speak;
mod spectrum;
pub(crate) mod tails;
mod trials;
mod unusable;
mod weigh;

pub use field_line::{FieldLine, MU_B_PER_H_HZ_PER_T, field_line};
pub use in_place::FixedFeature;
pub use judge::judge;
pub use judgement::{
    Evidence, Hypothesis, Judgement, MovingLine, NextMeasurement, RippleFound, Sighting, Verdict,
};
pub use power::{PowerFinding, PowerTest};
pub use spectrum::{Settings, Spectrum};
pub use unusable::Unusable;
pub(crate) use unusable::{at_least, finite, same_length};
