//! The contract between `noctule` and whatever moves and measures.
//!
//! An [`Instrument`] is one end of one link of the bench. Everything above it
//! deals in channels and SI values; everything below it is the instrument's own.
//! There are three kinds: the simulated microscope, SCPI over TCP, and a driver
//! process that speaks JSON-RPC 2.0 lines.
//!
//! # What every call promises
//! * Values are SI (levels in dBm, flags 0 or 1).
//! * A call blocks until the instrument has answered, at most the link's timeout.
//!   It never waits for something physical: a ramp and a task are started, then asked for.
//! * After [`ErrorKind::TimedOut`] or [`ErrorKind::Garbled`] the link is suspect: the next
//!   call resynchronises first, and an answer that comes late is never taken for a new one.
//! * After [`ErrorKind::Refused`] and [`ErrorKind::Busy`] nothing has changed.
//! * After [`ErrorKind::Absent`], [`Instrument::reconnect`] may bring it back.
//!
//! # For authors of drivers
//! `set` and `read` may be repeated after any error: doing them twice is doing them once.
//! `begin` may not, for tasks that are [once only](crate::bench::TaskKind::once_only).

mod error;
pub mod faulty;
mod known;
pub mod process;
pub mod scpi;
pub mod simulated;
mod task;
pub mod wire;

pub use error::{ErrorKind, InstrumentError};
pub use process::Process;
pub use scpi::Scpi;
pub use simulated::Simulated;
pub use task::{Task, TaskReport};

use crate::bench::Channel;
use crate::quantity::TimePoint;
use simulated::Chronicle;

/// Who an instrument says it is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Identity {
    /// The answer to `*IDN?`, or the like.
    pub text: String,
    /// Whether it is a simulation that may be paced faster than real time.
    pub simulated: bool,
}

/// One end of one link. See the [module](self) for what every call promises.
#[cfg_attr(test, mockall::automock)]
pub trait Instrument {
    /// Asks who is there. Repeatable.
    fn identify(&mut self) -> Result<Identity, InstrumentError>;

    /// Sets a channel to an SI value and returns when the instrument has taken it, which
    /// for a magnet is long before the field is there. Repeatable.
    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError>;

    /// Reads a channel, SI. Never returns a value that is not finite. Repeatable.
    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError>;

    /// Starts a task; `traced` is the channel of a [`Task::Trace`]. Returns when the
    /// instrument has taken it. [`ErrorKind::Busy`] while another runs. Not repeatable
    /// after [`ErrorKind::TimedOut`] unless the task's kind is.
    #[allow(clippy::needless_lifetimes, reason = "the mock needs the lifetime written out")]
    fn begin<'c>(&mut self, task: &Task, traced: Option<&'c Channel>) -> Result<(), InstrumentError>;

    /// Asks for the end of the task: `None` while it runs, then its report, until the next one begins.
    /// Repeatable: an answer that was lost can be asked for again.
    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError>;

    /// Ends a running task safely; no harm if none runs. Repeatable.
    fn abort(&mut self) -> Result<(), InstrumentError>;

    /// Looks whether the instrument is as it was left: who it is, and that these channels show what they were told or
    /// showed before. [`ErrorKind::Changed`] if not, told once. Nothing is set. Repeatable.
    #[allow(clippy::needless_lifetimes, reason = "the mock needs the lifetime written out")]
    fn look<'c>(&mut self, channels: &[&'c Channel]) -> Result<(), InstrumentError> {
        let _nothing_is_known_of = channels;
        self.identify().map(|_| ())
    }

    /// Whether its connection was made anew since this was last asked.
    fn made_anew(&mut self) -> bool {
        false
    }

    /// Drops the connection, if any, and makes it anew. Repeatable.
    fn reconnect(&mut self) -> Result<(), InstrumentError>;

    /// Lets time pass faster. Only simulations do that; a real instrument refuses.
    fn set_pace(&mut self, pace: f64) -> Result<(), InstrumentError> {
        if pace == 1.0 {
            return Ok(());
        }
        Err(InstrumentError::new(ErrorKind::Refused, "a real instrument is never paced"))
    }

    /// Tells a simulation how late it is, and others by which time of the run they say what is doubtful.
    fn pass_time(&mut self, _now: TimePoint) {}

    /// Somebody transfers helium until the bath holds so much, m³. Only a simulated cryostat is filled this way;
    /// gives the time it takes, s, or nothing where there is no bath to fill.
    fn fill_helium(&mut self, _to_m3: f64) -> Option<f64> {
        None
    }

    /// What was really there so far, if this is a simulation. Asked for when a run is over, by whoever judges it;
    /// no verb and nothing that is recorded comes from it.
    fn chronicle(&self) -> Option<Chronicle> {
        None
    }

    /// The last reply as it came, for people who look for what is wrong; none where there is no text.
    fn last_reply(&self) -> Option<String> {
        None
    }

    /// What was said lately, byte by byte, where that is kept.
    fn recording(&self) -> Option<String> {
        None
    }

    /// How much later than usual the last answer comes, s, where time is virtual and the link comes to it at the moment
    /// `turn`: what waits behind a hung driver passes at once when the driver is well again. With real instruments an
    /// answer that is late simply comes late.
    fn lateness_s(&self, _turn: TimePoint) -> f64 {
        0.0
    }
}
