//! The life of the tip and the memory of the bench: preparing, the guard, declared results, the logbook.

#[path = "../common/mod.rs"]
mod common;
mod guard;
mod kept;
mod logbook;
mod prepare;
mod results;
mod sentinel;
mod stage;
