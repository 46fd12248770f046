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

pub use read::{Stage, read};
pub use refill::{Refill, RefillCall};

use noctule_sim::Fault;

/// One fault of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
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
    pub kind: Kind,
}

/// What happens.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
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
}

/// What happens on the way to an instrument.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs, reason = "what each does is said where it is carried out")]
pub enum LinkTrouble {
    NoReply { heard: bool },
    LateReply { by_s: f64 },
    Garbled,
    NotANumber,
    Refuses,
    Saturated { at: f64 },
    OverRange,
    UnderRange,
    Stuck,
    Drifting { per_s: f64 },
    Stale { by_s: f64 },
    Lies,
    ReconnectNeeded,
    NeverDone,
    DropConnection,
    HalfReply,
    DoubleReply,
    Rubbish,
    Flood { bytes: u64 },
    EndsEarly,
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
    Operator(Said),
    /// The keeper process dies.
    KeeperLost,
}

/// What an operator can say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "the words of the command line")]
pub enum Said {
    Hold,
    Refill,
    Release,
    Stop,
}

/// What takes a lasting fault of the apparatus back; none where it ends by itself, or never.
pub fn end_of(fault: Fault) -> Option<Fault> {
    Some(match fault {
        Fault::HeliumLeak { .. } => Fault::HeliumLeak { l_per_h: 0.0 },
        Fault::WarmUp { .. } => Fault::WarmUp { k: 0.0 },
        Fault::TipDrift { .. } => Fault::TipDrift { m_per_s: 0.0 },
        _ => return None,
    })
}
