//! The tip: the atoms at its apex, the field they make on the spin below, how
//! the apex switches between two states, and how it is prepared.

mod apex;
mod field;
mod law;

pub use apex::{Apex, SecondEnd, brillouin};
pub use field::{FieldLaw, gradient_t_m, tip_field_t};
pub use law::{Odds, Preparation, Switching};
