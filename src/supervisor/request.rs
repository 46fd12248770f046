//! What a sequence can ask of the supervisor, and what it is answered.

use super::HeliumOutlook;
use super::procedure::{CentrePlan, Centred};
use crate::bench::{Bench, ChannelId};
use crate::instrument::{InstrumentError, Task, TaskReport};
use crate::record::{Ending, Place};
use serde_json::{Value, json};
use std::sync::Arc;

/// Number that calls of the engine itself carry: no call of a sequence has it.
pub const OWN_CALL: u64 = u64::MAX;

/// One call of a verb that touches the bench, the clock or the record.
#[derive(Debug, Clone, PartialEq)]
pub struct Call {
    /// Its number in this run, from 0: calls come in the same order when a run is replayed.
    pub n: u64,
    /// Where in the sequence.
    pub place: Place,
    /// What is asked.
    pub request: Request,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub enum Request {
    /// Bring a channel to a value, as fast as its limits permit, and wait until it is there.
    Set {
        /// The channel.
        channel: ChannelId,
        /// Target, SI.
        value: f64,
    },
    /// Read channels; each value is the mean of so many samples.
    Read {
        /// The channels.
        channels: Vec<ChannelId>,
        /// Samples, at least 1.
        samples: u32,
        /// Time between samples, s.
        spacing_s: f64,
    },
    /// Let time pass.
    Wait {
        /// How long, s.
        seconds: f64,
    },
    /// Wait until the lock-in shows what is there now.
    Settle,
    /// A sweep.
    Sweep(Arc<SweepPlan>),
    /// A task.
    Task(Task),
    /// Put the tip on the top of what stands near by.
    Recentre(CentrePlan),
    /// Put something into the record.
    Record(Jot),
    /// Ask for a number.
    Ask(Question),
    /// Park now; the sequence may go on working with its data.
    Park,
    /// Bring the bench back to where a cut run had left it; answered with the number of steps that failed.
    Restore {
        /// Bring the tip in or out; leave it where nothing is said.
        approach: Option<bool>,
        /// Channels and values, SI, in this order.
        values: Vec<(ChannelId, f64)>,
    },
}

/// Something for the record.
#[derive(Debug, Clone, PartialEq)]
pub enum Jot {
    /// A note.
    Note {
        /// The words.
        text: String,
        /// Whether they are for the next shift.
        for_next_shift: bool,
    },
    /// A decision.
    Decision {
        /// What was asked.
        question: String,
        /// What was decided.
        answer: bool,
        /// Why.
        reason: String,
    },
    /// Something worked out from data.
    Judgement {
        /// `fit`, `verdict`, `contrast`, …
        what: String,
        /// The sweep it is about.
        sweep: Option<u64>,
        /// One line for people.
        title: String,
        /// All numbers.
        body: Value,
    },
    /// A step begins.
    StepBegin {
        /// Number of the step.
        step: u64,
        /// Its name.
        name: String,
        /// The step around it.
        parent: Option<u64>,
    },
    /// A step ends.
    StepEnd {
        /// Number of the step.
        step: u64,
        /// Why it was left out, if it was.
        left_out: Option<String>,
    },
}

/// Numbers that only the supervisor knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Question {
    /// Seconds since the run began.
    Elapsed,
    /// Seconds until the window ends, parking taken off; infinite without a window.
    TimeLeft,
    /// Helium above the refill mark, m³.
    HeliumLeft,
    /// What the helium will be above the refill mark, by the readings of the run.
    HeliumOutlook,
}

/// A sweep over one or two channels.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepPlan {
    /// A word for it; sweeps of one name make one table.
    pub name: String,
    /// The axis that is run through for each value of the slow one.
    pub fast: Axis,
    /// The slow axis of a map.
    pub slow: Option<Axis>,
    /// Channels read at each point.
    pub read: Vec<ChannelId>,
    /// Samples averaged at each point, at least 1.
    pub samples: u32,
    /// Time over which the samples are spread, s.
    pub dwell_s: f64,
    /// Wait before reading, s; none takes it from the channels and the lock-in.
    pub settle_s: Option<f64>,
    /// Whether each line is run back as well.
    pub both_ways: bool,
    /// Number of the sweep that this one goes on with, in a resumed run.
    pub continues: Option<u64>,
    /// Readings of the points that are measured already, in a resumed run.
    pub done: Vec<f64>,
}

/// Values of one channel, evenly spaced.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Axis {
    /// The channel.
    pub channel: ChannelId,
    /// First value, SI.
    pub from: f64,
    /// Last value, SI.
    pub to: f64,
    /// Number of values, at least 1.
    pub points: u64,
}

impl Axis {
    /// The i-th value.
    pub fn at(&self, i: u64) -> f64 {
        if self.points <= 1 || i == 0 {
            return self.from;
        }
        if i + 1 >= self.points {
            return self.to;
        }
        self.from + (self.to - self.from) * (i as f64 / (self.points - 1) as f64)
    }
}

impl SweepPlan {
    /// Points in all.
    pub fn total(&self) -> u64 {
        self.line() * self.slow.map_or(1, |axis| axis.points)
    }

    /// Points in one run of the fast axis, both ways counted.
    pub fn line(&self) -> u64 {
        self.fast.points * if self.both_ways { 2 } else { 1 }
    }

    /// Values of the fast and slow axis at the i-th point.
    pub fn at(&self, i: u64) -> (f64, f64) {
        let along = i % self.line();
        let fast = if along < self.fast.points { along } else { self.line() - 1 - along };
        let slow = self.slow.map_or(0.0, |axis| axis.at(i / self.line()));
        (self.fast.at(fast), slow)
    }
}

/// What was measured in a sweep: `read.len()` values for each point, in order.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepData {
    /// Its number in the run.
    pub sweep: u64,
    /// The plan.
    pub plan: Arc<SweepPlan>,
    /// The readings, SI, point by point.
    pub values: Vec<f64>,
}

/// An answer to a request.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// It is done.
    Done,
    /// A number, SI.
    Number(f64),
    /// Readings, SI.
    Numbers(Vec<f64>),
    /// A sweep.
    Sweep(SweepData),
    /// A task has ended.
    Task(TaskReport),
    /// What the helium will be.
    HeliumOutlook(HeliumOutlook),
    /// A re-centring has ended.
    Centred(Centred),
}

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq)]
pub enum Denial {
    /// An instrument failed; a sequence may catch this and try something else.
    Instrument(InstrumentError),
    /// A limit or a permit forbids it; nothing was moved. A sequence may catch this.
    Forbidden(String),
    /// The run is over. No sequence can catch this.
    Ended(Ending),
}

/// What comes back for a call.
pub type Reply = Result<Answer, Denial>;

impl Request {
    /// The verb, as it is recorded.
    pub fn verb(&self) -> &'static str {
        match self {
            Request::Set { .. } => "set",
            Request::Read { .. } => "read",
            Request::Wait { .. } => "wait",
            Request::Settle => "settle",
            Request::Sweep(_) => "sweep",
            Request::Task(task) => task.kind().name(),
            Request::Recentre(_) => "recentre",
            Request::Record(Jot::Note { .. }) => "note",
            Request::Record(Jot::Decision { .. }) => "decide",
            Request::Record(Jot::Judgement { .. }) => "judge",
            Request::Record(Jot::StepBegin { .. }) => "step_begin",
            Request::Record(Jot::StepEnd { .. }) => "step_end",
            Request::Ask(Question::Elapsed) => "elapsed",
            Request::Ask(Question::TimeLeft) => "time_left",
            Request::Ask(Question::HeliumLeft) => "helium_left",
            Request::Ask(Question::HeliumOutlook) => "helium_outlook",
            Request::Park => "park",
            Request::Restore { .. } => "restore",
        }
    }

    /// The arguments as recorded: the same call has the same text in every run.
    pub fn arguments(&self, bench: &Bench) -> String {
        let name = |id: &ChannelId| bench.channel(*id).name.as_str();
        let value = match self {
            Request::Set { channel, value } => json!({ "channel": name(channel), "value": value }),
            Request::Read { channels, samples, spacing_s } => {
                let names: Vec<&str> = channels.iter().map(name).collect();
                json!({ "channels": names, "samples": samples, "spacing_s": spacing_s })
            }
            Request::Wait { seconds } => json!({ "seconds": seconds }),
            Request::Sweep(plan) => plan.arguments(bench),
            Request::Task(Task::Trace { channel, samples, interval_s }) => {
                json!({ "channel": name(channel), "samples": samples, "interval_s": interval_s })
            }
            Request::Task(task) => task.arguments(),
            Request::Recentre(plan) => json!({
                "channel": name(&plan.channel),
                "reach_m": plan.reach_m,
                "points": plan.points,
                "search_m": plan.search_m,
            }),
            Request::Record(Jot::Note { text, .. }) => json!({ "text": text }),
            Request::Record(Jot::Decision { question, answer, reason }) => {
                json!({ "question": question, "answer": answer, "reason": reason })
            }
            Request::Record(Jot::Judgement { what, sweep, title, .. }) => {
                json!({ "what": what, "sweep": sweep, "title": title })
            }
            Request::Record(Jot::StepBegin { step, name, .. }) => json!({ "step": step, "name": name }),
            Request::Record(Jot::StepEnd { step, left_out }) => json!({ "step": step, "left_out": left_out }),
            Request::Restore { approach, values } => {
                let values: Vec<Value> =
                    values.iter().map(|(id, value)| json!({ "channel": name(id), "value": value })).collect();
                json!({ "approach": approach, "values": values })
            }
            Request::Settle | Request::Ask(_) | Request::Park => json!({}),
        };
        value.to_string()
    }
}

impl SweepPlan {
    fn arguments(&self, bench: &Bench) -> Value {
        let name = |id: &ChannelId| bench.channel(*id).name.as_str();
        let axis =
            |a: &Axis| json!({ "channel": name(&a.channel), "from": a.from, "to": a.to, "points": a.points });
        json!({
            "name": self.name,
            "fast": axis(&self.fast),
            "slow": self.slow.as_ref().map(axis),
            "read": self.read.iter().map(name).collect::<Vec<_>>(),
            "samples": self.samples,
            "dwell_s": self.dwell_s,
            "settle_s": self.settle_s,
            "both_ways": self.both_ways,
        })
    }
}
