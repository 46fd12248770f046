//! Exports: the data of a run for other tools.
//!
//! Everything is streamed point by point, so memory stays flat whatever the length of a run, and every file is
//! written beside its place, made durable and then renamed: there is never half a file under its name.

mod csv;
mod fits;
mod hdf5;
mod overview;
mod whole;

pub use csv::csv;
pub use fits::fits_json;
pub use hdf5::hdf5;

use crate::record::RecordError;
use std::path::Path;

/// Why an export failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The run file can't be read.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// A file can't be written.
    #[error("`{path}` can't be written: {reason}")]
    Write {
        /// The file.
        path: String,
        /// Why.
        reason: String,
    },
}

impl ExportError {
    fn write(path: &Path, reason: impl std::fmt::Display) -> Self {
        Self::Write { path: path.display().to_string(), reason: reason.to_string() }
    }
}

/// A name as a part of a file name and of a name in HDF5.
fn plain_name(name: &str) -> String {
    let word: String = name.chars().map(|c| if c.is_alphanumeric() { c } else { '_' }).take(60).collect();
    if word.is_empty() { "unnamed".to_owned() } else { word }
}
