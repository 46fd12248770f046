//! The run file: what is recorded, how it is kept, how it is read again.
//!
//! The run file is the truth. Nothing is reported as done before it is durable, and a
//! measurement that is not recorded did not happen.

mod entry;

pub use entry::{Column, Ending, Entry, Outcome, Place, Point, Values, WIDEST_POINT};
