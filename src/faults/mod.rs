//! The faults file: what goes wrong, and when. One format for rehearsals and for the mimic.
//!
//! ```ron
//! Faults(faults: [
//!     WarmUp(at: "1 h", by: "500 mK", for: "20 min"),
//!     NoReply(at: "2 h", for: "2 s", channel: "helium_level"),    // rehearsal: a channel, or "tasks"
//!     DropConnection(at: "3 h", on: "magnet", times: 1),          // mimic: an instrument
//! ])
//! ```
//! Every fault has `at`; `for` says how long it lasts, to the end where it is left out. With `every` it comes
//! again and again. These are times of the run; only how late a reply of the mimic is, is wall time. `times`
//! counts messages that it meets each time it comes.
//!
//! Most kinds are known to both. What happens to the runner happens in rehearsals only; what only a wire
//! can do, half a reply or two, is the mimic's. A file that asks for the other's is told so.

mod read;
mod refill;

pub use crate::instrument::faulty::LinkTrouble;
pub use read::{FAULTS, FaultKind, KINDS, Known, Stage, read};
pub use refill::{Refill, RefillCall};

use crate::quantity::{TimePoint, in_words};
use crate::record::Word;
use noctule_ground::fault::Fault;

/// Something that happens, and when.
#[derive(Debug, Clone, PartialEq)]
pub struct Planned {
    /// When it begins, s.
    pub at_s: f64,
    /// For how long, s; infinite where it does not end.
    pub for_s: f64,
    /// It comes again so often, s.
    pub every_s: Option<f64>,
    /// Messages that it meets each time it comes; none for all of them.
    pub times: Option<u64>,
    /// Name of the channel in a rehearsal, of the instrument in a mimic; none for everything.
    pub on: Option<String>,
    /// What happens.
    pub mishap: Mishap,
}

/// What happens.
#[derive(Debug, Clone, PartialEq)]
pub enum Mishap {
    /// Something with the apparatus.
    World(Fault),
    /// Everything that lasts in the apparatus ends.
    Clear,
    /// Something on the way to an instrument.
    Link(LinkTrouble),
    /// Something with the runner.
    Runner(RunnerTrouble),
    /// Somebody transfers helium: no fault, but something that happens to a run.
    Refill(Refill),
    /// Somebody answers a question of the plan.
    Answers {
        /// The name of the question.
        question: String,
        /// The answer.
        says: String,
    },
}

/// What happens to the runner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RunnerTrouble {
    /// The clock of the computer is set by so much, s.
    ClockJump {
        /// By how much, s.
        by_s: f64,
    },
    /// The disk takes nothing any more.
    DiskFull,
    /// The disk is slow.
    SlowDisk {
        /// How much later things are on it, s.
        lag_s: f64,
    },
    /// An operator says something.
    Operator(Word),
    /// The keeper process dies.
    KeeperLost,
    /// The window ends then, if it does not end before.
    WindowEnds,
}

impl Planned {
    /// Once, so long, everywhere.
    pub fn once(at_s: f64, for_s: f64, mishap: Mishap) -> Self {
        Self { at_s, for_s, every_s: None, times: None, on: None, mishap }
    }

    /// When it begins.
    pub fn at(&self) -> TimePoint {
        TimePoint::from_s(self.at_s)
    }

    /// When it ends.
    pub fn until(&self) -> TimePoint {
        if self.for_s.is_finite() { TimePoint::from_s(self.at_s + self.for_s) } else { TimePoint::NEVER }
    }

    /// What ends it, if it is a lasting fault of the apparatus whose time ends.
    pub fn end_in_world(&self) -> Option<Fault> {
        let Mishap::World(fault) = self.mishap else { return None };
        end_of(fault).filter(|_| self.for_s.is_finite())
    }

    /// One line for people.
    pub fn describe(&self) -> String {
        let what = match &self.mishap {
            Mishap::World(fault) => format!("{} {fault:?}", fault.name()),
            Mishap::Link(kind) => {
                let times = self.times.map(|times| format!(", met {times} times")).unwrap_or_default();
                format!("{kind:?} on {}{times}", self.on.as_deref().unwrap_or("the whole link"))
            }
            other => format!("{other:?}"),
        };
        let length = if self.for_s.is_finite() && self.for_s > 0.0 {
            format!(" for {}", in_words(self.for_s))
        } else {
            String::new()
        };
        format!("{}: {what}{length}", self.at())
    }
}

/// What takes a lasting fault of the apparatus back; none where it ends by itself, or never.
fn end_of(fault: Fault) -> Option<Fault> {
    Some(match fault {
        Fault::HeliumLeak { .. } => Fault::HeliumLeak { l_per_h: 0.0 },
        Fault::WarmUp { .. } => Fault::WarmUp { k: 0.0 },
        Fault::TipDrift { .. } => Fault::TipDrift { m_per_s: 0.0 },
        _ => return None,
    })
}
