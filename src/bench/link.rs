//! Links: ways to instruments.

/// One way to an instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Link {
    /// Its name, unique on the bench.
    pub name: String,
    /// Longest wait for one answer, s.
    pub timeout_s: f64,
    /// What is at its end.
    pub kind: LinkKind,
}

/// What is at the end of a link.
#[derive(Debug, Clone, PartialEq)]
pub enum LinkKind {
    /// A microscope simulated in this process.
    Simulated(SimulatedLink),
    /// An instrument that speaks SCPI.
    Scpi(ScpiLink),
    /// A driver process that speaks JSON-RPC 2.0, one object a line, on stdin and stdout.
    Process(ProcessLink),
}

/// A microscope simulated in this process.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SimulatedLink {
    /// Name of a shipped world, or path of a world file.
    pub world: String,
}

/// An instrument that speaks SCPI.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScpiLink {
    /// `host:port`, or `serial:/dev/…@baud` in a build with serial ports.
    pub address: String,
    /// Ends each message and each reply.
    pub terminator: String,
    /// Query of the error queue after each write; none if the instrument has no queue.
    pub error_query: Option<String>,
    /// Messages sent once after connecting.
    pub greeting: Vec<String>,
    /// How tasks are started and asked for, if this instrument does any.
    pub tasks: Option<ScpiTasks>,
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
