//! What a run file holds: entries, and points of sweeps.

use crate::quantity::Moment;
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

/// A window that was given when a run was taken up again, instead of the one before.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NewWindow {
    /// When it was given, on the clock of the laboratory (of the rehearsed one, in a rehearsal).
    pub given_at: String,
    /// When it ends, on the same clock.
    pub until: String,
    /// The same in the time of the run, s.
    pub end_s: f64,
}

/// A column of a sweep.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Column {
    /// Name of the channel.
    pub channel: String,
    /// Unit its values are printed in; values in the file are SI.
    pub unit: String,
    /// SI unit of the values in the file.
    pub si_unit: String,
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
        Identity {
            sequence: String,
            sequence_hash: String,
            bench: String,
            bench_hash: String,
            world: String,
            world_hash: String,
            seed: u64,
            rehearsal: bool,
            version: String,
        },
        /// When and where; not part of the digest.
        Context { started_at: String, window_s: Option<f64>, sequence_path: String, bench_path: String },
        /// A call that a replay answers from here.
        Call { n: u64, verb: String, args: String, place: Place, answer: Value },
        /// A task that must not happen twice is about to start.
        Intent { n: u64, verb: String, args: String, place: Place },
        /// A sweep begins.
        SweepBegin {
            n: u64,
            sweep: u64,
            name: String,
            args: String,
            place: Place,
            fast: Column,
            slow: Option<Column>,
            read: Vec<Column>,
            points: u64,
            both_ways: bool,
        },
        /// A sweep has ended.
        SweepEnd { n: u64, sweep: u64, points: u64 },
        /// A trace or an image; its numbers stand in the table `bulk`.
        Bulk {
            n: u64,
            verb: String,
            args: String,
            place: Place,
            name: String,
            unit: String,
            shape: Vec<u64>,
            interval_s: f64,
            remark: String,
            achieved: bool,
        },
        /// A named step of the sequence begins.
        StepBegin { n: u64, step: u64, name: String, place: Place, parent: Option<u64> },
        /// It has ended.
        StepEnd { n: u64, step: u64, left_out: Option<String> },
        /// A fit, a verdict, a test of contrast: something worked out from data.
        Judgement { n: u64, what: String, sweep: Option<u64>, title: String, body: Value, place: Place },
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
        /// A channel as it was watched.
        Monitor { channel: String, value: f64 },
        /// An interlock has tripped.
        Interlock { name: String, action: String, value: String, because: String, place: Place },
        /// Its condition has cleared.
        Cleared { name: String },
        /// The sequence is held.
        Held { by: String, reason: String },
        /// It goes on.
        Released { after_s: f64 },
        /// A step of hold, refill, restore or park.
        SafeStep { during: String, what: String, achieved: bool, remark: String },
        /// An operator's word.
        Operator { word: String },
        /// Something failed.
        Fault { link: String, what: String },
        /// A run file was taken up again; not part of the digest.
        Resumed {
            frontier: u64,
            version: String,
            differences: Vec<String>,
            #[serde(default, skip_serializing_if = "Option::is_none")]
            window: Option<NewWindow>,
            /// Time of day, for the clock of the run stands still between the lives.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            taken_up_at: Option<String>,
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
    /// Whether the digest covers it. Wall-clock times, paths and interruptions are left out.
    pub fn in_digest(&self) -> bool {
        !matches!(self, Entry::Context { .. } | Entry::Resumed { .. })
    }

    /// Whether the digest covers entries of a kind.
    pub(super) fn kind_in_digest(kind: &str) -> bool {
        !matches!(kind, "context" | "resumed")
    }
}

/// Readings of one point, kept in place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Values {
    len: u8,
    data: [f64; WIDEST_POINT],
}

impl Values {
    /// From a slice.
    ///
    /// # Panics
    /// If it is longer than [`WIDEST_POINT`]; plans are checked for that before they run.
    pub fn new(values: &[f64]) -> Self {
        assert!(values.len() <= WIDEST_POINT, "a point holds at most {WIDEST_POINT} readings");
        let mut data = [0.0; WIDEST_POINT];
        data[..values.len()].copy_from_slice(values);
        Self { len: values.len() as u8, data }
    }

    /// The readings.
    pub fn as_slice(&self) -> &[f64] {
        &self.data[..usize::from(self.len)]
    }
}

/// One point of a sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Which sweep.
    pub sweep: u64,
    /// Its place in the order of measurement, from 0.
    pub i: u64,
    /// When it was finished.
    pub at: Moment,
    /// Value of the fast axis, SI.
    pub x: f64,
    /// Value of the slow axis, SI; 0 where there is none.
    pub y: f64,
    /// Readings, SI.
    pub values: Values,
}
