//! The live page, over HTTP and over a day of points.

#[path = "../common/mod.rs"]
mod common;
mod day;
mod page;
