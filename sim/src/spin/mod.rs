//! Spin Hamiltonians: levels, lines, strengths.
