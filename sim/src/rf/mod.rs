//! The RF source and its line to the junction.
