//! Old runs as a library: their list, exports, plots, results, and what is saved of a damaged one.

mod commands;
#[path = "../common/mod.rs"]
mod common;
mod own;
mod results;
mod salvage;
