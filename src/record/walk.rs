//! Going through every row of a run file in order: for checks, and before anything is appended.

use super::reader::point_from_row;
use super::recorder::RecordError;
use super::row::Tally;
use super::{Document, Point, RunFile};
use crate::quantity::TimePoint;
use rusqlite::{Connection, OptionalExtension};

/// What a check of the whole file has found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Integrity {
    /// Rows that are intact from the beginning.
    pub intact: u64,
    /// What is wrong after them, one sentence each.
    pub faults: Vec<String>,
    /// Digest over the intact rows.
    pub digest: String,
}

impl RunFile {
    /// Reads every row and checks numbers and checksums.
    pub fn check(&self) -> Result<Integrity, RecordError> {
        // One look at a file that may be written to meanwhile.
        let _snapshot = self.connection.unchecked_transaction()?;
        let rehearsal = self.identity().is_ok_and(|identity| identity.rehearsal);
        let mut integrity = Integrity::default();
        let mut tally = Tally::new(rehearsal);
        let walked = walk(&self.connection, |row| {
            if !integrity.faults.is_empty() {
                return Ok(());
            }
            if row.seq() != integrity.intact {
                integrity.faults.push(format!("row {} is missing", integrity.intact));
            } else if row.tally_into(&mut tally) != row.chain() {
                integrity.faults.push(format!("row {} has been altered", row.seq()));
            } else {
                integrity.intact += 1;
            }
            Ok(())
        });
        if let Err(error) = walked {
            integrity.faults.push(format!("after row {}: {error}", integrity.intact));
        }
        let claimed: Option<String> = self
            .connection
            .query_row("SELECT value FROM meta WHERE key = 'rows'", [], |row| row.get(0))
            .optional()?;
        if let Some(rows) = claimed.and_then(|rows| rows.parse::<u64>().ok())
            && rows > integrity.intact
            && integrity.faults.is_empty()
        {
            integrity
                .faults
                .push(format!("the file says it has {rows} rows, but only {} are there", integrity.intact));
        }
        integrity.faults.extend(self.altered_documents()?);
        integrity.digest = tally.digest();
        Ok(integrity)
    }
}

impl RunFile {
    /// Texts that are not those that were run, one sentence each.
    ///
    /// # Errors
    /// If the file can't be read.
    pub fn altered_documents(&self) -> Result<Vec<String>, RecordError> {
        let mut statement =
            self.connection.prepare("SELECT name, hash, text FROM document ORDER BY rowid")?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        let mut altered = Vec::new();
        for row in rows {
            let (name, hash, text): (String, String, String) = row?;
            if Document::hash_of(&text) != hash {
                altered.push(format!("the text of `{name}` is not the one that was run"));
            }
        }
        Ok(altered)
    }
}

/// A row of either table, as it is walked through in order.
enum AnyRow<'a> {
    Entry { seq: u64, at: TimePoint, kind: &'a str, body: &'a str, blob: &'a [u8], chain: u32 },
    Point { seq: u64, point: Point, chain: u32 },
}

impl AnyRow<'_> {
    fn seq(&self) -> u64 {
        match self {
            AnyRow::Entry { seq, .. } | AnyRow::Point { seq, .. } => *seq,
        }
    }

    fn chain(&self) -> u32 {
        match self {
            AnyRow::Entry { chain, .. } | AnyRow::Point { chain, .. } => *chain,
        }
    }

    fn tally_into(&self, tally: &mut Tally) -> u32 {
        match self {
            AnyRow::Entry { seq, at, kind, body, blob, .. } => tally.entry(*seq, *at, (kind, body), blob),
            AnyRow::Point { seq, point, .. } => tally.point(*seq, point),
        }
    }
}

/// Goes through both tables in the order of their common numbers. Nothing is kept but the current row.
fn walk(
    connection: &Connection,
    mut visit: impl FnMut(&AnyRow<'_>) -> Result<(), RecordError>,
) -> Result<(), RecordError> {
    let mut entries = connection.prepare(
        "SELECT e.seq, e.at_ns, e.kind, e.body, e.chain, b.data FROM entry e LEFT JOIN bulk b ON b.seq = e.seq ORDER BY e.seq",
    )?;
    let mut points = connection.prepare(
        "SELECT at_ns, sweep, i, x, y, r0, r1, r2, r3, r4, r5, r6, r7, seq, chain FROM point ORDER BY seq",
    )?;
    let mut entries = entries.query([])?;
    let mut points = points.query([])?;
    let mut point = next_point(&mut points)?;
    while let Some(row) = entries.next()? {
        let entry_seq: u64 = row.get(0)?;
        while let Some(before) = point.take_if(|point| point.seq() < entry_seq) {
            visit(&before)?;
            point = next_point(&mut points)?;
        }
        let text = |column: usize| {
            row.get_ref(column)?
                .as_str()
                .map_err(|error| RecordError::Damaged(format!("entry {entry_seq}: {error}")))
        };
        let at_ns: i64 = row.get(1)?;
        visit(&AnyRow::Entry {
            seq: entry_seq,
            at: TimePoint::from_nanoseconds(at_ns.cast_unsigned()),
            kind: text(2)?,
            body: text(3)?,
            blob: row.get_ref(5)?.as_blob_or_null().unwrap_or_default().unwrap_or_default(),
            chain: row.get(4)?,
        })?;
    }
    while let Some(last) = point {
        visit(&last)?;
        point = next_point(&mut points)?;
    }
    Ok(())
}

fn next_point(rows: &mut rusqlite::Rows<'_>) -> Result<Option<AnyRow<'static>>, RecordError> {
    let Some(row) = rows.next()? else { return Ok(None) };
    Ok(Some(AnyRow::Point { point: point_from_row(row, 0)?, seq: row.get(13)?, chain: row.get(14)? }))
}

/// Checksums over everything that is there.
pub(super) fn tally(connection: &Connection, virtual_time: bool) -> Result<Tally, RecordError> {
    let mut tally = Tally::new(virtual_time);
    walk(connection, |row| {
        if row.tally_into(&mut tally) != row.chain() {
            return Err(RecordError::Damaged(format!("row {} has been altered", row.seq())));
        }
        Ok(())
    })?;
    Ok(tally)
}
