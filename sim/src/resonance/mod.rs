//! Resonance spectra: line shape, width, saturation, contrast.
//!
//! [`Line`] and [`Spectrum`] are curves of current against frequency.
//! [`Resonances`] is what a spin system offers in one field at one temperature:
//! where its lines are, how strongly a drive turns them and what each does to
//! the spin's polarisation. With a drive, relaxation times and a [`Junction`] it
//! gives the change of the tunnel current. [`SpinUnderTip`] keeps all this for
//! one atom or molecule and recomputes only what has changed; it is the door
//! for the microscope.
//!
//! Each line is treated as a two-level system that is driven alone, in its
//! steady state (Bloch equations, common practice). That holds while the lines
//! are further apart than their widths.

mod fault;
mod junction;
mod line;
mod relaxation;
mod resonances;
mod spectrum;
mod under_tip;

pub use fault::{ResonanceError, ResonanceFault};
pub use junction::{Junction, polarisation};
pub use line::{Fano, Line, ising_line_hz, zeeman_line_hz};
pub use relaxation::{Driving, t2_of_width_s, width_hz};
pub use resonances::{Resonance, Resonances};
pub use spectrum::Spectrum;
pub use under_tip::{NuclearState, Nucleus, SpinParameters, SpinUnderTip, Surroundings};
