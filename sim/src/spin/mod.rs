//! Spin Hamiltonians: levels, lines, strengths.

pub mod constants;
