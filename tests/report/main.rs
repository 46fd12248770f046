//! What the next shift reads of a night.

mod campaign;
#[path = "../common/mod.rs"]
mod common;
mod kinds;
mod learn;
mod night;
mod older;
mod outlook;
mod story;
