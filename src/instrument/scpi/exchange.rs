//! Messages out, replies in, and the proof that a reply belongs to its query.

use super::connection::{Connection, Fault, Idle};
use super::wording::Mismatch;
use super::{ERRORS_AT_MOST, LONGEST_REPLY, PASSING, Scpi, reply};
use crate::instrument::wire::Sign;
use crate::instrument::{ErrorKind, InstrumentError};
use std::time::{Duration, Instant};

/// Of a reply so much is kept to be shown, bytes; it is ASCII.
const LONGEST_KEPT: usize = 1000;
/// Numbers that a marker has.
const MARKERS: u32 = 256;
/// Stale replies that are thrown away on a new connection before it counts as endless.
const STALE_AT_MOST: usize = 10_000;

/// Turns a complaint about a reply into one with its kind.
pub(super) fn garbled(message: String) -> Mismatch {
    (ErrorKind::Garbled, message)
}

impl Scpi {
    pub(super) fn deadline(&self) -> Instant {
        Instant::now() + self.timeout
    }

    /// A connection on which nothing lies that nobody asked for.
    pub(super) fn ready(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        if let Some(connection) = &mut self.connection {
            match connection.idle() {
                Idle::Quiet => {
                    self.in_step.is_quiet(self.heard_at);
                    return self.tell_changed();
                }
                Idle::Unasked => {
                    self.connection = None;
                    return Err(self.out_of_step("something came that nobody had asked for"));
                }
                Idle::Closed => {
                    tracing::info!(link = %self.name, "the connection had ended; connecting anew");
                    // What could still have come to tell a wrong reply is gone with it.
                    let ended = self.error(ErrorKind::Absent, "the connection had ended");
                    let error = self.doubting(ended);
                    if error.certain_until.is_some() {
                        self.connection = None;
                        return Err(error);
                    }
                }
            }
            self.connection = None;
        }
        self.connect(deadline)?;
        self.tell_changed()
    }

    /// Says how much is doubtful now.
    fn out_of_step(&mut self, what: &str) -> InstrumentError {
        let error = self.error(ErrorKind::OutOfStep, what);
        let error = self.doubting(error);
        tracing::warn!("{}", error.message);
        error
    }

    /// The error with what is doubtful by it, if anything is.
    fn doubting(&mut self, error: InstrumentError) -> InstrumentError {
        // A marker's number comes again: only as many queries later could a late reply have passed.
        let passes_from = if self.link.marker.is_some() { MARKERS } else { 1 };
        let Some((until, count)) = self.in_step.doubt().filter(|(_, count)| *count >= passes_from) else {
            return error;
        };
        let which =
            if count == 1 { "the last reading is" } else { &format!("the last {count} readings are") };
        let message = format!("{}; {which} doubtful", error.message);
        InstrumentError { message, certain_until: Some(until), ..error }
    }

    pub(super) fn connect(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let link = &self.link;
        let opened = Connection::open(&link.address, &link.reply_terminator, self.timeout, deadline);
        match opened {
            Ok(connection) => self.connection = Some(connection),
            Err(fault) => {
                self.wire.note(Sign::Failed, fault.message.as_bytes());
                return Err(self.error(fault.kind, fault.message));
            }
        }
        self.wire.note(Sign::Connected, self.link.address.as_bytes());
        let met = self.meet(deadline).and_then(|()| if self.met_before { self.look_again() } else { Ok(()) });
        if met.is_err() {
            self.connection = None;
        }
        self.made_anew |= self.met_before && met.is_ok();
        self.met_before |= met.is_ok();
        met
    }

    /// Proves that a new connection is in step, empties its error queue and greets.
    fn meet(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        if self.link.marker.is_some() {
            self.find_marker(deadline)?;
        } else {
            let silence = Duration::try_from_secs_f64(self.link.silence_s).unwrap_or_default();
            let silence = silence.min(self.timeout / 2);
            if let Some(connection) = &mut self.connection {
                let silent = connection.wait_for_silence(silence, deadline);
                silent.map_err(|fault| self.error(fault.kind, fault.message))?;
            }
            if self.link.proof.is_some() {
                self.prove(deadline)?;
            } else {
                self.recognise(deadline)?;
            }
        }
        self.in_step.prove(Instant::now());
        // Errors in the queue now are somebody else's, or from before.
        self.drain(deadline)?;
        if !self.met_before {
            self.was_switched_on()?;
        }
        for message in self.link.greeting.clone() {
            self.write_and_check(&message, deadline)?;
        }
        Ok(())
    }

    /// Sends the marker alone and throws away whatever comes before its number: that was asked by somebody else.
    fn find_marker(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let number = self.write_query(None)?;
        let wanted = number.map(|n| n.to_string()).unwrap_or_default();
        for others in 0..STALE_AT_MOST {
            let Some(connection) = &mut self.connection else { break };
            let next = connection.receive_next(LONGEST_REPLY, deadline);
            if let Ok(bytes) = &next {
                self.wire.note(Sign::Came, bytes);
                self.wire.end(self.link.reply_terminator.as_bytes());
            }
            match next {
                Ok(bytes) if bytes.trim_ascii() == wanted.as_bytes() => return Ok(()),
                Ok(_) => {}
                Err(fault) if fault.kind == ErrorKind::TimedOut && others > 0 => {
                    let message = format!("{others} replies came, and none with the number that was sent");
                    return Err(self.asked_in_vain(Fault::garbled(message)));
                }
                Err(fault) => return Err(self.asked_in_vain(fault)),
            }
        }
        Err(self.error(ErrorKind::OutOfStep, "it sends without end"))
    }

    /// Where nothing else proves anything, the one who answered before answers again.
    pub(super) fn recognise(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let Some(query) = self.link.identity.query.clone() else { return Ok(()) };
        let Some(known) = self.known_identity.clone() else { return Ok(()) };
        self.write(&[&query])?;
        let text = self.receive(LONGEST_REPLY, deadline, None, |text| Ok(text.to_owned()))?;
        if text == known {
            self.in_step.prove(Instant::now());
        } else {
            let what = format!("`{}` answered where `{known}` was expected", reply::shorten(&text));
            return Err(self.out_of_step(&what));
        }
        Ok(())
    }

    /// Asks the query whose answer is known.
    pub(super) fn prove(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let Some(proof) = self.link.proof.clone() else { return Ok(()) };
        self.write(&[&proof.query])?;
        let text = self.receive(LONGEST_REPLY, deadline, None, |text| Ok(text.to_owned()))?;
        if !proof.answer.fits(&text) {
            self.connection = None;
            let what = format!("`{}` came as the answer to `{}`", reply::shorten(&text), proof.query);
            return Err(self.out_of_step(&what));
        }
        let now = Instant::now();
        self.in_step.prove(now);
        self.proved_at = Some(now);
        Ok(())
    }

    fn prove_if_due(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let Some(proof) = &self.link.proof else { return Ok(()) };
        let due = self.proved_at.is_none_or(|at| at.elapsed().as_secs_f64() >= proof.every_s);
        if due { self.prove(deadline) } else { Ok(()) }
    }

    /// Writes a message; with its error query where there is one.
    pub(super) fn tell(&mut self, message: &str, deadline: Instant) -> Result<(), InstrumentError> {
        self.ready(deadline)?;
        self.write_and_check(message, deadline)
    }

    pub(super) fn write_and_check(
        &mut self,
        message: &str,
        deadline: Instant,
    ) -> Result<(), InstrumentError> {
        let Some(query) = self.link.error_query.take() else {
            return self.write(&[message]);
        };
        let checked = self.write_checked(Some(message), &query, deadline);
        self.link.error_query = Some(query);
        checked
    }

    /// Asks the error queue alone, for a message that is answered by itself.
    pub(super) fn check(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let Some(query) = self.link.error_query.clone() else { return Ok(()) };
        self.write_checked(None, &query, deadline)
    }

    fn write_checked(
        &mut self,
        message: Option<&str>,
        query: &str,
        deadline: Instant,
    ) -> Result<(), InstrumentError> {
        let marker = self.compose(message, Some(query))?;
        let entry = |text: &str| reply::error_entry(text).map_err(garbled);
        let first = self.receive(LONGEST_REPLY, deadline, marker, entry)?;
        let Some((code, text)) = first else { return self.prove_if_due(deadline) };
        self.drain_with(query, deadline)?;
        self.last_code = code;
        let passes = PASSING.contains(&code) || self.link.passing.contains(&code);
        let kind = if passes { ErrorKind::Busy } else { ErrorKind::Refused };
        Err(self.error(kind, format!("{text} ({code})")))
    }

    fn drain(&mut self, deadline: Instant) -> Result<(), InstrumentError> {
        let Some(query) = self.link.error_query.clone() else { return Ok(()) };
        self.drain_with(&query, deadline)
    }

    /// Reads the error queue until it is empty.
    fn drain_with(&mut self, query: &str, deadline: Instant) -> Result<(), InstrumentError> {
        let entry = |text: &str| reply::error_entry(text).map_err(garbled);
        for _ in 0..ERRORS_AT_MOST {
            let marker = self.write_query(Some(query))?;
            if self.receive(LONGEST_REPLY, deadline, marker, entry)?.is_none() {
                return Ok(());
            }
        }
        self.connection = None;
        Err(self.error(ErrorKind::Garbled, "its error queue has no end"))
    }

    /// Writes a query and reads its reply.
    pub(super) fn ask<T>(
        &mut self,
        query: &str,
        longest: usize,
        deadline: Instant,
        understand: impl FnOnce(&str) -> Result<T, Mismatch>,
    ) -> Result<T, InstrumentError> {
        self.ready(deadline)?;
        let marker = self.write_query(Some(query))?;
        let sent = self.heard_at.unwrap_or(deadline);
        let understood = self.receive(longest, deadline, marker, understand)?;
        let now = Instant::now();
        self.in_step.read(now, now.duration_since(sent));
        match marker {
            Some(_) => self.in_step.prove(now),
            None => self.prove_if_due(deadline)?,
        }
        Ok(understood)
    }

    pub(super) fn write(&mut self, messages: &[&str]) -> Result<(), InstrumentError> {
        self.message.clear();
        for message in messages {
            self.message.extend_from_slice(message.as_bytes());
            self.message.extend_from_slice(self.link.terminator.as_bytes());
        }
        self.send()
    }

    /// A query with its marker, or the marker alone; gives the number that has to come back.
    pub(super) fn write_query(&mut self, query: Option<&str>) -> Result<Option<u8>, InstrumentError> {
        self.compose(None, query)
    }

    /// A message, and a query with its marker, in one go.
    fn compose(&mut self, message: Option<&str>, query: Option<&str>) -> Result<Option<u8>, InstrumentError> {
        self.message.clear();
        if let Some(message) = message {
            self.message.extend_from_slice(message.as_bytes());
            self.message.extend_from_slice(self.link.terminator.as_bytes());
        }
        self.message.extend_from_slice(query.unwrap_or_default().as_bytes());
        let mut number = None;
        if let Some(marker) = &self.link.marker {
            self.marked = self.marked.wrapping_add(1);
            if query.is_some() {
                self.message.push(b';');
            }
            let digits = self.marked.to_string();
            self.message.extend_from_slice(marker.replace("{n}", &digits).as_bytes());
            number = Some(self.marked);
        }
        self.message.extend_from_slice(self.link.terminator.as_bytes());
        self.send()?;
        Ok(number)
    }

    fn send(&mut self) -> Result<(), InstrumentError> {
        if self.link.pause_s > 0.0
            && let Some(at) = self.heard_at
        {
            let pause = Duration::try_from_secs_f64(self.link.pause_s).unwrap_or_default();
            std::thread::sleep(pause.saturating_sub(at.elapsed()));
        }
        let Some(connection) = &mut self.connection else {
            return Err(self.error(ErrorKind::Absent, "there is no connection"));
        };
        self.last.clear();
        self.wire.note(Sign::Sent, &self.message);
        let sent = connection.send(&self.message);
        self.heard_at = Some(Instant::now());
        sent.map_err(|fault| {
            self.connection = None;
            self.error(fault.kind, fault.message)
        })
    }

    /// One reply. If anything is wrong with it the connection does not outlive it, except that a value may lie
    /// beyond what can be shown.
    pub(super) fn receive<T>(
        &mut self,
        longest: usize,
        deadline: Instant,
        marker: Option<u8>,
        understand: impl FnOnce(&str) -> Result<T, Mismatch>,
    ) -> Result<T, InstrumentError> {
        let Some(connection) = &mut self.connection else {
            return Err(self.error(ErrorKind::Absent, "there is no connection"));
        };
        let wire = &mut self.wire;
        let understood = connection.receive(longest, deadline).and_then(|bytes| {
            wire.note(Sign::Came, bytes);
            wire.end(self.link.reply_terminator.as_bytes());
            let text = reply::text(bytes).map_err(Fault::garbled)?;
            self.last.push_str(&text[..text.len().min(LONGEST_KEPT)]);
            let text = without_marker(text, marker)?;
            understand(text).map_err(|(kind, message)| Fault::new(kind, message))
        });
        if self.link.pause_s > 0.0 || self.link.marker.is_none() {
            self.heard_at = Some(Instant::now());
        }
        if let Err(fault) = &understood {
            let left = self.connection.as_ref().map_or(&[][..], Connection::pending);
            if !left.is_empty() {
                self.wire.note(Sign::Came, left);
            }
            self.wire.note(Sign::Failed, fault.message.as_bytes());
        }
        understood.map_err(|fault| match fault.kind {
            ErrorKind::AboveRange | ErrorKind::BelowRange => self.error(fault.kind, fault.message),
            ErrorKind::OutOfStep => {
                self.connection = None;
                self.out_of_step(&fault.message)
            }
            // What could still have come to tell a wrong reply is gone with the connection.
            _ => {
                self.connection = None;
                let error = self.asked_in_vain(fault);
                self.doubting(error)
            }
        })
    }

    /// An error that says what was asked.
    fn asked_in_vain(&self, fault: Fault) -> InstrumentError {
        let asked = String::from_utf8_lossy(&self.message);
        let asked: Vec<&str> = asked.split(self.link.terminator.as_str()).map(str::trim).collect();
        let asked = asked.iter().rev().find(|part| !part.is_empty()).copied().unwrap_or_default();
        self.error(fault.kind, format!("{} (asked `{}`)", fault.message, reply::shorten(asked)))
    }
}

/// A reply whose marker has the right number, without it.
fn without_marker(text: &str, marker: Option<u8>) -> Result<&str, Fault> {
    let Some(number) = marker else { return Ok(text) };
    let (rest, last) = text.rsplit_once(';').unwrap_or(("", text));
    if last.trim_ascii().parse::<u8>() == Ok(number) && last.len() < text.len() {
        return Ok(rest);
    }
    let message =
        format!("`{}` came without the number {number} that was sent with the query", reply::shorten(text));
    // Only a reply that has another query's number is known to be another's.
    let foreign = last.len() < text.len() && last.trim_ascii().parse::<u8>().is_ok();
    let kind = if foreign { ErrorKind::OutOfStep } else { ErrorKind::Garbled };
    Err(Fault::new(kind, message))
}
