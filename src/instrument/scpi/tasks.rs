//! Tasks in SCPI messages, as the bench file gives them.

use super::exchange::garbled;
use super::{INIT_IGNORED, LONGEST_REPLY, Scpi, reply, template};
use crate::bench::{Channel, ScpiTasks};
use crate::instrument::{ErrorKind, InstrumentError, Task, TaskReport};
use std::time::Instant;

/// Room for one number of a long reply with its comma, bytes.
const NUMBER_BYTES: usize = 32;
/// A long reply gets the link's timeout once more for so many bytes.
const BYTES_PER_TIMEOUT: usize = 1_000_000;

impl Scpi {
    fn tasks(&self) -> Result<ScpiTasks, InstrumentError> {
        self.link.tasks.clone().ok_or_else(|| self.error(ErrorKind::Refused, "this link does no tasks"))
    }

    pub(super) fn begin_task(
        &mut self,
        task: &Task,
        traced: Option<&Channel>,
    ) -> Result<(), InstrumentError> {
        let tasks = self.tasks()?;
        let name = task.kind().name();
        let Some(start) = tasks.start.get(name) else {
            return Err(self.error(ErrorKind::Refused, format!("the bench file has no message for {name}")));
        };
        let message = template::task_message(start, task, traced.map(|channel| channel.name.as_str()))
            .map_err(|reason| self.error(ErrorKind::Refused, format!("{name}: {reason}")))?;
        let deadline = self.deadline();
        // Not every instrument says by itself that it is occupied.
        if self.ask(&tasks.busy, LONGEST_REPLY, deadline, |text| reply::number(text).map_err(garbled))? != 0.0
        {
            return Err(self.error(ErrorKind::Busy, "a task is still running"));
        }
        // If this fails nobody knows what the next report is about, so it is not taken for this task's.
        self.begun = None;
        self.write_and_check(&message, deadline).map_err(|error| {
            // A task that does not fit the state it is in now is not begun by asking again: the sequence has to know.
            let passes = self.last_code == INIT_IGNORED || self.link.passing.contains(&self.last_code);
            let refused = error.kind == ErrorKind::Busy && !passes;
            InstrumentError { kind: if refused { ErrorKind::Refused } else { error.kind }, ..error }
        })?;
        self.begun = Some(numbers_of(task));
        Ok(())
    }

    pub(super) fn poll_task(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        let tasks = self.tasks()?;
        let deadline = self.deadline();
        if self.ask(&tasks.busy, LONGEST_REPLY, deadline, |text| reply::number(text).map_err(garbled))? != 0.0
        {
            return Ok(None);
        }
        let Some(numbers) = self.begun else {
            return Err(self.error(ErrorKind::Refused, "no task is running"));
        };
        let (achieved, remark) =
            self.ask(&tasks.report, LONGEST_REPLY, deadline, |text| reply::report(text).map_err(garbled))?;
        let mut data = Vec::new();
        if numbers > 0 {
            let bytes = numbers.saturating_mul(NUMBER_BYTES);
            let patience =
                self.timeout.saturating_mul(u32::try_from(1 + bytes / BYTES_PER_TIMEOUT).unwrap_or(u32::MAX));
            let deadline = Instant::now() + patience.min(std::time::Duration::from_secs(600));
            data = self.ask(&tasks.data, bytes.saturating_add(LONGEST_REPLY), deadline, |text| {
                reply::numbers(text).map_err(garbled)
            })?;
            if achieved && data.len() != numbers {
                let message = format!("{} numbers came, {numbers} were asked for", data.len());
                return Err(self.error(ErrorKind::Garbled, message));
            }
        }
        Ok(Some(TaskReport { achieved, remark, data }))
    }

    pub(super) fn abort_task(&mut self) -> Result<(), InstrumentError> {
        let tasks = self.tasks()?;
        self.tell(&tasks.abort, self.deadline())?;
        self.begun = None;
        Ok(())
    }
}

/// How many numbers a task has at its end.
pub(crate) fn numbers_of(task: &Task) -> usize {
    let numbers = match *task {
        Task::Trace { samples, .. } => u64::from(samples),
        Task::Image { pixels, .. } => u64::from(pixels) * u64::from(pixels),
        _ => 0,
    };
    usize::try_from(numbers).unwrap_or(usize::MAX)
}
