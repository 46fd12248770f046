//! The tunnel junction: current against distance and bias, the loop that holds
//! the height, and the noise that comes with a current.
//!
//! Bias enters through a [`Shape`], distance through a [`Barrier`]; their
//! product is the current. Both have closed forms, so nothing here integrates.

mod barrier;
mod density;
mod height_loop;
mod shape;

pub use crate::spin::constants::CONDUCTANCE_QUANTUM_S;
pub use barrier::Barrier;
pub use density::{Amplifier, johnson_density, shot_density};
pub use height_loop::HeightLoop;
pub use shape::{Harmonics, Shape, Step, peak_shape, step_integral, step_shape};
