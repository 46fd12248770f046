//! Where entries and points go.

use super::entry::to_row;
use super::row::{Tally, to_blob};
use super::{Entry, Point};
use crate::quantity::TimePoint;

/// Why something could not be recorded or read.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The database engine reports a failure; its text names the file's trouble.
    #[error("the run file reports: {0}")]
    Database(#[from] rusqlite::Error),
    /// The file can't be made or opened.
    #[error("`{path}` can't be used as a run file: {reason}")]
    Unusable {
        /// The file.
        path: String,
        /// Why.
        reason: String,
    },
    /// The file was written by a newer version.
    #[error(
        "the run file was written by noctule {version} with schema {found}, this build reads schemas up to {known}"
    )]
    Newer {
        /// Version that wrote it.
        version: String,
        /// Its schema.
        found: u32,
        /// The newest schema of this build.
        known: u32,
    },
    /// The file was written by an older version: it can be read, and not gone on with.
    #[error(
        "the run was recorded with schema {found} of the run file, and this build goes on only with schema {known}: \
         calls were recorded as texts then. Brief, plot, export and runs read it; finish it with the version that began it"
    )]
    Older {
        /// Its schema.
        found: u32,
        /// The schema that this build writes.
        known: u32,
    },
    /// A resumed run does something else than the recorded one.
    #[error("the sequence does something else than what is recorded, at {0}")]
    Differs(Box<Difference>),
    /// Something failed before; nothing was written since.
    #[error("nothing is written any more after a failure: {0}")]
    Closed(String),
    /// What is there can't be understood.
    #[error("the run file is damaged: {0}")]
    Damaged(String),
}

/// The first place where a replay differs from the record.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Difference {
    /// Number of the entry in the file.
    pub seq: u64,
    /// What is recorded.
    pub recorded: String,
    /// What would be recorded now.
    pub now: String,
    /// Line of the sequence now, where known.
    pub line: Option<u32>,
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(f, "row {}", self.seq)?;
        writeln!(f, "  recorded: {}", self.recorded)?;
        write!(f, "  now:      {}", self.now)
    }
}

/// Takes what a run has to say.
pub trait Recorder {
    /// Appends an entry with its numbers.
    fn append(&mut self, at: TimePoint, entry: &Entry, data: &[f64]) -> Result<(), RecordError>;
    /// Appends a point.
    fn append_point(&mut self, point: &Point) -> Result<(), RecordError>;
    /// Returns when everything appended so far will survive what the file is made to survive.
    fn commit(&mut self) -> Result<(), RecordError>;
    /// Ends the record and gives its digest.
    fn finish(&mut self) -> Result<String, RecordError>;
    /// What will be lost if the process dies now; 0 after a commit.
    fn uncommitted(&self) -> u64;
}

/// Keeps only the digest: for rehearsals by the thousand.
#[derive(Debug)]
pub struct DigestOnly {
    tally: Tally,
    seq: u64,
}

impl Default for DigestOnly {
    fn default() -> Self {
        Self { tally: Tally::new(true), seq: 0 }
    }
}

impl Recorder for DigestOnly {
    fn append(&mut self, at: TimePoint, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        let (kind, body) = to_row(entry);
        self.tally.entry(self.seq, at, (&kind, &body), &to_blob(data));
        self.seq += 1;
        Ok(())
    }

    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        self.tally.point(self.seq, point);
        self.seq += 1;
        Ok(())
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        Ok(())
    }

    fn finish(&mut self) -> Result<String, RecordError> {
        Ok(self.tally.digest())
    }

    fn uncommitted(&self) -> u64 {
        0
    }
}
