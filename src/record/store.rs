//! Writing a run file.

use super::recorder::{Difference, RecordError, Recorder};
use super::row::{Tally, join_body, split_body, to_blob};
use super::schema::{CREATE, SCHEMA_VERSION};
use super::{Entry, Point, Values};
use crate::quantity::Moment;
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Rows in one transaction at most, so that memory stays flat between commits.
const ROWS_IN_FLIGHT: u64 = 20_000;

/// A text that belongs to a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Document {
    /// File name without folder.
    pub name: String,
    /// `sequence`, `import`, `bench`, `world`.
    pub role: &'static str,
    /// The text.
    pub text: String,
}

impl Document {
    /// Hash of the text, as it stands in the record.
    pub fn hash(&self) -> String {
        blake3::hash(self.text.as_bytes()).to_hex()[..32].to_owned()
    }
}

/// How well a run file must survive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// A power cut: for measurements.
    PowerCut,
    /// The end of the process: for rehearsals, which can be repeated.
    ProcessEnd,
}

/// An open run file.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    path: PathBuf,
    tally: Tally,
    seq: u64,
    in_flight: u64,
    /// While a rehearsal is taken up again: rows of the file that are still to be met.
    replayed_until: Option<u64>,
    views: BTreeMap<String, String>,
}

impl Store {
    /// Makes a new run file; refuses to write over anything.
    pub fn create(path: &Path, durability: Durability, documents: &[Document]) -> Result<Self, RecordError> {
        let unusable = |reason: String| RecordError::Unusable { path: path.display().to_string(), reason };
        if path.exists() {
            return Err(unusable("it exists already".to_owned()));
        }
        let connection = Connection::open(path).map_err(|e| unusable(e.to_string()))?;
        prepare(&connection, durability)?;
        connection.execute_batch(CREATE)?;
        let version = SCHEMA_VERSION.to_string();
        for (key, value) in [
            ("application", "noctule"),
            ("schema_version", version.as_str()),
            ("version", env!("CARGO_PKG_VERSION")),
        ] {
            connection.execute("INSERT INTO meta VALUES (?1, ?2)", params![key, value])?;
        }
        for document in documents {
            connection.execute(
                "INSERT OR REPLACE INTO document VALUES (?1, ?2, ?3, ?4)",
                params![document.name, document.role, document.hash(), document.text],
            )?;
        }
        let virtual_time = durability == Durability::ProcessEnd;
        Self::begin(connection, path, virtual_time, 0)
    }

    /// Opens a run file to go on with it. A rehearsal is run again from its beginning, and what it
    /// appends is first compared with what is there (`replay`); otherwise appending begins at the end.
    pub fn reopen(path: &Path, durability: Durability, replay: bool) -> Result<Self, RecordError> {
        let unusable = |reason: String| RecordError::Unusable { path: path.display().to_string(), reason };
        let connection = Connection::open_with_flags(
            path,
            rusqlite::OpenFlags::SQLITE_OPEN_READ_WRITE | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX,
        )
        .map_err(|e| unusable(e.to_string()))?;
        super::reader::check_version(&connection)?;
        prepare(&connection, durability)?;
        let rows = super::reader::next_seq(&connection)?;
        let virtual_time = durability == Durability::ProcessEnd;
        let mut store = Self::begin(connection, path, virtual_time, 0)?;
        if replay {
            store.replayed_until = Some(rows);
        } else {
            store.tally = super::reader::tally(&store.connection, virtual_time)?;
            store.seq = rows;
        }
        Ok(store)
    }

    fn begin(connection: Connection, path: &Path, virtual_time: bool, seq: u64) -> Result<Self, RecordError> {
        connection.execute_batch("BEGIN")?;
        connection.set_prepared_statement_cache_capacity(32);
        Ok(Self {
            connection,
            path: path.to_owned(),
            tally: Tally::new(virtual_time),
            seq,
            in_flight: 0,
            replayed_until: None,
            views: BTreeMap::new(),
        })
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Number of the next row.
    pub fn next_seq(&self) -> u64 {
        self.seq
    }

    /// Adds a text to the run after it has begun: an edited sequence, say.
    pub fn add_document(&mut self, document: &Document) -> Result<(), RecordError> {
        self.connection.execute(
            "INSERT OR REPLACE INTO document VALUES (?1, ?2, ?3, ?4)",
            params![document.name, document.role, document.hash(), document.text],
        )?;
        Ok(())
    }

    fn counted(&mut self) -> Result<(), RecordError> {
        self.seq += 1;
        self.in_flight += 1;
        if self.in_flight >= ROWS_IN_FLIGHT {
            self.commit()?;
        }
        Ok(())
    }

    /// While replaying: compares with the row that is there. True if there was one.
    fn met_before(
        &mut self,
        at: Moment,
        kind: &str,
        body: &str,
        line: Option<u32>,
    ) -> Result<bool, RecordError> {
        while let Some(until) = self.replayed_until {
            if self.seq >= until {
                self.replayed_until = None;
                let entry = Entry::Resumed {
                    frontier: until,
                    version: env!("CARGO_PKG_VERSION").to_owned(),
                    differences: Vec::new(),
                };
                self.append(at, &entry, &[])?;
                break;
            }
            let row: Option<(i64, String, String, u32)> = self
                .connection
                .prepare_cached("SELECT at_ns, kind, body, chain FROM entry WHERE seq = ?1")?
                .query_row([self.seq], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))
                .optional()?;
            let Some((at_ns, recorded_kind, recorded_body, _)) = row else {
                return Err(self.differs("a point of a sweep".to_owned(), format!("{kind} {body}"), line));
            };
            let at_then = Moment::from_nanoseconds(at_ns.cast_unsigned());
            if matches!(recorded_kind.as_str(), "resumed" | "context") && recorded_kind != kind {
                // Written by an interruption, not by the sequence.
                let entry = join_body(&recorded_kind, &recorded_body)
                    .map_err(|e| RecordError::Damaged(e.to_string()))?;
                self.tally.entry(self.seq, at_then, &entry, &format!("{recorded_kind}{recorded_body}"), &[]);
                self.seq += 1;
                continue;
            }
            let same = recorded_kind == kind
                && (recorded_kind == "context" || recorded_body == body)
                && at_then == at;
            if !same {
                return Err(self.differs(
                    format!("{recorded_kind} {recorded_body}"),
                    format!("{kind} {body}"),
                    line,
                ));
            }
            return Ok(true);
        }
        Ok(false)
    }

    fn differs(&self, recorded: String, now: String, line: Option<u32>) -> RecordError {
        RecordError::Differs(Box::new(Difference { seq: self.seq, recorded, now, line }))
    }

    fn point_met_before(&mut self, point: &Point) -> Result<bool, RecordError> {
        while let Some(until) = self.replayed_until {
            if self.seq >= until {
                return self.met_before(point.at, "point", "", None);
            }
            let found = read_point(&self.connection, self.seq)?;
            match found {
                Some(found) if same_bits(&found, point) => return Ok(true),
                Some(found) => return Err(self.differs(format!("{found:?}"), format!("{point:?}"), None)),
                None => {
                    // An interruption's row may stand here; anything else is a difference.
                    let kind: Option<String> = self
                        .connection
                        .prepare_cached("SELECT kind FROM entry WHERE seq = ?1")?
                        .query_row([self.seq], |row| row.get(0))
                        .optional()?;
                    if kind.as_deref() != Some("resumed") {
                        let recorded = kind.unwrap_or_else(|| "nothing".to_owned());
                        return Err(self.differs(recorded, "a point of a sweep".to_owned(), None));
                    }
                    self.seq += 1;
                }
            }
        }
        Ok(false)
    }

    fn make_view(&mut self, entry: &Entry) -> Result<(), RecordError> {
        let Entry::SweepBegin { name, fast, slow, read, .. } = entry else { return Ok(()) };
        let word: String = name.chars().map(|c| if c.is_alphanumeric() { c } else { '_' }).collect();
        let column = |from: String, column: &super::Column| {
            let unit = column.si_unit.replace('/', "_per_").replace('^', "");
            let suffix = if unit.is_empty() { String::new() } else { format!("_{unit}") };
            format!("{from} AS \"{}{suffix}\"", column.channel)
        };
        let mut columns = vec![column("x".to_owned(), fast)];
        columns.extend(slow.iter().map(|c| column("y".to_owned(), c)));
        columns.extend(read.iter().enumerate().map(|(i, c)| column(format!("r{i}"), c)));
        let columns = columns.join(", ");
        // A name used for another set of columns gets a view of its own.
        let mut view = format!("sweep_{word}");
        let mut count = 1;
        while self.views.get(&view).is_some_and(|known| *known != columns) {
            count += 1;
            view = format!("sweep_{word}_{count}");
        }
        if self.views.insert(view.clone(), columns.clone()).is_none() {
            let quoted = name.replace('\'', "''");
            self.connection.execute_batch(&format!(
                "CREATE VIEW IF NOT EXISTS \"{view}\" AS SELECT sweep, i, at_ns / 1e9 AS at_s, {columns} FROM point \
                 WHERE sweep IN (SELECT json_extract(body, '$.sweep') FROM entry WHERE kind = 'sweep_begin' \
                 AND json_extract(body, '$.name') = '{quoted}')"
            ))?;
        }
        Ok(())
    }
}

impl Recorder for Store {
    fn append(&mut self, at: Moment, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        let (kind, body) = split_body(entry);
        let met = self.met_before(at, &kind, &body, line_of(entry))?;
        let chain = self.tally.entry(self.seq, at, entry, &format!("{kind}{body}"), data);
        self.make_view(entry)?;
        if !met {
            self.connection
                .prepare_cached("INSERT INTO entry VALUES (?1, ?2, ?3, ?4, ?5)")?
                .execute(params![self.seq, at.nanoseconds(), kind, body, chain])?;
            if !data.is_empty() {
                self.connection
                    .prepare_cached("INSERT INTO bulk VALUES (?1, ?2)")?
                    .execute(params![self.seq, to_blob(data)])?;
            }
        }
        self.counted()
    }

    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        let met = self.point_met_before(point)?;
        let chain = self.tally.point(self.seq, point);
        if !met {
            let r = |i: usize| point.values.as_slice().get(i).copied();
            self.connection
                .prepare_cached(
                    "INSERT INTO point VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15)",
                )?
                .execute(params![
                    self.seq,
                    point.at.nanoseconds(),
                    point.sweep,
                    point.i,
                    point.x,
                    point.y,
                    r(0),
                    r(1),
                    r(2),
                    r(3),
                    r(4),
                    r(5),
                    r(6),
                    r(7),
                    chain
                ])?;
        }
        self.counted()
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        if self.in_flight > 0 {
            self.connection.execute_batch("COMMIT; BEGIN")?;
            self.in_flight = 0;
        }
        Ok(())
    }

    fn finish(&mut self) -> Result<String, RecordError> {
        let digest = self.tally.digest();
        self.connection.execute(
            "INSERT OR REPLACE INTO meta VALUES ('digest', ?1), ('rows', ?2)",
            params![digest, self.seq.to_string()],
        )?;
        self.connection.execute_batch("COMMIT")?;
        // A copy of the file without its side file would lose the tail.
        self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        // An ended run is one plain file, without side files that readers would make. Not while somebody reads.
        let _ = self.connection.query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(()));
        self.connection.execute_batch("BEGIN")?;
        self.in_flight = 0;
        Ok(digest)
    }

    fn uncommitted(&self) -> u64 {
        self.in_flight
    }
}

fn prepare(connection: &Connection, durability: Durability) -> Result<(), RecordError> {
    connection.busy_timeout(std::time::Duration::from_secs(10))?;
    connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
    let synchronous = match durability {
        Durability::PowerCut => "FULL",
        Durability::ProcessEnd => "OFF",
    };
    connection.execute_batch(&format!("PRAGMA synchronous = {synchronous}; PRAGMA temp_store = MEMORY;"))?;
    Ok(())
}

fn line_of(entry: &Entry) -> Option<u32> {
    match entry {
        Entry::Call { place, .. }
        | Entry::Intent { place, .. }
        | Entry::SweepBegin { place, .. }
        | Entry::Bulk { place, .. }
        | Entry::StepBegin { place, .. }
        | Entry::Judgement { place, .. }
        | Entry::Note { place, .. }
        | Entry::Decision { place, .. } => Some(place.line),
        _ => None,
    }
}

fn read_point(connection: &Connection, seq: u64) -> Result<Option<Point>, RecordError> {
    let mut statement = connection.prepare_cached(
        "SELECT at_ns, sweep, i, x, y, r0, r1, r2, r3, r4, r5, r6, r7 FROM point WHERE seq = ?1",
    )?;
    Ok(statement.query_row([seq], |row| super::reader::point_from_row(row, 0)).optional()?)
}

fn same_bits(a: &Point, b: &Point) -> bool {
    let bits = |values: &Values| values.as_slice().iter().map(|v| v.to_bits()).collect::<Vec<_>>();
    a.sweep == b.sweep
        && a.i == b.i
        && a.at == b.at
        && a.x.to_bits() == b.x.to_bits()
        && bits(&a.values) == bits(&b.values)
}
