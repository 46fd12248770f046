//! Whole runs: a sequence, a bench and a driver put together, from the first entry to the digest.

mod folder;
mod rehearse;
mod setup;
mod summary;

pub use folder::{RUN_FILE_NAME, RunFolder, locate};
pub use rehearse::{Rehearsed, rehearse};
pub use setup::{BenchSource, Setup, SetupError};
pub use summary::Summary;
