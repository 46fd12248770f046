//! What a run tells of tips, spins and results: read once from its file.

use super::LogError;
use crate::analysis::areas::Spot;
use crate::analysis::joint::Verdict;
use crate::analysis::spots;
use crate::bench::{Role, TaskKind};
use crate::history::History;
use crate::instrument::Task;
use crate::record::{
    Answer, Declared, Entry, Failure, Request, RunFile, TipLife, TipTest, VerdictFound, VerdictWord,
    WorkedOut,
};
use jiff::ZonedDateTime;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Something that matters to tips and spins, in the order of the run. Times are of the run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "fields are named after what they hold; places in m, the scanner's")]
pub enum Event {
    /// Something was done to the tip.
    Touched { at_s: f64, what: String, achieved: bool, remark: String },
    /// An act was refused for the sake of the tip or of a kept spin.
    Refused { at_s: f64, why: String },
    /// The tip was tested.
    Tested(TipTest),
    /// What an image shows.
    Image { at_s: f64, spots: Vec<Spot> },
    /// The tip was centred on a top.
    Centred { at_s: f64, at_m: [f64; 2] },
    /// The coarse motor has moved along the surface.
    Shifted { at_s: f64 },
    /// A sweep began.
    Swept {
        at_s: f64,
        sweep: u64,
        name: String,
        channel: String,
        ends: [f64; 2],
        points: u64,
        field_t: Option<f64>,
    },
    /// A verdict on sweeps.
    Judged { at_s: f64, verdict: VerdictWord, moment: Option<[f64; 2]>, sweeps: Vec<u64> },
    /// A spin is kept.
    Kept { at_s: f64, name: String, at_m: [f64; 2] },
    /// Helium was transferred.
    Filled { at_s: f64 },
    /// The pot was condensed anew.
    Condensed { at_s: f64 },
    /// A note of the sequence.
    Note { at_s: f64, text: String },
}

/// What a run tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunLog {
    /// Its name.
    pub name: String,
    /// The sequence.
    pub sequence: String,
    /// When it began, s since 1970; 0 where the record does not say.
    pub started_s: i64,
    /// How long after that second, ms.
    pub started_ms: u16,
    /// How long it took, s.
    pub elapsed_s: f64,
    /// How it ended; empty where it has no end.
    pub outcome: String,
    /// What it says that it has achieved.
    pub declared: Option<Declared>,
    /// The life of the tip at its end, in times of the run.
    pub life: TipLife,
    /// First and last reading of the helium level, and the rise that counts as a transfer, m³.
    pub helium_m3: Option<[f64; 3]>,
    /// Whether it was told of a tip when it began.
    pub told: bool,
    /// Everything else.
    pub events: Vec<Event>,
}

/// Reads a run file.
///
/// # Errors
/// If it can't be read.
pub fn extract(path: &Path, name: &str) -> Result<(RunLog, bool), LogError> {
    let unusable = |reason: String| LogError::Unusable { path: path.display().to_string(), reason };
    let file = RunFile::open(path).map_err(|error| unusable(error.to_string()))?;
    let identity = file.identity().map_err(|error| unusable(error.to_string()))?;
    let bench = file.document("bench").ok().flatten();
    let bench = bench.and_then(|(name, text)| crate::bench::read(&text, &name).ok()).map(|(bench, _)| bench);
    let started =
        file.all("context").ok().and_then(|all| all.into_iter().next()).and_then(|n| match n.entry {
            Entry::Context { started_at, .. } => started_at.parse::<ZonedDateTime>().ok(),
            _ => None,
        });
    let mut reader = Reader {
        history: History::new(bench.as_ref()),
        bench: bench.as_ref(),
        events: Vec::new(),
        told: false,
        level: None,
    };
    let mut images = Vec::new();
    file.every_entry(u64::MAX, |numbered| {
        reader.entry(&numbered.entry, numbered.at, |spots_at| images.push((spots_at, numbered.seq)));
        Ok(())
    })
    .map_err(|error| unusable(error.to_string()))?;
    let (history, mut events, told) = (reader.history, reader.events, reader.told);
    for (place, seq) in images {
        if let Some(Event::Image { spots, .. }) = events.get_mut(place) {
            let frame = spots.clone();
            *spots = file.bulk(seq).map(|heights| spots_of(&heights, &frame)).unwrap_or_default();
        }
    }
    let run = RunLog {
        name: name.to_owned(),
        sequence: identity.sequence,
        started_s: started.as_ref().map_or(0, |at| at.timestamp().as_second()),
        started_ms: started.map_or(0, |at| at.timestamp().as_millisecond().rem_euclid(1000) as u16),
        elapsed_s: history.end_s,
        outcome: history.ending.as_ref().map(|end| end.outcome.word().to_owned()).unwrap_or_default(),
        helium_m3: history.helium.as_ref().and_then(|level| {
            let (first, last) = (level.readings.first()?, level.readings.last()?);
            Some([first.1, last.1, level.transfer_m3])
        }),
        declared: history.declared,
        life: history.tip,
        told,
        events,
    };
    Ok((run, identity.rehearsal))
}

/// The spots of an image; its frame stands in the one spot given: centre and side.
fn spots_of(heights: &[f64], frame: &[Spot]) -> Vec<Spot> {
    let Some([x_m, y_m, size_m]) = frame.first().copied() else { return Vec::new() };
    let pixels = (heights.len() as f64).sqrt().round() as usize;
    spots::places(heights, pixels, [x_m, y_m], size_m)
}

struct Reader<'b> {
    history: History,
    bench: Option<&'b crate::bench::Bench>,
    events: Vec<Event>,
    told: bool,
    /// Transfers that were seen so far.
    level: Option<usize>,
}

impl Reader<'_> {
    fn entry(&mut self, entry: &Entry, at: crate::quantity::TimePoint, mut image: impl FnMut(usize)) {
        let at_s = at.s();
        self.history.entry(at, entry);
        if entry.condenses() {
            self.events.push(Event::Condensed { at_s });
        }
        match entry {
            Entry::Known(beforehand) => self.told = beforehand.tip.is_some(),
            Entry::Call { request, answer, .. } => self.call(at_s, request, answer),
            Entry::TipTest { test, .. } => self.events.push(Event::Tested(*test)),
            Entry::Kept { name, at_m, .. } => {
                self.events.push(Event::Kept { at_s, name: name.clone(), at_m: *at_m });
            }
            Entry::Bulk { task: Task::Image { x_m, y_m, size_m, .. }, .. } => {
                image(self.events.len());
                self.events.push(Event::Image { at_s, spots: vec![[*x_m, *y_m, *size_m]] });
            }
            Entry::SweepBegin { sweep, plan, .. } => {
                let field = self.bench.and_then(|bench| self.history.of_role(bench, Role::FieldZ));
                self.events.push(Event::Swept {
                    at_s,
                    sweep: *sweep,
                    name: plan.name.clone(),
                    channel: plan.fast.channel.channel.clone(),
                    ends: [plan.fast.from, plan.fast.to],
                    points: plan.total(),
                    field_t: field.map(|standing| standing.si),
                });
            }
            Entry::Judgement { .. } => {
                if let Some(WorkedOut::Verdict(found)) = entry.worked_out() {
                    self.judged(at_s, *found);
                }
            }
            Entry::Note { text, .. } => self.events.push(Event::Note { at_s, text: text.clone() }),
            Entry::SafeStep { found: crate::record::Found::Centred(centred), .. } if centred.found => {
                self.events.push(Event::Centred { at_s, at_m: [centred.x_m, centred.y_m] });
            }
            Entry::Monitor { .. } => self.filled(at_s),
            _ => {}
        }
    }

    fn filled(&mut self, at_s: f64) {
        let transfers = self.history.helium.as_ref().map(|level| level.transfers());
        if transfers > self.level.replace(transfers.unwrap_or(0)).or(Some(0)) {
            self.events.push(Event::Filled { at_s });
        }
    }

    fn call(&mut self, at_s: f64, request: &Request<String>, answer: &Result<Answer, Failure>) {
        if let Err(Failure::Guarded(why)) = answer {
            self.events.push(Event::Refused { at_s, why: why.clone() });
            return;
        }
        match (request, answer) {
            (Request::Task(task), answer) => self.task(at_s, task, answer),
            (_, Ok(Answer::Centred(centred))) if centred.found => {
                self.events.push(Event::Centred { at_s, at_m: [centred.x_m, centred.y_m] });
            }
            _ => {}
        }
    }

    fn task(&mut self, at_s: f64, task: &Task<String>, answer: &Result<Answer, Failure>) {
        let kind = task.kind();
        if !kind.changes_tip() && !matches!(kind, TaskKind::CoarseStep | TaskKind::CoarseShift) {
            return;
        }
        let (achieved, remark) = match answer {
            Ok(Answer::Task(report)) => (report.achieved, report.remark.clone()),
            Ok(_) => (true, String::new()),
            Err(failure) => (false, failure.to_string()),
        };
        self.events.push(Event::Touched { at_s, what: kind.name().to_owned(), achieved, remark });
        if kind == TaskKind::CoarseShift {
            self.events.push(Event::Shifted { at_s });
        }
    }

    fn judged(&mut self, at_s: f64, found: VerdictFound) {
        let law = found.law.filter(|_| found.verdict == Verdict::Real);
        let moment = law.and_then(|law| law.moment_mu_b).map(<[f64; 2]>::from);
        self.events.push(Event::Judged { at_s, verdict: found.verdict, moment, sweeps: found.sweeps });
    }
}
