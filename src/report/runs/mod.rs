//! Past runs in a folder: listing, searching, naming by a unique prefix, moving and pruning.

mod tidy;

pub use tidy::{Deed, Plan, move_to, older_than, prune};

use crate::history::History;
use crate::history::result::{RunResult, Seen, Weight};
use crate::record::{Entry, Outcome, RecordError, RunFile};
use serde::{Serialize, Serializer};
use std::path::{Path, PathBuf};

/// Run files that are looked for in a folder, by their extension.
const EXTENSIONS: [&str; 2] = ["sqlite", "noctule"];

/// What became of a past run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Became {
    /// It has come to an end.
    Ended(Outcome),
    /// Its record has no end.
    CutShort,
    /// Its record can't be read.
    Unreadable,
}

impl Became {
    /// The word in lists and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Became::Ended(outcome) => outcome.word(),
            Became::CutShort => "cut short",
            Became::Unreadable => "unreadable",
        }
    }
}

impl Serialize for Became {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

/// One past run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PastRun {
    /// Its name: the folder of the run, or the stem of its file.
    pub name: String,
    /// The run file.
    pub path: PathBuf,
    /// The folder that belongs to this run alone, if it has one.
    pub folder: Option<PathBuf>,
    /// What became of it.
    pub outcome: Became,
    /// The reason for the outcome, or why it can't be read.
    pub reason: String,
    /// The sequence.
    pub sequence: String,
    /// Whether it was a rehearsal.
    pub rehearsal: bool,
    /// When it began, as recorded.
    pub started_at: String,
    /// How long it took, s.
    pub elapsed_s: f64,
    /// Points of sweeps.
    pub points: u64,
    /// The one result in a line, as the brief has it.
    pub headline: String,
    /// How urgent it is.
    pub weight: Option<Weight>,
    /// The result that the sequence has declared: `made`, `proved`, `mapped`, `nothing`, with more on it; empty if none.
    pub result: String,
    /// Size of its file, bytes.
    pub bytes: u64,
    /// Notes and results, for searching.
    #[serde(skip)]
    words: String,
}

/// Why a run was not found.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NameError {
    /// None begins like this.
    #[error("no run is called `{name}` or begins with it{}", .nearest.as_ref().map(|n| format!("; did you mean `{n}`?")).unwrap_or_default())]
    None {
        /// As asked for.
        name: String,
        /// One that looks alike.
        nearest: Option<String>,
    },
    /// Several do.
    #[error("`{name}` is the beginning of several runs: {}", .all.join(", "))]
    Several {
        /// As asked for.
        name: String,
        /// Those.
        all: Vec<String>,
    },
}

/// All runs in a folder and one level below it, by name. A file that can't be read is listed as such.
///
/// # Errors
/// The folder can't be read.
pub fn list(folder: &Path) -> std::io::Result<Vec<PastRun>> {
    let mut runs: Vec<PastRun> = files(folder)?.into_iter().map(|(file, alone)| look(&file, alone)).collect();
    runs.sort_by(|a, b| a.name.cmp(&b.name).then_with(|| a.path.cmp(&b.path)));
    Ok(runs)
}

/// Run files in a folder and one level below it, each with the folder that belongs to it alone.
///
/// # Errors
/// The folder can't be read.
pub fn files(folder: &Path) -> std::io::Result<Vec<(PathBuf, Option<PathBuf>)>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            let own: Vec<PathBuf> = files_in(&path)?;
            let alone = own.len() == 1;
            found.extend(own.into_iter().map(|file| (file, alone.then(|| path.clone()))));
        } else if is_run_file(&path) {
            found.push((path, None));
        }
    }
    Ok(found)
}

fn files_in(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if is_run_file(&path) {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

fn is_run_file(path: &Path) -> bool {
    let known = path.extension().is_some_and(|e| EXTENSIONS.iter().any(|known| e == *known));
    known && path.is_file()
}

fn look(path: &Path, folder: Option<PathBuf>) -> PastRun {
    let mut run = PastRun {
        name: crate::report::account::name_of(path),
        path: path.to_owned(),
        folder,
        outcome: Became::Unreadable,
        reason: String::new(),
        sequence: String::new(),
        rehearsal: false,
        started_at: String::new(),
        elapsed_s: 0.0,
        points: 0,
        headline: String::new(),
        weight: None,
        result: String::new(),
        bytes: std::fs::metadata(path).map_or(0, |m| m.len()),
        words: String::new(),
    };
    if let Err(error) = fill(&mut run) {
        run.reason = error.to_string();
    }
    run
}

/// Rows that come every few seconds of a run. They are left unread: they tell of the helium, and how long that of a past run
/// lasted helps nobody. Everything else may have a part in the result.
const OFTEN: &str = "monitor";

/// Reads what a list needs: no points, no readings between them, no check of the whole file.
fn fill(run: &mut PastRun) -> Result<(), RecordError> {
    let file = RunFile::open(&run.path)?;
    let identity = file.identity()?;
    (run.sequence, run.rehearsal) = (identity.sequence, identity.rehearsal);
    if let Some(first) = file.all("context")?.into_iter().next()
        && let Entry::Context { started_at, .. } = first.entry
    {
        run.started_at = started_at;
    }
    run.elapsed_s = file.last_moment()?.s();
    run.points = file.count_points()?;
    let text = file.document("bench")?;
    let bench = text.and_then(|(name, text)| crate::bench::read(&text, &name).ok()).map(|found| found.0);
    let mut history = History::new(bench.as_ref());
    file.some_entries(
        |kind| kind != OFTEN,
        (0, u64::MAX),
        u32::MAX,
        |numbered| {
            history.entry(numbered.at, &numbered.entry);
            if let Entry::Judgement { title: text, .. } | Entry::Note { text, .. } = &numbered.entry {
                run.words.push_str(text);
                run.words.push('\n');
            }
        },
    )?;
    // Points and readings may have gone on after the last of these.
    history.end_s = history.end_s.max(run.elapsed_s);
    run.result = history.declared.as_ref().map(|declared| declared.in_words()).unwrap_or_default();
    let result = RunResult::of(&history, bench.as_ref(), Seen::Record);
    run.outcome = Became::CutShort;
    if let Some(ending) = history.ending {
        (run.outcome, run.reason) = (Became::Ended(ending.outcome), ending.reason);
    }
    (run.headline, run.weight) = (result.headline, Some(result.weight));
    Ok(())
}

impl PastRun {
    /// Whether every word of a search occurs somewhere: in the name, sequence, outcome, reason, headline, notes or
    /// results; small and capital letters are the same.
    pub fn matches(&self, search: &str) -> bool {
        let fields = [
            self.name.as_str(),
            &self.sequence,
            self.outcome.word(),
            &self.reason,
            &self.headline,
            &self.started_at,
            &self.words,
        ];
        let text = fields.map(|f| f.to_lowercase()).join("\n");
        search.to_lowercase().split_whitespace().all(|word| text.contains(word))
    }
}

/// Runs that match a search.
pub fn search<'r>(runs: &'r [PastRun], text: &str) -> Vec<&'r PastRun> {
    runs.iter().filter(|run| run.matches(text)).collect()
}

/// The run of this name, or the only one whose name begins with it.
///
/// # Errors
/// There is none, or more than one.
pub fn named<'r>(runs: &'r [PastRun], name: &str) -> Result<&'r PastRun, NameError> {
    let exact: Vec<&PastRun> = runs.iter().filter(|run| run.name == name).collect();
    let found =
        if exact.is_empty() { runs.iter().filter(|run| run.name.starts_with(name)).collect() } else { exact };
    match found.as_slice() {
        [one] => Ok(one),
        [] => {
            let alike = runs.iter().map(|r| (strsim::damerau_levenshtein(&r.name, name), &r.name));
            let nearest = alike.filter(|(d, _)| *d <= 3).min().map(|(_, n)| n.clone());
            Err(NameError::None { name: name.to_owned(), nearest })
        }
        several => Err(NameError::Several {
            name: name.to_owned(),
            all: several.iter().map(|r| r.name.clone()).collect(),
        }),
    }
}
