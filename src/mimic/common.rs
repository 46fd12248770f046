//! Status and common commands of IEEE 488.2 (chapters 10 and 11; bits from memory, not checked).

use super::lab::Lab;
use super::message::Unit;
use super::scpi_error::ScpiError;
use super::session::Session;
use super::{PACE_MAX, PACE_MIN, header, instruments};
use crate::instrument::scpi::MIMIC_MANUFACTURER;
use std::collections::VecDeque;

/// Errors that a queue holds.
const QUEUE_LENGTH: usize = 20;
/// Bit of the standard event status register: everything that was begun has ended.
const OPERATION_COMPLETE: u8 = 1;
/// Bits of the status byte.
const ERRORS_WAIT: u8 = 1 << 2;
const EVENT_SUMMARY: u8 = 1 << 5;
const MASTER_SUMMARY: u8 = 1 << 6;

/// Registers and error queue of one connection.
#[derive(Debug, Default)]
pub(super) struct Status {
    errors: VecDeque<ScpiError>,
    events: u8,
    events_enabled: u8,
    service_enabled: u8,
    /// `*OPC` waits for a task to end.
    completion_wanted: bool,
}

impl Status {
    /// Takes an error into the queue; the last place says that there were more.
    pub(super) fn error(&mut self, error: ScpiError) {
        self.events |= error.event_bit();
        if self.errors.len() < QUEUE_LENGTH {
            self.errors.push_back(error);
        } else if let Some(last) = self.errors.back_mut() {
            *last = ScpiError::new(-350);
        }
    }

    fn clear(&mut self) {
        self.errors.clear();
        self.events = 0;
        self.completion_wanted = false;
    }

    fn next_error(&mut self) -> String {
        self.errors.pop_front().unwrap_or(ScpiError::new(0)).to_string()
    }

    fn note_completion(&mut self, busy: bool) {
        if self.completion_wanted && !busy {
            self.completion_wanted = false;
            self.events |= OPERATION_COMPLETE;
        }
    }

    fn byte(&self) -> u8 {
        let mut byte = 0;
        if !self.errors.is_empty() {
            byte |= ERRORS_WAIT;
        }
        if self.events & self.events_enabled != 0 {
            byte |= EVENT_SUMMARY;
        }
        if byte & self.service_enabled != 0 {
            byte |= MASTER_SUMMARY;
        }
        byte
    }
}

/// Carries out a command that every instrument has; none if the header is no such command.
pub(super) fn execute(
    unit: &mut Unit<'_>,
    session: &mut Session,
    lab: &mut Lab,
) -> Option<Result<Option<String>, ScpiError>> {
    if unit.header.starts_with('*') {
        return Some(execute_common(unit, session, lab));
    }
    let word =
        ["SYSTem:ERRor:[NEXT]", "SYSTem:ERRor:COUNt", "SYSTem:VERSion", "SYSTem:PACE", "SYSTem:ELAPsed"]
            .iter()
            .position(|pattern| header::fits(pattern, &unit.header))?;
    let answered = match (word, unit.query) {
        (0, true) => Ok(Some(session.status.next_error())),
        (1, true) => Ok(Some(session.status.errors.len().to_string())),
        (2, true) => Ok(Some("1999.0".to_owned())),
        (3, true) => Ok(Some(instruments::number(lab.pace()))),
        (3, false) => set_pace(unit, lab).map(|()| None),
        (4, true) => Ok(Some(instruments::number(lab.microscope().now_s()))),
        _ => Err(ScpiError::about(-113, unit.header.as_str())),
    };
    Some(answered.and_then(|answer| unit.arguments.finish().map(|()| answer)))
}

fn set_pace(unit: &mut Unit<'_>, lab: &mut Lab) -> Result<(), ScpiError> {
    let pace = unit.arguments.number()?;
    unit.arguments.finish()?;
    if !(PACE_MIN..=PACE_MAX).contains(&pace) {
        return Err(ScpiError::about(
            -222,
            format!("a pace lies between {PACE_MIN} and {PACE_MAX}, not {pace}"),
        ));
    }
    lab.set_pace(pace);
    Ok(())
}

fn execute_common(
    unit: &mut Unit<'_>,
    session: &mut Session,
    lab: &mut Lab,
) -> Result<Option<String>, ScpiError> {
    let busy = lab.microscope().busy();
    let header = unit.header.to_ascii_uppercase();
    let takes_number = matches!((header.as_str(), unit.query), ("*ESE" | "*SRE", false));
    let value = if takes_number { unit.arguments.whole(0.0, 255.0)? as u8 } else { 0 };
    unit.arguments.finish()?;
    let status = &mut session.status;
    status.note_completion(busy);
    let answer = match (header.as_str(), unit.query) {
        ("*IDN", true) => {
            let world = lab.microscope().world().name.clone();
            let world: String =
                world.chars().filter(|c| c.is_ascii_alphanumeric() || " -_".contains(*c)).collect();
            format!("{MIMIC_MANUFACTURER},{},{world},{}", session.instrument.name, env!("CARGO_PKG_VERSION"))
        }
        ("*ESR", true) => std::mem::take(&mut status.events).to_string(),
        ("*ESE", true) => status.events_enabled.to_string(),
        ("*SRE", true) => status.service_enabled.to_string(),
        ("*STB", true) => status.byte().to_string(),
        // Whoever is asked this has waited already.
        ("*OPC", true) => "1".to_owned(),
        ("*TST", true) => "0".to_owned(),
        ("*ESE", false) => {
            status.events_enabled = value;
            return Ok(None);
        }
        ("*SRE", false) => {
            status.service_enabled = value & !MASTER_SUMMARY;
            return Ok(None);
        }
        ("*OPC", false) => {
            status.completion_wanted = true;
            status.note_completion(busy);
            return Ok(None);
        }
        ("*CLS", false) => {
            status.clear();
            return Ok(None);
        }
        ("*WAI", false) => return Ok(None),
        ("*RST", false) => return session.reset(lab).map(|()| None),
        _ => return Err(ScpiError::about(-113, header)),
    };
    Ok(Some(answer))
}
