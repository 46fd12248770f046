//! Moving and pruning of past runs. Nothing is touched before the plan has been shown: a plan is made first, and
//! carrying it out is a second step.

use super::{Became, PastRun};
use std::path::{Path, PathBuf};

/// What is done to one run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Deed {
    /// Its folder or file is removed for good.
    Remove(PathBuf),
    /// Its folder or file goes to another place.
    Move(PathBuf, PathBuf),
    /// It stays, and why.
    Keep(String),
}

/// What would be done, run by run.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plan {
    /// Name of the run, and what is done to it.
    pub deeds: Vec<(String, Deed)>,
    /// Bytes that a pruning sets free.
    pub bytes: u64,
}

/// What belongs to a run: its folder where it has one of its own, else its file.
fn of(run: &PastRun) -> PathBuf {
    run.folder.clone().unwrap_or_else(|| run.path.clone())
}

/// Why a run must not be touched: it may still be written, or nobody can say what it is.
fn untouchable(run: &PastRun) -> Option<String> {
    match run.outcome {
        Became::Ended(_) => None,
        Became::CutShort => Some("it has no end: it may still go on, or can be resumed".to_owned()),
        Became::Unreadable => Some(format!("it can't be read ({}): look at it first", run.reason)),
    }
}

/// A plan to remove rehearsals and measured runs. Measured data are kept unless `measured_too` is set.
pub fn prune(runs: &[&PastRun], measured_too: bool) -> Plan {
    let mut plan = Plan::default();
    for run in runs {
        let measured = (!run.rehearsal && !measured_too).then(|| "it was measured, not rehearsed".to_owned());
        let deed = match untouchable(run).or(measured) {
            Some(why) => Deed::Keep(why),
            None => {
                plan.bytes += run.bytes;
                Deed::Remove(of(run))
            }
        };
        plan.deeds.push((run.name.clone(), deed));
    }
    plan
}

/// A plan to move runs into another folder. A name that is taken there stays where it is.
pub fn move_to(runs: &[&PastRun], folder: &Path) -> Plan {
    let mut plan = Plan::default();
    let mut taken: Vec<PathBuf> = Vec::new();
    for run in runs {
        let from = of(run);
        let to = folder.join(from.file_name().unwrap_or_default());
        let clash =
            (to.exists() || taken.contains(&to)).then(|| format!("`{}` is there already", to.display()));
        let deed = match untouchable(run).or(clash) {
            Some(why) => Deed::Keep(why),
            None => {
                taken.push(to.clone());
                Deed::Move(from, to)
            }
        };
        plan.deeds.push((run.name.clone(), deed));
    }
    plan
}

/// The runs but the newest `keep`; by the time they began, then by name.
pub fn older_than(runs: &[PastRun], keep: usize) -> Vec<&PastRun> {
    let mut sorted: Vec<&PastRun> = runs.iter().collect();
    sorted.sort_by(|a, b| b.started_at.cmp(&a.started_at).then_with(|| b.name.cmp(&a.name)));
    sorted.into_iter().skip(keep).collect()
}

impl Plan {
    /// Carries the plan out; one sentence for each deed that failed. What failed is left as it was.
    pub fn carry_out(&self) -> Vec<String> {
        let mut failed = Vec::new();
        for (name, deed) in &self.deeds {
            let result = match deed {
                Deed::Keep(_) => Ok(()),
                Deed::Remove(path) if path.is_dir() => std::fs::remove_dir_all(path),
                Deed::Remove(path) => remove_file(path),
                Deed::Move(from, to) => move_one(from, to),
            };
            if let Err(error) = result {
                failed.push(format!("{name}: {error}"));
            }
        }
        failed
    }
}

/// The file with what SQLite keeps beside it.
fn remove_file(path: &Path) -> std::io::Result<()> {
    std::fs::remove_file(path)?;
    for beside in ["-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(beside);
        match std::fs::remove_file(PathBuf::from(name)) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    }
    Ok(())
}

fn move_one(from: &Path, to: &Path) -> std::io::Result<()> {
    if let Some(folder) = to.parent() {
        std::fs::create_dir_all(folder)?;
    }
    if to.exists() {
        return Err(std::io::Error::new(std::io::ErrorKind::AlreadyExists, "the name is taken there"));
    }
    let name_beside = |path: &Path| {
        let mut name = path.as_os_str().to_owned();
        name.push("-wal");
        PathBuf::from(name)
    };
    // A copy without its side file would lose the tail, so the side file goes first.
    if from.is_file() && name_beside(from).exists() {
        std::fs::rename(name_beside(from), name_beside(to))?;
    }
    std::fs::rename(from, to)
}
