//! The run file: what is recorded, how it is kept, how it is read again.
//!
//! The run file is the truth. Nothing is reported as done before it is durable, and a
//! measurement that is not recorded did not happen. It is one SQLite file (write-ahead log,
//! `synchronous=FULL` for measurements); [`schema`] documents its tables.

mod compare;
mod entry;
mod last_words;
mod meeting;
mod reader;
mod recorder;
mod row;
mod salvage;
pub mod schema;
mod store;
mod walk;

pub use entry::{Column, Ending, Entry, NewWindow, Outcome, Place, Point, Values, WIDEST_POINT};
pub use reader::{Numbered, RunFile, SweepTable};
pub use recorder::{Difference, DigestOnly, RecordError, Recorder};
pub use salvage::{Salvage, SalvagedRow, salvage, salvage_into};
pub use store::{Document, Durability, Store};
pub use walk::Integrity;
