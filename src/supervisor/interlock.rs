//! Interlocks: armed, pending, tripped.

use super::Latest;
use crate::bench::{Bench, Interlock};
use crate::quantity::Moment;

#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    Armed,
    Pending { since: Moment },
    Tripped,
}

/// What has become of one interlock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// It has tripped.
    Tripped(usize),
    /// Its condition has cleared.
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

    /// Whether one is tripped.
    pub fn is_tripped(&self, index: usize) -> bool {
        self.states[index] == State::Tripped
    }

    /// Looks at all of them anew.
    pub fn evaluate(&mut self, bench: &Bench, latest: &Latest, now: Moment, changes: &mut Vec<Change>) {
        for (index, lock) in bench.interlocks.iter().enumerate() {
            let state = &mut self.states[index];
            match *state {
                State::Tripped => {
                    if is_clear(lock, latest) {
                        *state = State::Armed;
                        changes.push(Change::Cleared(index));
                    }
                }
                State::Armed | State::Pending { .. } => {
                    if !is_tripping(lock, latest) {
                        *state = State::Armed;
                        continue;
                    }
                    let since = if let State::Pending { since } = *state {
                        since
                    } else {
                        changes.push(Change::Crossed(index));
                        now
                    };
                    if now.since(since) >= lock.lasting_s {
                        *state = State::Tripped;
                        changes.push(Change::Tripped(index));
                    } else {
                        *state = State::Pending { since };
                    }
                }
            }
        }
    }
}

/// Unknown never trips: that a channel is silent is what `age` and `unreadable` are for.
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
