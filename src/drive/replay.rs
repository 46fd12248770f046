//! Resuming: each call of the sequence is answered from the run file until the file ends, then goes live.

use super::Port;
use crate::bench::Bench;
use crate::instrument::{InstrumentError, TaskReport};
use crate::record::{Ending, Entry, Numbered, RunFile};
use crate::supervisor::procedure::Centred;
use crate::supervisor::{Answer, Call, Denial, Outlook, Reply, Request, SweepData, SweepPlan};
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;

pub use crate::supervisor::OWN_CALL;

/// What is known of one recorded call.
#[derive(Debug, Clone)]
enum Recorded {
    /// Answered; nothing further is needed.
    Answered(Entry),
    /// A sweep that ended, or was cut short.
    Sweep { sweep: u64, args: String, ended: bool },
    /// A trace or an image; its numbers stand under this number.
    Bulk { entry: Entry, seq: u64 },
    /// Something that must not happen twice was begun, and nobody knows whether it happened.
    Unknown { verb: String, args: String },
}

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

/// Makes the live port when the record ends.
pub type GoLive = Box<dyn FnOnce() -> Result<Box<dyn Port>, Ending>>;

/// A port that replays first.
pub struct ReplayPort {
    bench: Arc<Bench>,
    seed: u64,
    file: RunFile,
    calls: BTreeMap<u64, Recorded>,
    treat_as: Option<TreatAs>,
    go_live: Option<GoLive>,
    live: Option<Box<dyn Port>>,
    /// Why it stopped, if it did.
    pub stop: std::rc::Rc<std::cell::RefCell<Option<ReplayStop>>>,
}

impl std::fmt::Debug for ReplayPort {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ReplayPort").field("calls", &self.calls.len()).finish_non_exhaustive()
    }
}

impl ReplayPort {
    /// Reads what was called.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn new(
        bench: Arc<Bench>,
        seed: u64,
        file: RunFile,
        treat_as: Option<TreatAs>,
        go_live: GoLive,
    ) -> Result<Self, crate::record::RecordError> {
        let mut calls = BTreeMap::new();
        file.entries(None, |numbered| {
            note_call(&mut calls, numbered);
            Ok(())
        })?;
        let stop = std::rc::Rc::default();
        Ok(Self { bench, seed, file, calls, treat_as, go_live: Some(go_live), live: None, stop })
    }

    fn replay(&mut self, call: &Call, recorded: Recorded) -> Result<Option<Reply>, ReplayStop> {
        let verb = call.request.verb();
        let args = call.request.arguments(&self.bench);
        let differs = |recorded: String| ReplayStop::Differs {
            n: call.n,
            recorded: format!("{recorded}{}", self.recorded_line(call.n)),
            now: format!("{verb} {args}"),
            line: call.place.line,
        };
        match recorded {
            Recorded::Unknown { verb: then, args: args_then } => {
                if (then.as_str(), &args_then) != (verb, &args) {
                    return Err(differs(format!("{then} {args_then}")));
                }
                // Calls after it show that it was treated as done in an earlier resume.
                let decided = self.calls.range(call.n + 1..).next().is_some();
                match if decided { Some(TreatAs::Done) } else { self.treat_as } {
                    None => Err(ReplayStop::Undecided { verb: then, args: args_then }),
                    Some(TreatAs::NotDone) => Ok(None),
                    Some(TreatAs::Done) => {
                        self.treat_as = self.treat_as.filter(|_| decided);
                        let remark = "treated as done by an operator after an interruption".to_owned();
                        Ok(Some(Ok(Answer::Task(TaskReport { achieved: true, remark, data: Vec::new() }))))
                    }
                }
            }
            Recorded::Sweep { sweep, args: args_then, ended } => {
                let Request::Sweep(plan) = &call.request else {
                    return Err(differs(format!("sweep {args_then}")));
                };
                if args_then != args {
                    return Err(differs(format!("sweep {args_then}")));
                }
                self.replay_sweep(plan, sweep, ended).map_err(|e| ReplayStop::Unreadable(e.to_string()))
            }
            Recorded::Bulk { entry, seq } => {
                let Entry::Bulk { verb: then, args: args_then, remark, achieved, .. } = entry else {
                    return Err(ReplayStop::Unreadable("a trace has no numbers".to_owned()));
                };
                if (then.as_str(), &args_then) != (verb, &args) {
                    return Err(differs(format!("{then} {args_then}")));
                }
                let data = self.file.bulk(seq).map_err(|e| ReplayStop::Unreadable(e.to_string()))?;
                Ok(Some(Ok(Answer::Task(TaskReport { achieved, remark, data }))))
            }
            Recorded::Answered(entry) => match described(&entry) {
                Some((then, args_then, reply))
                    if then == verb && same_args(&entry, &args_then, &args, call) =>
                {
                    Ok(Some(reply))
                }
                Some((then, args_then, _)) => Err(differs(format!("{then} {args_then}"))),
                None => Err(ReplayStop::Unreadable(format!("call {} has no answer", call.n))),
            },
        }
    }

    /// Where the sequence made a recorded call, in brackets; looked up only where it is told.
    fn recorded_line(&self, n: u64) -> String {
        let mut line = None;
        let looked = self.file.entries(None, |numbered| {
            let value = serde_json::to_value(&numbered.entry).unwrap_or_default();
            if value.get("n").and_then(Value::as_u64) == Some(n) {
                line = line.or_else(|| value.pointer("/place/line").and_then(Value::as_u64));
            }
            Ok(())
        });
        match (looked, line) {
            (Ok(()), Some(line)) if line > 0 => format!(" (line {line})"),
            _ => String::new(),
        }
    }

    fn replay_sweep(
        &self,
        plan: &Arc<SweepPlan>,
        sweep: u64,
        ended: bool,
    ) -> Result<Option<Reply>, crate::record::RecordError> {
        if ended {
            let mut values =
                Vec::with_capacity(usize::try_from(plan.total()).unwrap_or(0).min(1 << 24) * plan.read.len());
            self.file.points(sweep, |point| values.extend_from_slice(point.values.as_slice()))?;
            let data = SweepData { sweep, plan: Arc::clone(plan), values };
            return Ok(Some(Ok(Answer::Sweep(data))));
        }
        Ok(None)
    }

    /// The call as it goes live: a sweep that was cut goes on at its first missing point.
    fn as_live(&self, call: Call) -> Call {
        let (Some(Recorded::Sweep { sweep, .. }), Request::Sweep(plan)) =
            (self.calls.get(&call.n), &call.request)
        else {
            return call;
        };
        let mut values = Vec::new();
        if self.file.points(*sweep, |point| values.extend_from_slice(point.values.as_slice())).is_err() {
            return call;
        }
        let plan = SweepPlan { continues: Some(*sweep), done: values, ..(**plan).clone() };
        Call { request: Request::Sweep(Arc::new(plan)), ..call }
    }
}

impl Port for ReplayPort {
    fn bench(&self) -> Arc<Bench> {
        Arc::clone(&self.bench)
    }

    fn request(&mut self, call: Call) -> Reply {
        if let Some(live) = &mut self.live {
            return live.request(call);
        }
        if let Some(recorded) = self.calls.get(&call.n).cloned() {
            match self.replay(&call, recorded) {
                Ok(Some(reply)) => return reply,
                Ok(None) => {}
                Err(stop) => {
                    let reason = stop.to_string();
                    *self.stop.borrow_mut() = Some(stop);
                    return Err(Denial::Ended(Ending {
                        outcome: crate::record::Outcome::Failed,
                        reason,
                        place: call.place,
                        latched: false,
                    }));
                }
            }
        }
        let Some(go_live) = self.go_live.take() else {
            let reason = "the run is over".to_owned();
            let outcome = crate::record::Outcome::Stopped;
            return Err(Denial::Ended(Ending { outcome, reason, place: call.place, latched: false }));
        };
        let call = self.as_live(call);
        match go_live() {
            Ok(live) => self.live.insert(live).request(call),
            Err(ending) => Err(Denial::Ended(ending)),
        }
    }

    fn computed(&mut self, operations: u64) -> Option<Ending> {
        self.live.as_mut().and_then(|live| live.computed(operations))
    }

    fn seed(&self) -> u64 {
        self.seed
    }
}

fn note_call(calls: &mut BTreeMap<u64, Recorded>, numbered: Numbered) {
    let seq = numbered.seq;
    match numbered.entry {
        Entry::Intent { n, verb, args, .. } => {
            calls.insert(n, Recorded::Unknown { verb, args });
        }
        Entry::SweepBegin { n, sweep, args, .. } => {
            calls.insert(n, Recorded::Sweep { sweep, args, ended: false });
        }
        Entry::SweepEnd { n, .. } => {
            if let Some(Recorded::Sweep { ended, .. }) = calls.get_mut(&n) {
                *ended = true;
            }
        }
        entry @ Entry::Bulk { n, .. } => {
            calls.insert(n, Recorded::Bulk { entry, seq });
        }
        // Calls of the engine itself, when it brought the bench back, are none of the sequence.
        Entry::Call { n: OWN_CALL, .. }
        | Entry::Note { n: OWN_CALL, .. }
        | Entry::Judgement { n: OWN_CALL, .. } => {}
        entry @ (Entry::Call { n, .. }
        | Entry::StepBegin { n, .. }
        | Entry::StepEnd { n, .. }
        | Entry::Judgement { n, .. }
        | Entry::Note { n, .. }
        | Entry::Decision { n, .. }) => {
            calls.insert(n, Recorded::Answered(entry));
        }
        _ => {}
    }
}

/// Verb, arguments and answer of a recorded call.
fn described(entry: &Entry) -> Option<(String, String, Reply)> {
    let done = || Ok(Answer::Done);
    Some(match entry {
        Entry::Call { verb, args, answer, .. } => (verb.clone(), args.clone(), decode(answer)?),
        Entry::StepBegin { name, .. } => ("step_begin".to_owned(), name.clone(), done()),
        Entry::StepEnd { step, .. } => ("step_end".to_owned(), step.to_string(), done()),
        Entry::Judgement { title, .. } => ("judge".to_owned(), title.clone(), done()),
        Entry::Note { text, .. } => ("note".to_owned(), text.clone(), done()),
        Entry::Decision { question, .. } => ("decide".to_owned(), question.clone(), done()),
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
        (Entry::Note { .. }, Request::Record(Jot::Note(_))) => true,
        _ => false,
    }
}

/// The answer as it was recorded.
fn decode(answer: &Value) -> Option<Reply> {
    if answer.get("done").is_some() {
        return Some(Ok(Answer::Done));
    }
    if let Some(number) = answer.get("number") {
        return Some(Ok(Answer::Number(number.as_f64().unwrap_or(f64::MAX))));
    }
    if let Some(numbers) = answer.get("numbers").and_then(Value::as_array) {
        return Some(Ok(Answer::Numbers(numbers.iter().map(|v| v.as_f64().unwrap_or(f64::NAN)).collect())));
    }
    if let Some(task) = answer.get("task") {
        return serde_json::from_value::<TaskReport>(task.clone())
            .ok()
            .map(|report| Ok(Answer::Task(report)));
    }
    if let Some(outlook) = answer.get("outlook") {
        return serde_json::from_value::<Outlook>(outlook.clone()).ok().map(|o| Ok(Answer::Outlook(o)));
    }
    if let Some(centred) = answer.get("centred") {
        return serde_json::from_value::<Centred>(centred.clone()).ok().map(|c| Ok(Answer::Centred(c)));
    }
    if let Some(error) = answer.get("instrument") {
        let error = serde_json::from_value::<InstrumentError>(error.clone()).ok()?;
        return Some(Err(Denial::Instrument(error)));
    }
    answer.get("forbidden").and_then(Value::as_str).map(|reason| Err(Denial::Forbidden(reason.to_owned())))
}
