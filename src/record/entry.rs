//! What a run file holds: entries, and points of sweeps.

use super::answer::either;
use super::{
    Achieved, Answer, Beforehand, During, Failure, Found, HeldBy, JudgementKind, OwnTable, PlanSaid, Request,
    SafeAct, Settings, SweepPlan, TipTest, Word,
};
use crate::bench::{Action, Bench, ChannelId};
use crate::instrument::{InstrumentError, Task, TaskReport};
use crate::quantity::{Dimension, Unit, in_unit};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Readings at one point of a sweep: at most this many channels.
pub const WIDEST_POINT: usize = 8;

/// A place in a sequence.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// File name without its folder.
    pub file: String,
    /// Line, from 1; 0 if unknown.
    pub line: u32,
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// The sequence came to its end.
    Finished,
    /// The sequence failed by itself.
    Failed,
    /// An interlock ended it.
    Interlock,
    /// Stopped on request, or at the end of its window.
    Stopped,
    /// An instrument or the record failed.
    Fault,
}

impl Outcome {
    /// With its reason, and without saying the same word twice: `failed: no line`, `stopped on request`.
    pub fn told(self, reason: &str) -> String {
        if reason.starts_with(self.word()) { reason.to_owned() } else { format!("{}: {reason}", self.word()) }
    }

    /// The exit code of the command.
    pub fn exit_code(self) -> u8 {
        match self {
            Outcome::Finished => 0,
            Outcome::Failed => 1,
            Outcome::Interlock => 3,
            Outcome::Stopped => 4,
            Outcome::Fault => 5,
        }
    }

    /// The word in records and JSON.
    pub fn word(self) -> &'static str {
        match self {
            Outcome::Finished => "finished",
            Outcome::Failed => "failed",
            Outcome::Interlock => "interlock",
            Outcome::Stopped => "stopped",
            Outcome::Fault => "fault",
        }
    }
}

/// Why and where a run ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ending {
    /// How.
    pub outcome: Outcome,
    /// One plain sentence.
    pub reason: String,
    /// Where the sequence was.
    pub place: Place,
    /// Whether an operator has to acknowledge it before anything runs.
    #[serde(default)]
    pub latched: bool,
}

/// A window that was given when a run was resumed, instead of the one before.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NewWindow {
    /// When it was given, on the clock of the laboratory (of the rehearsed one, in a rehearsal).
    pub given_at: String,
    /// When it ends, on the same clock.
    pub until: String,
    /// The same in the time of the run, s.
    pub end_s: f64,
}

/// What is run.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[allow(missing_docs, reason = "fields are named after what they hold; hashes are of the texts")]
pub struct Identity {
    pub sequence: String,
    pub sequence_hash: String,
    pub bench: String,
    pub bench_hash: String,
    pub world: String,
    pub world_hash: String,
    pub seed: u64,
    pub rehearsal: bool,
    pub version: String,
}

/// A channel as it stands in a record: with what its numbers mean.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Column {
    /// Name of the channel.
    pub channel: String,
    /// Unit its values are printed in; values in the file are SI.
    pub unit: String,
    /// SI unit of the values in the file.
    pub si_unit: String,
}

impl Column {
    /// Of a channel of a bench.
    pub fn of(bench: &Bench, id: ChannelId) -> Self {
        let channel = bench.channel(id);
        // A level has no SI unit of its own.
        let volume = channel.dimension() == Dimension::VOLUME;
        let si_unit = if volume { "m^3".to_owned() } else { channel.dimension().symbol() };
        Self { channel: channel.name.clone(), unit: channel.unit.text.clone(), si_unit }
    }

    /// The unit that its values are printed in; a plain number where the record names none that is known.
    pub fn printed_in(&self) -> Unit {
        let known = Unit::parse(&self.unit).or_else(|| Unit::parse(&self.si_unit));
        known.unwrap_or_else(Unit::plain)
    }

    /// A value for people: `50 mV`.
    pub fn show(&self, si: f64) -> String {
        in_unit(si, &self.printed_in())
    }
}

/// What was compared when an interlock tripped.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// The channel, where one channel was compared as it is read. Else a value worked out from several, or a rate.
    pub column: Option<Column>,
    /// Else what was compared, as the condition writes it, and the unit of its limit; none in older records.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub written: Option<(String, String)>,
    /// What it was, SI.
    pub value: f64,
    /// What it must not pass, SI.
    pub limit: f64,
}

/// Why an interlock acts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// A value passed its limit.
    Compared(Compared),
    /// A channel shows that its value lies beyond what it can show.
    Beyond(String),
    /// Channels that it needs have given no value for longer than its patience.
    Blind(Vec<Unseen>),
    /// Its condition holds; it is not one comparison.
    Condition,
}

/// A channel that gives no value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Unseen {
    /// Its name.
    pub channel: String,
    /// For how long, s.
    pub for_s: f64,
}

/// What is wrong with a link or a process.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Trouble {
    /// A command failed for good.
    GaveUp {
        /// How.
        error: InstrumentError,
        /// How often it was tried.
        tries: u32,
        /// The task, if it is one that is never repeated on its own.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        once_only: Option<String>,
    },
    /// The keeper process is gone.
    KeeperLost,
    /// The keeper process was gone or stopped, and there is a new one.
    KeeperReplaced,
    /// Replies of a link came out of step; what it says of that.
    OutOfStep(String),
    /// What was read after this moment may be the answer to something else, and is doubtful.
    Misread {
        /// What was odd.
        what: String,
        /// Until when all that was read is certain, s.
        good_until_s: f64,
    },
    /// An instrument stands elsewhere than it was told: it came back with other settings, or somebody else set it.
    SettingsChanged(String),
    /// An instrument is not as it was left; what was measured after this moment is doubtful.
    Changed {
        /// What differs.
        what: String,
        /// Until when it was certainly as it was left, s.
        good_until_s: f64,
    },
    /// An instrument gives no answer.
    Silent {
        /// What came instead.
        error: InstrumentError,
        /// How long it is waited for, s, where the sequence is held for it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        patience_s: Option<f64>,
    },
    /// It answers again.
    Back {
        /// After so long, s.
        after_s: f64,
    },
    /// Its connection was made anew.
    MadeAnew,
    /// Something else, in words.
    Told(String),
}

impl Trouble {
    /// For people.
    pub fn in_words(&self) -> String {
        match self {
            Trouble::GaveUp { error, tries: 1, once_only: Some(task) } => {
                format!("{error}, tried once: `{task}` is never repeated on its own")
            }
            Trouble::GaveUp { error, tries: 1, .. } => format!("{error}, tried once"),
            Trouble::GaveUp { error, tries, .. } => format!("{error}, after {tries} attempts"),
            Trouble::Changed { what, .. } | Trouble::Misread { what, .. } => what.clone(),
            Trouble::Silent { error, patience_s: Some(patience_s) } => {
                let patience = crate::quantity::in_words(*patience_s);
                format!("it gives no answer and is waited for, at most {patience} ({error})")
            }
            Trouble::Silent { error, patience_s: None } => format!("it gives no answer ({error})"),
            Trouble::Back { after_s } => {
                format!("it answers again after {}", crate::quantity::in_words(*after_s))
            }
            Trouble::MadeAnew => "its connection was made anew".to_owned(),
            Trouble::KeeperLost => "the keeper process is gone".to_owned(),
            Trouble::KeeperReplaced => {
                "the keeper process was gone or stopped; a new one keeps watch".to_owned()
            }
            Trouble::OutOfStep(words) | Trouble::SettingsChanged(words) | Trouble::Told(words) => {
                words.clone()
            }
        }
    }
}

/// What is different where a run was resumed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// The text of the sequence.
    SequenceEdited(String),
    /// Something else, in words.
    Told(String),
}

impl Change {
    /// For people.
    pub fn in_words(&self) -> String {
        match self {
            Change::SequenceEdited(name) => format!("the sequence `{name}` was edited"),
            Change::Told(words) => words.clone(),
        }
    }
}

/// Gives an enum its two forms as JSON from one list of kinds: for readers with the kind among the other
/// fields; for rows of the run file with the kind around them. The second is read and written without a
/// detour, which a replay of a long record needs.
macro_rules! in_two_forms {
    ($(#[$attribute:meta])* pub enum $name:ident / $row:ident { $($kinds:tt)* }) => {
        $(#[$attribute])*
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        #[serde(tag = "kind", rename_all = "snake_case")]
        pub enum $name { $($kinds)* }

        #[derive(Serialize, Deserialize)]
        #[serde(remote = "Entry", rename_all = "snake_case")]
        #[allow(dead_code, reason = "only a description of how the other one is written")]
        enum $row { $($kinds)* }
    };
}

in_two_forms! {
    /// One entry of the run file. The names of the kinds are part of the file's schema.
    #[allow(missing_docs, reason = "fields are named after what they hold; the guide lists them")]
    pub enum Entry / AsRow {
        /// What was run: the first entry.
        Identity(Identity),
        /// When and where; not part of the digest.
        Context { started_at: String, window_s: Option<f64>, sequence_path: String, bench_path: String },
        /// A call that a replay answers from here.
        Call {
            n: u64,
            request: Request<String>,
            place: Place,
            #[serde(with = "either")]
            answer: Result<Answer, Failure>,
        },
        /// A task that must not happen twice is about to start.
        Intent { n: u64, task: Task<String>, place: Place },
        /// A sweep begins.
        SweepBegin {
            n: u64,
            sweep: u64,
            plan: Box<SweepPlan<Column>>,
            place: Place,
            #[serde(default, skip_serializing_if = "Option::is_none")]
            settings: Option<Box<Settings>>,
        },
        /// A sweep pauses after so many points: the sequence looks at it.
        SweepPause { n: u64, sweep: u64, points: u64 },
        /// A sweep goes on with its point `first`, to pause or end before `until`.
        SweepOn { n: u64, sweep: u64, first: u64, until: u64, place: Place },
        /// A channel gives no value at the points of a sweep from this one on.
        Gap { sweep: u64, i: u64, channel: String, error: InstrumentError },
        /// A point of a sweep was read as often as it may be, and its error is still larger than was wanted.
        NotReached { sweep: u64, i: u64, channel: String, error: f64, readings: u32 },
        /// A sweep has ended.
        SweepEnd {
            n: u64,
            sweep: u64,
            points: u64,
            /// Why before its last point, where the sequence had seen enough.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            because: Option<String>,
            #[serde(default, skip_serializing_if = "Option::is_none")]
            settings: Option<Box<Settings>>,
        },
        /// A table that the sequence has made; its numbers stand in it, or in the table `bulk` where they are many.
        Table {
            n: u64,
            table: OwnTable,
            place: Place,
        },
        /// A trace or an image; its numbers stand in the table `bulk`.
        Bulk { n: u64, task: Task<Column>, place: Place, shape: Vec<u64>, report: TaskReport },
        /// A named step of the sequence begins.
        StepBegin { n: u64, step: u64, name: String, place: Place, parent: Option<u64> },
        /// It has ended.
        StepEnd { n: u64, step: u64, left_out: Option<String> },
        /// A fit, a verdict, a test of contrast: something worked out from data.
        Judgement { n: u64, what: JudgementKind, sweep: Option<u64>, title: String, body: Value, place: Place },
        /// A note of the sequence; some are its writer's words for the next shift.
        Note {
            n: u64,
            text: String,
            place: Place,
            #[serde(default, skip_serializing_if = "is_not")]
            for_next_shift: bool,
        },
        /// A decision of the sequence with its reason.
        Decision { n: u64, question: String, answer: bool, reason: String, place: Place },
        /// What the sequence says that it has achieved; the last one counts.
        Result { n: u64, what: Achieved, about: String, place: Place },
        /// A test of the tip.
        TipTest { n: u64, test: TipTest, place: Place },
        /// A spin is kept from now on.
        Kept { n: u64, name: String, at_m: [f64; 2], place: Place },
        /// Something that the sequence says of its plan: a goal, a choice.
        Plan { n: u64, said: Box<PlanSaid>, place: Place },
        /// What was known when the run began.
        Known(Beforehand),
        /// A channel as it was watched.
        Monitor { channel: String, value: f64 },
        /// An interlock has tripped.
        Interlock {
            name: String,
            action: Action,
            condition: String,
            cause: Cause,
            because: String,
            place: Place,
        },
        /// Its condition has cleared.
        Cleared { name: String },
        /// The sequence is held.
        Held { by: HeldBy, reason: String },
        /// It goes on.
        Released { after_s: f64 },
        /// A step of hold, refill, restore or park.
        SafeStep { during: During, step: SafeAct<Column>, achieved: bool, found: Found },
        /// An operator's word.
        Operator {
            word: Word,
            /// Who says that people, tools and the transfer line are clear; of a word on the plan, who says it.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            by: Option<String>,
            /// The goal of the plan that it is about.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            goal: Option<String>,
            /// What it answers to a question of the plan, which then stands in the place of the goal.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            answer: Option<String>,
        },
        /// Something failed.
        Fault { link: String, trouble: Trouble },
        /// A run file was resumed; not part of the digest.
        Resumed {
            frontier: u64,
            version: String,
            changes: Vec<Change>,
            #[serde(default, skip_serializing_if = "Option::is_none")]
            window: Option<NewWindow>,
            /// Time of day, for the clock of the run stands still between the lives.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            taken_up_at: Option<String>,
            /// Who says that people, tools and the transfer line are clear; nobody for a simulated bench.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            clear_by: Option<String>,
        },
        /// The end.
        End { ending: Ending, parked: bool, elapsed_s: f64 },
    }
}

/// Leaves a flag out of the row where it is not set.
fn is_not(flag: &bool) -> bool {
    !*flag
}

/// The kind of an entry and its JSON without the kind, as they stand in a row.
///
/// # Panics
/// Never: entries are plain data.
pub(super) fn to_row(entry: &Entry) -> (String, String) {
    let mut text = Vec::with_capacity(256);
    let mut writer = serde_json::Serializer::new(&mut text);
    AsRow::serialize(entry, &mut writer).expect("entries are plain data");
    let text = String::from_utf8(text).expect("JSON is text");
    // {"kind":{…}}
    let end = 2 + text[2..].find('"').expect("a kind in quotes");
    (text[2..end].to_owned(), text[end + 2..text.len() - 1].to_owned())
}

/// The entry of a row.
pub(super) fn from_row(kind: &str, body: &str) -> Result<Entry, serde_json::Error> {
    let text = format!("{{\"{kind}\":{body}}}");
    AsRow::deserialize(&mut serde_json::Deserializer::from_str(&text))
}

impl Entry {
    /// The call of the sequence that it belongs to, if it belongs to one.
    pub fn call(&self) -> Option<u64> {
        match self {
            Entry::Call { n, .. }
            | Entry::Intent { n, .. }
            | Entry::SweepBegin { n, .. }
            | Entry::SweepPause { n, .. }
            | Entry::SweepOn { n, .. }
            | Entry::SweepEnd { n, .. }
            | Entry::Table { n, .. }
            | Entry::Bulk { n, .. }
            | Entry::StepBegin { n, .. }
            | Entry::StepEnd { n, .. }
            | Entry::Judgement { n, .. }
            | Entry::Note { n, .. }
            | Entry::Result { n, .. }
            | Entry::TipTest { n, .. }
            | Entry::Kept { n, .. }
            | Entry::Plan { n, .. }
            | Entry::Decision { n, .. } => Some(*n),
            _ => None,
        }
    }

    /// Where in the sequence it comes from, if it does.
    pub fn place(&self) -> Option<&Place> {
        match self {
            Entry::Call { place, .. }
            | Entry::Intent { place, .. }
            | Entry::SweepBegin { place, .. }
            | Entry::SweepOn { place, .. }
            | Entry::Table { place, .. }
            | Entry::Bulk { place, .. }
            | Entry::StepBegin { place, .. }
            | Entry::Judgement { place, .. }
            | Entry::Note { place, .. }
            | Entry::Decision { place, .. }
            | Entry::Result { place, .. }
            | Entry::TipTest { place, .. }
            | Entry::Kept { place, .. }
            | Entry::Plan { place, .. }
            | Entry::Interlock { place, .. } => Some(place),
            _ => None,
        }
    }

    /// The request of the sequence that it answers or begins, if it tells one.
    pub fn request(&self) -> Option<Request<String>> {
        use super::Statement;
        let named = |column: &Column| Some(column.channel.clone());
        Some(match self {
            Entry::Call { request, .. } => request.clone(),
            Entry::Intent { task, .. } => Request::Task(task.clone()),
            Entry::SweepBegin { plan, .. } => {
                Request::Sweep(std::sync::Arc::new(plan.renamed(&mut { named })?))
            }
            Entry::SweepOn { sweep, first, until, .. } => {
                Request::SweepOn { sweep: *sweep, first: *first, until: *until, plan: None }
            }
            Entry::SweepEnd { sweep, points, because: Some(because), .. } => {
                Request::Record(Statement::SweepEnd {
                    sweep: *sweep,
                    points: *points,
                    because: because.clone(),
                })
            }
            Entry::Table { table, .. } => Request::Record(Statement::Table(table.clone())),
            Entry::Bulk { task, .. } => Request::Task(task.renamed(named)?),
            Entry::StepBegin { step, name, parent, .. } => {
                Request::Record(Statement::StepBegin { step: *step, name: name.clone(), parent: *parent })
            }
            Entry::StepEnd { step, left_out, .. } => {
                Request::Record(Statement::StepEnd { step: *step, left_out: left_out.clone() })
            }
            Entry::Judgement { what, sweep, title, body, .. } => Request::Record(Statement::Judgement {
                what: what.clone(),
                sweep: *sweep,
                title: title.clone(),
                body: body.clone(),
            }),
            Entry::Note { text, for_next_shift, .. } => {
                Request::Record(Statement::Note { text: text.clone(), for_next_shift: *for_next_shift })
            }
            Entry::Result { what, about, .. } => {
                Request::Record(Statement::Result { what: *what, about: about.clone() })
            }
            Entry::TipTest { test, .. } => Request::Record(Statement::TipTest(test.finding)),
            Entry::Kept { name, at_m, .. } => {
                Request::Record(Statement::Keep { name: name.clone(), at_m: *at_m })
            }
            Entry::Plan { said, .. } => Request::Record(Statement::Plan(said.clone())),
            Entry::Decision { question, answer, reason, .. } => Request::Record(Statement::Decision {
                question: question.clone(),
                answer: *answer,
                reason: reason.clone(),
            }),
            _ => return None,
        })
    }

    /// Whether the digest covers it. Wall-clock times, paths and interruptions are left out.
    pub fn in_digest(&self) -> bool {
        !matches!(self, Entry::Context { .. } | Entry::Resumed { .. })
    }

    /// Whether the digest covers entries of a kind.
    pub(super) fn kind_in_digest(kind: &str) -> bool {
        !matches!(kind, "context" | "resumed")
    }
}
