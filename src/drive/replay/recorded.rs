//! The recorded calls of a run, read one after the other: nothing is kept but the current stretch.

use super::{OWN_CALL, TreatAs};
use crate::instrument::TaskReport;
use crate::record::{Answer, Doubtful, Entry, Failure, Numbered, RecordError, Request, RunFile, Settings};
use std::collections::VecDeque;

/// Rows that are read at once.
const AT_ONCE: u32 = 512;
/// Rows that no call leaves, and that come once a second: nothing else is left unread, so that a new kind of call is never
/// taken for one that was not made.
const OFTEN: [&str; 1] = ["monitor"];

/// One recorded call.
#[derive(Debug)]
pub(super) struct Recorded {
    /// Line of the sequence that made it; 0 if unknown.
    pub(super) line: u32,
    /// What was asked.
    pub(super) request: Request<String>,
    /// What became of it.
    pub(super) what: What,
    /// The error with which it was answered, if it was.
    pub(super) failed: Option<Failure>,
}

/// What became of a call.
#[derive(Debug)]
pub(super) enum What {
    /// It was said for the record; nothing further is needed.
    Stated,
    /// Answered.
    Answered(Result<Answer, Failure>),
    /// A sweep that ended, or was cut short; its points lie between two rows. How the bench stood when it began.
    Sweep { sweep: u64, ended: bool, rows: (u64, u64), settings: Option<Box<Settings>> },
    /// A trace or an image; its numbers stand under this number.
    Bulk { report: TaskReport, seq: u64 },
    /// Something that must not happen twice was begun, and nobody knows whether it happened.
    Unknown,
}

/// The calls of a record in order.
pub(super) struct RecordedCalls {
    file: RunFile,
    /// Entries that were read and not asked for yet.
    ahead: VecDeque<Numbered>,
    /// Where to read on.
    next: Option<u64>,
    /// End of what is replayed.
    until: u64,
    /// Number of the last call, if there is any.
    last: Option<u64>,
}

impl std::fmt::Debug for RecordedCalls {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RecordedCalls").field("next", &self.next).finish_non_exhaustive()
    }
}

impl RecordedCalls {
    pub(super) fn new(file: RunFile, until: u64) -> Result<Self, RecordError> {
        let until = until.min(file.next_seq()?);
        Ok(Self { file, ahead: VecDeque::new(), next: Some(0), until, last: None })
    }

    /// The next entry of a call of the sequence, without taking it.
    fn peek(&mut self) -> Result<Option<(u64, &Numbered)>, RecordError> {
        while self.ahead.is_empty() {
            let Some(from) = self.next else { return Ok(None) };
            let ahead = &mut self.ahead;
            self.next = self.file.some_entries(
                |kind| !OFTEN.contains(&kind),
                (from, self.until),
                AT_ONCE,
                |numbered| {
                    // Calls of the engine itself, when it brought the bench back, are none of the sequence.
                    if numbered.entry.call().is_some_and(|n| n != OWN_CALL) {
                        ahead.push_back(numbered);
                    }
                },
            )?;
        }
        Ok(self.ahead.front().and_then(|numbered| Some((numbered.entry.call()?, numbered))))
    }

    /// Takes everything that is recorded of a call. Calls come in order; nothing if the record has come to its end. The number
    /// of the next recorded call instead where it has none of this one: nobody knows what this one did.
    pub(super) fn take(&mut self, n: u64) -> Result<Result<Option<Recorded>, u64>, RecordError> {
        let mut found: Option<Recorded> = None;
        while let Some((next, numbered)) = self.peek()? {
            let seq = numbered.seq;
            if next > n {
                if found.is_none() {
                    return Ok(Err(next));
                }
                if let Some(Recorded { what: What::Sweep { rows, .. }, .. }) = &mut found {
                    rows.1 = seq;
                }
                break;
            }
            let Some(Numbered { entry, .. }) = self.ahead.pop_front() else { break };
            if next < n {
                continue;
            }
            self.last = Some(n);
            take_in(&mut found, seq, entry, self.until);
        }
        Ok(Ok(found))
    }

    /// Whether the sequence made further calls after the one that was taken last.
    pub(super) fn more_follow(&mut self) -> Result<bool, RecordError> {
        Ok(self.peek()?.is_some())
    }

    /// What was decided in an earlier resume about a call whose outcome is unknown: if it was begun again, it had
    /// not happened; if other calls follow, it had.
    pub(super) fn decided(&mut self, n: u64) -> Result<Option<TreatAs>, RecordError> {
        if self.peek()?.is_some() {
            return Ok(Some(TreatAs::Done));
        }
        let mut decided = None;
        self.file.some_entries(
            |kind| !OFTEN.contains(&kind),
            (self.until, u64::MAX),
            u32::MAX,
            |numbered| {
                let then = numbered.entry.call().filter(|then| *then != OWN_CALL && *then >= n);
                let again = then == Some(n) && matches!(numbered.entry, Entry::Intent { .. });
                decided = decided.or(then.map(|_| if again { TreatAs::NotDone } else { TreatAs::Done }));
            },
        )?;
        Ok(decided)
    }

    /// Readings of a sweep, in the order of measurement.
    pub(super) fn readings(
        &self,
        sweep: u64,
        rows: (u64, u64),
        width: usize,
        values: &mut Vec<f64>,
    ) -> Result<(), RecordError> {
        self.file.readings(sweep, rows, width, values)
    }

    /// Points of a sweep that are doubtful.
    pub(super) fn doubtful(&self, sweep: u64, rows: (u64, u64)) -> Result<Doubtful, RecordError> {
        let mut doubtful = Doubtful::default();
        let mut from = rows.0;
        for doubt in self.file.doubts(rows)? {
            doubtful.push(self.file.points_after(sweep, (from, doubt.seq), doubt.good_until)?);
            from = doubt.seq;
        }
        Ok(doubtful)
    }

    /// Numbers of a trace or an image.
    pub(super) fn bulk(&self, seq: u64) -> Result<Vec<f64>, RecordError> {
        self.file.bulk(seq)
    }
}

/// Adds an entry to what is known of its call.
fn take_in(found: &mut Option<Recorded>, seq: u64, entry: Entry, until: u64) {
    if let Entry::SweepEnd { because: None, .. } | Entry::SweepPause { .. } = entry {
        if let Some(Recorded { what: What::Sweep { ended, rows, .. }, failed, .. }) = found {
            (*ended, rows.1, *failed) = (true, seq, None);
        }
        return;
    }
    let Some(request) = entry.request() else { return };
    let line = entry.place().map_or(0, |place| place.line);
    let failed = match &entry {
        Entry::Call { answer: Err(failed), .. } => Some(failed.clone()),
        _ => None,
    };
    // What was measured or begun before the error is still so.
    if let (Some(_), Some(known)) = (&failed, &mut *found)
        && !matches!(known.what, What::Answered(_))
    {
        known.failed = failed;
        return;
    }
    let what = match entry {
        Entry::Intent { .. } => What::Unknown,
        Entry::SweepBegin { sweep, settings, .. } => {
            What::Sweep { sweep, ended: false, rows: (seq, until), settings }
        }
        Entry::SweepOn { sweep, .. } => {
            What::Sweep { sweep, ended: false, rows: (seq, until), settings: None }
        }
        Entry::Bulk { report, .. } => What::Bulk { report, seq },
        Entry::Call { answer, .. } => What::Answered(answer),
        _ => What::Stated,
    };
    *found = Some(Recorded { line, request, what, failed });
}
