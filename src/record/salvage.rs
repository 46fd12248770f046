//! Reading what is left of a damaged run file, row by row.
//!
//! Each row carries the checksum of everything up to itself, so a row is known to be good if it agrees with the
//! checksum of the row before it, whatever has happened to earlier ones.

use super::reader::{check_version, from_row_of, next_seq, point_from_row};
use super::recorder::{RecordError, Recorder};
use super::row::{Tally, from_blob, to_blob};
use super::schema::{CREATE, SCHEMA_VERSION};
use super::{Document, Durability, Entry, Identity, Point, Store};
use crate::quantity::TimePoint;
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use std::fmt;
use std::path::Path;

/// Where the end of a file can't be read, so many rows in a row must be missing to count as its end.
const MISSING_AT_END: u64 = 50_000;

/// What is left of a run file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Salvage {
    /// Rows that are certainly as they were written.
    pub intact: u64,
    /// Rows that can be read, but the row before them is lost, so that nobody can tell.
    pub unsure: u64,
    /// Rows that have been altered.
    pub altered: Vec<u64>,
    /// First and last row of each stretch that is lost.
    pub lost: Vec<(u64, u64)>,
    /// Intact rows from the beginning without a gap: a run can be resumed from them.
    pub from_beginning: u64,
    /// What else is wrong.
    pub remarks: Vec<String>,
}

impl Salvage {
    /// Whether nothing is wrong.
    pub fn is_whole(&self) -> bool {
        self.unsure == 0 && self.altered.is_empty() && self.lost.is_empty() && self.remarks.is_empty()
    }
}

impl fmt::Display for Salvage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_whole() {
            return write!(f, "all {} rows are intact", self.intact);
        }
        let lost: u64 = self.lost.iter().map(|(first, last)| last - first + 1).sum();
        write!(
            f,
            "{} rows are intact, {} of them from the beginning without a gap; {lost} are lost, {} have been altered, \
             {} can be read but not checked",
            self.intact,
            self.from_beginning,
            self.altered.len(),
            self.unsure
        )?;
        for remark in &self.remarks {
            write!(f, "; {remark}")?;
        }
        Ok(())
    }
}

/// A row that could be read.
#[derive(Debug, Clone, PartialEq)]
pub enum SalvagedRow {
    /// An entry with its numbers.
    Entry {
        /// When.
        at: TimePoint,
        /// The entry.
        entry: Box<Entry>,
        /// A trace or an image.
        data: Vec<f64>,
    },
    /// A point of a sweep.
    Point(Point),
}

/// Reads every row that can be read. `visit` gets its number, the row, and whether it is certainly intact.
///
/// # Errors
/// If the file can't be opened at all, or the visitor's error.
pub fn salvage(
    path: &Path,
    mut visit: impl FnMut(u64, SalvagedRow, bool) -> Result<(), RecordError>,
) -> Result<Salvage, RecordError> {
    let connection = open_damaged(path)?;
    let version = check_version(&connection).unwrap_or(SCHEMA_VERSION);
    let rehearsal = matches!(
        row_at(&connection, version, 0),
        Ok(Some((SalvagedRow::Entry { entry, .. }, _, _))) if matches!(*entry, Entry::Identity(Identity { rehearsal: true, .. }))
    );
    let mut found = Salvage::default();
    let claimed = claimed_rows(&connection);
    let end = match next_seq(&connection) {
        Ok(end) => Some(end.max(claimed.unwrap_or(0))),
        Err(error) => {
            found.remarks.push(format!("the end of the file can't be read ({error})"));
            claimed
        }
    };
    let mut tally = Tally::new(rehearsal);
    let (mut before, mut gap): (Option<u32>, Option<u64>) = (Some(0), None);
    let mut seq = 0;
    while end.map_or_else(|| gap.is_none_or(|from| seq - from < MISSING_AT_END), |end| seq < end) {
        match row_at(&connection, version, seq).ok().flatten() {
            None => {
                gap.get_or_insert(seq);
                before = None;
            }
            Some((row, text, chain)) => {
                found.lost.extend(gap.take().map(|from| (from, seq - 1)));
                let certain = before.map(|before| chain_of(&mut tally, before, seq, &row, &text) == chain);
                match certain {
                    Some(true) => {
                        found.from_beginning += u64::from(found.from_beginning == seq);
                        found.intact += 1;
                    }
                    Some(false) => found.altered.push(seq),
                    None => found.unsure += 1,
                }
                before = Some(chain);
                if certain != Some(false) {
                    visit(seq, row, certain == Some(true))?;
                }
            }
        }
        seq += 1;
    }
    if let (Some(from), Some(end)) = (gap, end) {
        found.lost.push((from, end - 1));
    }
    Ok(found)
}

/// Copies the intact beginning of a damaged run file into a new one, which can be read and resumed.
///
/// # Errors
/// If the old one can't be opened at all or the new one can't be written.
pub fn salvage_into(path: &Path, new: &Path) -> Result<Salvage, RecordError> {
    let connection = open_damaged(path)?;
    let documents = documents(&connection);
    let mut store = Store::create(new, Durability::PowerCut, &documents)?;
    let found = salvage(path, |seq, row, certain| {
        if !certain || seq != store.next_seq() {
            return Ok(());
        }
        match row {
            SalvagedRow::Entry { at, entry, data } => store.append(at, &entry, &data),
            SalvagedRow::Point(point) => store.append_point(&point),
        }
    })?;
    store.commit()?;
    store.reserve.release();
    Ok(found)
}

fn open_damaged(path: &Path) -> Result<Connection, RecordError> {
    let unusable = |reason: String| RecordError::Unusable { path: path.display().to_string(), reason };
    if !path.is_file() {
        return Err(unusable("there is no such file".to_owned()));
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(|e| unusable(e.to_string()))?;
    // A file that is shorter than it says would not be read at all otherwise; nothing is written.
    connection.execute_batch("PRAGMA writable_schema = ON").map_err(|e| unusable(e.to_string()))?;
    if connection.prepare("SELECT seq FROM entry").is_ok() {
        return Ok(connection);
    }
    Ok(with_schema_anew(path).unwrap_or(connection))
}

/// Size of a page of a run file, and of what stands before the tables of the first one.
const PAGE: usize = 4096;
const HEAD: usize = 100;

/// Where the list of the tables is what was damaged: a copy with the list of a new file, whose tables begin on the same
/// pages. The copy is gone again when it is closed.
fn with_schema_anew(path: &Path) -> Option<Connection> {
    let folder = std::env::temp_dir().join(format!("noctule-salvage-{}-{:p}", std::process::id(), path));
    std::fs::create_dir(&folder).ok()?;
    let opened = (|| {
        let new = folder.join("new.sqlite");
        let tables = CREATE.split("CREATE VIEW").next()?;
        Connection::open(&new).ok()?.execute_batch(tables).ok()?;
        let (new, mut damaged) = (std::fs::read(&new).ok()?, std::fs::read(path).ok()?);
        damaged.get_mut(HEAD..PAGE)?.copy_from_slice(new.get(HEAD..PAGE)?);
        let copy = folder.join("copy.sqlite");
        std::fs::write(&copy, damaged).ok()?;
        let log = |path: &Path| std::path::PathBuf::from(format!("{}-wal", path.display()));
        if log(path).exists() {
            std::fs::copy(log(path), log(&copy)).ok()?;
        }
        let connection = Connection::open(&copy).ok()?;
        connection.execute_batch("PRAGMA writable_schema = ON").ok()?;
        connection.query_row("SELECT count(*) FROM meta", [], |_| Ok(())).ok()?;
        Some(connection)
    })();
    // What is open stays readable without its name.
    let _ = std::fs::remove_dir_all(&folder);
    opened
}

fn claimed_rows(connection: &Connection) -> Option<u64> {
    let text: Option<String> = connection
        .query_row("SELECT value FROM meta WHERE key = 'rows'", [], |row| row.get(0))
        .optional()
        .ok()
        .flatten();
    text.and_then(|rows| rows.parse().ok())
}

fn documents(connection: &Connection) -> Vec<Document> {
    let mut found = Vec::new();
    for role in ["sequence", "import", "bench", "world", "faults"] {
        let Ok(mut statement) = connection.prepare("SELECT name, text FROM document WHERE role = ?1") else {
            continue;
        };
        let rows = statement.query_map([role], |row| Ok((row.get(0)?, row.get(1)?)));
        let documents = rows.into_iter().flatten().flatten();
        found.extend(documents.map(|(name, text)| Document { name, role, text }));
    }
    found
}

type Found = Option<(SalvagedRow, (String, String), u32)>;

fn row_at(connection: &Connection, version: u32, seq: u64) -> Result<Found, RecordError> {
    let entry: Option<(i64, String, String, u32)> = connection
        .prepare_cached("SELECT at_ns, kind, body, chain FROM entry WHERE seq = ?1")?
        .query_row([seq], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))
        .optional()?;
    if let Some((at_ns, kind, body, chain)) = entry {
        let entry = from_row_of(version, &kind, &body).map_err(|e| RecordError::Damaged(e.to_string()))?;
        let blob: Option<Vec<u8>> = connection
            .prepare_cached("SELECT data FROM bulk WHERE seq = ?1")?
            .query_row([seq], |row| row.get(0))
            .optional()?;
        let data = blob.map(|bytes| from_blob(&bytes)).unwrap_or_default();
        let at = TimePoint::from_nanoseconds(at_ns.cast_unsigned());
        return Ok(Some((SalvagedRow::Entry { at, entry: Box::new(entry), data }, (kind, body), chain)));
    }
    let sql = "SELECT at_ns, sweep, i, x, y, r0, r1, r2, r3, r4, r5, r6, r7, chain FROM point WHERE seq = ?1";
    let point = connection
        .prepare_cached(sql)?
        .query_row([seq], |row| Ok((point_from_row(row, 0)?, row.get(13)?)))
        .optional()?;
    Ok(point.map(|(point, chain)| (SalvagedRow::Point(point), Default::default(), chain)))
}

fn chain_of(tally: &mut Tally, before: u32, seq: u64, row: &SalvagedRow, text: &(String, String)) -> u32 {
    tally.go_on_from(before);
    match row {
        SalvagedRow::Entry { at, data, .. } => tally.entry(seq, *at, (&text.0, &text.1), &to_blob(data)),
        SalvagedRow::Point(point) => tally.point(seq, point),
    }
}
