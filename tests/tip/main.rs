//! The life of the tip and the memory of the bench: preparing, the guard, declared results, the logbook.

mod cold;
#[path = "../common/mod.rs"]
mod common;
mod guard;
mod kept;
mod later;
mod logbook;
mod memory;
mod prepare;
mod real_path;
mod results;
mod sentinel;
mod stage;
mod weeks;
