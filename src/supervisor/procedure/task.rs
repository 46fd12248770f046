//! A task: start it, ask for its end, give up in time.

use super::{Context, Input, Next};
use crate::bench::{Bench, ChannelId, Role};
use crate::instrument::{ErrorKind, InstrumentError, Task, TaskReport};
use crate::quantity::TimePoint;
use crate::record::{Answer, Failure};
use crate::supervisor::Probe;
use crate::supervisor::event::{Answered, Channels, Command};

#[derive(Debug, Clone, PartialEq)]
enum Stage {
    Ready,
    Starting,
    Running,
    Aborting,
    /// It was refused so, though an earlier start may have been heard: whether it is done is looked at.
    Looking(InstrumentError),
}

/// A task at work.
#[derive(Debug)]
pub struct Tasking {
    task: Task,
    stage: Stage,
    begun: bool,
    /// A start that was not answered may have been heard.
    maybe_heard: bool,
    next_poll: TimePoint,
    deadline: TimePoint,
}

impl Tasking {
    /// A task, not begun.
    pub fn new(task: Task) -> Self {
        Self {
            task,
            stage: Stage::Ready,
            begun: false,
            maybe_heard: false,
            next_poll: TimePoint::START,
            deadline: TimePoint::NEVER,
        }
    }

    /// Whether it has been started and not reported.
    pub fn under_way(&self) -> bool {
        self.begun
    }

    /// Whether it runs on by itself; then it is asked for when it is resumed.
    pub(super) fn runs_on(&mut self) -> bool {
        let runs = self.begun && self.stage == Stage::Running;
        if runs {
            self.next_poll = TimePoint::START;
        }
        runs
    }

    /// The task.
    pub fn task(&self) -> &Task {
        &self.task
    }

    /// Its start was kept back and will not leave.
    pub(super) fn not_begun(&mut self) {
        self.stage = Stage::Ready;
        self.begun = false;
    }

    /// It was refused when it was started again after a start that nobody answered.
    pub(super) fn maybe_heard(&mut self) {
        self.maybe_heard = true;
    }

    /// It was aborted for the sake of the tip, or its answer was lost.
    pub(super) fn suspend(&mut self) {
        self.stage = Stage::Ready;
    }

    /// Where it shows that it is done, and what is read there then; nothing where no channel tells.
    fn shows(&self, bench: &Bench) -> Option<(ChannelId, f64)> {
        let in_range = match self.task {
            Task::Approach => 1.0,
            Task::Withdraw => 0.0,
            _ => return None,
        };
        Some((bench.by_role(Role::Approached)?, in_range))
    }

    pub(super) fn step(&mut self, input: Input, ctx: &mut Context<'_>) -> Next {
        match input {
            Input::Refused(reason) => return Next::Finished(Err(Failure::Forbidden(reason))),
            Input::Answered(answered) => return self.answered(answered, ctx),
            Input::Go => {}
        }
        match self.stage {
            Stage::Ready if self.begun && self.task.kind().once_only() => {
                let name = self.task.kind().name();
                let message = format!("the {name} was interrupted, and it must not be done twice");
                Next::Finished(Err(Failure::Instrument(InstrumentError::new(ErrorKind::TimedOut, message))))
            }
            Stage::Ready => {
                self.stage = Stage::Starting;
                self.begun = true;
                self.deadline = ctx.now.after(self.task.longest_s());
                Next::Command(Command::Begin(self.task))
            }
            // One that nobody has asked for since it was let run may have ended in time.
            Stage::Running if ctx.now >= self.deadline && self.next_poll > TimePoint::START => {
                self.stage = Stage::Aborting;
                ctx.reach(Probe::TaskOverdue);
                Next::Command(Command::Abort)
            }
            Stage::Running if ctx.now < self.next_poll => Next::Until(self.next_poll.min(self.deadline)),
            Stage::Running => Next::Command(Command::Poll),
            Stage::Starting | Stage::Aborting | Stage::Looking(_) if ctx.now < self.deadline => {
                Next::Until(self.deadline)
            }
            // Nothing may be waited for that is past, or the supervisor would turn on the spot.
            Stage::Starting | Stage::Aborting | Stage::Looking(_) => {
                let message = format!("nothing was heard of the {} in its time", self.task.kind().name());
                Next::Finished(Err(Failure::Instrument(InstrumentError::new(ErrorKind::TimedOut, message))))
            }
        }
    }

    fn answered(&mut self, answered: Answered, ctx: &mut Context<'_>) -> Next {
        match (&self.stage, answered) {
            (Stage::Looking(refused), answered) => {
                let read =
                    if let Answered::Read(values) = &answered { values.as_slice().first() } else { None };
                let done = self.shows(ctx.bench).is_some_and(|(_, wanted)| read == Some(&wanted));
                if !done {
                    return Next::Finished(Err(Failure::Instrument(refused.clone())));
                }
                ctx.reach(Probe::ReachedAlready);
                self.begun = false;
                let remark = "its start was not answered, and it is done".to_owned();
                Next::Finished(Ok(Answer::Task(TaskReport { achieved: true, remark, data: Vec::new() })))
            }
            (Stage::Aborting, _) => {
                let name = self.task.kind().name();
                let message = format!("the {name} did not come to an end and was aborted");
                Next::Finished(Err(Failure::Instrument(InstrumentError::new(ErrorKind::TimedOut, message))))
            }
            (Stage::Starting, Answered::Failed(error)) if self.maybe_heard => match self.shows(ctx.bench) {
                Some((id, _)) => {
                    self.stage = Stage::Looking(error);
                    Next::Command(Command::Read { channels: Channels::new(&[id]) })
                }
                None => Next::Finished(Err(Failure::Instrument(error))),
            },
            (_, Answered::Failed(error)) => Next::Finished(Err(Failure::Instrument(error))),
            (_, Answered::Ended(report)) => {
                self.begun = false;
                Next::Finished(Ok(Answer::Task(report)))
            }
            (Stage::Starting, _) => {
                self.stage = Stage::Running;
                // Its time counts from when it was taken: its start may have waited for a permit.
                self.deadline = ctx.now.after(self.task.longest_s());
                self.next_poll = ctx.now.after(first_poll_s(&self.task));
                Next::Until(self.next_poll)
            }
            _ => {
                self.next_poll = ctx.now.after(poll_every_s(&self.task));
                Next::Until(self.next_poll)
            }
        }
    }
}

/// Where the duration is known, nobody asks before it is over.
fn first_poll_s(task: &Task) -> f64 {
    match *task {
        Task::Trace { samples, interval_s, .. } => f64::from(samples) * interval_s,
        Task::Pulse { length_s, .. } => length_s,
        _ => poll_every_s(task),
    }
}

fn poll_every_s(task: &Task) -> f64 {
    match *task {
        Task::Trace { .. } | Task::Pulse { .. } => 0.1,
        Task::Image { line_s, .. } => (2.0 * line_s).max(0.2),
        Task::Regenerate => 20.0,
        Task::Approach | Task::Persist { .. } => 1.0,
        _ => 0.25,
    }
}
