//! The SQLite file to be asked. It is made from the run files and from the words of people, and only from these.

use super::LogError;
use super::extract::{RunLog, extract};
use super::fold::{Whole, fold};
use super::words::{Word, Words};
use crate::record::{TipLife, VerdictWord};
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Its tables, as the guide shows them.
pub const SCHEMA: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE run (name TEXT PRIMARY KEY, path TEXT NOT NULL, bytes INTEGER NOT NULL, modified_ns INTEGER NOT NULL,
    started_s INTEGER NOT NULL, elapsed_s REAL NOT NULL, sequence TEXT NOT NULL, outcome TEXT NOT NULL,
    result TEXT NOT NULL, about TEXT NOT NULL, body TEXT NOT NULL);
CREATE TABLE tip (id INTEGER PRIMARY KEY, from_s INTEGER NOT NULL, came TEXT NOT NULL, atoms INTEGER NOT NULL,
    touches INTEGER NOT NULL, polarisation REAL, polarisation_error REAL, proved_s INTEGER, lost_s INTEGER);
CREATE TABLE tip_event (tip INTEGER NOT NULL, at_s INTEGER NOT NULL, run TEXT NOT NULL, what TEXT NOT NULL,
    remark TEXT NOT NULL);
CREATE TABLE spin (id TEXT PRIMARY KEY, names TEXT NOT NULL, x_m REAL NOT NULL, y_m REAL NOT NULL, height_m REAL NOT NULL,
    first_s INTEGER NOT NULL, last_s INTEGER NOT NULL, moment_mu_b REAL, moment_error_mu_b REAL);
CREATE TABLE spectrum (run TEXT NOT NULL, sweep INTEGER NOT NULL, at_s INTEGER NOT NULL, tip INTEGER NOT NULL, spin TEXT,
    name TEXT NOT NULL, channel TEXT NOT NULL, from_si REAL NOT NULL, to_si REAL NOT NULL, points INTEGER NOT NULL,
    field_t REAL, verdict TEXT NOT NULL);
CREATE TABLE refill (at_s INTEGER NOT NULL);
CREATE TABLE note (at_s INTEGER NOT NULL, run TEXT NOT NULL, text TEXT NOT NULL);
CREATE TABLE word (id INTEGER PRIMARY KEY, at_s INTEGER NOT NULL, by TEXT NOT NULL, kind TEXT NOT NULL, run TEXT, tip INTEGER,
    spin TEXT, text TEXT NOT NULL, until_s INTEGER);
CREATE INDEX tip_event_of_tip ON tip_event (tip, at_s);
CREATE INDEX spectrum_of_spin ON spectrum (spin, at_s);
";

/// Version of the tables; another one is made anew.
const VERSION: &str = "4";
/// How long another process is waited for.
const PATIENCE: Duration = Duration::from_secs(20);
/// Tables that are worked out from the runs and the words.
const WORKED_OUT: [&str; 7] = ["tip", "tip_event", "spin", "spectrum", "refill", "note", "word"];

/// The logbook of a folder of runs.
#[derive(Debug)]
pub struct Logbook {
    folder: PathBuf,
    rehearsed: bool,
    pub(super) connection: Connection,
    /// What people should hear of: that its file could not be used.
    pub warning: Option<String>,
}

/// A run file as it lies in the folder.
#[derive(Debug, Clone, PartialEq)]
struct Found {
    name: String,
    path: String,
    bytes: i64,
    modified_ns: i64,
}

impl Logbook {
    /// Opens that of measured runs, or that of rehearsals, and takes in what has come since. Runs that can't be read are
    /// passed over and told of. Where the file can't be used, because it is another user's or on a strange disk, the same is
    /// worked out in memory: what is precious must be known, file or not.
    ///
    /// # Errors
    /// If the folder can't be read.
    pub fn open(folder: &Path, rehearsed: bool) -> Result<Self, LogError> {
        match Self::open_file(folder, rehearsed) {
            Err(LogError::Database(error)) => {
                let connection = Connection::open_in_memory()?;
                let warning =
                    format!("the file of the logbook can't be used: {error}; it is worked out from the runs");
                let mut logbook =
                    Self { folder: folder.to_owned(), rehearsed, connection, warning: Some(warning) };
                logbook.take_in()?;
                Ok(logbook)
            }
            opened => opened,
        }
    }

    fn open_file(folder: &Path, rehearsed: bool) -> Result<Self, LogError> {
        let path = Self::path(folder, rehearsed);
        if !folder.is_dir() {
            let reason = "there is no such folder".to_owned();
            return Err(LogError::Unusable { path: folder.display().to_string(), reason });
        }
        let connection = Connection::open(&path)?;
        connection.busy_timeout(PATIENCE)?;
        connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
        connection.execute_batch("PRAGMA synchronous = FULL;")?;
        let mut logbook = Self { folder: folder.to_owned(), rehearsed, connection, warning: None };
        logbook.take_in()?;
        Ok(logbook)
    }

    /// Makes it anew from the run files and the words.
    ///
    /// # Errors
    /// If the file can't be used.
    pub fn rebuild(folder: &Path, rehearsed: bool) -> Result<Self, LogError> {
        let path = Self::path(folder, rehearsed);
        for end in ["", "-wal", "-shm"] {
            let file = PathBuf::from(format!("{}{end}", path.display()));
            match std::fs::remove_file(&file) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    let path = file.display().to_string();
                    return Err(LogError::Unusable { path, reason: error.to_string() });
                }
                _ => {}
            }
        }
        Self::open_file(folder, rehearsed)
    }

    /// A copy of all that can't be made anew, and of the file to be asked, in a new folder: people's words first. The run
    /// files are copied with `noctule copy`.
    ///
    /// # Errors
    /// If the folder is there already, or can't be written.
    pub fn backup(&self, to: &Path) -> Result<Vec<PathBuf>, LogError> {
        let unusable = |error: std::io::Error| LogError::Unusable {
            path: to.display().to_string(),
            reason: error.to_string(),
        };
        std::fs::create_dir(to).map_err(unusable)?;
        let mut written = Vec::new();
        let words = self.folder.join(super::words::WORDS_NAME);
        if words.exists() {
            let copy = to.join(super::words::WORDS_NAME);
            std::fs::copy(&words, &copy).map_err(unusable)?;
            std::fs::File::open(&copy).and_then(|file| file.sync_all()).map_err(unusable)?;
            written.push(copy);
        }
        let copy = Self::path(to, self.rehearsed);
        // SQLite's own copy: whole, whatever others write meanwhile.
        self.connection.execute("VACUUM INTO ?1", [copy.display().to_string()])?;
        written.push(copy);
        Ok(written)
    }

    fn path(folder: &Path, rehearsed: bool) -> PathBuf {
        folder.join(if rehearsed { "rehearsed.logbook" } else { "measured.logbook" })
    }

    /// Takes in runs that are new or have grown, and words that were said since; drops those that are gone.
    fn take_in(&mut self) -> Result<(), LogError> {
        let found = self.found()?;
        // Whoever comes second waits here, and then finds it done.
        let transaction =
            self.connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        let version = make_tables(&transaction)?;
        let words = Words::of(&self.folder).all()?;
        let known = known_runs(&transaction)?;
        let said: i64 = transaction.query_row("SELECT count(*) FROM word", [], |row| row.get(0))?;
        let as_known = |run: &Found| known.iter().any(|old| old == run);
        let same = version && found.iter().all(as_known) && found.len() == known.len();
        if same && usize::try_from(said).ok() == Some(words.len()) {
            return Ok(());
        }
        // A note or a plan changes nothing that is worked out.
        let new = usize::try_from(said).ok().and_then(|said| words.get(said..));
        let plain = |word: &Word| matches!(word.kind, super::Kind::Note | super::Kind::Plan);
        if let Some(new) = new.filter(|new| same && new.iter().all(plain)) {
            put_words(&transaction, new)?;
            return Ok(transaction.commit()?);
        }
        for gone in known.iter().filter(|old| !found.contains(old)) {
            transaction.execute("DELETE FROM run WHERE name = ?1", [&gone.name])?;
        }
        let new: Vec<&Found> = found.iter().filter(|run| !as_known(run)).collect();
        for (found, read) in new.iter().zip(read_all(&new)) {
            put_run(&transaction, found, read, self.rehearsed)?;
        }
        work_out(&transaction, &words)?;
        transaction.commit()?;
        Ok(())
    }

    fn found(&self) -> Result<Vec<Found>, LogError> {
        let unusable = |error: std::io::Error| LogError::Unusable {
            path: self.folder.display().to_string(),
            reason: error.to_string(),
        };
        let mut found = Vec::new();
        for entry in std::fs::read_dir(&self.folder).map_err(unusable)? {
            let path = entry.map_err(unusable)?.path();
            let file = path.join(crate::record::RUN_FILE_NAME);
            let Ok(metadata) = std::fs::metadata(&file) else { continue };
            let modified =
                metadata.modified().ok().and_then(|at| at.duration_since(std::time::UNIX_EPOCH).ok());
            // What was added since is in the side file until it is put together.
            let side = std::fs::metadata(format!("{}-wal", file.display())).map_or(0, |m| m.len());
            found.push(Found {
                name: path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
                path: file.display().to_string(),
                bytes: (metadata.len() + side) as i64,
                modified_ns: modified.map_or(0, |at| at.as_nanos() as i64),
            });
        }
        found.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(found)
    }

    /// The runs as they were read, in the order of their names, and what they and people's words add up to.
    ///
    /// # Errors
    /// If the file can't be used.
    pub fn whole(&self) -> Result<(Vec<RunLog>, Whole), LogError> {
        let runs = run_logs(&self.connection)?;
        let whole = fold(&runs, &Words::of(&self.folder).all()?);
        Ok((runs, whole))
    }

    /// What is known of the tip that is in, with moments relative to `now_s`, seconds since 1970; nothing where no run and no
    /// word tells of one.
    ///
    /// # Errors
    /// If the file can't be used.
    pub fn tip_now(&self, now_s: i64) -> Result<Option<TipLife>, LogError> {
        let life: Option<TipLife> = self.worked_out("life")?;
        let life = life.filter(|life| *life != TipLife::default());
        Ok(life.map(|life| TipLife { refused: 0, ..super::fold::shifted(life, -(now_s as f64)) }))
    }

    /// When the pot was last condensed, s since 1970, where a run or a person tells it.
    ///
    /// # Errors
    /// If the file can't be used.
    pub fn condensed_s(&self) -> Result<Option<i64>, LogError> {
        Ok(self.worked_out::<Option<i64>>("condensed_s")?.flatten())
    }

    /// Something that was worked out from all runs and words.
    pub(super) fn worked_out<T: serde::de::DeserializeOwned>(
        &self,
        key: &str,
    ) -> Result<Option<T>, LogError> {
        let text: Option<String> = self
            .connection
            .query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0))
            .optional()?;
        Ok(text.and_then(|text| serde_json::from_str(&text).ok()))
    }
}

/// Makes the tables where they are not there as this version has them; true if they were.
fn make_tables(transaction: &Transaction<'_>) -> Result<bool, LogError> {
    let there: i64 =
        transaction
            .query_row("SELECT count(*) FROM sqlite_master WHERE name = 'meta'", [], |row| row.get(0))?;
    let version: Option<String> = match there {
        0 => None,
        _ => transaction
            .query_row("SELECT value FROM meta WHERE key = 'version'", [], |row| row.get(0))
            .optional()?,
    };
    if version.as_deref() == Some(VERSION) {
        return Ok(true);
    }
    for table in ["meta", "run"].iter().chain(&WORKED_OUT) {
        transaction.execute_batch(&format!("DROP TABLE IF EXISTS {table};"))?;
    }
    transaction.execute_batch(SCHEMA)?;
    transaction.execute("INSERT INTO meta VALUES ('version', ?1)", [VERSION])?;
    Ok(false)
}

fn known_runs(transaction: &Transaction<'_>) -> Result<Vec<Found>, LogError> {
    let mut statement =
        transaction.prepare("SELECT name, path, bytes, modified_ns FROM run ORDER BY name")?;
    let rows = statement.query_map([], |row| {
        Ok(Found { name: row.get(0)?, path: row.get(1)?, bytes: row.get(2)?, modified_ns: row.get(3)? })
    })?;
    Ok(rows.collect::<Result<Vec<Found>, rusqlite::Error>>()?)
}

type Extracted = Result<(RunLog, bool), LogError>;

/// Reads run files, on as many threads as the machine has; in the order given.
fn read_all(found: &[&Found]) -> Vec<Extracted> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from).min(found.len());
    let read = |found: &&Found| extract(Path::new(&found.path), &found.name);
    if threads <= 1 {
        return found.iter().map(read).collect();
    }
    let parts = found.chunks(found.len().div_ceil(threads));
    std::thread::scope(|scope| {
        let running: Vec<_> =
            parts.map(|part| scope.spawn(move || part.iter().map(read).collect::<Vec<_>>())).collect();
        running.into_iter().flat_map(|part| part.join().expect("reading does not panic")).collect()
    })
}

/// A run of the other kind is known too, with an empty body: nobody reads it again.
fn put_run(
    transaction: &Transaction<'_>,
    found: &Found,
    read: Extracted,
    rehearsed: bool,
) -> Result<(), LogError> {
    let run = match read {
        Ok((run, rehearsal)) if rehearsal == rehearsed => Some(run),
        Ok(_) => None,
        Err(error) => {
            tracing::warn!(%error, "a run is not in the logbook");
            None
        }
    };
    let body = run.as_ref().map(|run| serde_json::to_string(run).unwrap_or_default()).unwrap_or_default();
    let declared = run.as_ref().and_then(|run| run.declared.as_ref());
    transaction.execute(
        "INSERT OR REPLACE INTO run VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11)",
        params![
            found.name,
            found.path,
            found.bytes,
            found.modified_ns,
            run.as_ref().map_or(0, |run| run.started_s),
            run.as_ref().map_or(0.0, |run| run.elapsed_s),
            run.as_ref().map_or("", |run| &run.sequence),
            run.as_ref().map_or("", |run| &run.outcome),
            declared.map_or("", |declared| declared.what.word()),
            declared.map_or("", |declared| &declared.about),
            body
        ],
    )?;
    Ok(())
}

/// The runs as they were read.
fn run_logs(connection: &Connection) -> Result<Vec<RunLog>, LogError> {
    let mut statement = connection.prepare("SELECT body FROM run WHERE body <> '' ORDER BY name")?;
    let bodies = statement.query_map([], |row| row.get::<_, String>(0))?;
    let bodies = bodies.collect::<Result<Vec<String>, rusqlite::Error>>()?;
    Ok(bodies.iter().filter_map(|body| serde_json::from_str(body).ok()).collect())
}

/// Everything that follows from runs and words, anew: it is quick, and so it can't differ from a rebuilt one.
fn work_out(transaction: &Transaction<'_>, words: &[Word]) -> Result<(), LogError> {
    let runs = run_logs(transaction)?;
    let whole = fold(&runs, words);
    for table in WORKED_OUT {
        transaction.execute(&format!("DELETE FROM {table}"), [])?;
    }
    put_tips(transaction, &whole)?;
    put_spins(transaction, &whole)?;
    for run in &runs {
        for event in &run.events {
            if let super::extract::Event::Note { at_s, text } = event {
                let at_s = run.started_s + at_s.round() as i64;
                transaction.execute("INSERT INTO note VALUES (?1,?2,?3)", params![at_s, run.name, text])?;
            }
        }
    }
    put_words(transaction, words)?;
    let life = serde_json::to_string(&whole.life).unwrap_or_default();
    transaction.execute("INSERT OR REPLACE INTO meta VALUES ('life', ?1)", [life])?;
    let condensed = serde_json::to_string(&whole.condensed_s).unwrap_or_default();
    transaction.execute("INSERT OR REPLACE INTO meta VALUES ('condensed_s', ?1)", [condensed])?;
    let areas: Vec<_> = whole.maps.areas.iter().map(|area| &area.spots).collect();
    let areas = serde_json::to_string(&areas).unwrap_or_default();
    transaction.execute("INSERT OR REPLACE INTO meta VALUES ('areas', ?1)", [areas])?;
    Ok(())
}

fn put_words(transaction: &Transaction<'_>, words: &[Word]) -> Result<(), LogError> {
    for Word { id, at_s, by, kind, about, text, until_s, .. } in words {
        transaction.execute(
            "INSERT INTO word VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9)",
            params![id, at_s, by, kind.word(), about.run, about.tip, about.spin, text, until_s],
        )?;
    }
    Ok(())
}

fn put_tips(transaction: &Transaction<'_>, whole: &Whole) -> Result<(), LogError> {
    for tip in &whole.tips {
        let [value, error] = tip.polarisation.map_or([None; 2], |[value, error]| [Some(value), Some(error)]);
        transaction.execute(
            "INSERT INTO tip VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9)",
            params![
                tip.id,
                tip.from_s,
                tip.came,
                tip.atoms,
                tip.touches,
                value,
                error,
                tip.proved_s,
                tip.lost_s
            ],
        )?;
    }
    for event in &whole.events {
        transaction.execute(
            "INSERT INTO tip_event VALUES (?1,?2,?3,?4,?5)",
            params![event.tip, event.at_s, event.run, event.what, event.remark],
        )?;
    }
    for at_s in &whole.refills {
        transaction.execute("INSERT INTO refill VALUES (?1)", [at_s])?;
    }
    Ok(())
}

fn put_spins(transaction: &Transaction<'_>, whole: &Whole) -> Result<(), LogError> {
    for (id, spin) in &whole.spins {
        let [value, error] = spin.moment.map_or([None; 2], |[value, error]| [Some(value), Some(error)]);
        transaction.execute(
            "INSERT INTO spin VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9)",
            params![
                id,
                spin.names.join(", "),
                spin.at_m[0],
                spin.at_m[1],
                spin.height_m,
                spin.first_s,
                spin.last_s,
                value,
                error
            ],
        )?;
    }
    for s in &whole.spectra {
        transaction.execute(
            "INSERT INTO spectrum VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12)",
            params![
                s.run,
                s.sweep,
                s.at_s,
                s.tip,
                s.spin,
                s.name,
                s.channel,
                s.ends[0],
                s.ends[1],
                s.points,
                s.field_t,
                s.verdict.as_ref().map_or("", VerdictWord::word)
            ],
        )?;
    }
    Ok(())
}
