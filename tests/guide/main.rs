//! The manual: every page can be read, every example runs.

#[path = "../common/mod.rs"]
mod common;
mod examples;
mod pages;
