//! An account that grows while its run goes on, and that stays small however long the run.

use super::Account;
use super::read::Reader;
use crate::record::{RecordError, RunFile};
use crate::report::figure::thin;

/// Readings of one channel above which they are thinned to their extremes.
const MOST_READINGS: usize = 1600;
/// Parts of the time axis after thinning, each with its smallest and its largest reading.
const THINNED_PARTS: usize = 400;
/// Fits, and points of a line through fits, that are kept.
const MOST_FITS: usize = 600;
/// Sweeps that are kept without their points.
const MOST_SWEEPS: usize = 300;
/// Steps, remarks, happenings that are kept of each kind.
const MOST_WORDS: usize = 60;

/// Steps that are kept: the result of the run counts them.
const MOST_STEPS: usize = 2000;

/// An account that is read on as rows are added. What no picture shows any more is left out.
#[derive(Debug)]
pub struct Growing {
    reader: Reader,
    next: u64,
    entries: u64,
}

impl Growing {
    /// Of a run file, nothing of which has been read yet.
    pub fn new(run: &RunFile) -> Self {
        let text = run.document("bench").ok().flatten();
        let bench = text.and_then(|(name, text)| crate::bench::read(&text, &name).ok()).map(|found| found.0);
        Self { reader: Reader::new(run, bench), next: 0, entries: 0 }
    }

    /// Reads on by at most `most` rows; says whether there was anything.
    ///
    /// # Errors
    /// The file can't be read.
    pub fn read_on(&mut self, run: &RunFile, most: u64) -> Result<bool, RecordError> {
        let before = run.next_seq()?.min(self.next.saturating_add(most));
        if before <= self.next {
            return Ok(false);
        }
        let Self { reader, entries, .. } = self;
        run.entries_between(self.next, before, |numbered| {
            *entries += 1;
            reader.entry(&numbered);
        })?;
        self.next = before;
        self.reader.account.history.points = before - self.entries;
        self.prune();
        Ok(true)
    }

    /// The account so far. Its sweeps do not know how many points they have until they end.
    pub fn account(&self) -> &Account {
        &self.reader.account
    }

    /// The same, to note how far the current sweep has come.
    pub fn account_mut(&mut self) -> &mut Account {
        &mut self.reader.account
    }

    fn prune(&mut self) {
        let account = &mut self.reader.account;
        // The readings of the helium stay: what was used is reckoned from them, one a minute is little, and transfers are known
        // by their places among them.
        keep_last(&mut account.history.trips, MOST_WORDS);
        keep_last(&mut account.history.results, MOST_WORDS);
        for readings in account.monitors.values_mut().filter(|r| r.len() > MOST_READINGS) {
            *readings = thin(readings, THINNED_PARTS);
        }
        keep_last(&mut account.fits, MOST_FITS);
        account.fits.iter_mut().for_each(|fit| fit.body = serde_json::Value::Null);
        keep_last(&mut account.laws, 1);
        for law in &mut account.laws {
            law.body = serde_json::Value::Null;
            keep_last(&mut law.points, MOST_FITS);
        }
        keep_last(&mut account.verdicts, 5);
        for law in account.verdicts.iter_mut().filter_map(|verdict| verdict.law.as_mut()) {
            keep_last(&mut law.points, MOST_FITS);
        }
        keep_last(&mut account.judged, 5);
        keep_last(&mut account.sweeps, MOST_SWEEPS);
        keep_last(&mut account.bulks, 4);
        keep_last(&mut account.centres, 4);
        keep_last(&mut account.tip, MOST_WORDS);
        keep_last(&mut account.remarks, MOST_WORDS);
        keep_last(&mut account.happenings, MOST_WORDS);
        self.prune_steps();
    }

    /// Steps that are open stay, wherever they stand.
    fn prune_steps(&mut self) {
        let steps = &mut self.reader.account.history.steps;
        let excess = steps.len().saturating_sub(MOST_STEPS);
        let mut place = 0;
        steps.retain(|step| {
            place += 1;
            place > excess || step.to_s.is_none()
        });
    }
}

fn keep_last<T>(list: &mut Vec<T>, most: usize) {
    let excess = list.len().saturating_sub(most);
    list.drain(..excess);
}
