//! The physics of a simulated millikelvin scanning tunnelling microscope that
//! measures the spin resonance of single atoms and molecules.
//!
//! One room for each piece of apparatus; [`microscope`] puts them together. The
//! crate knows nothing of sequences, benches or run files: it is told the time,
//! what is set, and asked what a gauge shows.
//!
//! All values are in SI units unless a name says otherwise (`_ghz`, `_l`);
//! couplings are cyclic frequencies E/h.

pub mod act;
pub mod cryo;
pub mod drift;
pub mod lockin;
pub mod magnet;
pub mod microscope;
pub mod noise;
pub mod resonance;
pub mod rf;
pub mod sample;
pub mod spin;
pub mod tip;
pub mod tunnel;
pub mod vacuum;
pub mod world;

#[cfg(test)]
extern crate self as noctule_sim;
#[cfg(test)]
#[path = "../tests/examples/mod.rs"]
mod examples;

pub use act::{Act, ActReport, Refusal};
pub use noctule_ground::document;
pub use noctule_ground::fault::Fault;
pub use noctule_ground::signal::Signal;
