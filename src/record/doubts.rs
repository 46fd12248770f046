//! Which points are doubtful: those that were measured while an instrument may not have stood as it was told.

use super::{Entry, RecordError, RunFile, Trouble};
use crate::quantity::TimePoint;

/// A stretch of time within which points are doubtful.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Doubt {
    /// Number of the entry that tells it.
    pub seq: u64,
    /// Until when everything was certainly as it was left.
    pub good_until: TimePoint,
    /// When it was found that something is not.
    pub found_at: TimePoint,
}

impl Doubt {
    /// Whether a point that was finished then is doubtful.
    pub fn covers(&self, at: TimePoint) -> bool {
        self.good_until < at && at <= self.found_at
    }
}

impl RunFile {
    /// The doubts that are told in the rows from `from` to below `before`, in order.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn doubts(&self, (from, before): (u64, u64)) -> Result<Vec<Doubt>, RecordError> {
        let mut doubts = Vec::new();
        let mut next = Some(from);
        while let Some(from) = next {
            next = self.some_entries(&["fault"], (from, before), 512, |numbered| {
                if let Entry::Fault { trouble: Trouble::Changed { good_until_s, .. }, .. } = numbered.entry {
                    let good_until = TimePoint::from_s(good_until_s);
                    doubts.push(Doubt { seq: numbered.seq, good_until, found_at: numbered.at });
                }
            })?;
        }
        Ok(doubts)
    }

    /// How many points of a sweep within rows were finished after a moment.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn points_after(
        &self,
        sweep: u64,
        (after, before): (u64, u64),
        moment: TimePoint,
    ) -> Result<u64, RecordError> {
        let sql = "SELECT count(*) FROM point WHERE seq > ?1 AND seq < ?2 AND sweep = ?3 AND at_ns > ?4";
        let before = i64::try_from(before).unwrap_or(i64::MAX);
        let at_ns = i64::try_from(moment.nanoseconds()).unwrap_or(i64::MAX);
        let mut statement = self.connection.prepare_cached(sql)?;
        Ok(statement.query_row(rusqlite::params![after, before, sweep, at_ns], |row| row.get(0))?)
    }
}
