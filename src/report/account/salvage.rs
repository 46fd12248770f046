//! Points of a damaged run file: only those that the checksums vouch for.
//!
//! The reader of run files gives points by their sweep. Where the file is damaged somewhere, what counts is
//! the number of the row, so this one place asks the database for it.

use crate::record::{Integrity, RecordError, RunFile};
use rusqlite::{Connection, OpenFlags};

/// Checks a file; a failure of the check itself counts as damage.
pub fn check(run: &RunFile) -> Integrity {
    run.check().unwrap_or_else(|error| Integrity {
        intact: 0,
        faults: vec![format!("the check can't be carried out: {error}")],
        digest: String::new(),
    })
}

/// Numbers, within their sweep, of the points whose rows come before `before`.
pub fn intact_points(run: &RunFile, sweep: u64, before: u64) -> Result<u64, RecordError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(run.path(), flags)?;
    let sql = "SELECT count(*) FROM point WHERE sweep = ?1 AND seq < ?2";
    Ok(connection.query_row(sql, [sweep, before], |row| row.get(0))?)
}
