//! Whole nights from the command line: the shipped one, refills, windows, bad input, and the way over TCP.

mod bad_input;
#[path = "../common/mod.rs"]
mod common;
mod instruments;
mod measured;
mod over_tcp;
mod plan;
mod refill;
mod shipped;
mod truth;
mod windows;
