//! What every room stands on, the engine's and the physics' alike: values with
//! units, files whose faults are all found at once with their places, and the
//! messages about what is wrong.

pub mod diagnostic;
pub mod document;
pub mod quantity;
pub mod section;
