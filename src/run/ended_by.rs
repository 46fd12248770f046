//! What ended a night that did not finish: nights that ended alike are told together.

use crate::bench::Action;
use crate::drive::virtual_time::Observer;
use crate::history::History;
use crate::instrument::ErrorKind;
use crate::quantity::TimePoint;
use crate::record::{Entry, Failure, Outcome, Place, Request};
use crate::supervisor::{Probe, Probes};
use serde::{Deserialize, Serialize};
use std::cell::RefCell;
use std::rc::Rc;

/// What ended a night before the sequence came to its end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EndedBy {
    /// An interlock that tripped, by its name.
    Interlock(String),
    /// An interlock that got no number, by its name.
    Blind(String),
    /// A hold that waited in vain.
    InVain,
    /// A bench that could not be brought back after a hold.
    NotRestored,
    /// A spot that was not found again after a hold.
    SpotLost,
    /// The record, which could not be written.
    Record,
    /// The keeper, which was lost.
    Keeper,
    /// An operator.
    Operator,
    /// The end of the window.
    Window,
    /// A call that failed, and that the sequence did not catch.
    Call {
        /// Its verb.
        verb: String,
        /// The channel that it sets.
        channel: Option<String>,
        /// How it failed.
        how: How,
    },
    /// The sequence itself, in this line.
    Sequence(u32),
    /// A defect.
    Defect,
}

/// How a call failed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum How {
    /// An instrument failed.
    Instrument(ErrorKind),
    /// A limit or a permit forbids it.
    Forbidden,
    /// The guard of the tip and of kept spins forbids it.
    Guarded,
}

impl EndedBy {
    /// Of a night; nothing where it finished.
    pub(super) fn of(history: &History, probes: &Probes, failed: Option<&Failed>) -> Option<Self> {
        let Some(ending) = &history.ending else { return Some(EndedBy::Defect) };
        let reached = |probe: Probe| probes[probe as usize] > 0;
        let sequence = || match failed.filter(|failed| failed.place == ending.place) {
            Some(failed) => failed.by.clone(),
            None => EndedBy::Sequence(ending.place.line),
        };
        // Each of these ends the run where it is reached.
        let by = match ending.outcome {
            Outcome::Finished => return None,
            Outcome::Stopped if reached(Probe::WindowEnded) => EndedBy::Window,
            Outcome::Stopped => EndedBy::Operator,
            _ if reached(Probe::HeldInVain) => EndedBy::InVain,
            Outcome::Interlock => by_interlock(history).unwrap_or_else(sequence),
            Outcome::Failed => sequence(),
            Outcome::Fault if reached(Probe::RecordFailed) => EndedBy::Record,
            Outcome::Fault if reached(Probe::SpotLost) => EndedBy::SpotLost,
            Outcome::Fault if reached(Probe::NotRestored) => EndedBy::NotRestored,
            Outcome::Fault if reached(Probe::KeeperLost) => EndedBy::Keeper,
            Outcome::Fault => sequence(),
        };
        Some(by)
    }

    /// For people: `set field_z, timed out`.
    pub fn in_words(&self) -> String {
        match self {
            EndedBy::Interlock(name) => format!("`{name}`"),
            EndedBy::Blind(name) => format!("no number for `{name}`"),
            EndedBy::InVain => "a hold waited in vain".to_owned(),
            EndedBy::NotRestored => "the bench could not be brought back after a hold".to_owned(),
            EndedBy::SpotLost => "the spot was not found again after a hold".to_owned(),
            EndedBy::Record => "the run file can't be written".to_owned(),
            EndedBy::Keeper => "the keeper was lost".to_owned(),
            EndedBy::Operator => "on request".to_owned(),
            EndedBy::Window => "at the end of the window".to_owned(),
            EndedBy::Call { verb, channel, how } => {
                let channel = channel.as_ref().map(|channel| format!(" {channel}")).unwrap_or_default();
                let how = match how {
                    How::Instrument(kind) => kind.word(),
                    How::Forbidden => "not permitted",
                    How::Guarded => "guarded",
                };
                format!("`{verb}{channel}`, {how}")
            }
            EndedBy::Sequence(line) => format!("the sequence itself, in line {line}"),
            EndedBy::Defect => "a defect of noctule".to_owned(),
        }
    }
}

fn by_interlock(history: &History) -> Option<EndedBy> {
    let parks = [Action::Park.name(), Action::ParkLatch.name()];
    let trip = history.trips.iter().rev().find(|trip| parks.contains(&trip.action.as_str()))?;
    let name = trip.name.clone();
    Some(if trip.unseen.is_empty() { EndedBy::Interlock(name) } else { EndedBy::Blind(name) })
}

/// A call that failed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Failed {
    place: Place,
    by: EndedBy,
}

/// Keeps the last call that failed.
#[derive(Debug, Clone, Default)]
pub(super) struct LastFailed(pub(super) Rc<RefCell<Option<Failed>>>);

impl Observer for LastFailed {
    fn entry(&mut self, _at: TimePoint, entry: &Entry) {
        let Entry::Call { request, place, answer: Err(failure), .. } = entry else { return };
        let how = match failure {
            Failure::Instrument(error) => How::Instrument(error.kind),
            Failure::Forbidden(_) => How::Forbidden,
            Failure::Guarded(_) => How::Guarded,
        };
        let channel = if let Request::Set { channel, .. } = request { Some(channel.clone()) } else { None };
        let by = EndedBy::Call { verb: request.verb().to_owned(), channel, how };
        *self.0.borrow_mut() = Some(Failed { place: place.clone(), by });
    }
}
