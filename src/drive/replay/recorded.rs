//! The recorded calls of a run, read one after the other: nothing is kept but the stretch in hand.

use super::{OWN_CALL, TreatAs};
use crate::instrument::TaskReport;
use crate::record::{Entry, Numbered, RecordError, RunFile};
use std::collections::VecDeque;

/// Rows that are read at once.
const AT_ONCE: u32 = 512;
/// Kinds of entries that calls leave.
const KINDS: [&str; 10] = [
    "call",
    "intent",
    "sweep_begin",
    "sweep_end",
    "bulk",
    "step_begin",
    "step_end",
    "judgement",
    "note",
    "decision",
];

/// One recorded call.
#[derive(Debug)]
pub(super) struct Recorded {
    /// Line of the sequence that made it; 0 if unknown.
    pub(super) line: u32,
    /// What became of it.
    pub(super) what: What,
    /// The error with which it was answered, if it was.
    pub(super) failed: Option<Entry>,
}

/// What became of a call.
#[derive(Debug)]
pub(super) enum What {
    /// Answered; nothing further is needed.
    Answered(Entry),
    /// A sweep that ended, or was cut short; its points lie between two rows.
    Sweep { sweep: u64, args: String, ended: bool, rows: (u64, u64) },
    /// A trace or an image; its numbers stand under this number.
    Bulk { verb: String, args: String, report: TaskReport, seq: u64 },
    /// Something that must not happen twice was begun, and nobody knows whether it happened.
    Unknown { verb: String, args: String },
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
            self.next = self.file.some_entries(&KINDS, (from, self.until), AT_ONCE, |numbered| {
                // Calls of the engine itself, when it brought the bench back, are none of the sequence.
                if call_of(&numbered.entry).is_some_and(|n| n != OWN_CALL) {
                    ahead.push_back(numbered);
                }
            })?;
        }
        Ok(self.ahead.front().and_then(|numbered| Some((call_of(&numbered.entry)?, numbered))))
    }

    /// Takes everything that is recorded of a call. Calls come in order; nothing if the record has come to its end.
    pub(super) fn take(&mut self, n: u64) -> Result<Option<Recorded>, RecordError> {
        let mut found: Option<Recorded> = None;
        while let Some((next, numbered)) = self.peek()? {
            let seq = numbered.seq;
            if next > n {
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
        Ok(found)
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
        self.file.some_entries(&KINDS, (self.until, u64::MAX), u32::MAX, |numbered| {
            let then = call_of(&numbered.entry).filter(|then| *then != OWN_CALL && *then >= n);
            let again = then == Some(n) && matches!(numbered.entry, Entry::Intent { .. });
            decided = decided.or(then.map(|_| if again { TreatAs::NotDone } else { TreatAs::Done }));
        })?;
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

    /// Numbers of a trace or an image.
    pub(super) fn bulk(&self, seq: u64) -> Result<Vec<f64>, RecordError> {
        self.file.bulk(seq)
    }
}

/// The call that an entry belongs to.
fn call_of(entry: &Entry) -> Option<u64> {
    match entry {
        Entry::Call { n, .. }
        | Entry::Intent { n, .. }
        | Entry::SweepBegin { n, .. }
        | Entry::SweepEnd { n, .. }
        | Entry::Bulk { n, .. }
        | Entry::StepBegin { n, .. }
        | Entry::StepEnd { n, .. }
        | Entry::Judgement { n, .. }
        | Entry::Note { n, .. }
        | Entry::Decision { n, .. } => Some(*n),
        _ => None,
    }
}

/// Adds an entry to what is known of its call.
fn take_in(found: &mut Option<Recorded>, seq: u64, entry: Entry, until: u64) {
    let failed = match &entry {
        Entry::Call { answer, .. } if is_error(answer) => Some(entry.clone()),
        _ => None,
    };
    // What was measured or begun before the error is still so.
    if let (Some(failed), Some(known)) = (&failed, &mut *found)
        && !matches!(known.what, What::Answered(_))
    {
        known.failed = Some(failed.clone());
        return;
    }
    let (line, what) = match entry {
        Entry::Intent { verb, args, place, .. } => (place.line, What::Unknown { verb, args }),
        Entry::SweepBegin { sweep, args, place, .. } => {
            (place.line, What::Sweep { sweep, args, ended: false, rows: (seq, until) })
        }
        Entry::SweepEnd { .. } => {
            if let Some(Recorded { what: What::Sweep { ended, rows, .. }, failed, .. }) = found {
                (*ended, rows.1, *failed) = (true, seq, None);
            }
            return;
        }
        Entry::Bulk { verb, args, place, remark, achieved, .. } => {
            let report = TaskReport { achieved, remark, data: Vec::new() };
            (place.line, What::Bulk { verb, args, report, seq })
        }
        Entry::Call { ref place, .. }
        | Entry::StepBegin { ref place, .. }
        | Entry::Judgement { ref place, .. }
        | Entry::Note { ref place, .. }
        | Entry::Decision { ref place, .. } => (place.line, What::Answered(entry)),
        entry => (0, What::Answered(entry)),
    };
    *found = Some(Recorded { line, what, failed });
}

fn is_error(answer: &serde_json::Value) -> bool {
    answer.get("instrument").is_some() || answer.get("forbidden").is_some()
}
