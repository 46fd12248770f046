//! The manual: every page can be read, every example runs.

mod arrows;
#[path = "../common/mod.rs"]
mod common;
mod examples;
mod fields;
mod pages;
