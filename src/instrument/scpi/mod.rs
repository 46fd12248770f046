//! An instrument that speaks SCPI over TCP, or over a serial port in a build with the feature `serial`.
//!
//! # How a call becomes messages
//! * `set` fills the channel's `set` template and writes it. Where the link has an error query,
//!   that goes out in the same write, and the call returns when the queue has said `0`.
//!   Without one, the call returns as soon as the message is on its way.
//! * `read` writes the channel's query and takes one comma-separated field of the reply.
//! * `begin` asks the `busy` query first, then writes the task's message.
//! * `poll` asks `busy`, and once that is 0 `report`, and `data` where the task has any.
//!
//! # Error kinds
//! | kind | when |
//! |---|---|
//! | absent | no connection can be made, or it ended |
//! | busy | a task runs, or the error queue says -213 |
//! | refused | the error queue says another number; or the bench file has no message for this |
//! | garbled | a reply that is no finite number, too long, binary, or more than was asked for |
//! | timed out | no complete reply in time |
//!
//! # Old replies
//! SCPI has nothing that ties a reply to its query. So after a time-out and after anything
//! garbled the connection is closed, and a late reply has nowhere to go. Bytes that lie there
//! before a query is written belong to nothing that was asked: the connection is made anew first.

mod connection;
pub mod reply;
mod tasks;
pub mod template;
mod transport;

use super::{ErrorKind, Identity, Instrument, InstrumentError, Task, TaskReport};
use crate::bench::{Address, Channel, ScpiAddress, ScpiLink};
use connection::Connection;
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
/// SCPI-99's "Init ignored": a task runs already. (Number from memory, not checked.)
const INIT_IGNORED: i32 = -213;

/// An instrument that speaks SCPI. See the [module](self) for what it sends.
pub struct Scpi {
    name: String,
    link: ScpiLink,
    timeout: Duration,
    connection: Option<Connection>,
    /// Kept between calls so that a message costs no allocation.
    message: Vec<u8>,
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
        Self {
            name: name.to_owned(),
            link: link.clone(),
            timeout: timeout.max(Duration::from_millis(1)),
            connection: None,
            message: Vec::with_capacity(256),
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
        scpi.connection = Some(Connection::over(stream, &link.terminator, scpi.timeout)?);
        Ok(scpi)
    }

    /// Simulated seconds in a second of a [mimic](crate::mimic). Repeatable.
    ///
    /// # Errors
    /// [`ErrorKind::Refused`] unless a mimic is there; else as for any query.
    pub fn pace(&mut self) -> Result<f64, InstrumentError> {
        self.expect_mimic()?;
        self.ask("SYST:PACE?", LONGEST_REPLY, self.deadline(), reply::single)
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

    fn deadline(&self) -> Instant {
        Instant::now() + self.timeout
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

    /// A connection on which nothing lies that nobody asked for.
    fn ready(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        if let Some(connection) = &mut self.connection {
            match connection.idle() {
                connection::Idle::Quiet => return Ok(()),
                connection::Idle::Unasked => {
                    tracing::warn!(link = %self.name, "bytes that nobody asked for; connecting anew");
                }
                connection::Idle::Closed => {
                    tracing::info!(link = %self.name, "the connection had ended; connecting anew");
                }
            }
            self.connection = None;
        }
        self.connect(deadline)
    }

    fn connect(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let opened = Connection::open(&self.link.address, &self.link.terminator, self.timeout, deadline);
        self.connection = Some(opened.map_err(|fault| self.error(fault.kind, fault.message))?);
        // Errors in the queue now are somebody else's, or from before.
        self.drain(deadline)?;
        for message in self.link.greeting.clone() {
            if let Err(error) = self.write_and_check(&message, deadline) {
                self.connection = None;
                return Err(error);
            }
        }
        Ok(())
    }

    /// Writes a message; with its error query where there is one.
    fn tell(&mut self, message: &str, deadline: Instant) -> Result<(), InstrumentError> {
        self.ready(deadline)?;
        self.write_and_check(message, deadline)
    }

    fn write_and_check(&mut self, message: &str, deadline: Instant) -> Result<(), InstrumentError> {
        let Some(query) = self.link.error_query.take() else {
            return self.write(&[message]);
        };
        let checked = self.write_checked(message, &query, deadline);
        self.link.error_query = Some(query);
        checked
    }

    fn write_checked(
        &mut self,
        message: &str,
        query: &str,
        deadline: Instant,
    ) -> Result<(), InstrumentError> {
        self.write(&[message, query])?;
        let first = self.receive(LONGEST_REPLY, deadline, reply::error_entry)?;
        let Some((code, text)) = first else { return Ok(()) };
        self.drain_with(query, deadline)?;
        let kind = if code == INIT_IGNORED { ErrorKind::Busy } else { ErrorKind::Refused };
        Err(self.error(kind, format!("{text} ({code})")))
    }

    fn drain(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let Some(query) = self.link.error_query.clone() else { return Ok(()) };
        self.drain_with(&query, deadline)
    }

    /// Reads the error queue until it is empty.
    fn drain_with(&mut self, query: &str, deadline: Instant) -> Result<(), InstrumentError> {
        for _ in 0..ERRORS_AT_MOST {
            self.write(&[query])?;
            if self.receive(LONGEST_REPLY, deadline, reply::error_entry)?.is_none() {
                return Ok(());
            }
        }
        self.connection = None;
        Err(self.error(ErrorKind::Garbled, "its error queue has no end"))
    }

    /// Writes a query and reads its reply.
    fn ask<T>(
        &mut self,
        query: &str,
        longest: usize,
        deadline: Instant,
        understand: impl FnOnce(&str) -> Result<T, String>,
    ) -> Result<T, InstrumentError> {
        self.ready(deadline)?;
        self.write(&[query])?;
        self.receive(longest, deadline, understand)
    }

    fn write(&mut self, messages: &[&str]) -> Result<(), InstrumentError> {
        self.message.clear();
        for message in messages {
            self.message.extend_from_slice(message.as_bytes());
            self.message.extend_from_slice(self.link.terminator.as_bytes());
        }
        let Some(connection) = &mut self.connection else {
            return Err(self.error(ErrorKind::Absent, "there is no connection"));
        };
        connection.send(&self.message).map_err(|fault| {
            self.connection = None;
            self.error(fault.kind, fault.message)
        })
    }

    /// One reply. Whatever is wrong with it, the connection does not outlive it.
    fn receive<T>(
        &mut self,
        longest: usize,
        deadline: Instant,
        understand: impl FnOnce(&str) -> Result<T, String>,
    ) -> Result<T, InstrumentError> {
        let Some(connection) = &mut self.connection else {
            return Err(self.error(ErrorKind::Absent, "there is no connection"));
        };
        let understood = connection.receive(longest, deadline).and_then(|bytes| {
            let text = reply::text(bytes).map_err(connection::Fault::garbled)?;
            understand(text).map_err(connection::Fault::garbled)
        });
        understood.map_err(|fault| {
            self.connection = None;
            self.error(fault.kind, fault.message)
        })
    }
}

impl Instrument for Scpi {
    fn set_pace(&mut self, pace: f64) -> Result<(), InstrumentError> {
        // The method of the type itself, which asks whether a mimic is there.
        Scpi::set_pace(self, pace)
    }

    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        let text = self.ask("*IDN?", LONGEST_REPLY, self.deadline(), |text| Ok(text.to_owned()))?;
        let simulated = text.split(',').next().is_some_and(|field| field.trim() == MIMIC_MANUFACTURER);
        Ok(Identity { text, simulated })
    }

    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        let address = self.address_of(channel)?;
        let Some(set) = &address.set else {
            return Err(self.error(ErrorKind::Refused, format!("`{}` can only be read", channel.name)));
        };
        let message = template::set_message(set, address.unit.from_si(si))
            .map_err(|reason| self.error(ErrorKind::Refused, format!("`{}`: {reason}", channel.name)))?;
        self.tell(&message, self.deadline())
    }

    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        let address = self.address_of(channel)?;
        let Some(query) = &address.query else {
            return Err(self.error(ErrorKind::Refused, format!("`{}` can't be read", channel.name)));
        };
        self.ask(query, LONGEST_REPLY, self.deadline(), |text| {
            let si = address.unit.to_si(reply::field_number(text, address.field)?);
            if si.is_finite() { Ok(si) } else { Err(format!("`{}` is too large", reply::shorten(text))) }
        })
    }

    fn begin(&mut self, task: &Task, traced: Option<&Channel>) -> Result<(), InstrumentError> {
        self.begin_task(task, traced)
    }

    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        self.poll_task()
    }

    fn abort(&mut self) -> Result<(), InstrumentError> {
        self.abort_task()
    }

    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        self.connection = None;
        self.connect(self.deadline())
    }
}
