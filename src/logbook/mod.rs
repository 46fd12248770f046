//! The logbook of a bench: what became of its tips and spins over all runs, and people's own words.
//!
//! It lies in the folder of the runs. [`words`] keeps what people say, in a file of lines that is the truth about that,
//! as the run files are about all else. From both, [`store`] makes one SQLite file to be asked; it can be lost and made
//! anew at any time. [`extract`] reads what a run tells of tips and spins; [`fold`] puts the runs one after the other, so
//! that tips and spins have ids across them; `memory` has what sequences may ask; `analysis::areas` finds spins again by the pattern of what lies round them.
//! Measured runs and rehearsals have a logbook each.

pub mod ask;
pub mod extract;
pub mod fold;
mod memory;
pub mod store;
pub mod words;

pub use ask::Page;
pub use store::{Logbook, SCHEMA};
pub use words::{About, Kind, Word, Words};

/// Why the logbook can't be read or written.
#[derive(Debug, thiserror::Error)]
pub enum LogError {
    /// The folder or a file in it.
    #[error("the logbook in `{path}` can't be used: {reason}")]
    Unusable {
        /// Which.
        path: String,
        /// Why.
        reason: String,
    },
    /// SQLite.
    #[error("the logbook can't be used: {0}; `noctule log rebuild` makes it anew from the runs")]
    Database(#[from] rusqlite::Error),
    /// What was asked for is not there.
    #[error("{0}")]
    NotThere(String),
}
