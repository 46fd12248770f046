//! The runs of a campaign, as they are given on the command line: runs, and folders of runs.

use crate::record::RunFile;
use crate::report::account::Account;
use crate::report::pursuit::{NoCampaign, Pursuit, RunPart};
use crate::report::runs;
use crate::run::{RUN_FILE_NAME, locate};
use std::path::{Path, PathBuf};

/// Runs that were given.
#[derive(Debug, Default)]
pub(super) struct Given {
    /// Their files.
    pub files: Vec<RunFile>,
    /// What they tell, in the same order.
    pub accounts: Vec<Account>,
    /// Runs of folders that are not among them, and why.
    pub passed_over: Vec<String>,
}

/// Run files in a folder that is none of a run itself.
pub(super) fn folder_of_runs(word: &str) -> Option<Vec<PathBuf>> {
    let folder = Path::new(word);
    if !folder.is_dir() || folder.join(RUN_FILE_NAME).is_file() {
        return None;
    }
    let mut files: Vec<PathBuf> = runs::files(folder).ok()?.into_iter().map(|(file, _)| file).collect();
    files.sort();
    Some(files)
}

impl Given {
    /// Reads what is given. What lies in a folder and can't be read is passed over; of a folder with measured and rehearsed
    /// runs those are taken that are of the kind of its latest plan.
    pub(super) fn read(words: &[String]) -> Result<Self, String> {
        let mut given = Self::default();
        for word in words {
            match folder_of_runs(word) {
                Some(files) if files.is_empty() => {
                    return Err(format!(
                        "there is no run in `{word}`; give runs, or a folder that holds the folders of runs"
                    ));
                }
                Some(files) => given.take_folder(&files),
                None => {
                    let path = locate(word).map_err(|error| error.to_string())?;
                    let file = RunFile::open(&path).map_err(|error| error.to_string())?;
                    given.accounts.push(Account::read(&file));
                    given.files.push(file);
                }
            }
        }
        match given.files.is_empty() {
            true => Err(given.passed_over.join("; ")),
            false => Ok(given),
        }
    }

    fn take_folder(&mut self, files: &[PathBuf]) {
        let mut read = Vec::new();
        for path in files {
            match RunFile::open(path).and_then(|file| file.identity().map(|_| file)) {
                Ok(file) => read.push((Account::read(&file), file)),
                Err(error) => self.passed_over.push(format!("passed over: {error}")),
            }
        }
        let rehearsal =
            |account: &Account| account.identity.as_ref().is_some_and(|identity| identity.rehearsal);
        let planned = read.iter().filter(|(account, _)| !account.history.goals.all.is_empty());
        let latest = planned.max_by(|(a, _), (b, _)| {
            let started = |account: &Account| account.history.clock.since_1970_s(0.0);
            started(a).partial_cmp(&started(b)).unwrap_or(std::cmp::Ordering::Equal)
        });
        let kind = latest.map(|(account, _)| rehearsal(account));
        for (account, file) in read {
            if kind.is_some_and(|kind| kind != rehearsal(&account)) {
                let what = if rehearsal(&account) { "rehearsed" } else { "measured" };
                self.passed_over
                    .push(format!("passed over: {} was {what}, the latest plan was not", account.name()));
                continue;
            }
            self.accounts.push(account);
            self.files.push(file);
        }
    }

    /// Their parts in a campaign.
    pub(super) fn parts(&self) -> Vec<RunPart> {
        parts(&self.accounts)
    }
}

/// Parts of a campaign.
pub(super) fn parts(accounts: &[Account]) -> Vec<RunPart> {
    accounts.iter().map(|account| RunPart::of(account, account.result())).collect()
}

/// The campaign of runs that are given one by one, where at least two of them say goals.
pub(super) fn where_there_is_one(accounts: &[Account]) -> Result<Option<Pursuit>, NoCampaign> {
    let with_goals = accounts.iter().filter(|account| !account.history.goals.all.is_empty()).count();
    (with_goals >= 2).then(|| Pursuit::read(&parts(accounts))).transpose()
}
