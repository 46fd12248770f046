//! Reading a run file: for replay, for the brief, for export; also while it is still being written.

use super::entry::from_row;
use super::recorder::RecordError;
use super::row::from_blob;
use super::schema::SCHEMA_VERSION;
use super::{Column, Ending, Entry, Identity, Point, SweepPlan, Values, WIDEST_POINT};
use crate::quantity::TimePoint;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

const IN_ORDER: &str =
    "SELECT seq, at_ns, kind, body FROM entry WHERE seq >= ?1 AND seq < ?2 ORDER BY seq LIMIT ?3";
/// The entries of one kind in order.
const OF_A_KIND: &str = "SELECT seq, at_ns, kind, body FROM entry WHERE kind = ?1 ORDER BY seq";

/// A run file, open for reading.
#[derive(Debug)]
pub struct RunFile {
    pub(super) connection: Connection,
    path: PathBuf,
    version: u32,
}

/// An entry with its number and moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Numbered {
    /// Its number.
    pub seq: u64,
    /// When.
    pub at: TimePoint,
    /// The entry.
    pub entry: Entry,
}

/// A sweep as a table.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepTable {
    /// Its number in the run.
    pub sweep: u64,
    /// Its name.
    pub name: String,
    /// When it began.
    pub at: TimePoint,
    /// The fast axis.
    pub fast: Column,
    /// The slow axis.
    pub slow: Option<Column>,
    /// What was read.
    pub read: Vec<Column>,
    /// Points that were planned.
    pub planned: u64,
    /// Both ways along each line.
    pub both_ways: bool,
    /// Values of the fast axis, SI.
    pub x: Vec<f64>,
    /// Values of the slow axis, SI.
    pub y: Vec<f64>,
    /// One column of readings for each channel, SI.
    pub values: Vec<Vec<f64>>,
}

impl SweepTable {
    /// Of a plan, without points.
    pub fn empty(sweep: u64, at: TimePoint, plan: SweepPlan<Column>) -> Self {
        Self {
            sweep,
            planned: plan.total(),
            name: plan.name,
            at,
            fast: plan.fast.channel,
            slow: plan.slow.map(|axis| axis.channel),
            values: vec![Vec::new(); plan.read.len()],
            read: plan.read,
            both_ways: plan.both_ways,
            x: Vec::new(),
            y: Vec::new(),
        }
    }
}

impl RunFile {
    /// Opens a run file for reading.
    pub fn open(path: &Path) -> Result<Self, RecordError> {
        let unusable = |reason: String| RecordError::Unusable { path: path.display().to_string(), reason };
        if !path.is_file() {
            return Err(unusable("there is no such file".to_owned()));
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).map_err(|e| unusable(e.to_string()))?;
        connection.busy_timeout(Duration::from_secs(10))?;
        let version = check_version(&connection)?;
        Ok(Self { connection, path: path.to_owned(), version })
    }

    /// Whether this build can go on with it: it reads what older versions wrote, and adds nothing to it.
    ///
    /// # Errors
    /// If an older version wrote it.
    pub fn can_go_on(&self) -> Result<(), RecordError> {
        if self.version < SCHEMA_VERSION {
            return Err(RecordError::Older { found: self.version, known: SCHEMA_VERSION });
        }
        Ok(())
    }

    /// Copies it as it is at one moment, also while it is written, into one plain file.
    ///
    /// # Errors
    /// If it can't be read, or the copy can't be written.
    pub fn copy_to(&self, path: &Path) -> Result<(), RecordError> {
        Ok(super::place::copy_plain(&self.connection, path)?)
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Every entry with a number below `until` in order. Stops with the visitor's error.
    pub fn every_entry(
        &self,
        until: u64,
        visit: impl FnMut(Numbered) -> Result<(), RecordError>,
    ) -> Result<(), RecordError> {
        self.each(until, |_| true, visit)
    }

    /// Entries of one kind, or all, in order. Stops with the visitor's error.
    pub fn entries(
        &self,
        kind: Option<&str>,
        mut visit: impl FnMut(Numbered) -> Result<(), RecordError>,
    ) -> Result<(), RecordError> {
        let Some(kind) = kind else { return self.every_entry(u64::MAX, visit) };
        let mut statement = self.connection.prepare(OF_A_KIND)?;
        let mut rows = statement.query([kind])?;
        while let Some(row) = rows.next()? {
            visit(self.numbered(row)?)?;
        }
        Ok(())
    }

    /// Entries of some kinds with numbers below `until` in order, the others not even read. Stops with the
    /// visitor's error.
    pub fn entries_of(
        &self,
        kinds: &[&str],
        until: u64,
        visit: impl FnMut(Numbered) -> Result<(), RecordError>,
    ) -> Result<(), RecordError> {
        self.each(until, |kind| kinds.contains(&kind), visit)
    }

    fn each(
        &self,
        until: u64,
        passes: impl Fn(&str) -> bool,
        mut visit: impl FnMut(Numbered) -> Result<(), RecordError>,
    ) -> Result<(), RecordError> {
        let mut statement = self.connection.prepare_cached(IN_ORDER)?;
        let mut rows = statement.query([0, i64::try_from(until).unwrap_or(i64::MAX), i64::MAX])?;
        while let Some(row) = rows.next()? {
            if passes(row.get_ref(2)?.as_str().unwrap_or_default()) {
                visit(self.numbered(row)?)?;
            }
        }
        Ok(())
    }

    /// At most `most` entries, those of kinds that are not wanted left unread, from the number `from` to below `before`.
    /// Returns the number from which to go on; nothing if there are no more.
    pub(crate) fn some_entries(
        &self,
        wanted: impl Fn(&str) -> bool,
        (from, before): (u64, u64),
        most: u32,
        mut visit: impl FnMut(Numbered),
    ) -> Result<Option<u64>, RecordError> {
        let mut statement = self.connection.prepare_cached(IN_ORDER)?;
        let before = i64::try_from(before).unwrap_or(i64::MAX);
        let mut rows = statement.query(rusqlite::params![from, before, most])?;
        let (mut read, mut last) = (0, from);
        while let Some(row) = rows.next()? {
            (read, last) = (read + 1, row.get(0)?);
            if row.get_ref(2)?.as_str().is_ok_and(&wanted) {
                visit(self.numbered(row)?);
            }
        }
        Ok((read == most).then_some(last + 1))
    }

    /// Readings of a sweep whose points have numbers above `after` and below `before`: `width` for each point,
    /// in the order of measurement.
    pub(crate) fn readings(
        &self,
        sweep: u64,
        (after, before): (u64, u64),
        width: usize,
        values: &mut Vec<f64>,
    ) -> Result<(), RecordError> {
        // Points of one sweep are measured one after the other, so their rows come in order, without an index.
        const COLUMNS: &str = "r0, r1, r2, r3, r4, r5, r6, r7";
        let columns = &COLUMNS[..(4 * width.min(WIDEST_POINT)).saturating_sub(2)];
        if columns.is_empty() {
            return Ok(());
        }
        let sql = format!("SELECT sweep, {columns} FROM point WHERE seq > ?1 AND seq < ?2 ORDER BY seq");
        let before = i64::try_from(before).unwrap_or(i64::MAX);
        let mut statement = self.connection.prepare_cached(&sql)?;
        let mut rows = statement.query(rusqlite::params![after, before])?;
        while let Some(row) = rows.next()? {
            if row.get::<_, u64>(0)? == sweep {
                for i in 0..width {
                    values.push(row.get::<_, Option<f64>>(1 + i)?.unwrap_or(f64::NAN));
                }
            }
        }
        Ok(())
    }

    /// Entries with numbers from `from` to below `before`, in order: for readers that follow a run.
    pub fn entries_between(
        &self,
        from: u64,
        before: u64,
        mut visit: impl FnMut(Numbered),
    ) -> Result<(), RecordError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT seq, at_ns, kind, body FROM entry WHERE seq >= ?1 AND seq < ?2 ORDER BY seq",
        )?;
        let mut rows = statement.query([from, before])?;
        while let Some(row) = rows.next()? {
            visit(self.numbered(row)?);
        }
        Ok(())
    }

    /// At most `most` points of a sweep from the place `from` in its order on: for readers that follow a run.
    pub fn points_from(
        &self,
        sweep: u64,
        from: u64,
        most: u64,
        mut visit: impl FnMut(Point),
    ) -> Result<(), RecordError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT at_ns, sweep, i, x, y, r0, r1, r2, r3, r4, r5, r6, r7 FROM point \
             WHERE sweep = ?1 AND i >= ?2 ORDER BY i LIMIT ?3",
        )?;
        let mut rows = statement.query([sweep, from, most])?;
        while let Some(row) = rows.next()? {
            visit(point_from_row(row, 0)?);
        }
        Ok(())
    }

    /// All entries of one kind.
    pub fn all(&self, kind: &str) -> Result<Vec<Numbered>, RecordError> {
        let mut found = Vec::new();
        self.entries(Some(kind), |entry| {
            found.push(entry);
            Ok(())
        })?;
        Ok(found)
    }

    /// What was run: the first entry.
    pub fn identity(&self) -> Result<Identity, RecordError> {
        let found = self.all("identity")?.into_iter().find_map(|n| match n.entry {
            Entry::Identity(identity) => Some(identity),
            _ => None,
        });
        if let Some(identity) = found {
            return Ok(identity);
        }
        if self.next_seq()? > 0 {
            return Err(RecordError::Damaged("it does not say what was run".to_owned()));
        }
        let reason = "nothing is recorded in it yet; if its run was cut in its first moments, look at the bench and begin it anew";
        Err(RecordError::Unusable { path: self.path.display().to_string(), reason: reason.to_owned() })
    }

    /// How the run ended, if it has, and whether the bench was parked.
    pub fn ending(&self) -> Result<Option<(Ending, bool)>, RecordError> {
        Ok(self.all("end")?.into_iter().next_back().and_then(|n| match n.entry {
            Entry::End { ending, parked, .. } => Some((ending, parked)),
            _ => None,
        }))
    }

    /// A text that was run, by its role; the latest if there are several.
    pub fn document(&self, role: &str) -> Result<Option<(String, String)>, RecordError> {
        let sql = "SELECT name, text FROM document WHERE role = ?1 ORDER BY rowid DESC LIMIT 1";
        let found = self.connection.query_row(sql, [role], |row| Ok((row.get(0)?, row.get(1)?)));
        Ok(found.optional()?)
    }

    /// All texts of a role in the order in which they were run.
    pub fn documents_in_order(&self, role: &str) -> Result<Vec<(String, String)>, RecordError> {
        let mut statement =
            self.connection.prepare("SELECT name, text FROM document WHERE role = ?1 ORDER BY rowid")?;
        let rows = statement.query_map([role], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// From which row on the file was written with the space kept for its end, if the disk was full.
    pub fn last_words(&self) -> Result<Option<u64>, RecordError> {
        super::last_words::begin_of(&self.connection)
    }

    /// All texts of a role, by name.
    pub fn documents(&self, role: &str) -> Result<Vec<(String, String)>, RecordError> {
        let mut statement =
            self.connection.prepare("SELECT name, text FROM document WHERE role = ?1 ORDER BY name")?;
        let rows = statement.query_map([role], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// All sweeps without their points.
    pub fn sweeps(&self) -> Result<Vec<SweepTable>, RecordError> {
        let tables = self.all("sweep_begin")?.into_iter().filter_map(|n| match n.entry {
            Entry::SweepBegin { sweep, plan, .. } => Some(SweepTable::empty(sweep, n.at, *plan)),
            _ => None,
        });
        Ok(tables.collect())
    }

    /// One sweep with its points.
    pub fn sweep(&self, sweep: u64) -> Result<SweepTable, RecordError> {
        let found = self.sweeps()?.into_iter().find(|table| table.sweep == sweep);
        let mut table = found.ok_or_else(|| RecordError::Damaged(format!("there is no sweep {sweep}")))?;
        self.fill(&mut table)?;
        Ok(table)
    }

    /// Reads the points of a sweep into its table.
    pub fn fill(&self, table: &mut SweepTable) -> Result<(), RecordError> {
        self.points(table.sweep, |point| {
            table.x.push(point.x);
            table.y.push(point.y);
            let width = table.values.len();
            for (column, value) in table.values.iter_mut().zip(point.values.in_columns(width)) {
                column.push(value);
            }
        })
    }

    /// The points of a sweep in order.
    pub fn points(&self, sweep: u64, mut visit: impl FnMut(Point)) -> Result<(), RecordError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT at_ns, sweep, i, x, y, r0, r1, r2, r3, r4, r5, r6, r7 FROM point WHERE sweep = ?1 ORDER BY i",
        )?;
        let mut rows = statement.query([sweep])?;
        while let Some(row) = rows.next()? {
            visit(point_from_row(row, 0)?);
        }
        Ok(())
    }

    /// The last point of a sweep with a number below `until`, if it has any.
    pub fn last_point(&self, sweep: u64, until: u64) -> Result<Option<Point>, RecordError> {
        let sql = "SELECT at_ns, sweep, i, x, y, r0, r1, r2, r3, r4, r5, r6, r7 FROM point \
                   WHERE sweep = ?1 AND seq < ?2 ORDER BY i DESC LIMIT 1";
        let until = i64::try_from(until).unwrap_or(i64::MAX);
        let mut statement = self.connection.prepare_cached(sql)?;
        let found = statement.query_row(rusqlite::params![sweep, until], |row| point_from_row(row, 0));
        Ok(found.optional()?)
    }

    /// The numbers of a trace or an image.
    pub fn bulk(&self, seq: u64) -> Result<Vec<f64>, RecordError> {
        let sql = "SELECT data FROM bulk WHERE seq = ?1";
        let blob: Option<Vec<u8>> = self.connection.query_row(sql, [seq], |row| row.get(0)).optional()?;
        Ok(blob.map(|bytes| from_blob(&bytes)).unwrap_or_default())
    }

    /// Points in the file.
    pub fn count_points(&self) -> Result<u64, RecordError> {
        Ok(self.connection.query_row("SELECT count(*) FROM point", [], |row| row.get(0))?)
    }

    /// Number of the next row.
    pub fn next_seq(&self) -> Result<u64, RecordError> {
        next_seq(&self.connection)
    }

    /// The moment of the last row.
    pub fn last_moment(&self) -> Result<TimePoint, RecordError> {
        // Rows are written in the order in which things happen, so the last row of each table will do.
        let sql = "SELECT max(at) FROM (SELECT at_ns AS at FROM entry WHERE seq = (SELECT max(seq) FROM entry) \
                   UNION ALL SELECT at_ns FROM point WHERE seq = (SELECT max(seq) FROM point))";
        let at: Option<i64> = self.connection.query_row(sql, [], |row| row.get(0))?;
        Ok(TimePoint::from_nanoseconds(at.unwrap_or(0).cast_unsigned()))
    }

    fn numbered(&self, row: &Row<'_>) -> Result<Numbered, RecordError> {
        let (seq, at_ns): (u64, i64) = (row.get(0)?, row.get(1)?);
        let damaged = |reason: String| RecordError::Damaged(format!("entry {seq}: {reason}"));
        let text = |column: usize| row.get_ref(column)?.as_str().map_err(|e| damaged(e.to_string()));
        let entry = from_row_of(self.version, text(2)?, text(3)?).map_err(|e| damaged(e.to_string()))?;
        Ok(Numbered { seq, at: TimePoint::from_nanoseconds(at_ns.cast_unsigned()), entry })
    }

    /// The digest, if the record was ended.
    pub fn digest(&self) -> Result<Option<String>, RecordError> {
        let sql = "SELECT value FROM meta WHERE key = 'digest'";
        Ok(self.connection.query_row(sql, [], |row| row.get(0)).optional()?)
    }
}

/// The entry of a row of a file with this version of the schema.
pub(super) fn from_row_of(version: u32, kind: &str, body: &str) -> Result<Entry, serde_json::Error> {
    if version < 2 { super::older::from_row(kind, body) } else { from_row(kind, body) }
}

pub(super) fn point_from_row(row: &Row<'_>, from: usize) -> rusqlite::Result<Point> {
    let at_ns: i64 = row.get(from)?;
    let mut values = [0.0; WIDEST_POINT];
    let mut count = 0;
    for (i, value) in values.iter_mut().enumerate() {
        *value = f64::NAN;
        if let Some(read) = row.get::<_, Option<f64>>(from + 5 + i)? {
            *value = read;
            count = i + 1;
        }
    }
    Ok(Point {
        at: TimePoint::from_nanoseconds(at_ns.cast_unsigned()),
        sweep: row.get(from + 1)?,
        i: row.get(from + 2)?,
        x: row.get(from + 3)?,
        y: row.get(from + 4)?,
        values: Values::new(&values[..count]),
    })
}

pub(super) fn next_seq(connection: &Connection) -> Result<u64, RecordError> {
    let sql = "SELECT max(next) FROM (SELECT coalesce(max(seq) + 1, 0) AS next FROM entry \
               UNION ALL SELECT coalesce(max(seq) + 1, 0) FROM point)";
    Ok(connection.query_row(sql, [], |row| row.get(0))?)
}

/// Longest wait for a file to be readable whose writer has just gone.
const IN_ORDER_WITHIN: Duration = Duration::from_secs(2);

/// Whether a file has no tables of ours, or is no database at all; other errors pass, and say nothing about the file.
fn is_foreign(error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase, Unknown};
    matches!(error.sqlite_error_code(), Some(DatabaseCorrupt | NotADatabase | Unknown) | None)
}

/// The version of the schema of a file that this build can read.
pub(super) fn check_version(connection: &Connection) -> Result<u32, RecordError> {
    let value = |key: &str| -> Result<Option<String>, rusqlite::Error> {
        connection.query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0)).optional()
    };
    let not_ours = || RecordError::Damaged("it is not a run file of noctule".to_owned());
    let began = Instant::now();
    // Whoever wrote it may have been killed a moment ago, and another may be putting its end in order.
    let found = loop {
        match value("schema_version") {
            Ok(found) => break found.ok_or_else(not_ours)?,
            Err(error) if is_foreign(&error) => return Err(not_ours()),
            Err(error) if began.elapsed() > IN_ORDER_WITHIN => return Err(error.into()),
            Err(_) => std::thread::sleep(Duration::from_millis(50)),
        }
    };
    let found: u32 = found.parse().map_err(|_| not_ours())?;
    if found > SCHEMA_VERSION {
        let version = value("version")?.unwrap_or_else(|| "of unknown version".to_owned());
        return Err(RecordError::Newer { version, found, known: SCHEMA_VERSION });
    }
    Ok(found)
}
