//! Which points are doubtful: those that were measured while an instrument may not have stood as it was told, or while
//! its replies may have belonged to something else.

use super::{Entry, RecordError, RunFile, Trouble};
use crate::quantity::TimePoint;
use std::ops::Range;

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
            next = self.some_entries(
                |kind| kind == "fault",
                (from, before),
                512,
                |numbered| {
                    let Entry::Fault { trouble, .. } = numbered.entry else { return };
                    if let Trouble::Changed { good_until_s, .. } | Trouble::Misread { good_until_s, .. } =
                        trouble
                    {
                        let good_until = TimePoint::from_s(good_until_s);
                        doubts.push(Doubt { seq: numbered.seq, good_until, found_at: numbered.at });
                    }
                },
            )?;
        }
        Ok(doubts)
    }

    /// Numbers of the points of a sweep within rows that were finished after a moment: they come one after the other.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn points_after(
        &self,
        sweep: u64,
        (after, before): (u64, u64),
        moment: TimePoint,
    ) -> Result<Range<u64>, RecordError> {
        let sql = "SELECT coalesce(min(i), 0), coalesce(max(i) + 1, 0) FROM point \
            WHERE seq > ?1 AND seq < ?2 AND sweep = ?3 AND at_ns > ?4";
        let before = i64::try_from(before).unwrap_or(i64::MAX);
        let at_ns = i64::try_from(moment.nanoseconds()).unwrap_or(i64::MAX);
        let mut statement = self.connection.prepare_cached(sql)?;
        let parameters = rusqlite::params![after, before, sweep, at_ns];
        Ok(statement.query_row(parameters, |row| Ok(row.get(0)?..row.get(1)?))?)
    }
}
