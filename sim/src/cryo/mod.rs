//! Helium bath, condensation pot, stage temperature.
