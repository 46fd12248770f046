//! Resuming: each call of the sequence is answered from the run file until the file ends, then goes live.

mod recorded;

use super::Port;
use crate::bench::{Bench, Role};
use crate::instrument::{ErrorKind, TaskReport};
use crate::record::{
    Answer, Call, Denial, Ending, Entry, Failure, Memory, OWN_CALL, Outcome, RecordError, Reply, Request,
    RunFile, SweepData, SweepPlan,
};
use recorded::{Recorded, RecordedCalls, What};
use std::sync::Arc;

/// What an operator says about a task with an unknown outcome.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TreatAs {
    /// It has happened.
    Done,
    /// It has not happened; it is done now.
    NotDone,
}

/// Why a replay can't go on. Nothing has moved when it comes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ReplayStop {
    /// The sequence makes another call than the recorded one.
    Differs {
        /// Number of the call.
        n: u64,
        /// The recorded call.
        recorded: String,
        /// The call now.
        now: String,
        /// Where the sequence makes it.
        line: u32,
    },
    /// A task must not be repeated on its own.
    Undecided {
        /// What it is, with its arguments.
        task: String,
    },
    /// The sequence ends itself where it had ended itself, without a call that is not recorded.
    EndsAgain {
        /// What it says.
        reason: String,
        /// Where.
        line: u32,
    },
    /// The record can't be read.
    Unreadable(String),
}

impl std::fmt::Display for ReplayStop {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            ReplayStop::Differs { n, recorded, now, line } => write!(
                f,
                "the sequence does something else than what is recorded, at call {n}:\n  recorded: {recorded}\n  now:      {now} (line {line})\nnothing was moved"
            ),
            ReplayStop::Undecided { task } => write!(
                f,
                "{task} was begun when the run was cut, and nobody recorded its end; it is never repeated on its own.\n\
                 Look at the microscope, then resume with `--treat-as done` or `--treat-as not-done`; nothing was moved"
            ),
            ReplayStop::EndsAgain { reason, line } => {
                let at = if *line > 0 { format!(" (line {line})") } else { String::new() };
                write!(
                    f,
                    "the sequence ends again where it had ended before: {reason}{at}\n\
                     Everything before it is recorded. Mend the sequence and give it with `--sequence`; nothing was moved"
                )
            }
            ReplayStop::Unreadable(reason) => write!(f, "the record can't be replayed: {reason}"),
        }
    }
}

/// Makes the live port when the record ends; it is told which call comes first.
pub type GoLive = Box<dyn FnOnce(&Call) -> Result<Box<dyn Port>, Ending>>;

/// A port that replays first.
pub struct ReplayPort {
    bench: Arc<Bench>,
    seed: u64,
    calls: RecordedCalls,
    treat_as: Option<TreatAs>,
    go_live: Option<GoLive>,
    live: Option<Box<dyn Port>>,
    memory: Arc<Memory>,
    /// Why it stopped, if it did.
    pub stop: std::rc::Rc<std::cell::RefCell<Option<ReplayStop>>>,
}

impl std::fmt::Debug for ReplayPort {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ReplayPort").field("calls", &self.calls).finish_non_exhaustive()
    }
}

impl ReplayPort {
    /// Replays a whole record.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn new(
        bench: Arc<Bench>,
        seed: u64,
        file: RunFile,
        treat_as: Option<TreatAs>,
        go_live: GoLive,
    ) -> Result<Self, RecordError> {
        Self::until(bench, seed, file, u64::MAX, treat_as, go_live)
    }

    /// Replays the rows with numbers below `until`.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn until(
        bench: Arc<Bench>,
        seed: u64,
        file: RunFile,
        until: u64,
        treat_as: Option<TreatAs>,
        go_live: GoLive,
    ) -> Result<Self, RecordError> {
        let known = file.all("known")?.into_iter().find_map(|numbered| match numbered.entry {
            Entry::Known(beforehand) => beforehand.memory,
            _ => None,
        });
        let memory = known.unwrap_or_default();
        let calls = RecordedCalls::new(file, until)?;
        let stop = std::rc::Rc::default();
        Ok(Self { bench, seed, calls, treat_as, go_live: Some(go_live), live: None, memory, stop })
    }

    /// Whether every call so far was answered from the record.
    pub fn only_recalled(&self) -> bool {
        self.go_live.is_some()
    }

    /// The recorded answer; nothing if the call has to be made live, then in the form given back.
    fn replay(&mut self, call: Call, recorded: Recorded) -> Result<Result<Reply, Call>, ReplayStop> {
        let now = call.request.named(&self.bench);
        let what = match (recorded.failed, recorded.what) {
            // An error that the sequence went on from belongs to its course. One that ended the run is no news: the call
            // is made again, or another in its place, unless it may have done what must not be done twice.
            (Some(failed), _) if self.calls.more_follow().map_err(unreadable)? => What::Answered(Err(failed)),
            (Some(_), What::Answered(_)) => return Ok(Err(call)),
            (Some(failed), What::Unknown) if has_not_happened(&failed) => return Ok(Err(call)),
            (_, what) => what,
        };
        if !recorded.request.same_call(&now) {
            let at_line =
                if recorded.line > 0 { format!(" (line {})", recorded.line) } else { String::new() };
            return Err(ReplayStop::Differs {
                n: call.n,
                recorded: format!("{}{at_line}", recorded.request.in_words()),
                now: now.in_words(),
                line: call.place.line,
            });
        }
        match (what, &call.request) {
            (What::Stated, _) => Ok(Ok(Ok(Answer::Done))),
            (What::Answered(answer), _) => Ok(Ok(answer.map_err(Denial::from))),
            (What::Unknown, _) => match self.calls.decided(call.n).map_err(unreadable)?.or(self.treat_as) {
                None => Err(ReplayStop::Undecided { task: now.in_words() }),
                Some(TreatAs::NotDone) => Ok(Err(call)),
                Some(TreatAs::Done) => {
                    let remark = "treated as done by an operator after an interruption".to_owned();
                    let report = TaskReport { achieved: true, remark, data: Vec::new() };
                    Ok(Ok(Ok(Answer::Task(report))))
                }
            },
            (
                What::Sweep { sweep, ended, rows, settings },
                Request::Sweep(plan) | Request::SweepOn { plan: Some(plan), .. },
            ) => {
                let mut values = Vec::new();
                self.calls.readings(sweep, rows, plan.read.len(), &mut values).map_err(unreadable)?;
                let doubtful = self.calls.doubtful(sweep, rows).map_err(unreadable)?;
                if ended {
                    let plan = Arc::clone(plan);
                    let setpoint = self.bench.by_role(Role::Setpoint).map(|id| &self.bench.channel(id).name);
                    let setpoint_a =
                        setpoint.zip(settings).and_then(|(name, settings)| settings.set.get(name).copied());
                    let data = SweepData { sweep, plan, setpoint_a, doubtful, values };
                    return Ok(Ok(Ok(Answer::Sweep(data))));
                }
                // A sweep that was cut goes on at its first missing point.
                let plan = SweepPlan { continues: Some(sweep), done: values, doubtful, ..(**plan).clone() };
                let plan = Arc::new(plan);
                let request = match call.request {
                    Request::SweepOn { sweep, first, until, .. } => {
                        Request::SweepOn { sweep, first, until, plan: Some(plan) }
                    }
                    _ => Request::Sweep(plan),
                };
                Ok(Err(Call { request, ..call }))
            }
            (What::Bulk { mut report, seq }, _) => {
                report.data = self.calls.bulk(seq).map_err(unreadable)?;
                Ok(Ok(Ok(Answer::Task(report))))
            }
            (What::Sweep { .. }, _) => Err(ReplayStop::Unreadable(format!("call {} is no sweep", call.n))),
        }
    }

    /// The answer from the record, or the call as it has to go live.
    fn recall(&mut self, call: Call) -> Result<Result<Reply, Call>, ReplayStop> {
        match self.calls.take(call.n).map_err(unreadable)? {
            Ok(Some(recorded)) => self.replay(call, recorded),
            Ok(None) => Ok(Err(call)),
            Err(next) => Err(ReplayStop::Unreadable(format!(
                "it has call {next}, and nothing of call {} before it; nothing was moved",
                call.n
            ))),
        }
    }
}

/// Whether an instrument, or the gate before it, said that it will not do something.
fn has_not_happened(failed: &Failure) -> bool {
    match failed {
        Failure::Instrument(error) => matches!(error.kind, ErrorKind::Refused | ErrorKind::Busy),
        Failure::Forbidden(_) | Failure::Guarded(_) => true,
    }
}

fn unreadable(error: RecordError) -> ReplayStop {
    ReplayStop::Unreadable(error.to_string())
}

impl Port for ReplayPort {
    fn bench(&self) -> Arc<Bench> {
        Arc::clone(&self.bench)
    }

    fn request(&mut self, call: Call) -> Reply {
        if let Some(live) = &mut self.live {
            return live.request(call);
        }
        let place = call.place.clone();
        let ended = |outcome, reason| Err(Denial::Ended(Ending { outcome, reason, place, latched: false }));
        if self.go_live.is_none() || self.stop.borrow().is_some() {
            return ended(Outcome::Stopped, "the run is over".to_owned());
        }
        let call = match self.recall(call) {
            Ok(Ok(reply)) => return reply,
            Ok(Err(call)) => call,
            Err(stop) => {
                // What goes live is kept: whoever waits for it must hear of the stop before it is gone.
                let reason = stop.to_string();
                *self.stop.borrow_mut() = Some(stop);
                return ended(Outcome::Failed, reason);
            }
        };
        match self.go_live.take().map(|go_live| go_live(&call)) {
            Some(Ok(live)) => self.live.insert(live).request(call),
            Some(Err(ending)) => Err(Denial::Ended(ending)),
            None => ended(Outcome::Stopped, "the run is over".to_owned()),
        }
    }

    fn computed(&mut self, operations: u64) -> Option<Ending> {
        self.live.as_mut().and_then(|live| live.computed(operations))
    }

    fn seed(&self) -> u64 {
        self.seed
    }

    fn memory(&self) -> Arc<Memory> {
        Arc::clone(&self.memory)
    }
}
