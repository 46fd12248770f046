//! The tunnel junction: current, height loop, differential conductance.
