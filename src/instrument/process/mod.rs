//! A driver process: a program of the lab's own that speaks JSON-RPC 2.0, one object a line,
//! on its standard input and output.
//!
//! # What the driver is asked
//! Values are SI (levels in dBm, flags 0 or 1).
//!
//! | method | params | result |
//! |---|---|---|
//! | `identify` | `{}` | `{"text": "who it is"}` |
//! | `set` | `{"channel": "bias", "value": 0.05}` | anything |
//! | `read` | `{"channel": "current"}` | a number |
//! | `begin` | `{"task": "trace", "arguments": {…}, "channel": "current"}` | anything |
//! | `poll` | `{}` | `{"running": true}`, or `{"running": false, "achieved": true, "remark": "…", "data": […]}` |
//! | `abort` | `{}` | anything |
//!
//! `poll` gives the report of the last task until the next one begins, as an answer may get lost.
//! `channel` is the channel's name, or what its `known_as` says; `begin` has one for traces only.
//! A line without an id is a notification and goes into the log, as does standard error.
//!
//! # Error codes
//! | code | kind |
//! |---|---|
//! | 1 | absent |
//! | 2 | busy |
//! | 3 | refused |
//! | 4 | garbled |
//! | 5 | timed out |
//! | -32700 (parse error), -32600 (invalid request), -32603 (internal error) | garbled |
//! | -32601 (method not found), -32602 (invalid params), any other | refused |
//!
//! The negative codes are those of the JSON-RPC 2.0 specification, section 5.1.
//!
//! # Old replies
//! Every request has an id of its own. A reply with an id that was given up is dropped; one with
//! an id that was never given, or no reply at all on a line, is garbled. The process is started at the
//! first call and again by `reconnect`, or by the next call after it has ended.

mod child;
pub mod protocol;

use super::known::Known;
use super::{ErrorKind, Identity, Instrument, InstrumentError, Task, TaskReport};
use crate::bench::{Address, Channel, ProcessLink};
use child::Child;
use protocol::Answer;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// A driver process. See the [module](self) for what it is asked.
#[derive(Debug)]
pub struct Process {
    name: String,
    command: Vec<String>,
    folder: PathBuf,
    timeout: Duration,
    child: Option<Child>,
    /// Of the last request.
    id: u64,
    /// Whether a task was begun here and has not been reported.
    begun: bool,
    /// The last task's report, until the next one begins.
    report: Option<TaskReport>,
    /// How it was left.
    known: Known,
    known_identity: Option<String>,
    /// Whether its program was started anew, until it is told.
    made_anew: bool,
}

impl Process {
    /// A driver process. `folder` is where the bench file lies: the process works there.
    /// Nothing is started before the first call.
    pub fn new(name: &str, link: &ProcessLink, folder: &Path, timeout_s: f64) -> Self {
        let timeout = Duration::try_from_secs_f64(timeout_s).unwrap_or(Duration::from_secs(1));
        let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        Self {
            name: name.to_owned(),
            command: link.command.clone(),
            folder: folder.to_owned(),
            timeout: timeout.max(Duration::from_millis(1)),
            child: None,
            id: 0,
            begun: false,
            report: None,
            known: Known::default(),
            known_identity: None,
            made_anew: false,
        }
    }

    fn error(&self, kind: ErrorKind, message: impl std::fmt::Display) -> InstrumentError {
        InstrumentError::new(kind, format!("`{}`: {message}", self.name))
    }

    fn name_of<'c>(&self, channel: &'c Channel) -> Result<&'c str, InstrumentError> {
        match &channel.address {
            Address::Named(name) => Ok(name),
            Address::Signal(_) | Address::Scpi(_) => {
                let message = format!("`{}` is no channel of a driver process", channel.name);
                Err(self.error(ErrorKind::Absent, message))
            }
        }
    }

    fn start(&mut self) -> Result<(), InstrumentError> {
        self.child = None;
        let child = Child::start(&self.name, &self.command, &self.folder);
        self.child = Some(child.map_err(|reason| self.error(ErrorKind::Absent, reason))?);
        self.made_anew |= self.known_identity.is_some();
        Ok(())
    }

    /// One request and its reply.
    fn call(&mut self, method: &str, params: &Value) -> Result<Value, InstrumentError> {
        let deadline = Instant::now() + self.timeout;
        if self.child.as_mut().is_none_or(|child| child.has_ended()) {
            self.start()?;
        }
        self.id += 1;
        let id = self.id;
        let Some(child) = &mut self.child else {
            return Err(self.error(ErrorKind::Absent, "there is no process"));
        };
        if !child.send(protocol::request(id, method, params)) {
            return Err(self.error(ErrorKind::TimedOut, "it does not read what it is asked"));
        }
        loop {
            let left = deadline.saturating_duration_since(Instant::now());
            let line = match child.receive(left) {
                Ok(line) => line,
                Err(fault) => {
                    if fault.kind == ErrorKind::Absent || fault.fatal {
                        self.child = None;
                    }
                    return Err(self.error(fault.kind, fault.message));
                }
            };
            match protocol::understand(&line, id) {
                Answer::Result(value) => return Ok(value),
                Answer::Error(kind, message) => return Err(self.error(kind, message)),
                Answer::Notification => {
                    tracing::info!(link = %self.name, line = %protocol::shorten(&line), "notification")
                }
                Answer::Old => tracing::warn!(link = %self.name, "a reply that came too late was dropped"),
                Answer::Garbled(reason) => {
                    // What else lies there came with it.
                    child.forget();
                    return Err(self.error(ErrorKind::Garbled, reason));
                }
            }
        }
    }

    fn expect_long_reply(&mut self, numbers: usize) {
        if let Some(child) = &mut self.child {
            child.expect_numbers(numbers);
        }
    }
}

impl Instrument for Process {
    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        let result = self.call("identify", &json!({}))?;
        match result.get("text").and_then(Value::as_str) {
            // A driver process keeps its own time, so it is never paced, whatever it stands for.
            Some(text) => {
                self.known_identity.get_or_insert_with(|| text.to_owned());
                Ok(Identity { text: text.to_owned(), simulated: false })
            }
            None => Err(self.error(ErrorKind::Garbled, "its identity has no `text`")),
        }
    }

    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        let name = self.name_of(channel)?;
        if !si.is_finite() {
            return Err(self.error(ErrorKind::Refused, format!("{si} is no finite number")));
        }
        self.known.unsure(channel);
        self.call("set", &json!({ "channel": name, "value": si }))?;
        self.known.told(channel, si);
        Ok(())
    }

    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        let name = self.name_of(channel)?;
        let result = self.call("read", &json!({ "channel": name }))?;
        match result.as_f64().filter(|value| value.is_finite()) {
            Some(value) => {
                self.known.read(channel, value);
                Ok(value)
            }
            None => {
                let message = format!(
                    "`{name}` reads {}, which is no finite number",
                    protocol::shorten(&result.to_string())
                );
                Err(self.error(ErrorKind::Garbled, message))
            }
        }
    }

    fn begin(&mut self, task: &Task, traced: Option<&Channel>) -> Result<(), InstrumentError> {
        let mut arguments = task.arguments();
        let mut params = json!({ "task": task.kind().name() });
        if let (Task::Trace { .. }, Some(channel)) = (task, traced) {
            params["channel"] = json!(self.name_of(channel)?);
            // The place in the bench's list means nothing to the driver.
            if let Some(arguments) = arguments.as_object_mut() {
                arguments.remove("channel");
            }
        }
        params["arguments"] = arguments;
        self.known.task_begins();
        let begun = self.call("begin", &params);
        self.known.task_runs = begun.as_ref().err().is_none_or(|error| error.kind.is_silence());
        begun?;
        self.begun = true;
        self.report = None;
        self.expect_long_reply(super::scpi::numbers_of(task));
        Ok(())
    }

    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        if let Some(report) = &self.report {
            return Ok(Some(report.clone()));
        }
        let result = self.call("poll", &json!({}))?;
        let report = protocol::report(&result).map_err(|reason| self.error(ErrorKind::Garbled, reason))?;
        if report.is_none() {
            return Ok(None);
        }
        if !std::mem::take(&mut self.begun) {
            return Err(self.error(ErrorKind::Refused, "no task is running"));
        }
        self.known.task_runs = false;
        self.expect_long_reply(0);
        self.report.clone_from(&report);
        Ok(report)
    }

    fn abort(&mut self) -> Result<(), InstrumentError> {
        self.call("abort", &json!({}))?;
        self.begun = false;
        self.known.task_runs = false;
        Ok(())
    }

    fn look(&mut self, channels: &[&Channel]) -> Result<(), InstrumentError> {
        let known = self.known_identity.clone();
        let identity = self.identify()?;
        if known.is_some_and(|known| known != identity.text) {
            return Err(
                self.error(ErrorKind::Refused, format!("`{}` is there, and another was", identity.text))
            );
        }
        let mut known = std::mem::take(&mut self.known);
        let compared = known.compare(channels, |channel| self.read(channel));
        self.known = known;
        compared.map_err(|error| {
            let message = match error.kind {
                ErrorKind::Changed => format!("`{}`: {}", self.name, error.message),
                _ => error.message,
            };
            InstrumentError { message, ..error }
        })
    }

    fn made_anew(&mut self) -> bool {
        std::mem::take(&mut self.made_anew)
    }

    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        self.begun = false;
        self.report = None;
        self.start()?;
        // A program that ends at once is not there, and only an answer shows that it is.
        self.identify().map(|_| ())
    }
}
