//! Folders of runs: one for each, with the run file, its log and its brief.

use crate::record::RecordError;
use std::path::{Path, PathBuf};

pub use crate::record::RUN_FILE_NAME;

/// The folder of one run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunFolder {
    /// The folder.
    pub path: PathBuf,
}

impl RunFolder {
    /// Makes a folder: the given one if it holds no run yet, else a new one under `runs/`.
    ///
    /// # Errors
    /// If it can't be made, or holds a run already.
    pub fn create(wanted: Option<&Path>, stamp: &str, sequence: &str) -> Result<Self, RecordError> {
        let unusable =
            |path: &Path, reason: String| RecordError::Unusable { path: path.display().to_string(), reason };
        if let Some(path) = wanted {
            if path.join(RUN_FILE_NAME).exists() {
                let reason = "it holds a run already; give another folder, or resume that run".to_owned();
                return Err(unusable(path, reason));
            }
            std::fs::create_dir_all(path).map_err(|e| unusable(path, e.to_string()))?;
            return Ok(Self { path: path.to_owned() });
        }
        let word = sequence.trim_end_matches(".rhai");
        for count in 1..10_000 {
            let suffix = if count == 1 { String::new() } else { format!("_{count}") };
            let path = PathBuf::from("runs").join(format!("{stamp}_{word}{suffix}"));
            std::fs::create_dir_all("runs").map_err(|e| unusable(Path::new("runs"), e.to_string()))?;
            // Making the folder claims the name, also against another process at the same moment.
            match std::fs::create_dir(&path) {
                Ok(()) => return Ok(Self { path }),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(unusable(&path, error.to_string())),
            }
        }
        Err(unusable(Path::new("runs"), "there are too many runs of one minute".to_owned()))
    }

    /// The run file.
    pub fn run_file(&self) -> PathBuf {
        self.path.join(RUN_FILE_NAME)
    }

    /// The brief.
    pub fn brief(&self) -> PathBuf {
        self.path.join("brief.html")
    }

    /// The log.
    pub fn log(&self) -> PathBuf {
        self.path.join("log.txt")
    }
}

/// The run file that a word on the command line means: a file, a folder of a run, the name or the unique
/// beginning of the name of a folder under `runs/`.
///
/// # Errors
/// If there is none, or more than one.
pub fn locate(word: &str) -> Result<PathBuf, RecordError> {
    let path = Path::new(word);
    if path.is_file() {
        return Ok(path.to_owned());
    }
    if path.join(RUN_FILE_NAME).is_file() {
        return Ok(path.join(RUN_FILE_NAME));
    }
    let unusable = |reason: String| RecordError::Unusable { path: word.to_owned(), reason };
    // The whole name of one is also the beginning of another's.
    let exact = Path::new("runs").join(word).join(RUN_FILE_NAME);
    if !word.is_empty() && exact.is_file() {
        return Ok(exact);
    }
    let mut found: Vec<PathBuf> = std::fs::read_dir("runs")
        .into_iter()
        .flatten()
        .flatten()
        .filter(|entry| entry.file_name().to_string_lossy().starts_with(word))
        .map(|entry| entry.path().join(RUN_FILE_NAME))
        .filter(|file| file.is_file())
        .collect();
    found.sort();
    match found.len() {
        0 => Err(unusable(
            "there is no such file or folder, and no run under runs/ begins like this".to_owned(),
        )),
        1 => Ok(found.remove(0)),
        n => {
            let names: Vec<String> =
                found.iter().filter_map(|f| f.parent()).map(|p| p.display().to_string()).collect();
            Err(unusable(format!("{n} runs begin like this: {}", names.join(", "))))
        }
    }
}
