//! Helium bath, condensation pot, stage temperature.
pub(crate) mod bounds;
