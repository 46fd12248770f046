//! What every room stands on, the engine's and the physics' alike: values with
//! units, files whose faults are all found at once with their places, what may stand
//! in them, and the messages about what is wrong; also what a microscope can be asked for
//! and what can go wrong with it, by name.

pub mod diagnostic;
pub mod document;
pub mod fault;
pub mod quantity;
pub mod section;
pub mod signal;
