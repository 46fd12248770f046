//! One client at one instrument.

use super::common::{self, Status};
use super::instruments::{Does, InstrumentSpec, answer};
use super::lab::{Lab, locked};
use super::message::{self, Unit};
use super::scpi_error::ScpiError;
use super::{header, tasks};
use noctule_sim::Signal;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

/// How often a client that waits for the end of a task is looked after.
const LOOK: Duration = Duration::from_millis(2);

/// What is kept for one client.
#[derive(Debug)]
pub(super) struct Visit {
    pub(super) instrument: &'static InstrumentSpec,
    pub(super) status: Status,
    /// A running task counts as ended: a fault.
    pub(super) hides_task: bool,
}

impl Visit {
    pub(super) fn new(instrument: &'static InstrumentSpec) -> Self {
        Self { instrument, status: Status::default(), hides_task: false }
    }

    /// Carries out one program message; gives the reply, if it asked for one.
    pub(super) fn execute(&mut self, message: &str, lab: &Mutex<Lab>, stop: &AtomicBool) -> Option<String> {
        let mut path = String::new();
        let mut reply: Option<String> = None;
        for text in message::units(message) {
            if text.trim_ascii().is_empty() {
                continue;
            }
            let answered = message::read(text, &mut path).and_then(|unit| self.execute_unit(unit, lab, stop));
            match answered {
                Ok(None) => {}
                Ok(Some(answer)) => match &mut reply {
                    None => reply = Some(answer),
                    Some(reply) => {
                        reply.push(';');
                        reply.push_str(&answer);
                    }
                },
                Err(error) => {
                    self.status.error(error);
                    // What follows a unit that is not understood is not looked at.
                    break;
                }
            }
        }
        reply
    }

    fn execute_unit(
        &mut self,
        mut unit: Unit<'_>,
        lab: &Mutex<Lab>,
        stop: &AtomicBool,
    ) -> Result<Option<String>, ScpiError> {
        let waits = match unit.header.to_ascii_uppercase().as_str() {
            "*OPC" => unit.query,
            "*WAI" => true,
            _ => false,
        };
        if waits {
            wait_for_task(lab, stop);
        }
        let mut lab = locked(lab);
        lab.catch_up();
        if let Some(answered) = common::execute(&mut unit, self, &mut lab) {
            return answered;
        }
        let undefined = || ScpiError::about(-113, unit.header.as_str());
        let found = self.instrument.commands.iter().find(|(pattern, _)| header::fits(pattern, &unit.header));
        let (_, does) = found.ok_or_else(undefined)?;
        let reply = match (*does, unit.query) {
            (Does::Knob(signal), true) => read(&mut lab, signal, 1.0),
            (Does::Target(signal), true) => {
                answer(signal, lab.microscope().field_target_t(signal).ok_or_else(undefined)?)
            }
            (Does::Gauge(signal, size), true) => read(&mut lab, signal, size),
            (Does::Fetch, true) => {
                format!("{},{}", read(&mut lab, Signal::LockinX, 1.0), read(&mut lab, Signal::LockinY, 1.0))
            }
            (Does::Task(word), true) if word.asks() => tasks::ask(word, &mut lab, self.hides_task),
            (Does::Knob(signal) | Does::Target(signal), false) => {
                let value = unit.arguments.number_or_state()?;
                unit.arguments.finish()?;
                lab.microscope().set(signal, value)?;
                return Ok(None);
            }
            (Does::Task(word), false) if !word.asks() => {
                self.hides_task = false;
                return tasks::command(word, &mut unit.arguments, &mut lab).map(|()| None);
            }
            _ => return Err(undefined()),
        };
        unit.arguments.finish()?;
        Ok(Some(reply))
    }

    /// `*RST`: this instrument's own settings; what another instrument does stays.
    pub(super) fn reset(&mut self, lab: &mut Lab) -> Result<(), ScpiError> {
        for (signal, value) in self.instrument.reset {
            lab.microscope().set(*signal, *value)?;
        }
        Ok(())
    }
}

fn read(lab: &mut Lab, signal: Signal, size: f64) -> String {
    answer(signal, lab.microscope().read(signal) / size)
}

fn wait_for_task(lab: &Mutex<Lab>, stop: &AtomicBool) {
    loop {
        let busy = {
            let mut lab = locked(lab);
            lab.catch_up();
            lab.microscope().busy()
        };
        if !busy || stop.load(Ordering::Relaxed) {
            return;
        }
        thread::sleep(LOOK);
    }
}
