//! What must not happen twice, told beside the run file as well: a damaged side file of the database can take its last
//! rows away, and nobody would know that a pulse was among them.

use super::{Entry, RecordError, RunFile};
use std::fs::OpenOptions;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Numbers of the rows in which an act was announced, one a line.
#[derive(Debug)]
pub(super) struct Acts {
    path: PathBuf,
    new: Vec<u64>,
}

fn beside(run_file: &Path) -> PathBuf {
    run_file.with_extension("acts")
}

impl Acts {
    pub(super) fn beside(run_file: &Path) -> Self {
        Self { path: beside(run_file), new: Vec::new() }
    }

    /// An act is announced in this row.
    pub(super) fn add(&mut self, seq: u64) {
        self.new.push(seq);
    }

    /// Puts on disk what was announced, before anybody acts on it.
    pub(super) fn tell(&mut self) -> Result<(), RecordError> {
        if self.new.is_empty() {
            return Ok(());
        }
        let failed = |error: std::io::Error| RecordError::Unusable {
            path: self.path.display().to_string(),
            reason: error.to_string(),
        };
        let lines: String = self.new.iter().map(|seq| format!("{seq}\n")).collect();
        let mut file = OpenOptions::new().create(true).append(true).open(&self.path).map_err(failed)?;
        file.write_all(lines.as_bytes()).and_then(|()| file.sync_data()).map_err(failed)?;
        self.new.clear();
        Ok(())
    }

    /// The file is whole and closed, so it alone says what was done.
    pub(super) fn forget(&self) {
        let _ = std::fs::remove_file(&self.path);
    }
}

/// The first row in which something that must not happen twice was announced, and which the record has lost.
///
/// # Errors
/// If the record can't be read.
pub fn lost_act(file: &RunFile) -> Result<Option<u64>, RecordError> {
    let Ok(text) = std::fs::read_to_string(beside(file.path())) else { return Ok(None) };
    let mut announced: Vec<u64> = text.lines().filter_map(|line| line.trim().parse().ok()).collect();
    announced.sort_unstable();
    for numbered in file.all("intent")? {
        if matches!(numbered.entry, Entry::Intent { .. }) {
            announced.retain(|seq| *seq != numbered.seq);
        }
    }
    Ok(announced.first().copied())
}

/// Takes what is told beside a file along to a copy of it.
///
/// # Errors
/// If it can't be written there.
pub fn copy_acts(from: &Path, to: &Path) -> std::io::Result<()> {
    match std::fs::copy(beside(from), beside(to)) {
        Ok(_) => Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
    }
}
