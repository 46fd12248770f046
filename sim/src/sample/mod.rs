//! The surface: molecules, adatoms, step edges.
