//! Writing a run file.

use super::acts::Acts;
use super::entry::to_row;
use super::last_words::Reserve;
use super::place::Place;
use super::recorder::{RecordError, Recorder};
use super::replayed_rows::Recorded;
use super::row::{Tally, to_blob};
use super::schema::{CREATE, SCHEMA_VERSION};
use super::{Change, Entry, NewWindow, Point, SweepPlan};
use crate::quantity::TimePoint;
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::{BTreeMap, VecDeque};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Rows in one transaction at most, so that memory stays flat between commits.
const ROWS_IN_FLIGHT: u64 = 20_000;

/// How long those who read are waited for where a file is put together at its end.
const READERS_PATIENCE: Duration = Duration::from_secs(2);
/// How often it is looked whether somebody else's lock on the file is gone.
const LOOK_AGAIN: Duration = Duration::from_millis(50);
/// After so many looks it is told, and after so many (ten minutes) it is no lock but a fault.
const TOLD_AFTER: i32 = 100;
const GIVEN_UP_AFTER: i32 = 12_000;

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
        Self::hash_of(&self.text)
    }

    pub(super) fn hash_of(text: &str) -> String {
        blake3::hash(text.as_bytes()).to_hex()[..32].to_owned()
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
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
    pub(super) tally: Tally,
    pub(super) seq: u64,
    pub(super) in_flight: u64,
    /// While a rehearsal is resumed: rows of the file that are still to be met.
    pub(super) replayed_until: Option<u64>,
    /// Rows of the file that come next.
    pub(super) ahead: VecDeque<(u64, Recorded)>,
    at_frontier: Option<Document>,
    new_window: Option<NewWindow>,
    /// Why nothing is written any more.
    pub(super) broken: Option<String>,
    views: BTreeMap<String, String>,
    /// What holds up to the last commit: where the record goes on if what came after it is lost.
    pub(super) kept: (Tally, u64),
    pub(super) reserve: Reserve,
    /// Acts that must not happen twice, not yet told beside the file.
    acts: Acts,
    /// Which file it is, and when it was last seen in its place.
    place: Place,
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
        let mut store = Self::begin(connection, path, virtual_time, 0)?;
        store.connection.busy_handler(Some(wait_for_somebody))?;
        Ok(store)
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
        let version = super::reader::check_version(&connection)?;
        if version < SCHEMA_VERSION {
            return Err(RecordError::Older { found: version, known: SCHEMA_VERSION });
        }
        // SQLite opens a file that may only be read without a word, and complains at the first write.
        if connection.is_readonly("main")? {
            return Err(unusable(
                "it can only be read; its folder or the file is write-protected".to_owned(),
            ));
        }
        prepare(&connection, durability)?;
        let rows = super::reader::next_seq(&connection)?;
        let virtual_time = durability == Durability::ProcessEnd;
        let mut store = Self::begin(connection, path, virtual_time, 0)?;
        if replay {
            // What was said when the disk was full is no part of what is rehearsed.
            store.replayed_until = Some(super::last_words::begin_of(&store.connection)?.unwrap_or(rows));
        } else {
            store.tally = super::walk::tally(&store.connection, virtual_time)?;
            store.seq = rows;
            store.kept = (store.tally.clone(), rows);
            store.forget_end()?;
        }
        store.connection.busy_handler(Some(wait_for_somebody))?;
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
            ahead: VecDeque::new(),
            at_frontier: None,
            new_window: None,
            broken: None,
            views: BTreeMap::new(),
            kept: (Tally::new(virtual_time), seq),
            reserve: Reserve::beside(path),
            acts: Acts::beside(path),
            place: Place::of(path),
        })
    }

    /// Where what was recorded is kept if the folder of the run is removed while it measures.
    pub fn with_spare(mut self, folder: Option<std::path::PathBuf>) -> Self {
        self.place = self.place.with_spare(folder);
        self
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Number of the next row.
    pub fn next_seq(&self) -> u64 {
        self.seq
    }

    /// Adds a text to the run after it has begun: an edited sequence, say. What was run before stays beside
    /// it, so it gets a number behind its name. False if the latest text of its role is the same.
    pub fn add_document(&mut self, document: &Document) -> Result<bool, RecordError> {
        let sql = "SELECT hash FROM document WHERE role = ?1 ORDER BY rowid DESC LIMIT 1";
        let latest: Option<String> =
            self.connection.query_row(sql, [document.role], |row| row.get(0)).optional()?;
        if latest.as_ref() == Some(&document.hash()) {
            return Ok(false);
        }
        let known = "SELECT count(*) FROM document WHERE name = ?1";
        let mut name = document.name.clone();
        let mut count = 1;
        while self.connection.query_row(known, [&name], |row| row.get::<_, u64>(0))? > 0 {
            count += 1;
            name = format!("{} ({count})", document.name);
        }
        self.connection.execute(
            "INSERT INTO document VALUES (?1, ?2, ?3, ?4)",
            params![name, document.role, document.hash(), document.text],
        )?;
        Ok(true)
    }

    fn counted(&mut self, met: bool) -> Result<(), RecordError> {
        self.seq += 1;
        self.in_flight += u64::from(!met);
        if self.in_flight >= ROWS_IN_FLIGHT {
            self.commit_rows()?;
        }
        Ok(())
    }

    /// What is written when a replay has met everything that is there: the text of the sequence that goes
    /// on, if it is another one, and the window that holds from there on, if a new one was given.
    pub fn at_frontier(&mut self, document: Document, window: Option<NewWindow>) {
        (self.at_frontier, self.new_window) = (Some(document), window);
    }

    /// What was said at an earlier end holds no more.
    fn forget_end(&self) -> Result<(), RecordError> {
        self.connection.execute(
            "DELETE FROM meta WHERE key IN ('digest', 'rows', ?1)",
            [super::last_words::BEGIN_KEY],
        )?;
        Ok(())
    }

    pub(super) fn pass_frontier(&mut self, at: TimePoint, frontier: u64) -> Result<(), RecordError> {
        self.connection.execute("DELETE FROM entry WHERE seq >= ?1", [frontier])?;
        self.forget_end()?;
        let mut changes = Vec::new();
        if let Some(document) = self.at_frontier.take()
            && self.add_document(&document)?
        {
            changes.push(Change::SequenceEdited(document.name));
        }
        let version = env!("CARGO_PKG_VERSION").to_owned();
        let window = self.new_window.take();
        self.write_entry(
            at,
            &Entry::Resumed { frontier, version, changes, window, taken_up_at: None, clear_by: None },
            &[],
        )
    }

    fn make_view(&mut self, entry: &Entry, met: bool) -> Result<(), RecordError> {
        let named = |name: &str| name.replace('\'', "''");
        let (kind, name, columns, from) = match entry {
            Entry::SweepBegin { plan, .. } => {
                let from = format!(
                    "point WHERE sweep IN (SELECT json_extract(body, '$.sweep') FROM entry WHERE kind = 'sweep_begin' \
                     AND json_extract(body, '$.plan.name') = '{}')",
                    named(&plan.name)
                );
                ("sweep", &plan.name, columns_of_sweep(plan), from)
            }
            Entry::Table { table, .. } if !table.numbers.is_empty() => {
                let from = format!(
                    "entry, json_each(entry.body, '$.table.numbers') row WHERE kind = 'table' \
                     AND json_extract(entry.body, '$.table.name') = '{}'",
                    named(&table.name)
                );
                ("table", &table.name, columns_of_table(table), from)
            }
            _ => return Ok(()),
        };
        let word: String = name.chars().map(|c| if c.is_alphanumeric() { c } else { '_' }).collect();
        // A name used for another set of columns gets a view of its own.
        let mut view = format!("{kind}_{word}");
        let mut count = 1;
        while self.views.get(&view).is_some_and(|known| *known != columns) {
            count += 1;
            view = format!("{kind}_{word}_{count}");
        }
        if self.views.insert(view.clone(), columns.clone()).is_none() && !met {
            self.connection.execute_batch(&format!(
                "CREATE VIEW IF NOT EXISTS \"{view}\" AS SELECT {columns} FROM {from}"
            ))?;
        }
        Ok(())
    }
}

/// What a column of a view is called: its name with its SI unit.
fn called(name: &str, si_unit: &str) -> String {
    let unit = si_unit.replace('/', "_per_").replace('^', "");
    let suffix = if unit.is_empty() { String::new() } else { format!("_{unit}") };
    format!("\"{}{suffix}\"", name.replace('"', "'"))
}

fn columns_of_sweep(plan: &SweepPlan<super::Column>) -> String {
    let column = |from: String, column: &super::Column| {
        format!("{from} AS {}", called(&column.channel, &column.si_unit))
    };
    let mut columns = vec![column("x".to_owned(), &plan.fast.channel)];
    columns.extend(plan.slow.iter().map(|axis| column("y".to_owned(), &axis.channel)));
    columns.extend(plan.read.iter().enumerate().map(|(i, c)| column(format!("r{i}"), c)));
    format!("sweep, i, at_ns / 1e9 AS at_s, {}", columns.join(", "))
}

fn columns_of_table(table: &super::OwnTable) -> String {
    let column = |(k, column): (usize, &super::OwnColumn)| {
        format!("json_extract(row.value, '$[{k}]') AS {}", called(&column.name, &column.si_unit))
    };
    let columns: Vec<String> = table.columns.iter().enumerate().map(column).collect();
    format!("entry.seq AS \"table\", row.key AS i, {}", columns.join(", "))
}

impl Store {
    /// The writing itself; [`Recorder`] sees to it that nothing follows a failure.
    pub(super) fn write_entry(
        &mut self,
        at: TimePoint,
        entry: &Entry,
        data: &[f64],
    ) -> Result<(), RecordError> {
        let (kind, body) = to_row(entry);
        let met = self.replayed_until.is_some()
            && self.met_before(at, (&kind, &body), data, entry.place().map(|place| place.line))?;
        self.make_view(entry, met)?;
        if !met {
            let blob = to_blob(data);
            let chain = self.tally.entry(self.seq, at, (&kind, &body), &blob);
            self.connection
                .prepare_cached("INSERT INTO entry VALUES (?1, ?2, ?3, ?4, ?5)")?
                .execute(params![self.seq, at.nanoseconds(), kind, body, chain])?;
            if !data.is_empty() {
                self.connection
                    .prepare_cached("INSERT INTO bulk VALUES (?1, ?2)")?
                    .execute(params![self.seq, blob])?;
            }
        }
        self.counted(met)
    }

    fn write_point(&mut self, point: &Point) -> Result<(), RecordError> {
        let met = self.replayed_until.is_some() && self.point_met_before(point)?;
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
        self.counted(met)
    }

    pub(super) fn commit_rows(&mut self) -> Result<(), RecordError> {
        if self.in_flight > 0 {
            self.connection.execute_batch("COMMIT")?;
            if self.place.is_due() {
                self.place.check(&self.path, &self.connection)?;
                // So the file without its side file is a run file at any time.
                let _ = self.connection.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()));
            }
            self.connection.execute_batch("BEGIN")?;
            self.acts.tell()?;
            self.in_flight = 0;
            self.kept = (self.tally.clone(), self.seq);
        }
        Ok(())
    }

    fn close(&mut self) -> Result<String, RecordError> {
        if let Some(until) = self.replayed_until
            && self.seq < until
            && let Some(recorded) = self.next_recorded(TimePoint::NEVER)?
        {
            return Err(self.differs(&recorded, TimePoint::NEVER, "the end of the run".to_owned(), None));
        }
        let digest = self.tally.digest();
        self.connection.execute(
            "INSERT OR REPLACE INTO meta VALUES ('digest', ?1), ('rows', ?2)",
            params![digest, self.seq.to_string()],
        )?;
        self.connection.execute_batch("COMMIT")?;
        // A short run may be over before it was looked again.
        self.place.check(&self.path, &self.connection)?;
        // Somebody who reads may go on; then their reading puts it together, or the next that is opened.
        self.connection.busy_timeout(READERS_PATIENCE)?;
        // A copy of the file without its side file would lose the tail.
        self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        // An ended run is one plain file, without side files that readers would make. Not while somebody reads.
        let _ = self.connection.query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(()));
        self.connection.execute_batch("BEGIN")?;
        self.in_flight = 0;
        self.reserve.release();
        self.acts.forget();
        Ok(digest)
    }
}

impl Recorder for Store {
    fn append(&mut self, at: TimePoint, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        self.say_last_words(at, entry);
        // A rehearsal can be repeated, and nothing real happens in it.
        if matches!(entry, Entry::Intent { .. }) && self.replayed_until.is_none() {
            self.acts.add(self.seq);
        }
        self.guarded(|store| store.write_entry(at, entry, data))
    }

    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        self.guarded(|store| store.write_point(point))
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        self.guarded(Self::commit_rows)
    }

    fn finish(&mut self) -> Result<String, RecordError> {
        self.guarded(Self::close)
    }

    fn uncommitted(&self) -> u64 {
        self.in_flight
    }
}

/// Somebody else has locked the file: what comes meanwhile waits in the queue of the thread that writes.
fn wait_for_somebody(times: i32) -> bool {
    if times == TOLD_AFTER {
        tracing::error!("another program has locked the run file; what is measured waits in memory for it");
    }
    std::thread::sleep(LOOK_AGAIN);
    times < GIVEN_UP_AFTER
}

fn prepare(connection: &Connection, durability: Durability) -> Result<(), RecordError> {
    connection.busy_timeout(Duration::from_secs(10))?;
    connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
    let synchronous = match durability {
        Durability::PowerCut => "FULL",
        Durability::ProcessEnd => "OFF",
    };
    connection.execute_batch(&format!("PRAGMA synchronous = {synchronous}; PRAGMA temp_store = MEMORY;"))?;
    Ok(())
}
