//! What a sequence can ask of the supervisor.
//!
//! A request at work knows channels by their places on the bench; in a record they stand by name, with their
//! units where numbers belong to them. It is one type, with another way to call a channel.

use super::{Achieved, JudgementKind, OwnTable, Place, PlanSaid, SweepPlan, TipFinding};
use crate::bench::{Bench, ChannelId, Recentre};
use crate::instrument::Task;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Request<C = ChannelId> {
    /// Bring a channel to a value, as fast as its limits permit, and wait until it is there.
    Set {
        /// The channel.
        channel: C,
        /// Target, SI.
        value: f64,
    },
    /// Read channels; each value is the mean of so many samples.
    Read {
        /// The channels.
        channels: Vec<C>,
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
    Sweep(Arc<SweepPlan<C>>),
    /// Go on with a sweep that paused so that the sequence could look at it.
    SweepOn {
        /// Its number in the run.
        sweep: u64,
        /// The first point of this stretch.
        first: u64,
        /// The stretch ends before this point.
        until: u64,
        /// The whole plan, for whoever measures; a record has it at the beginning of the sweep.
        #[serde(skip)]
        plan: Option<Arc<SweepPlan>>,
    },
    /// A task.
    Task(Task<C>),
    /// Put the tip on the top of what stands near by.
    Recentre(CentrePlan<C>),
    /// Put something into the record.
    Record(Statement),
    /// Ask for a number.
    Ask(Question),
    /// Park now; the sequence may go on working with its data.
    Park,
    /// Bring the bench back to where a cut run had left it; answered with the number of steps that failed.
    Restore {
        /// Bring the tip in or out; leave it where nothing is said.
        approach: Option<bool>,
        /// Channels and values, SI, in this order.
        values: Vec<(C, f64)>,
    },
}

/// Something for the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Statement {
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
        /// Of what kind.
        what: JudgementKind,
        /// The sweep it is about.
        sweep: Option<u64>,
        /// One line for people.
        title: String,
        /// All numbers.
        body: Value,
    },
    /// What the sequence says that it has achieved.
    Result {
        /// What.
        what: Achieved,
        /// More on it, or why nothing.
        about: String,
    },
    /// What a test of the tip has found, here and now.
    TipTest(TipFinding),
    /// A spin is kept from now on.
    Keep {
        /// Its name.
        name: String,
        /// Where it is, m.
        at_m: [f64; 2],
    },
    /// A sweep is over before all of its points are measured, because the sequence has seen enough.
    SweepEnd {
        /// Number of the sweep.
        sweep: u64,
        /// Points that were measured.
        points: u64,
        /// Why no more.
        because: String,
    },
    /// Something of the plan.
    Plan(Box<PlanSaid>),
    /// A table that the sequence has made.
    Table(OwnTable),
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
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Question {
    /// Seconds since the run began.
    Elapsed,
    /// Seconds until the window ends, parking taken off; infinite without a window.
    TimeLeft,
    /// Helium above the refill limit, m³.
    HeliumLeft,
    /// What the helium will be above the refill limit, by the readings of the run.
    HeliumOutlook,
    /// What is known of the tip that is in.
    Tip,
    /// How far the goals of the plan are.
    Goals,
    /// What the sequence before in the queue has declared.
    Earlier,
    /// Seconds since the pot was last condensed; very many where nobody knows.
    SinceCondensed,
}

/// How a spot is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CentrePlan<C = ChannelId> {
    /// Channel that is read; its maximum is the spot.
    pub channel: C,
    /// How far the pattern goes to each side, m.
    pub reach_m: f64,
    /// Places along each side of the pattern; odd, at least 3.
    pub points: u32,
    /// How far a search goes to each side if the pattern does not show the spot, m; 0 for none.
    pub search_m: f64,
    /// Curvature that the spot had before, if it must be the same one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected: Option<f64>,
}

impl CentrePlan {
    /// The pattern that the bench declares.
    pub fn of_bench(plan: &Recentre) -> Self {
        let (reach_m, search_m) = (0.5 * plan.span_m, 0.5 * plan.search_m);
        Self { channel: plan.channel, reach_m, points: plan.points, search_m, expected: None }
    }
}

impl<C> CentrePlan<C> {
    pub(crate) fn renamed<D>(&self, name: impl FnOnce(&C) -> Option<D>) -> Option<CentrePlan<D>> {
        let CentrePlan { reach_m, points, search_m, expected, .. } = *self;
        Some(CentrePlan { channel: name(&self.channel)?, reach_m, points, search_m, expected })
    }
}

impl<C> Request<C> {
    /// The verb, for people.
    pub fn verb(&self) -> &'static str {
        match self {
            Request::Set { .. } => "set",
            Request::Read { .. } => "read",
            Request::Wait { .. } => "wait",
            Request::Settle => "settle",
            Request::Sweep(_) | Request::SweepOn { .. } => "sweep",
            Request::Task(task) => task.kind().name(),
            Request::Recentre(_) => "recentre",
            Request::Record(Statement::Note { .. }) => "note",
            Request::Record(Statement::Decision { .. }) => "decide",
            Request::Record(Statement::Judgement { .. }) => "judge",
            Request::Record(Statement::Result { .. }) => "result",
            Request::Record(Statement::TipTest(_)) => "test_tip",
            Request::Record(Statement::Keep { .. }) => "keep_spin",
            Request::Record(Statement::Plan(said)) => match **said {
                PlanSaid::Goal(_) => "goal",
                PlanSaid::Counts { .. } => "counts_for",
                PlanSaid::GivenUp { .. } => "give_up",
                PlanSaid::Choice(_) => "choose_next",
                PlanSaid::Budget(_) => "budget",
                PlanSaid::Asked(_) => "ask_people",
            },
            Request::Record(Statement::SweepEnd { .. }) => "sweep_end",
            Request::Record(Statement::Table(_)) => "record_table",
            Request::Record(Statement::StepBegin { .. }) => "step_begin",
            Request::Record(Statement::StepEnd { .. }) => "step_end",
            Request::Ask(Question::Elapsed) => "elapsed",
            Request::Ask(Question::TimeLeft) => "time_left",
            Request::Ask(Question::HeliumLeft) => "helium_left",
            Request::Ask(Question::HeliumOutlook) => "helium_outlook",
            Request::Ask(Question::Tip) => "tip_now",
            Request::Ask(Question::Goals) => "goals",
            Request::Ask(Question::Earlier) => "earlier_result",
            Request::Ask(Question::SinceCondensed) => "cold_left",
            Request::Park => "park",
            Request::Restore { .. } => "restore",
        }
    }

    /// Whether it takes the tip off the spot on which it was centred, or changes the tip. `along` says of a channel
    /// whether it moves the tip along the surface.
    pub fn leaves_spot(&self, along: impl Fn(&C) -> bool) -> bool {
        match self {
            Request::Set { channel, .. } => along(channel),
            Request::Sweep(plan) => plan.moved().any(along),
            Request::Task(task) => task.kind().leaves_spot(),
            Request::Recentre(_) | Request::Park => true,
            // A tip that comes in again is centred anew by whoever restores; else it stands where it stood.
            Request::Restore { approach, .. } => approach.is_some(),
            // Where it moves the tip, its beginning has said so.
            Request::SweepOn { .. }
            | Request::Read { .. }
            | Request::Wait { .. }
            | Request::Settle
            | Request::Record(_)
            | Request::Ask(_) => false,
        }
    }

    /// The same request on channels that go by other names; nothing if one of them has none.
    pub fn renamed<D>(&self, name: &mut impl FnMut(&C) -> Option<D>) -> Option<Request<D>> {
        Some(match self {
            Request::Set { channel, value } => Request::Set { channel: name(channel)?, value: *value },
            Request::Read { channels, samples, spacing_s } => Request::Read {
                channels: channels.iter().map(name).collect::<Option<_>>()?,
                samples: *samples,
                spacing_s: *spacing_s,
            },
            Request::Wait { seconds } => Request::Wait { seconds: *seconds },
            Request::Settle => Request::Settle,
            Request::Sweep(plan) => Request::Sweep(Arc::new(plan.renamed(name)?)),
            // A record does not tell the plan once more.
            Request::SweepOn { sweep, first, until, .. } => {
                Request::SweepOn { sweep: *sweep, first: *first, until: *until, plan: None }
            }
            Request::Task(task) => Request::Task(task.renamed(name)?),
            Request::Recentre(plan) => Request::Recentre(plan.renamed(name)?),
            Request::Record(statement) => Request::Record(statement.clone()),
            Request::Ask(question) => Request::Ask(*question),
            Request::Park => Request::Park,
            Request::Restore { approach, values } => Request::Restore {
                approach: *approach,
                values: values.iter().map(|(id, v)| Some((name(id)?, *v))).collect::<Option<_>>()?,
            },
        })
    }
}

/// The names of a bench, as they stand in records.
///
/// # Panics
/// Never: places on a bench are given out by the bench.
fn named<T>(found: Option<T>) -> T {
    found.expect("every channel of a bench has a name")
}

impl Request {
    /// With the names of the channels, as it is recorded.
    pub fn named(&self, bench: &Bench) -> Request<String> {
        named(self.renamed(&mut |id| Some(bench.channel(*id).name.clone())))
    }
}

impl Request<String> {
    /// Verb and arguments, for people and exports: `set(channel: bias, value: 0.05)`.
    pub fn in_words(&self) -> String {
        match arguments(self) {
            Some(arguments) => format!("{}({})", self.verb(), listed(&arguments)),
            None => self.verb().to_owned(),
        }
    }

    /// On the channels of a bench; nothing if the bench does not have one of them.
    pub fn on(&self, bench: &Bench) -> Option<Request> {
        self.renamed(&mut |name| bench.find(name))
    }

    /// Whether it is the same call to the bench. Words for people may be edited: a note is not a call. What decides
    /// the course of the sequence must be the same.
    pub fn same_call(&self, now: &Self) -> bool {
        use Statement::{
            Decision, Judgement, Keep, Note, Plan, Result, StepBegin, StepEnd, SweepEnd, Table, TipTest,
        };
        let (Request::Record(then), Request::Record(now)) = (self, now) else { return self == now };
        match (then, now) {
            (StepEnd { step, left_out }, StepEnd { step: s, left_out: l }) => {
                step == s && left_out.is_some() == l.is_some()
            }
            (StepBegin { step, .. }, StepBegin { step: s, .. }) => step == s,
            (Decision { answer, .. }, Decision { answer: a, .. }) => answer == a,
            (Judgement { what, sweep, .. }, Judgement { what: w, sweep: s, .. }) => what == w && sweep == s,
            (Note { .. }, Note { .. }) => true,
            (Result { what, .. }, Result { what: w, .. }) => what == w,
            (TipTest(then), TipTest(now)) => then.verdict == now.verdict,
            (Keep { .. }, Keep { .. }) | (Plan(_), Plan(_)) => then == now,
            (SweepEnd { sweep, points, .. }, SweepEnd { sweep: s, points: p, .. }) => {
                (sweep, points) == (s, p)
            }
            // Numbers that were worked out decide nothing by themselves, as those of a judgement.
            (Table(then), Table(now)) => then.name == now.name && then.rows == now.rows,
            _ => false,
        }
    }
}

/// What stands behind the tags of an enum: `{"set":{…}}` gives `{…}`, a word without arguments nothing.
fn arguments(asked: &Request<String>) -> Option<Map<String, Value>> {
    let mut value = serde_json::to_value(asked).expect("requests are plain data");
    let tags = if matches!(asked, Request::Task(_) | Request::Record(_) | Request::Ask(_)) { 2 } else { 1 };
    for _ in 0..tags {
        value = std::mem::take(value.as_object_mut()?.values_mut().next()?);
    }
    if let Value::Object(arguments) = value { Some(arguments) } else { None }
}

fn listed(arguments: &Map<String, Value>) -> String {
    let given = arguments.iter().filter(|(_, value)| !value.is_null());
    let told: Vec<String> = given.map(|(name, value)| format!("{name}: {}", told(value))).collect();
    told.join(", ")
}

fn told(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Array(all) => format!("[{}]", all.iter().map(told).collect::<Vec<_>>().join(", ")),
        Value::Object(inner) => format!("({})", listed(inner)),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Axis;

    #[test]
    fn a_request_is_told_with_its_arguments() {
        let set = Request::Set { channel: "bias".to_owned(), value: 0.05 };
        assert_eq!(set.in_words(), "set(channel: bias, value: 0.05)");
        assert_eq!(Request::Task(Task::<String>::Approach).in_words(), "approach");
        assert_eq!(
            Request::Task(Task::<String>::CoarseStep { steps: -3 }).in_words(),
            "coarse_step(steps: -3)"
        );
        let note = Statement::Note { text: "so".to_owned(), for_next_shift: false };
        assert_eq!(Request::Record(note).in_words(), "note(for_next_shift: false, text: so)");
        assert_eq!(Request::Ask(Question::Elapsed).in_words(), "elapsed");
        let read =
            Request::Read { channels: vec!["a".to_owned(), "b".to_owned()], samples: 1, spacing_s: 0.0 };
        assert_eq!(read.in_words(), "read(channels: [a, b], samples: 1, spacing_s: 0.0)");
    }

    #[test]
    fn names_lead_back_to_the_channels_of_the_bench() {
        let bench = crate::bench::builtin();
        let id = |name: &str| bench.find(name).unwrap();
        let axis = Axis { channel: id("bias"), from: 0.04, to: 0.06, points: 5 };
        let plan = SweepPlan { both_ways: true, ..SweepPlan::plain("iv", axis, vec![id("current")]) };
        let columns = plan.in_columns(&bench);
        assert_eq!((columns.fast.channel.unit.as_str(), columns.total()), ("mV", 10));
        let request = Request::Sweep(Arc::new(plan));
        assert_eq!(request.named(&bench).on(&bench), Some(request));
        assert_eq!(Request::Set { channel: "nobody".to_owned(), value: 1.0 }.on(&bench), None);
    }
}
