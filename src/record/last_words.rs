//! What is still written when the disk is full: how the bench was parked, and why the run ended.
//!
//! A little space is kept beside the run file for that. When a write fails, what was not yet on disk is given up
//! (nobody was told that it was), the space is let go, and only the rows of the end are written behind what is safe.

use super::recorder::RecordError;
use super::{Entry, Store};
use crate::quantity::TimePoint;
use rusqlite::{Connection, ErrorCode, OptionalExtension};
use std::path::{Path, PathBuf};

/// Bytes that are kept: the rows of an end take a tenth of it.
const RESERVE_BYTES: usize = 512 << 10;
/// Where the file says from which row on it was written with the last space.
pub(super) const BEGIN_KEY: &str = "last_words";

/// Space beside the run file.
#[derive(Debug)]
pub(super) struct Reserve {
    path: PathBuf,
    said: LastWords,
}

/// How far the last words have come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LastWords {
    /// Nothing has failed.
    NotNeeded,
    /// The disk is full; the end may be written.
    Possible,
    /// It is being written.
    Begun,
    /// They are written, or can't be.
    Over,
}

impl Reserve {
    /// Keeps space beside a run file. If there is none to keep, the run will soon find out by itself.
    pub(super) fn beside(run_file: &Path) -> Self {
        let path = run_file.with_extension("reserve");
        if !path.exists() {
            // Bytes that no file system can make smaller.
            let mut bytes = vec![0; RESERVE_BYTES];
            blake3::Hasher::new().finalize_xof().fill(&mut bytes);
            if let Err(error) = std::fs::write(&path, &bytes) {
                tracing::warn!(%error, "no space could be kept for the last words of this run");
                let _ = std::fs::remove_file(&path);
            }
        }
        Self { path, said: LastWords::NotNeeded }
    }

    /// Lets go of the space.
    pub(super) fn release(&self) {
        let _ = std::fs::remove_file(&self.path);
    }
}

/// From which row on a file was written with the last space, if it was.
pub(super) fn begin_of(connection: &Connection) -> Result<Option<u64>, RecordError> {
    let sql = "SELECT value FROM meta WHERE key = ?1";
    let found: Option<String> = connection.query_row(sql, [BEGIN_KEY], |row| row.get(0)).optional()?;
    Ok(found.and_then(|row| row.parse().ok()))
}

/// Whether space is what is wanting, or the disk refuses: then a little may still go.
fn wants_space(error: &RecordError) -> bool {
    let RecordError::Database(error) = error else { return false };
    matches!(error.sqlite_error_code(), Some(ErrorCode::DiskFull | ErrorCode::SystemIoFailure))
}

impl Store {
    /// After a failure nothing is written any more but the end: half a record would be worse than its beginning.
    pub(super) fn guarded<T>(
        &mut self,
        work: impl FnOnce(&mut Self) -> Result<T, RecordError>,
    ) -> Result<T, RecordError> {
        if let Some(reason) = &self.broken {
            return Err(RecordError::Closed(reason.clone()));
        }
        work(self).inspect_err(|error| {
            self.broken = Some(error.to_string());
            // While a record is being met nothing is written, so there is nothing to be ended.
            if wants_space(error) && self.replayed_until.is_none() {
                self.reserve.said = LastWords::Possible;
            }
        })
    }

    /// Writes an entry of the end behind what is safe, if that is possible.
    pub(super) fn say_last_words(&mut self, at: TimePoint, entry: &Entry) {
        if self.broken.is_none() || !matches!(self.reserve.said, LastWords::Possible | LastWords::Begun) {
            return;
        }
        let is_end = matches!(entry, Entry::End { .. });
        if !is_end && !matches!(entry, Entry::SafeStep { .. } | Entry::Fault { .. } | Entry::Interlock { .. })
        {
            return;
        }
        let said = self.try_to_say(at, entry, is_end).or_else(|error| {
            tracing::warn!(%error, "making room for the end of the record");
            self.make_room().and_then(|()| self.try_to_say(at, entry, is_end))
        });
        if let Err(error) = &said {
            tracing::error!(%error, "the end could not be recorded");
            let _ = self.forget_unsafe();
        }
        self.reserve.said = if is_end || said.is_err() { LastWords::Over } else { LastWords::Begun };
    }

    fn try_to_say(&mut self, at: TimePoint, entry: &Entry, is_end: bool) -> Result<(), RecordError> {
        if self.reserve.said == LastWords::Possible {
            self.forget_unsafe()?;
            self.reserve.release();
            let from = self.seq.to_string();
            self.connection.execute("INSERT OR IGNORE INTO meta VALUES (?1, ?2)", [BEGIN_KEY, &from])?;
        }
        self.write_entry(at, entry, &[])?;
        // Each is worth keeping by itself: the end may not come any more.
        self.commit_rows()?;
        if is_end {
            // A copy of the file without its side file would lack the end.
            self.connection.execute_batch("COMMIT")?;
            let _ = self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()));
            self.connection.execute_batch("BEGIN")?;
        }
        Ok(())
    }

    /// Goes back to what is on disk.
    fn forget_unsafe(&mut self) -> Result<(), RecordError> {
        if !self.connection.is_autocommit() {
            self.connection.execute_batch("ROLLBACK")?;
        }
        self.connection.execute_batch("BEGIN")?;
        (self.tally, self.seq) = self.kept.clone();
        self.in_flight = 0;
        Ok(())
    }

    /// What the side file holds goes into the run file, so that the space of the side file is used again.
    fn make_room(&mut self) -> Result<(), RecordError> {
        self.forget_unsafe()?;
        self.connection.execute_batch("ROLLBACK")?;
        self.connection.busy_timeout(std::time::Duration::from_secs(1))?;
        let moved = self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()));
        self.connection.execute_batch("BEGIN")?;
        Ok(moved?)
    }
}
