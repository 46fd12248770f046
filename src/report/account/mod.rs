//! The account of a run: everything the brief, the plots and the exports tell, read from the run file once.
//!
//! Points of sweeps stay in the file; they are read sweep by sweep where they are needed. A damaged file gives
//! the account of its intact part, and says what is missing.

mod growing;
mod interruption;
mod judged;
mod read;
mod salvage;
mod silence;

pub use crate::record::Parameter;
pub use growing::Growing;
pub use interruption::Interruption;
pub use judged::{Fitted, Judged, Law};
pub use silence::Silence;

use crate::bench::Bench;
use crate::history::History;
use crate::history::result::{HeliumNow, RunResult, Seen};
use crate::instrument::Task;
use crate::quantity::Unit;
use crate::record::{
    Column, Ending, Identity, Integrity, JudgementKind, Outcome, OwnTable, Place, RecordError, RunFile,
    Salvage, Settings, SweepPlan, SweepTable,
};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// A sweep without its points.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepOutline {
    /// The table, empty.
    pub table: SweepTable,
    /// The plan.
    pub plan: SweepPlan<Column>,
    /// Points that were recorded.
    pub measured: u64,
    /// Points of the fast axis, where they are drawn line by line.
    pub line: Option<u64>,
    /// When it began, s.
    pub at_s: f64,
    /// When it ended, s; none where that is not recorded.
    pub to_s: Option<f64>,
    /// Whether its end is recorded.
    pub ended: bool,
    /// Field at its beginning, T, where the record shows it.
    pub field_t: Option<f64>,
    /// RF level at its beginning, dBm, where the record shows it.
    pub level_dbm: Option<f64>,
    /// How the bench stood at its beginning and at its end, where the record says so.
    pub settings: [Option<Box<Settings>>; 2],
    /// Why it ended before its last point, where the sequence had seen enough.
    pub because: Option<String>,
    /// Where in the sequence.
    pub place: Place,
}

/// A table that the sequence has made.
#[derive(Debug, Clone, PartialEq)]
pub struct TableOutline {
    /// Number of the entry.
    pub seq: u64,
    /// When it was recorded, s.
    pub at_s: f64,
    /// The table; the numbers of a long one stand in the file under `seq`.
    pub table: OwnTable,
    /// Where in the sequence.
    pub place: Place,
}

/// A trace or an image without its numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct BulkOutline {
    /// Number of the entry.
    pub seq: u64,
    /// When it was finished, s.
    pub at_s: f64,
    /// What was done.
    pub task: Task<Column>,
    /// One length for a trace, rows and columns for an image.
    pub shape: Vec<u64>,
}

impl BulkOutline {
    /// `trace` or `image`.
    pub fn verb(&self) -> &'static str {
        self.task.kind().name()
    }

    /// What was read: the name of a channel, or `height`.
    pub fn name(&self) -> &str {
        if let Task::Trace { channel, .. } = &self.task { &channel.channel } else { "height" }
    }

    /// When the first sample of a trace was read, s; none for an image.
    pub fn first_at_s(&self) -> Option<f64> {
        let Task::Trace { interval_s, .. } = self.task else { return None };
        let samples = *self.shape.first()?;
        Some(self.at_s - interval_s * samples.saturating_sub(1) as f64)
    }

    /// SI unit of the numbers.
    pub fn unit(&self) -> &str {
        if let Task::Trace { channel, .. } = &self.task { &channel.si_unit } else { "m" }
    }

    /// Distance of the samples, or time for a line, s.
    pub fn interval_s(&self) -> f64 {
        match self.task {
            Task::Trace { interval_s, .. } => interval_s,
            Task::Image { line_s, .. } => line_s,
            _ => 0.0,
        }
    }
}

/// Something worth a line in the chronicle.
#[derive(Debug, Clone, PartialEq)]
pub struct Happening {
    /// When, s.
    pub at_s: f64,
    /// `interlock`, `cleared`, `held`, `released`, `step`, `operator`, `gap`, `fault`, `guarded`, `cut`, `resumed`.
    pub kind: &'static str,
    /// One sentence.
    pub text: String,
    /// Whether a person should look at it.
    pub grave: bool,
    /// Where the sequence was.
    pub place: Option<Place>,
}

/// Something that happened to the tip.
#[derive(Debug, Clone, PartialEq)]
pub struct TipEvent {
    /// When, s.
    pub at_s: f64,
    /// `approach`, `withdraw`, `pulse`, `pick_up`, `put_down`, `coarse_step`, `coarse_shift`, `contrast`, `test`.
    pub what: String,
    /// Whether it was achieved; none where that is not known.
    pub achieved: Option<bool>,
    /// What is known of it.
    pub remark: String,
}

/// A step of parking, as it was left.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "the names are those of the record")]
pub struct ParkStep {
    pub at_s: f64,
    pub what: String,
    pub achieved: bool,
    pub remark: String,
}

/// A note or a decision.
#[derive(Debug, Clone, PartialEq)]
pub struct Remark {
    /// When, s.
    pub at_s: f64,
    /// The words.
    pub text: String,
    /// For a decision: the answer and its reason.
    pub decided: Option<(bool, String)>,
    /// Where in the sequence.
    pub place: Place,
    /// Whether the writer of the sequence meant it for the next shift.
    pub for_next_shift: bool,
}

/// The account of one run.
#[derive(Debug)]
pub struct Account {
    /// The run file.
    pub path: PathBuf,
    /// What was run; none where even that can't be read.
    pub identity: Option<Identity>,
    /// Length of the window, s.
    pub window_s: Option<f64>,
    /// Path of the sequence as it was given.
    pub sequence_path: String,
    /// The bench, where its text is in the file and can be read.
    pub bench: Option<Bench>,
    /// The state of the run: where everything stood last, steps, the end.
    pub history: History,
    /// Sweeps.
    pub sweeps: Vec<SweepOutline>,
    /// Traces and images.
    pub bulks: Vec<BulkOutline>,
    /// Tables that the sequence has made.
    pub tables: Vec<TableOutline>,
    /// Fits.
    pub fits: Vec<Fitted>,
    /// Lines of resonance against field.
    pub laws: Vec<Law>,
    /// Verdicts.
    pub verdicts: Vec<Judged>,
    /// Other judgements: when, what, one line, all numbers.
    pub judged: Vec<(f64, JudgementKind, String, serde_json::Value)>,
    /// Notes and decisions.
    pub remarks: Vec<Remark>,
    /// Where it was cut and resumed.
    pub interruptions: Vec<Interruption>,
    /// Interlocks, holds, faults, operators' words.
    pub happenings: Vec<Happening>,
    /// What happened to the tip.
    pub tip: Vec<TipEvent>,
    /// Places of the tip by re-centring: s, m, m.
    pub centres: Vec<(f64, f64, f64)>,
    /// Steps of the last parking.
    pub park: Vec<ParkStep>,
    /// Readings of watched channels: s, SI.
    pub monitors: BTreeMap<String, Vec<(f64, f64)>>,
    /// What the check of the file found.
    pub integrity: Integrity,
    /// What is left of a damaged file as a whole, row by row.
    pub salvage: Option<Salvage>,
    /// The end of a damaged file, and whether the bench was parked, where a row behind the damage is whole and
    /// tells it.
    pub ending_behind: Option<(Ending, bool)>,
}

impl Account {
    /// Reads a run file. Never fails for damage; what can't be read stands in [`Account::integrity`].
    pub fn read(run: &RunFile) -> Self {
        read::read(run)
    }

    /// The law that was proved last: the one source of moment, g and tip field.
    pub fn proved(&self) -> Option<&Law> {
        self.verdicts.iter().rev().find_map(|verdict| verdict.law.as_ref())
    }

    /// Every law that is proved: one for each spin and state of the tip.
    pub fn proved_laws(&self) -> Vec<&Law> {
        self.verdicts.iter().filter_map(|verdict| verdict.law.as_ref()).collect()
    }

    /// The proved law that rests on a sweep, or else the last one.
    pub fn proved_for(&self, sweep: u64) -> Option<&Law> {
        self.verdicts
            .iter()
            .rev()
            .filter_map(|verdict| verdict.law.as_ref())
            .find(|law| law.rests_on(sweep))
            .or_else(|| self.proved())
    }

    /// Short name of the run: the file, or its folder where the file has the usual name.
    pub fn name(&self) -> String {
        name_of(&self.path)
    }

    /// Whether the file is intact as a whole.
    pub fn is_intact(&self) -> bool {
        self.integrity.faults.is_empty()
    }

    /// Whether the run came to its end by itself.
    pub fn is_finished(&self) -> bool {
        self.history.ending.as_ref().is_some_and(|e| e.outcome == Outcome::Finished)
    }

    /// The result of the run, as far as its record goes.
    pub fn result(&self) -> RunResult {
        let seen = if self.is_intact() { Seen::Record } else { Seen::Damaged };
        RunResult::of(&self.history, self.bench.as_ref(), seen)
    }

    /// The helium as the record tells it.
    pub fn helium(&self) -> Option<HeliumNow> {
        HeliumNow::of(self.history.helium.as_ref()?, self.bench.as_ref()?, self.history.end_s)
    }

    /// The word for the outcome; `cut short` where the record has no end.
    pub fn outcome_word(&self) -> &'static str {
        self.history.ending.as_ref().map_or("cut short", |e| e.outcome.word())
    }

    /// The unit that a channel is printed in, and its SI unit.
    pub fn unit_of(&self, channel: &str) -> Unit {
        let from_bench =
            self.bench.as_ref().and_then(|b| b.find(channel).map(|id| b.channel(id).unit.clone()));
        let columns = self.sweeps.iter().flat_map(|s| s.table.read.iter().chain([&s.table.fast]));
        let from_sweeps = || columns.clone().find(|c| c.channel == channel).map(Column::printed_in);
        from_bench.or_else(from_sweeps).unwrap_or_else(|| Unit::parse("").expect("a plain number is a unit"))
    }

    /// The name of the channel in this role or of this name, as the bench has it.
    pub fn channel_name(&self, name: &str) -> String {
        let found = self.bench.as_ref().and_then(|b| b.find(name).map(|id| b.channel(id).name.clone()));
        found.unwrap_or_else(|| name.to_owned())
    }

    /// Reads the points of a sweep, as far as they are intact.
    ///
    /// # Errors
    /// The file can't be read at all.
    pub fn fill(&self, run: &RunFile, sweep: &SweepOutline) -> Result<SweepTable, RecordError> {
        let mut table = sweep.table.clone();
        let filled = run.fill(&mut table);
        if self.is_intact() {
            filled?;
            return Ok(table);
        }
        let intact = usize::try_from(sweep.measured).unwrap_or(usize::MAX);
        table.x.truncate(intact);
        table.y.truncate(intact);
        table.values.iter_mut().for_each(|column| column.truncate(intact));
        Ok(table)
    }

    /// Fits of spectra and other sweeps.
    pub fn fits_of_sweeps(&self) -> impl Iterator<Item = &Fitted> {
        self.fits.iter().filter(|fit| fit.sweep.is_some())
    }

    /// Fits of points that the sequence put together: trends, laws.
    pub fn fits_of_points(&self) -> impl Iterator<Item = &Fitted> {
        self.fits.iter().filter(|fit| fit.sweep.is_none())
    }

    /// The best fit of a sweep: the last.
    pub fn fit_of(&self, sweep: u64) -> Option<&Fitted> {
        self.fits.iter().rev().find(|f| f.sweep == Some(sweep))
    }
}

/// Short name of a run file.
pub fn name_of(path: &std::path::Path) -> String {
    let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let folder = path.parent().and_then(|p| p.file_name()).map(|f| f.to_string_lossy().into_owned());
    match folder {
        Some(folder) if stem == "run" => folder,
        _ => stem,
    }
}

/// Where in a sequence, for people.
pub fn place_in_words(place: &Place) -> String {
    match (place.file.as_str(), place.line) {
        ("", 0) => "before the sequence began".to_owned(),
        (file, 0) => file.to_owned(),
        ("", line) => format!("line {line}"),
        (file, line) => format!("{file}, line {line}"),
    }
}
