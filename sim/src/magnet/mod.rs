//! The superconducting magnet and its supply.
