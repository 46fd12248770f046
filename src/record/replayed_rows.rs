//! Taking a rehearsal up again: what it does is met with what is recorded, row by row.

use super::compare;
use super::reader::point_from_row;
use super::recorder::{Difference, RecordError};
use super::row::to_blob;
use super::{Point, Store, Values};
use crate::quantity::TimePoint;
use rusqlite::Connection;
use std::collections::VecDeque;

/// Rows that are read ahead.
const AHEAD: u64 = 512;

/// A row of the file that a replay comes to.
#[derive(Debug)]
#[allow(clippy::large_enum_variant, reason = "a few hundred at a time")]
pub(super) enum Recorded {
    Entry { at: TimePoint, kind: String, body: String, chain: u32 },
    Point(Point),
}

impl Recorded {
    fn describe(&self) -> (String, TimePoint) {
        match self {
            Recorded::Entry { at, kind, body, .. } => (compare::describe(kind, body), *at),
            Recorded::Point(point) => (describe_point(point), point.at),
        }
    }
}

fn describe_point(point: &Point) -> String {
    format!("point {} of sweep {}: {:?} at {}", point.i, point.sweep, point.values.as_slice(), point.x)
}

/// The rows from `from` on to below `until`, at most [`AHEAD`] of them, each with its number.
pub(super) fn read_ahead(
    connection: &Connection,
    from: u64,
    until: u64,
) -> Result<VecDeque<(u64, Recorded)>, RecordError> {
    let until = until.min(from + AHEAD);
    let mut found = Vec::new();
    let mut statement = connection.prepare_cached(
        "SELECT seq, at_ns, kind, body, chain FROM entry WHERE seq >= ?1 AND seq < ?2 ORDER BY seq",
    )?;
    let mut rows = statement.query([from, until])?;
    while let Some(row) = rows.next()? {
        let at = TimePoint::from_nanoseconds(row.get::<_, i64>(1)?.cast_unsigned());
        let entry = Recorded::Entry { at, kind: row.get(2)?, body: row.get(3)?, chain: row.get(4)? };
        found.push((row.get(0)?, entry));
    }
    let mut statement = connection.prepare_cached(
        "SELECT at_ns, sweep, i, x, y, r0, r1, r2, r3, r4, r5, r6, r7, seq FROM point \
         WHERE seq >= ?1 AND seq < ?2 ORDER BY seq",
    )?;
    let mut rows = statement.query([from, until])?;
    while let Some(row) = rows.next()? {
        found.push((row.get(13)?, Recorded::Point(point_from_row(row, 0)?)));
    }
    found.sort_by_key(|(seq, _)| *seq);
    Ok(found.into())
}

impl Store {
    /// While replaying: the row that stands next in the file. Rows of interruptions are passed by.
    pub(super) fn next_recorded(&mut self, at: TimePoint) -> Result<Option<Recorded>, RecordError> {
        while let Some(until) = self.replayed_until {
            if self.seq >= until {
                self.replayed_until = None;
                self.pass_frontier(at, until)?;
                return Ok(None);
            }
            if self.ahead.is_empty() {
                self.ahead = read_ahead(&self.connection, self.seq, until)?;
            }
            let next = self.ahead.pop_front().filter(|(seq, _)| *seq == self.seq);
            let Some((_, next)) = next else {
                return Err(RecordError::Damaged(format!("row {} of the run file is missing", self.seq)));
            };
            let Recorded::Entry { at, kind, body, chain } = next else { return Ok(Some(next)) };
            if kind != "resumed" {
                return Ok(Some(Recorded::Entry { at, kind, body, chain }));
            }
            let met = self.meet(at, &kind, &body, &[]);
            self.check_chain(met, chain)?;
            self.seq += 1;
        }
        Ok(None)
    }

    /// Takes a recorded entry into the checksums.
    fn meet(&mut self, at: TimePoint, kind: &str, body: &str, data: &[f64]) -> u32 {
        self.tally.entry(self.seq, at, (kind, body), &to_blob(data))
    }

    fn check_chain(&self, found: u32, recorded: u32) -> Result<(), RecordError> {
        if found == recorded {
            return Ok(());
        }
        Err(RecordError::Damaged(format!("row {} has been altered, or its numbers differ now", self.seq)))
    }

    /// While replaying: compares with the row that is there. True if there was one.
    pub(super) fn met_before(
        &mut self,
        at: TimePoint,
        (kind, body): (&str, &str),
        data: &[f64],
        line: Option<u32>,
    ) -> Result<bool, RecordError> {
        let Some(recorded) = self.next_recorded(at)? else { return Ok(false) };
        match recorded {
            Recorded::Entry { at: at_then, kind: then, body: body_then, chain }
                if then == kind && at_then == at && compare::same(kind, &body_then, body) =>
            {
                // The record stays as it is, words and all.
                let met = self.meet(at, &then, &body_then, data);
                self.check_chain(met, chain)?;
                Ok(true)
            }
            other => Err(self.differs(&other, at, compare::describe(kind, body), line)),
        }
    }

    pub(super) fn differs(
        &self,
        recorded: &Recorded,
        at: TimePoint,
        now: String,
        line: Option<u32>,
    ) -> RecordError {
        let (recorded, then) = recorded.describe();
        let (recorded, now) = if recorded == now {
            (format!("{recorded}, at {then}"), format!("{now}, at {at}"))
        } else {
            (recorded, now)
        };
        RecordError::Differs(Box::new(Difference { seq: self.seq, recorded, now, line }))
    }

    pub(super) fn point_met_before(&mut self, point: &Point) -> Result<bool, RecordError> {
        match self.next_recorded(point.at)? {
            None => Ok(false),
            Some(Recorded::Point(found)) if same_bits(&found, point) => Ok(true),
            Some(other) => Err(self.differs(&other, point.at, describe_point(point), None)),
        }
    }
}

fn same_bits(a: &Point, b: &Point) -> bool {
    let bits = |v: &f64| if v.is_nan() { f64::NAN.to_bits() } else { v.to_bits() };
    let bits = |values: &Values| values.without_last_gaps().iter().map(bits).collect::<Vec<_>>();
    a.sweep == b.sweep
        && a.i == b.i
        && a.at == b.at
        && a.x.to_bits() == b.x.to_bits()
        && bits(&a.values) == bits(&b.values)
}
