//! Interlocks: armed, pending, tripped, blind.
//!
//! A condition is true, false, or unknown. One that stays unknown for longer than the interlock's patience, because a
//! channel gives no value, could be true: the interlock then acts as if it had tripped, until it sees again.

use super::Latest;
use crate::bench::expression::Readings;
use crate::bench::{Bench, ChannelId, Interlock};
use crate::quantity::TimePoint;

/// A channel that was never read is waited for at least so long after the start, s: links have to be made first.
const START_PATIENCE_S: f64 = 30.0;

#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    Armed,
    Pending {
        since: TimePoint,
    },
    Tripped,
    /// It can't see; or it sees again, and its condition has been met since then.
    Blind {
        tripping_since: Option<TimePoint>,
    },
}

/// What has become of one interlock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// It has tripped.
    Tripped(usize),
    /// It can't see, and acts.
    Blind(usize),
    /// Its condition has cleared, or it sees again.
    Cleared(usize),
    /// Its condition is met, and it will trip if it still is after its `lasting`.
    Crossed(usize),
}

/// The states of all interlocks of a bench.
#[derive(Debug)]
pub struct Interlocks {
    states: Vec<State>,
}

impl Interlocks {
    /// All armed.
    pub fn new(bench: &Bench) -> Self {
        Self { states: vec![State::Armed; bench.interlocks.len()] }
    }

    /// Whether one is tripped, or acts because it can't see.
    pub fn is_tripped(&self, index: usize) -> bool {
        matches!(self.states[index], State::Tripped | State::Blind { .. })
    }

    /// Looks at all of them anew.
    pub fn evaluate(&mut self, bench: &Bench, latest: &Latest, now: TimePoint, changes: &mut Vec<Change>) {
        for (index, lock) in bench.interlocks.iter().enumerate() {
            let state = &mut self.states[index];
            *state = match *state {
                State::Tripped if is_clear(lock, latest) => {
                    changes.push(Change::Cleared(index));
                    State::Armed
                }
                State::Tripped => State::Tripped,
                State::Blind { tripping_since } => {
                    let next = after_blindness(lock, latest, now, tripping_since);
                    match next {
                        State::Armed => changes.push(Change::Cleared(index)),
                        State::Tripped => changes.push(Change::Tripped(index)),
                        _ => {}
                    }
                    next
                }
                State::Armed | State::Pending { .. } if !is_tripping(lock, latest) => {
                    if is_blind(lock, latest) {
                        changes.push(Change::Blind(index));
                        State::Blind { tripping_since: None }
                    } else {
                        State::Armed
                    }
                }
                State::Armed | State::Pending { .. } => {
                    let since = if let State::Pending { since } = *state {
                        since
                    } else {
                        changes.push(Change::Crossed(index));
                        now
                    };
                    if now.since(since) >= lock.lasting_s {
                        changes.push(Change::Tripped(index));
                        State::Tripped
                    } else {
                        State::Pending { since }
                    }
                }
            };
        }
    }
}

/// What becomes of an interlock that could not see.
fn after_blindness(
    lock: &Interlock,
    latest: &Latest,
    now: TimePoint,
    tripping_since: Option<TimePoint>,
) -> State {
    if is_tripping(lock, latest) {
        let since = tripping_since.unwrap_or(now);
        let lasted = now.since(since) >= lock.lasting_s;
        return if lasted { State::Tripped } else { State::Blind { tripping_since: Some(since) } };
    }
    if is_blind(lock, latest) { State::Blind { tripping_since: None } } else { State::Armed }
}

/// What was last known counts, however old: a value past its mark does not get better by silence.
fn is_tripping(lock: &Interlock, latest: &Latest) -> bool {
    // Most never trip, so whether they are watched at all is asked afterwards.
    lock.trip.holds(latest) == Some(true)
        && lock.only_while.as_ref().is_none_or(|condition| condition.holds(latest) == Some(true))
}

fn is_clear(lock: &Interlock, latest: &Latest) -> bool {
    match &lock.clear {
        Some(clear) => clear.holds(latest) == Some(true),
        None => !is_tripping(lock, latest),
    }
}

/// Whether its condition could be met, for all that is known lately.
fn is_blind(lock: &Interlock, latest: &Latest) -> bool {
    let lately = Lately { latest, patience_s: lock.patience_s };
    let trip = lock.trip.holds(&lately);
    if trip == Some(false) {
        return false;
    }
    let watched = lock.only_while.as_ref().map_or(Some(true), |condition| condition.holds(&lately));
    // Where both are known, it trips or it does not; that is judged by all that was ever read.
    watched != Some(false) && (trip.is_none() || watched.is_none()) && unseen(lock, latest).next().is_some()
}

/// Channels of an interlock that have given no value for longer than its patience.
pub(super) fn unseen<'l>(lock: &'l Interlock, latest: &'l Latest) -> impl Iterator<Item = ChannelId> + 'l {
    let watched = lock.only_while.iter().flat_map(|condition| condition.channels());
    let lately = Lately { latest, patience_s: lock.patience_s };
    lock.trip.channels().chain(watched).filter(move |id| !lately.is_seen(*id))
}

/// The readings without those that are older than a patience.
struct Lately<'l> {
    latest: &'l Latest,
    patience_s: f64,
}

impl Lately<'_> {
    fn is_seen(&self, channel: ChannelId) -> bool {
        let patience_s = match self.latest.was_read(channel) {
            true => self.patience_s,
            false => self.patience_s.max(START_PATIENCE_S),
        };
        self.latest.age_s(channel) <= patience_s
    }
}

impl Readings for Lately<'_> {
    fn latest(&self, channel: ChannelId) -> Option<f64> {
        self.latest.latest(channel).filter(|_| self.is_seen(channel))
    }
    fn beyond(&self, channel: ChannelId) -> Option<f64> {
        self.latest.beyond(channel).filter(|_| self.is_seen(channel))
    }
    fn rate_per_s(&self, channel: ChannelId) -> Option<f64> {
        // A channel that is read, but not for long enough yet to show a rate, is not a blind one.
        let rate = self.latest.rate_per_s(channel).or_else(|| self.latest.was_read(channel).then_some(0.0));
        rate.filter(|_| self.is_seen(channel))
    }
    fn age_s(&self, channel: ChannelId) -> f64 {
        self.latest.age_s(channel)
    }
    fn frozen_s(&self, channel: ChannelId) -> f64 {
        self.latest.frozen_s(channel)
    }
    fn unreadable(&self, channel: ChannelId) -> bool {
        self.latest.unreadable(channel)
    }
    fn clock_jump_s(&self) -> f64 {
        self.latest.clock_jump_s()
    }
}
