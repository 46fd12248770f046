//! Resonance spectra: line shape, width, saturation, contrast.
//!
//! [`Resonances`] is what a spin system offers in one field at one temperature:
//! where its lines are, how strongly a drive turns them, how they move with the
//! field, and what each does to the spin's order. With a [`Driving`] and a
//! [`Junction`] it gives the change of the tunnel current: this is what the
//! lock-in of the microscope sees.
//!
//! Each line is treated as a two-level system that is driven alone, in its
//! steady state (Bloch equations, common practice). That holds while the lines
//! are further apart than their widths.

mod junction;
mod relaxation;
mod resonances;

pub use junction::{Homodyne, Junction, polarisation};
pub use relaxation::{Driving, width_hz};
pub use resonances::{Resonance, Resonances};
