//! Resuming: each call of the sequence is answered from the run file until the file ends, then goes live.

mod recorded;

use super::Port;
use crate::bench::Bench;
use crate::instrument::{ErrorKind, InstrumentError, TaskReport};
use crate::record::{Ending, Entry, Outcome, RecordError, RunFile};
use crate::supervisor::procedure::Centred;
use crate::supervisor::{Answer, Call, Denial, HeliumOutlook, Reply, Request, SweepData, SweepPlan};
use recorded::{Recorded, RecordedCalls, What};
use serde_json::Value;
use std::borrow::Cow;
use std::sync::Arc;

pub use crate::supervisor::OWN_CALL;

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
        /// What it is.
        verb: String,
        /// Its arguments.
        args: String,
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
            ReplayStop::Undecided { verb, args } => write!(
                f,
                "a {verb} ({args}) was begun when the run was cut, and nobody recorded its end; it is never repeated on its own.\n\
                 Look at the microscope, then resume with `--treat-as done` or `--treat-as not-done`; nothing was moved"
            ),
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
        let calls = RecordedCalls::new(file, until)?;
        let stop = std::rc::Rc::default();
        Ok(Self { bench, seed, calls, treat_as, go_live: Some(go_live), live: None, stop })
    }

    /// The recorded answer; nothing if the call has to be made live, then in the form given back.
    fn replay(&mut self, call: Call, recorded: Recorded) -> Result<Result<Reply, Call>, ReplayStop> {
        let verb = call.request.verb();
        let args = call.request.arguments(&self.bench);
        let at_line = if recorded.line > 0 { format!(" (line {})", recorded.line) } else { String::new() };
        let (n, line) = (call.n, call.place.line);
        let differs = |recorded: String| {
            Err(ReplayStop::Differs {
                n,
                recorded: format!("{recorded}{at_line}"),
                now: format!("{verb} {args}"),
                line,
            })
        };
        let what = match (recorded.failed, recorded.what) {
            // An error that the sequence went on from belongs to its course. One that ended the run is no news: the call
            // is made again, or another in its place, unless it may have done what must not be done twice.
            (Some(failed), _) if self.calls.more_follow().map_err(unreadable)? => What::Answered(failed),
            (Some(_), What::Answered(_)) => return Ok(Err(call)),
            (Some(failed), What::Unknown { .. }) if has_not_happened(&failed) => return Ok(Err(call)),
            (_, what) => what,
        };
        match what {
            What::Unknown { verb: then, args: args_then } => {
                if (then.as_str(), &args_then) != (verb, &args) {
                    return differs(format!("{then} {args_then}"));
                }
                match self.calls.decided(n).map_err(unreadable)?.or(self.treat_as) {
                    None => Err(ReplayStop::Undecided { verb: then, args: args_then }),
                    Some(TreatAs::NotDone) => Ok(Err(call)),
                    Some(TreatAs::Done) => {
                        let remark = "treated as done by an operator after an interruption".to_owned();
                        let report = TaskReport { achieved: true, remark, data: Vec::new() };
                        Ok(Ok(Ok(Answer::Task(report))))
                    }
                }
            }
            What::Sweep { sweep, args: args_then, ended, rows } => {
                let Request::Sweep(plan) = &call.request else {
                    return differs(format!("sweep {args_then}"));
                };
                if args_then != args {
                    return differs(format!("sweep {args_then}"));
                }
                let mut values = Vec::new();
                self.calls.readings(sweep, rows, plan.read.len(), &mut values).map_err(unreadable)?;
                if ended {
                    return Ok(Ok(Ok(Answer::Sweep(SweepData { sweep, plan: Arc::clone(plan), values }))));
                }
                // A sweep that was cut goes on at its first missing point.
                let plan = SweepPlan { continues: Some(sweep), done: values, ..(**plan).clone() };
                Ok(Err(Call { request: Request::Sweep(Arc::new(plan)), ..call }))
            }
            What::Bulk { verb: then, args: args_then, mut report, seq } => {
                if (then.as_str(), &args_then) != (verb, &args) {
                    return differs(format!("{then} {args_then}"));
                }
                report.data = self.calls.bulk(seq).map_err(unreadable)?;
                Ok(Ok(Ok(Answer::Task(report))))
            }
            What::Answered(entry) => {
                let Some((then, args_then)) = described(&entry) else {
                    return Err(ReplayStop::Unreadable(format!("call {n} has no answer")));
                };
                if then != verb || !same_args(&entry, &args_then, &args, &call) {
                    return differs(format!("{then} {args_then}"));
                }
                let Entry::Call { answer, .. } = entry else { return Ok(Ok(Ok(Answer::Done))) };
                let reply = decode(answer)
                    .ok_or_else(|| ReplayStop::Unreadable(format!("the answer to call {n} is unknown")))?;
                Ok(Ok(reply))
            }
        }
    }

    /// The answer from the record, or the call as it has to go live.
    fn recall(&mut self, call: Call) -> Result<Result<Reply, Call>, ReplayStop> {
        match self.calls.take(call.n).map_err(unreadable)? {
            Some(recorded) => self.replay(call, recorded),
            None => Ok(Err(call)),
        }
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
}

/// Whether an instrument, or the gate before it, said that it will not do something.
fn has_not_happened(failed: &Entry) -> bool {
    let Entry::Call { answer, .. } = failed else { return false };
    match decode(answer.clone()) {
        Some(Err(Denial::Instrument(error))) => matches!(error.kind, ErrorKind::Refused | ErrorKind::Busy),
        Some(Err(Denial::Forbidden(_))) => true,
        _ => false,
    }
}

/// Verb and arguments of a recorded call.
fn described(entry: &Entry) -> Option<(&str, Cow<'_, str>)> {
    Some(match entry {
        Entry::Call { verb, args, .. } => (verb, args.into()),
        Entry::StepBegin { name, .. } => ("step_begin", name.into()),
        Entry::StepEnd { step, .. } => ("step_end", step.to_string().into()),
        Entry::Judgement { title, .. } => ("judge", title.into()),
        Entry::Note { text, .. } => ("note", text.into()),
        Entry::Decision { question, .. } => ("decide", question.into()),
        _ => return None,
    })
}

/// Words of the sequence for people may be edited: a note is not a call to the bench. What decides the
/// course of the sequence must be the same.
fn same_args(entry: &Entry, then: &str, now: &str, call: &Call) -> bool {
    use crate::supervisor::Jot;
    match (entry, &call.request) {
        (Entry::Call { .. }, _) => then == now,
        (Entry::StepEnd { step, left_out, .. }, Request::Record(Jot::StepEnd { step: s, left_out: l })) => {
            step == s && left_out.is_some() == l.is_some()
        }
        (Entry::StepBegin { step, .. }, Request::Record(Jot::StepBegin { step: s, .. })) => step == s,
        (Entry::Decision { answer, .. }, Request::Record(Jot::Decision { answer: a, .. })) => answer == a,
        (Entry::Judgement { what, sweep, .. }, Request::Record(Jot::Judgement { what: w, sweep: s, .. })) => {
            what == w && sweep == s
        }
        (Entry::Note { .. }, Request::Record(Jot::Note { .. })) => true,
        _ => false,
    }
}

/// The answer as it was recorded.
fn decode(mut answer: Value) -> Option<Reply> {
    let answer = answer.as_object_mut()?;
    let number = |value: &Value| value.as_f64();
    if answer.contains_key("done") {
        return Some(Ok(Answer::Done));
    }
    if let Some(value) = answer.get("number") {
        // Infinite numbers have no form in JSON.
        return Some(Ok(Answer::Number(number(value).unwrap_or(f64::MAX))));
    }
    if let Some(numbers) = answer.get("numbers").and_then(Value::as_array) {
        let numbers = numbers.iter().map(|value| number(value).unwrap_or(f64::NAN)).collect();
        return Some(Ok(Answer::Numbers(numbers)));
    }
    if let Some(task) = answer.remove("task") {
        return serde_json::from_value::<TaskReport>(task).ok().map(|report| Ok(Answer::Task(report)));
    }
    if let Some(outlook) = answer.remove("outlook") {
        return serde_json::from_value::<HeliumOutlook>(outlook)
            .ok()
            .map(|outlook| Ok(Answer::HeliumOutlook(outlook)));
    }
    if let Some(centred) = answer.remove("centred") {
        return serde_json::from_value::<Centred>(centred).ok().map(|centred| Ok(Answer::Centred(centred)));
    }
    if let Some(error) = answer.remove("instrument") {
        let error = serde_json::from_value::<InstrumentError>(error).ok()?;
        return Some(Err(Denial::Instrument(error)));
    }
    answer.get("forbidden").and_then(Value::as_str).map(|reason| Err(Denial::Forbidden(reason.to_owned())))
}
