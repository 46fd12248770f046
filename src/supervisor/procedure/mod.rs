//! Procedures: what a call of the sequence, a hold or a park consists of, step by step.
//!
//! A procedure is told what has happened ([`Input`]) and says what it wants next ([`Next`]).
//! It never waits, never looks at a clock and never talks to anybody: that is what makes the
//! same code run at night and in a rehearsal.

mod centre;
mod ramp;
mod read;
mod steps;
mod sweep;
mod task;
mod wait;

pub use centre::{Centring, MOVE_SPEED_M_S};
pub use ramp::Ramp;
pub use read::Reading;
pub use steps::{SafeStep, Steps};
pub use sweep::{Sweeping, check_plan};
pub use task::Tasking;
pub use wait::Waiting;

use super::event::{Answered, Command};
use super::{Latest, Probe, Probes};
use crate::bench::{Bench, ChannelId, Retry};
use crate::quantity::TimePoint;
use crate::record::{Answer, Entry, Failure, Point};

/// What a procedure can see and touch.
pub struct Context<'c> {
    /// The bench.
    pub bench: &'c Bench,
    /// What was last read and sent.
    pub latest: &'c mut Latest,
    /// The present moment.
    pub now: TimePoint,
    /// Points to be appended.
    pub points: &'c mut Vec<Point>,
    /// Entries to be appended.
    pub entries: &'c mut Vec<Entry>,
    /// Set by a procedure where it can be held or stopped without losing anything.
    pub boundary: bool,
    /// Counters on the branches of recovery.
    pub probes: &'c mut Probes,
}

impl Context<'_> {
    fn reach(&mut self, probe: Probe) {
        self.probes[probe as usize] += 1;
    }
}

/// What has happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// It begins, its time has come, or it is resumed.
    Go,
    /// Its command was answered.
    Answered(Answered),
    /// Its command did not pass the gate.
    Refused(String),
}

/// What a procedure wants next.
#[derive(Debug, Clone, PartialEq)]
pub enum Next {
    /// Send a command and wait for its answer.
    Command(Command),
    /// Wait until then.
    Until(TimePoint),
    /// It is over.
    Finished(Result<Answer, Failure>),
}

/// The procedures, without a box around each.
#[derive(Debug)]
#[allow(clippy::large_enum_variant, reason = "one procedure is at work at a time")]
pub enum Procedure {
    /// Bring a channel to a value.
    Ramp(Ramp),
    /// Read channels.
    Reading(Reading),
    /// Let time pass.
    Waiting(Waiting),
    /// A sweep.
    Sweeping(Sweeping),
    /// A task.
    Tasking(Tasking),
    /// Steps to a safe state, or back.
    Steps(Steps),
    /// Put the tip on the spot near by.
    Centring(Centring),
}

impl Procedure {
    /// Tells it what has happened.
    pub fn step(&mut self, input: Input, ctx: &mut Context<'_>) -> Next {
        match self {
            Procedure::Ramp(p) => p.step(input, ctx),
            Procedure::Reading(p) => p.step(input, ctx),
            Procedure::Waiting(p) => p.step(input, ctx),
            Procedure::Sweeping(p) => p.step(input, ctx),
            Procedure::Tasking(p) => p.step(input, ctx),
            Procedure::Steps(p) => p.step(input, ctx),
            Procedure::Centring(p) => p.step(input, ctx),
        }
    }

    /// It is set aside; whatever it was waiting for will not come.
    pub fn suspend(&mut self, bench: &Bench, now: TimePoint) {
        match self {
            Procedure::Waiting(p) => p.suspend(now),
            Procedure::Ramp(p) => p.rewind(),
            Procedure::Reading(p) => p.rewind(),
            Procedure::Sweeping(p) => p.rewind(),
            Procedure::Tasking(p) => p.suspend(),
            Procedure::Centring(p) => p.rewind(bench),
            Procedure::Steps(p) => p.rewind(),
        }
    }

    /// Nobody asks for what it was doing. True if it is a task that goes on by itself, and is asked for again later.
    pub fn loses_sight(&mut self) -> bool {
        if let Procedure::Tasking(task) = self { task.runs_on() } else { false }
    }

    /// Whether it is a task that goes on by itself and does not care where the tip is.
    pub fn needs_no_tip(&self) -> bool {
        matches!(self, Procedure::Tasking(task) if task.task().kind().needs_no_tip())
    }

    /// What was measured after that moment is doubtful.
    pub fn doubt(&mut self, since: TimePoint) {
        if let Procedure::Sweeping(sweep) = self {
            sweep.doubt(since);
        }
    }

    /// The command it gave last was kept back and will not leave: a task that it was to start is not under way.
    pub fn not_begun(&mut self) {
        match self {
            Procedure::Tasking(task) => task.not_begun(),
            Procedure::Centring(centring) => centring.not_begun(),
            Procedure::Steps(steps) => steps.not_begun(),
            Procedure::Ramp(_) | Procedure::Reading(_) | Procedure::Waiting(_) | Procedure::Sweeping(_) => {}
        }
    }

    /// Its task was refused when it was started again after a start that nobody answered. Steps look in any case.
    pub fn maybe_heard(&mut self) {
        if let Procedure::Tasking(task) = self {
            task.maybe_heard();
        }
    }

    /// Whether a task is under way that must be let go on, unless the tip has to come out.
    pub fn holds_task(&self) -> bool {
        match self {
            Procedure::Tasking(task) => task.under_way(),
            Procedure::Centring(centring) => centring.holds_task(),
            Procedure::Steps(steps) => steps.holds_task(),
            _ => false,
        }
    }
}

/// How failures of a command are met.
pub fn retry_of(bench: &Bench, command: &Command) -> Retry {
    link_of(bench, command).map_or(bench.retry, |link| bench.retry_of(link))
}

/// The link that a command goes to.
pub fn link_of(bench: &Bench, command: &Command) -> Option<usize> {
    match command {
        Command::Set { channel, .. } => Some(bench.channel(*channel).link),
        Command::Read { channels } => {
            channels.as_slice().first().map(|id: &ChannelId| bench.channel(*id).link)
        }
        Command::Begin(_) | Command::Poll | Command::Abort => bench.task_link,
        Command::Look { link, .. } => Some(usize::from(*link)),
    }
}
