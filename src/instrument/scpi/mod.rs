//! An instrument that speaks SCPI over TCP, or over a serial port in a build with the feature `serial`.
//!
//! # How a call becomes messages
//! * `set` fills the channel's `set` template and writes it. Where the instrument acknowledges, its answer is awaited.
//!   Where the link has an error query, that goes out too (in the same write if nothing is acknowledged), and the
//!   call returns when the queue has said `0`. Then `ready` is polled and the value is read back, where the bench
//!   file says so. Without any of these, the call returns as soon as the message is on its way.
//! * `read` writes the channel's query and takes one comma-separated field of the reply, of as many as are expected.
//! * `begin` asks the `busy` query first, then writes the task's message.
//! * `poll` asks `busy`, and once that is 0 `report`, and `data` where the task has any.
//!
//! # Error kinds
//! | kind | when |
//! |---|---|
//! | absent | no connection can be made, or it ended |
//! | busy | a task runs, or the error queue says -213, -221, or a number that the bench file calls passing |
//! | refused | the error queue says another number; a value that was read back differs; or the bench file has no message for this |
//! | garbled | a reply that is not of the form that the bench file gives, too long, binary, or more than was asked for |
//! | timed out | no complete reply in time |
//! | out of step | something came that nobody had asked for, or a reply that belongs to another query |
//! | changed | a setting is not what it was after the connection was made anew, or at a look: told once, nothing was done |
//! | above, below its range | SCPI's ±9.9E37, or the words for it that the bench file gives |
//!
//! # In step
//! SCPI has nothing that ties a reply to its query. One query is in flight at a time, and after anything odd the
//! connection is closed. Bytes that lie there before a query is written fail the call as out of step. A new connection
//! is proved before it is used, by the best that the bench file offers:
//!
//! 1. a marker: a number that the instrument gives back with every reply. Each reading is proved, and a stale reply
//!    could only pass 256 queries later.
//! 2. a query whose answer is known, asked after each reading or now and then.
//! 3. silence, and the same identity as before.
//!
//! Only a marker proves each reply by itself. With 2 and 3 a reply that was late can pass if the right one is late as
//! well, or lost: two faults at once. What was read before something odd is told as doubtful then (`in_step`), from the
//! last proof on and for as long as a reply may be late.

mod connection;
mod exchange;
mod in_step;
mod look;
pub mod reply;
mod setting;
mod tasks;
pub mod template;
mod transport;
pub mod wording;

use super::known::Known;
use super::wire::Wire;
use super::{ErrorKind, Identity, Instrument, InstrumentError, Task, TaskReport};
use crate::bench::{Address, Channel, ScpiAddress, ScpiLink};
use crate::quantity::TimePoint;
use connection::{Connection, Idle};
use exchange::garbled;
use in_step::InStep;
use std::fmt;
use std::net::TcpStream;
use std::time::{Duration, Instant};
pub(crate) use tasks::numbers_of;

/// Longest reply to an ordinary query, bytes.
const LONGEST_REPLY: usize = 64 * 1024;
/// Errors read from a queue before it counts as endless.
const ERRORS_AT_MOST: usize = 100;
/// What only the mimic has in the manufacturer's field of its identity.
pub const MIMIC_MANUFACTURER: &str = "noctule-mimic";
/// SCPI-99's "Init ignored" (a task runs already) and "Settings conflict" (not in the state it is in now): sent again
/// later, they may be taken. (Numbers from memory, not checked.)
const PASSING: [i32; 2] = [INIT_IGNORED, -221];
const INIT_IGNORED: i32 = -213;

/// An instrument that speaks SCPI. See the [module](self) for what it sends.
pub struct Scpi {
    name: String,
    link: ScpiLink,
    timeout: Duration,
    connection: Option<Connection>,
    /// Kept between calls so that a message costs no allocation.
    message: Vec<u8>,
    /// The last reply as it came; empty while none has come to the last message.
    last: String,
    /// Number that was sent last to come back with a reply.
    marked: u8,
    /// Until when readings are certain, where no marker proves each.
    in_step: InStep,
    proved_at: Option<Instant>,
    /// When something was last sent or heard.
    heard_at: Option<Instant>,
    /// How it was left.
    known: Known,
    /// Whether there was a connection before.
    met_before: bool,
    /// What was found changed after a connection was made anew, until it is told.
    changed: Option<InstrumentError>,
    /// Whether its connection was made anew, until it is told.
    made_anew: bool,
    /// The last error of its queue.
    last_code: i32,
    /// What was said lately.
    wire: Wire,
    /// Who answered when this was last asked.
    known_identity: Option<String>,
    /// Numbers that the task begun here will have at its end; none if none was begun.
    begun: Option<usize>,
}

impl fmt::Debug for Scpi {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Scpi")
            .field("name", &self.name)
            .field("address", &self.link.address)
            .finish_non_exhaustive()
    }
}

impl Scpi {
    /// An instrument at the end of a link. Connects at the first call.
    pub fn new(name: &str, link: &ScpiLink, timeout_s: f64) -> Self {
        let timeout = Duration::try_from_secs_f64(timeout_s).unwrap_or(Duration::from_secs(1));
        let silence = Duration::try_from_secs_f64(link.silence_s).unwrap_or_default();
        Self {
            name: name.to_owned(),
            link: link.clone(),
            timeout: timeout.max(Duration::from_millis(1)),
            connection: None,
            message: Vec::with_capacity(256),
            last: String::new(),
            marked: 0,
            in_step: InStep::new(timeout.max(Duration::from_millis(1)) + silence),
            proved_at: None,
            heard_at: None,
            known: Known::default(),
            met_before: false,
            changed: None,
            made_anew: false,
            last_code: 0,
            wire: Wire::default(),
            known_identity: None,
            begun: None,
        }
    }

    /// An instrument on a connection that is there already; nothing is sent on it before the first call.
    /// Once it is lost, the link's address is connected to.
    ///
    /// # Errors
    /// If the socket takes no timeout.
    pub fn over(name: &str, link: &ScpiLink, timeout_s: f64, stream: TcpStream) -> std::io::Result<Self> {
        let mut scpi = Self::new(name, link, timeout_s);
        scpi.connection = Some(Connection::over(stream, &link.reply_terminator, scpi.timeout)?);
        Ok(scpi)
    }

    /// Simulated seconds in a second of a [mimic](crate::mimic). Repeatable.
    ///
    /// # Errors
    /// [`ErrorKind::Refused`] unless a mimic is there; else as for any query.
    pub fn pace(&mut self) -> Result<f64, InstrumentError> {
        self.expect_mimic()?;
        self.ask("SYST:PACE?", LONGEST_REPLY, self.deadline(), |text| reply::number(text).map_err(garbled))
    }

    /// Sets the pace of a mimic. All its ports share one. Repeatable.
    ///
    /// # Errors
    /// [`ErrorKind::Refused`] unless a mimic is there and takes it; else as for any command.
    pub fn set_pace(&mut self, pace: f64) -> Result<(), InstrumentError> {
        self.expect_mimic()?;
        let message = format!("SYST:PACE {}", template::number(pace));
        self.tell(&message, self.deadline())
    }

    fn expect_mimic(&mut self) -> Result<(), InstrumentError> {
        let identity = self.identify()?;
        if identity.simulated {
            return Ok(());
        }
        Err(self.error(ErrorKind::Refused, format!("`{}` is no mimic, so it has no pace", identity.text)))
    }

    fn error(&self, kind: ErrorKind, message: impl fmt::Display) -> InstrumentError {
        InstrumentError::new(kind, format!("`{}`: {message}", self.name))
    }

    fn address_of<'c>(&self, channel: &'c Channel) -> Result<&'c ScpiAddress, InstrumentError> {
        match &channel.address {
            Address::Scpi(address) => Ok(address),
            Address::Signal(_) | Address::Named(_) => {
                Err(self.error(ErrorKind::Absent, format!("`{}` has no SCPI messages", channel.name)))
            }
        }
    }
}

impl Instrument for Scpi {
    fn set_pace(&mut self, pace: f64) -> Result<(), InstrumentError> {
        // The method of the type itself, which asks whether a mimic is there.
        Scpi::set_pace(self, pace)
    }

    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        let deadline = self.deadline();
        self.ready(deadline)?;
        let Some(query) = self.link.identity.query.clone() else {
            let text = "an instrument that does not say who it is".to_owned();
            return Ok(Identity { text, simulated: false });
        };
        // IEEE 488.2 wants this query to be the last of a message, so it takes no marker.
        self.write(&[&query])?;
        let text = self.receive(LONGEST_REPLY, deadline, None, |text| Ok(text.to_owned()))?;
        if let Some(expected) = self.link.identity.answer.as_ref().filter(|expected| !expected.fits(&text)) {
            let message =
                format!("`{}` is there, and `{}` was expected", reply::shorten(&text), expected.text);
            return Err(self.error(ErrorKind::Refused, message));
        }
        let simulated = text.split(',').next().is_some_and(|field| field.trim() == MIMIC_MANUFACTURER);
        self.known_identity = Some(text.clone());
        Ok(Identity { text, simulated })
    }

    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        // Until it is known to be taken, nobody knows where it stands.
        self.known.unsure(channel);
        self.set_channel(channel, si)?;
        self.known.told(channel, si);
        Ok(())
    }

    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        let address = self.address_of(channel)?;
        let Some(query) = &address.query else {
            return Err(self.error(ErrorKind::Refused, format!("`{}` can't be read", channel.name)));
        };
        let si =
            self.ask(query, LONGEST_REPLY, self.deadline(), |text| wording::understand(address, text))?;
        self.known.read(channel, si);
        Ok(si)
    }

    fn begin(&mut self, task: &Task, traced: Option<&Channel>) -> Result<(), InstrumentError> {
        self.known.task_begins();
        let begun = self.begin_task(task, traced);
        self.known.task_runs = begun.as_ref().err().is_none_or(|error| error.kind.is_silence());
        begun
    }

    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        let polled = self.poll_task();
        self.known.task_runs &= !matches!(polled, Ok(Some(_)));
        polled
    }

    fn abort(&mut self) -> Result<(), InstrumentError> {
        self.abort_task().inspect(|()| self.known.task_runs = false)
    }

    fn look(&mut self, channels: &[&Channel]) -> Result<(), InstrumentError> {
        self.look_at(channels)
    }

    fn pass_time(&mut self, now: TimePoint) {
        self.in_step.now = now;
    }

    fn made_anew(&mut self) -> bool {
        std::mem::take(&mut self.made_anew)
    }

    fn last_reply(&self) -> Option<String> {
        (!self.last.is_empty()).then(|| self.last.clone())
    }

    fn recording(&self) -> Option<String> {
        Some(format!("# link {}\n{}", self.name, self.wire.text()))
    }

    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        self.connection = None;
        self.connect(self.deadline())
    }
}

impl Drop for Scpi {
    /// Says what the bench file wants said at the end, if anybody still listens.
    fn drop(&mut self) {
        let quiet = self.connection.as_mut().is_some_and(|connection| connection.idle() == Idle::Quiet);
        for message in std::mem::take(&mut self.link.farewell) {
            if !quiet || self.write(&[&message]).is_err() {
                return;
            }
        }
    }
}
