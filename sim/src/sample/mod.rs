//! The surface: molecules and adatoms on a salt film, step edges, and what each
//! adds to the height and the current under the tip.

mod species;
mod surface;

pub use species::{Relaxation, Species};
pub use surface::{Coupling, Edge, Near, Site, Surface};
