//! Links: ways to instruments.

use super::{OwnRetry, Pattern, Proof, WhoIsThere};

/// One way to an instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Link {
    /// Its name, unique on the bench.
    pub name: String,
    /// Longest wait for one answer, s.
    pub timeout_s: f64,
    /// Where it is met with other patience than the rest.
    pub retry: OwnRetry,
    /// What is at its end.
    pub kind: LinkKind,
}

/// What is at the end of a link.
#[derive(Debug, Clone, PartialEq)]
pub enum LinkKind {
    /// A microscope simulated in this process.
    Simulated(SimulatedLink),
    /// An instrument that speaks SCPI.
    Scpi(Box<ScpiLink>),
    /// A driver process that speaks JSON-RPC 2.0, one object a line, on stdin and stdout.
    Process(ProcessLink),
}

/// A microscope simulated in this process.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SimulatedLink {
    /// Name of a shipped world, or path of a world file.
    pub world: String,
}

/// An instrument that speaks SCPI, or any other lines of text.
#[derive(Debug, Clone, PartialEq)]
pub struct ScpiLink {
    /// `host:port`, or `serial:/dev/…@baud` in a build with serial ports.
    pub address: String,
    /// Ends each message.
    pub terminator: String,
    /// Ends each reply.
    pub reply_terminator: String,
    /// What it answers to each set, where a channel does not say otherwise; none if it answers nothing.
    pub acknowledge: Option<Pattern>,
    /// Query of the error queue after each write; none if the instrument has no queue.
    pub error_query: Option<String>,
    /// Errors of its queue that may pass: the message is sent again.
    pub passing: Vec<i32>,
    /// Query of the register whose bit 7 says that it was switched on since it was last asked, `*ESR?`.
    pub power_on: Option<String>,
    /// Messages sent once after connecting.
    pub greeting: Vec<String>,
    /// Messages sent before a connection is given up on purpose.
    pub farewell: Vec<String>,
    /// Who is expected there.
    pub identity: WhoIsThere,
    /// What is put behind each query, with `{n}` for a number from 0 to 255 that comes back at the end of the reply.
    pub marker: Option<String>,
    /// A query whose answer is known.
    pub proof: Option<Proof>,
    /// A new connection must be silent for so long before anything is said on it, s.
    pub silence_s: f64,
    /// Least time between an answer and the next message, s.
    pub pause_s: f64,
    /// How tasks are started and asked for, if this instrument does any.
    pub tasks: Option<ScpiTasks>,
}

/// How long a new connection must be silent where the bench does not say, s.
const SILENCE_S: f64 = 0.05;

impl ScpiLink {
    /// A link with nothing special about it.
    pub fn plain(address: &str) -> Self {
        Self {
            address: address.to_owned(),
            terminator: "\n".to_owned(),
            reply_terminator: "\n".to_owned(),
            acknowledge: None,
            error_query: None,
            passing: Vec::new(),
            power_on: None,
            greeting: Vec::new(),
            farewell: Vec::new(),
            identity: WhoIsThere::default(),
            marker: None,
            proof: None,
            silence_s: SILENCE_S,
            pause_s: 0.0,
            tasks: None,
        }
    }
}

/// A driver process.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProcessLink {
    /// Program and arguments; relative paths are relative to the bench file.
    pub command: Vec<String>,
}

impl ProcessLink {
    /// Stands for a link of a kind that could not be read.
    pub(super) fn unknown() -> Self {
        Self { command: vec![String::new()] }
    }

    /// Whether it stands for a link of a kind that could not be read.
    pub(super) fn is_unknown(&self) -> bool {
        self.command.iter().all(String::is_empty)
    }
}

/// SCPI messages for tasks. In `start`, `{name}` stands for the argument of that name.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ScpiTasks {
    /// Message that starts a task, by its kind's name.
    pub start: std::collections::BTreeMap<String, String>,
    /// Query that answers 1 while a task runs and 0 after.
    pub busy: String,
    /// Query of the last task's report: `1,"remark"` or `0,"remark"`.
    pub report: String,
    /// Query of the last task's data, comma-separated numbers in SI.
    pub data: String,
    /// Message that ends a running task safely.
    pub abort: String,
}
