//! One connection: bytes out, one terminated reply in.

use super::transport::Transport;
use crate::instrument::ErrorKind;
use std::io;
use std::net::TcpStream;
use std::time::{Duration, Instant};

/// Room for a first read, bytes. Nearly every reply fits.
const CHUNK: usize = 4096;

/// What went wrong on a connection.
#[derive(Debug)]
pub(super) struct Fault {
    pub(super) kind: ErrorKind,
    pub(super) message: String,
}

impl Fault {
    pub(super) fn new(kind: ErrorKind, message: impl Into<String>) -> Self {
        Self { kind, message: message.into() }
    }

    pub(super) fn garbled(message: String) -> Self {
        Self::new(ErrorKind::Garbled, message)
    }

    fn of(error: &io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut => {
                Self::new(ErrorKind::TimedOut, "no answer in time")
            }
            _ => Self::new(ErrorKind::Absent, format!("the connection is gone: {error}")),
        }
    }
}

/// What lies on a connection before anything is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Idle {
    Quiet,
    Unasked,
    Closed,
}

pub(super) struct Connection {
    transport: Transport,
    terminator: Vec<u8>,
    /// Received bytes, of which the first `filled` count.
    buffer: Vec<u8>,
    filled: usize,
    /// Wait that the transport is set to; changed only where it matters, as it costs a system call.
    wait: Duration,
    timeout: Duration,
}

impl Connection {
    pub(super) fn open(
        address: &str,
        terminator: &str,
        timeout: Duration,
        deadline: Instant,
    ) -> Result<Self, Fault> {
        let transport = Transport::open(address, timeout, deadline).map_err(|error| {
            Fault::new(ErrorKind::Absent, format!("nobody can be reached at {address}: {error}"))
        })?;
        Ok(Self::on(transport, terminator, timeout))
    }

    /// On a connection that is there already.
    pub(super) fn over(stream: TcpStream, terminator: &str, timeout: Duration) -> io::Result<Self> {
        Ok(Self::on(Transport::over(stream, timeout)?, terminator, timeout))
    }

    fn on(transport: Transport, terminator: &str, timeout: Duration) -> Self {
        let terminator = if terminator.is_empty() { "\n" } else { terminator };
        let (terminator, buffer) = (terminator.as_bytes().to_vec(), vec![0; CHUNK]);
        Self { transport, terminator, buffer, filled: 0, wait: timeout, timeout }
    }

    /// Whether something lies there that nobody asked for.
    pub(super) fn idle(&mut self) -> Idle {
        if self.filled > 0 { Idle::Unasked } else { self.transport.idle() }
    }

    /// What came and was not taken: part of a reply, or more than one.
    pub(super) fn pending(&self) -> &[u8] {
        &self.buffer[..self.filled]
    }

    pub(super) fn send(&mut self, bytes: &[u8]) -> Result<(), Fault> {
        self.filled = 0;
        self.transport.send(bytes).map_err(|error| match Fault::of(&error) {
            Fault { kind: ErrorKind::TimedOut, .. } => {
                Fault::new(ErrorKind::TimedOut, "it takes nothing any more")
            }
            fault => fault,
        })
    }

    /// Throws away what comes until nothing has come for a while.
    pub(super) fn wait_for_silence(&mut self, silence: Duration, deadline: Instant) -> Result<(), Fault> {
        if silence.is_zero() {
            return Ok(());
        }
        self.transport.set_wait(silence).map_err(|error| Fault::of(&error))?;
        self.wait = silence;
        loop {
            match self.transport.receive(&mut self.buffer) {
                Ok(0) => return Err(Fault::new(ErrorKind::Absent, "the connection ended at once")),
                Ok(_) if Instant::now() < deadline => {}
                Ok(_) => return Err(Fault::garbled("it sends without end".to_owned())),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => match Fault::of(&error) {
                    Fault { kind: ErrorKind::TimedOut, .. } => return Ok(()),
                    fault => return Err(fault),
                },
            }
        }
    }

    /// One reply without its terminator; nothing may come behind it.
    pub(super) fn receive(&mut self, longest: usize, deadline: Instant) -> Result<&[u8], Fault> {
        let end = self.fill(longest, deadline)?;
        if end + self.terminator.len() != self.filled {
            return Err(Fault::new(ErrorKind::OutOfStep, "more came than one reply"));
        }
        self.filled = 0;
        Ok(&self.buffer[..end])
    }

    /// One reply of several; what came behind it is kept for the next call.
    pub(super) fn receive_next(&mut self, longest: usize, deadline: Instant) -> Result<Vec<u8>, Fault> {
        let end = self.fill(longest, deadline)?;
        let reply = self.buffer[..end].to_vec();
        self.buffer.copy_within(end + self.terminator.len()..self.filled, 0);
        self.filled -= end + self.terminator.len();
        Ok(reply)
    }

    /// Receives until the end of a reply is there, and says where it is.
    fn fill(&mut self, longest: usize, deadline: Instant) -> Result<usize, Fault> {
        let mut searched = 0;
        loop {
            if let Some(end) = self.find_end(searched) {
                return Ok(end);
            }
            searched = self.filled;
            if self.filled > longest {
                return Err(Fault::garbled(format!("{} bytes came without an end", self.filled)));
            }
            if self.filled == self.buffer.len() {
                self.buffer.resize(self.buffer.len() * 2, 0);
            }
            self.heed(deadline)?;
            match self.transport.receive(&mut self.buffer[self.filled..]) {
                Ok(0) if self.filled > 0 => {
                    return Err(Fault::new(
                        ErrorKind::Absent,
                        "the connection ended in the middle of a reply",
                    ));
                }
                Ok(0) => return Err(Fault::new(ErrorKind::Absent, "the connection ended without a reply")),
                Ok(count) => self.filled += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    let fault = Fault::of(&error);
                    if fault.kind == ErrorKind::TimedOut && self.filled > 0 {
                        let message = format!("only {} bytes of a reply came in time", self.filled);
                        return Err(Fault::new(ErrorKind::TimedOut, message));
                    }
                    return Err(fault);
                }
            }
        }
    }

    fn find_end(&self, searched: usize) -> Option<usize> {
        let length = self.terminator.len();
        let from = searched.saturating_sub(length - 1);
        let fresh = &self.buffer[from..self.filled];
        let found = match self.terminator.as_slice() {
            [byte] => fresh.iter().position(|other| other == byte),
            several => fresh.windows(length).position(|window| window == several),
        };
        found.map(|at| from + at)
    }

    /// Waits no longer than to the deadline, give or take a fiftieth of the timeout.
    fn heed(&mut self, deadline: Instant) -> Result<(), Fault> {
        let left = deadline.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Err(Fault::new(ErrorKind::TimedOut, "no complete answer in time"));
        }
        let slack = self.timeout / 50;
        if self.wait > left + slack || self.wait + slack < left {
            let wait = left.max(Duration::from_millis(1));
            self.transport.set_wait(wait).map_err(|error| Fault::of(&error))?;
            self.wait = wait;
        }
        Ok(())
    }
}
