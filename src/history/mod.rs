//! The state of a run, folded from what is recorded of it.
//!
//! [`History`] takes entries one after the other, as they are recorded or as they are read again, and knows at each
//! of them what is so: where the channels and the tip stand, and at which spot; how the sequence had left the bench;
//! steps, sweeps, holds, interlocks; the helium with its transfers; the end. It is pure and it grows with the record:
//! folding an entry more never makes it forget what it knew of the others. Whoever wants to know what is so asks it:
//! the way back of a resumed run, the closing report, `status`, the brief, the live page.

mod cards;
mod channels;
mod claims;
mod clock;
mod goals;
mod helium;
mod leaves;
mod marks;
mod names;
pub mod result;
mod spans;
mod tip;

pub use cards::{Card, CardColumn, Figure};
pub use channels::{How, Standing};
pub use claims::{Claim, FitLine, Known};
pub use clock::{Clock, day_and_minute, elapsed};
pub use helium::Level;
pub use marks::{Mark, SweepBegun};
pub use spans::{HoldSpan, ResultLine, StepSpan, Trip, first_of};
pub use tip::{Difference, TipRules, differs};

use crate::analysis::joint::usual_setpoint_a;
use crate::bench::{Bench, TaskKind};
use crate::instrument::Task;
use crate::quantity::TimePoint;
use crate::record::{
    CentrePlan, Choice, Column, Declared, During, Earlier, Ending, Entry, Goals, HeldBy, JudgementKind,
    Place, PlanSaid, Point, RecordError, RunFile, SweepPlan, TipLife, VerdictFound, WorkedOut,
};
use marks::Marker;
use names::Names;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// How the sequence had left the bench, whatever holds and parking did to it afterwards.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Left {
    /// Channels that it has set, with their last value, SI.
    pub values: BTreeMap<String, f64>,
    /// Whether the tip was in tunnelling range, where the sequence has approached or withdrawn.
    pub approached: Option<bool>,
    /// The bias with which it had approached last, V, where that is known.
    pub approached_with: Option<f64>,
    /// The spot on which it had centred the tip, where nothing has moved the tip since.
    pub spot: Option<CentrePlan<String>>,
}

/// A task that must not happen twice and that was begun.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenTask {
    /// The task.
    pub task: Task<String>,
    /// When it was begun, s.
    pub at_s: f64,
    /// Where in the sequence.
    pub place: Place,
}

/// A hold that goes on.
#[derive(Debug, Clone, PartialEq)]
pub struct HoldNow {
    /// Since when.
    pub since: TimePoint,
    /// Who wanted it.
    pub by: HeldBy,
}

/// The state of a run. See the [module](self).
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    names: Names,
    channels: BTreeMap<String, Standing>,
    /// How the sequence had left the bench.
    pub left: Left,
    /// Whether the tip is in tunnelling range, and since when, s; nothing where that is not known.
    pub tip_in: Option<(bool, f64)>,
    /// When the condensation pot was last regenerated, s.
    pub regenerated_s: Option<f64>,
    /// The helium level as it was recorded.
    pub helium: Option<Level>,
    /// Steps of the sequence, in the order of their beginning.
    pub steps: Vec<StepSpan>,
    /// The sweep that goes on.
    pub sweep: Option<(u64, SweepPlan<Column>)>,
    /// Where it began.
    pub sweep_begun: Option<SweepBegun>,
    /// Where steps and sweeps began and ended.
    pub marks: Vec<Mark>,
    marker: Marker,
    /// Number of the next sweep.
    pub next_sweep: u64,
    /// Sweeps that ended.
    pub sweeps: u64,
    /// Points of sweeps.
    pub points: u64,
    /// Images that were taken.
    pub images: u64,
    /// Traces that were taken.
    pub traces: u64,
    /// Interlocks that tripped.
    pub trips: Vec<Trip>,
    /// Interlocks that have tripped and not cleared.
    pub tripped: BTreeSet<String>,
    /// The hold that goes on.
    pub hold: Option<HoldNow>,
    /// Times the sequence was held.
    pub holds: u64,
    /// Each of these times.
    pub hold_spans: Vec<HoldSpan>,
    /// Times the run was resumed.
    pub resumed: u64,
    /// Tasks that were begun, must not happen twice, and have no recorded end, by the number of their call.
    pub open_tasks: BTreeMap<u64, OpenTask>,
    /// One line for each judgement: fits, verdicts, contrast.
    pub results: Vec<ResultLine>,
    /// The last verdict on each series of spectra.
    pub claims: Vec<Claim>,
    /// Fits of sweeps, the last one of each.
    pub fits: Vec<FitLine>,
    /// What the sequence is about, by its own words: the figures that show it.
    pub cards: Vec<Card>,
    /// Words of the writer of the sequence for the next shift.
    pub handed_over: Vec<String>,
    /// Times of day.
    pub clock: Clock,
    /// The life of the tip that is in, and what is kept from it.
    pub tip: TipLife,
    rules: TipRules,
    /// Whether the run was told of the tip that was in when it began.
    pub told_of_tip: bool,
    /// When the sequence found that the tip had changed by itself, s, and by what.
    pub tip_changes: Vec<(f64, String)>,
    /// The goals of the plan, and what was chosen last.
    pub goals: Goals,
    /// Everything that was chosen, with its alternatives.
    pub choices: Vec<Choice>,
    /// What the sequence says that it has achieved.
    pub declared: Option<Declared>,
    /// What the sequence before in the queue had declared.
    pub earlier: Option<Earlier>,
    /// How long it takes to bring the tip out, s, where that was measured before.
    pub withdraws_in_s: Option<f64>,
    /// When each sweep began, by its number, s.
    began: Vec<f64>,
    /// From when to when sweeps were measured that came to their end, s.
    pub swept_s: Vec<(f64, f64)>,
    /// When the tip was set to work on an atom, or pulsed, s.
    pub touched_s: Vec<f64>,
    /// The field in which it began, T.
    field_at: BTreeMap<u64, f64>,
    /// Setpoint of the height loop when each sweep began, A, where it is known.
    setpoint_at: BTreeMap<u64, f64>,
    /// The end, if it has come and the run was not resumed since.
    pub ending: Option<Ending>,
    /// Whether every park step of that end was reached.
    pub parked: bool,
    /// Park steps of that end that were not reached, in words.
    pub not_parked: Vec<String>,
    /// When the first park step of that end was recorded, s.
    parking_s: Option<f64>,
    time_zone: Option<String>,
    /// The last moment that is known, s.
    pub end_s: f64,
}

impl History {
    /// Of a run of which nothing is known. Without its bench what depends on the roles of channels stays unknown.
    pub fn new(bench: Option<&Bench>) -> Self {
        Self {
            names: bench.map(Names::of).unwrap_or_default(),
            channels: BTreeMap::new(),
            left: Left::default(),
            tip_in: None,
            regenerated_s: None,
            helium: bench.and_then(Level::of),
            steps: Vec::new(),
            sweep: None,
            sweep_begun: None,
            marks: Vec::new(),
            marker: Marker::default(),
            next_sweep: 0,
            sweeps: 0,
            points: 0,
            images: 0,
            traces: 0,
            trips: Vec::new(),
            tripped: BTreeSet::new(),
            hold: None,
            holds: 0,
            hold_spans: Vec::new(),
            resumed: 0,
            open_tasks: BTreeMap::new(),
            results: Vec::new(),
            claims: Vec::new(),
            fits: Vec::new(),
            cards: Vec::new(),
            handed_over: Vec::new(),
            clock: Clock::default(),
            tip: TipLife::default(),
            rules: bench.map(TipRules::of).unwrap_or_default(),
            told_of_tip: false,
            tip_changes: Vec::new(),
            goals: Goals::default(),
            choices: Vec::new(),
            declared: None,
            earlier: None,
            withdraws_in_s: None,
            began: Vec::new(),
            swept_s: Vec::new(),
            touched_s: Vec::new(),
            field_at: BTreeMap::new(),
            setpoint_at: BTreeMap::new(),
            ending: None,
            parked: false,
            not_parked: Vec::new(),
            parking_s: None,
            time_zone: bench.and_then(|bench| bench.time_zone.clone()),
            end_s: 0.0,
        }
    }

    /// Of a recorded run, up to below the row with the number `until`.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn of(file: &RunFile, bench: &Bench, until: u64) -> Result<Self, RecordError> {
        let mut history = Self::new(Some(bench));
        let mut entries = 0;
        file.every_entry(until, |numbered| {
            // Numbers are given to entries and points together, without a gap.
            history.points = numbered.seq.saturating_sub(entries);
            entries += 1;
            history.entry(numbered.at, &numbered.entry);
            // Nothing moves while a sweep is measured or pauses, so its last point is what stands until its end.
            if let Entry::SweepBegin { sweep, .. } | Entry::SweepOn { sweep, .. } = numbered.entry
                && let Some(point) = file.last_point(sweep, until)?
            {
                history.point(&point);
            }
            Ok(())
        })?;
        history.points = file.next_seq()?.min(until).saturating_sub(entries);
        Ok(history)
    }

    /// The spot on which the sequence had centred the tip, on the channels of a bench.
    pub fn spot_on(&self, bench: &Bench) -> Option<CentrePlan> {
        self.left.spot.as_ref()?.renamed(|name| bench.find(name))
    }

    /// Takes in an entry.
    pub fn entry(&mut self, at: TimePoint, entry: &Entry) {
        let at_s = at.s();
        self.end_s = self.end_s.max(at_s);
        self.tip.entry(at_s, entry, &self.rules);
        if entry.condenses() {
            self.regenerated_s = Some(at_s);
        }
        self.goals.entry(at_s, entry, &self.tip, &self.rules);
        match entry {
            Entry::Intent { .. } | Entry::Call { .. } => self.asked(at_s, entry),
            Entry::SweepBegin { .. }
            | Entry::SweepPause { .. }
            | Entry::SweepEnd { .. }
            | Entry::StepBegin { .. }
            | Entry::StepEnd { .. } => self.goes_through(at_s, entry),
            Entry::SafeStep { step, achieved, found, during } => {
                if *during == During::Refill {
                    self.helium.iter_mut().for_each(Level::transfer_begins);
                    self.hold_spans.last_mut().into_iter().for_each(|span| span.refill = true);
                }
                if *during == During::Park {
                    self.parking_s.get_or_insert(at_s);
                    let what = step.in_words();
                    self.not_parked.retain(|before| *before != what);
                    self.not_parked.extend((!achieved).then_some(what));
                }
                self.safe_step(step, *achieved, found, at_s);
            }
            Entry::Interlock { .. }
            | Entry::Cleared { .. }
            | Entry::Held { .. }
            | Entry::Released { .. }
            | Entry::Resumed { .. }
            | Entry::End { .. } => self.goes_on_or_not(at, entry),
            Entry::Result { .. }
            | Entry::Known(_)
            | Entry::Monitor { .. }
            | Entry::Judgement { .. }
            | Entry::Bulk { .. }
            | Entry::Plan { .. }
            | Entry::Note { .. }
            | Entry::Context { .. } => self.learns(at_s, entry),
            Entry::Identity { .. }
            | Entry::SweepOn { .. }
            | Entry::Gap { .. }
            | Entry::NotReached { .. }
            | Entry::Table { .. }
            | Entry::Decision { .. }
            | Entry::TipTest { .. }
            | Entry::Kept { .. }
            | Entry::Fault { .. }
            | Entry::Operator { .. } => {}
        }
    }

    /// What was known before, is read, worked out, planned and said.
    fn learns(&mut self, at_s: f64, entry: &Entry) {
        match entry {
            Entry::Result { what, about, .. } => {
                self.declared = Some(Declared { what: *what, about: about.clone() });
            }
            Entry::Known(beforehand) => {
                self.told_of_tip = beforehand.tip.is_some();
                self.earlier.clone_from(&beforehand.earlier);
                self.regenerated_s = beforehand.condensed_s.or(self.regenerated_s);
                self.withdraws_in_s = beforehand.withdraws_in_s;
            }
            Entry::Monitor { channel, value } => self.monitored(channel, *value, at_s),
            Entry::Judgement { what, sweep, title, body, .. } => self.judged(at_s, what, *sweep, title, body),
            Entry::Bulk { task, .. } if task.kind() == TaskKind::Image => self.images += 1,
            Entry::Bulk { .. } => self.traces += 1,
            Entry::Plan { said, .. } => {
                if let PlanSaid::Choice(choice) = &**said {
                    self.choices.push(Choice { at_s, ..choice.clone() });
                }
            }
            Entry::Note { text, for_next_shift: true, .. } => self.handed_over.push(text.clone()),
            Entry::Context { started_at, .. } if !self.clock.is_known() => {
                self.clock = Clock::new(Some(started_at), self.time_zone.as_deref());
            }
            _ => {}
        }
    }

    /// A call begins that must not happen twice, or one has ended.
    fn asked(&mut self, at_s: f64, entry: &Entry) {
        match entry {
            Entry::Intent { n, task, place } => {
                let begun = OpenTask { task: task.clone(), at_s, place: place.clone() };
                let touches = task.kind().changes_tip();
                self.touched_s.extend(touches.then_some(at_s));
                self.open_tasks.insert(*n, begun);
                // Nobody may ever know how it ended.
                self.leave_spot_if(task.kind().leaves_spot());
            }
            Entry::Call { n, request, answer, .. } => {
                self.open_tasks.remove(n);
                self.leave_spot_if(request.leaves_spot(|channel| self.names.moves_tip(channel)));
                self.called(request, answer, at_s);
            }
            _ => {}
        }
    }

    /// A step or a sweep begins, pauses or ends.
    fn goes_through(&mut self, at_s: f64, entry: &Entry) {
        let worked_s = self.worked_s(at_s);
        let interruptions = self.holds + self.resumed;
        let key = self.marker.key(entry);
        self.marks.extend(key.map(|key| Mark { key, at_s, worked_s, interruptions }));
        match entry {
            Entry::SweepBegin { sweep, plan, .. } => {
                self.leave_spot_if(plan.moved().any(|column| self.names.moves_tip(&column.channel)));
                self.next_sweep = self.next_sweep.max(sweep + 1);
                self.began.push(at_s);
                let stands = |name: Option<&str>| Some((*sweep, self.channels.get(name?)?.si));
                self.field_at.extend(stands(self.names.field()));
                self.setpoint_at.extend(stands(self.names.setpoint()));
                self.steps.iter_mut().filter(|step| step.to_s.is_none()).for_each(|step| step.sweeps += 1);
                self.sweep = Some((*sweep, (**plan).clone()));
                self.sweep_begun = Some(SweepBegun { worked_s, points: self.points });
            }
            Entry::SweepPause { points, .. } => self.swept_to(*points, at_s),
            Entry::SweepEnd { points, sweep, .. } => {
                self.sweeps += 1;
                let began_s = usize::try_from(*sweep).ok().and_then(|sweep| self.began.get(sweep));
                self.swept_s.extend(began_s.map(|began_s| (*began_s, at_s)));
                self.swept_to(*points, at_s);
                (self.sweep, self.sweep_begun) = (None, None);
            }
            _ => spans::step(&mut self.steps, at_s, entry),
        }
    }

    /// The time that a clock shows which stands still in holds, s.
    pub fn worked_s(&self, now_s: f64) -> f64 {
        let held_s = |span: &HoldSpan| (span.to_s.unwrap_or(now_s).min(now_s) - span.from_s).max(0.0);
        now_s - self.hold_spans.iter().map(held_s).sum::<f64>()
    }

    /// Interlocks, holds and ends: what lets the sequence go on, or not.
    fn goes_on_or_not(&mut self, at: TimePoint, entry: &Entry) {
        let at_s = at.s();
        match entry {
            Entry::Interlock { name, .. } => {
                self.tripped.insert(name.clone());
                self.trips.extend(Trip::of(at_s, entry));
            }
            Entry::Cleared { name } => {
                self.tripped.remove(name);
            }
            Entry::Held { by, reason } => {
                self.holds += 1;
                self.hold = Some(HoldNow { since: at, by: *by });
                let reason = reason.clone();
                self.hold_spans.push(HoldSpan { from_s: at_s, to_s: None, by: *by, reason, refill: false });
            }
            Entry::Released { .. } => {
                self.hold = None;
                spans::hold_ends(&mut self.hold_spans, at_s);
                self.helium.iter_mut().for_each(Level::transfer_ends);
            }
            Entry::Resumed { .. } => {
                self.resumed += 1;
                (self.hold, self.ending, self.parked) = (None, None, false);
                (self.parking_s, self.not_parked) = (None, Vec::new());
                spans::hold_ends(&mut self.hold_spans, at_s);
                self.tripped.clear();
            }
            Entry::End { ending, parked, elapsed_s } => {
                self.hold = None;
                spans::hold_ends(&mut self.hold_spans, at_s);
                (self.ending, self.parked) = (Some(ending.clone()), *parked);
                self.end_s = self.end_s.max(*elapsed_s);
                self.ended(at_s);
            }
            _ => {}
        }
    }

    /// Something was worked out from data.
    fn judged(&mut self, at_s: f64, what: &JudgementKind, sweep: Option<u64>, title: &str, body: &Value) {
        if *what == JudgementKind::Card {
            return self.shown(at_s, title, body);
        }
        let mut why = Vec::new();
        match what.read(body) {
            WorkedOut::Verdict(found) => claims::take(&mut self.claims, at_s, (title, &found), &self.began),
            WorkedOut::Fit(fit) => {
                if let Some(sweep) = sweep {
                    let field_t = self.field_at.get(&sweep).copied();
                    claims::take_fit(&mut self.fits, sweep, field_t, &fit, &self.began);
                }
                why = fit.why;
            }
            WorkedOut::TipChange { .. } => self.tip_changes.push((at_s, title.to_owned())),
            WorkedOut::Line(_) | WorkedOut::Centred(_) | WorkedOut::Told => {}
        }
        self.results.push(ResultLine::of(what, title, &why));
    }

    /// A card, said again, takes the place of what was said before.
    fn shown(&mut self, at_s: f64, title: &str, body: &Value) {
        let Some(card) = Card::of(title, body) else { return };
        match self.cards.iter_mut().find(|old| old.title == card.title) {
            Some(old) => *old = Card { at_s, first_s: old.first_s, ..card },
            None => self.cards.push(Card { at_s, first_s: at_s, ..card }),
        }
    }

    /// From when to when the spectra of a claim were measured, s, where they came to their end: those at the setpoint of
    /// most, which its tip field is about.
    pub fn measured_s(&self, claim: &Claim) -> Vec<(f64, f64)> {
        let setpoint_a = |sweep: &u64| self.setpoint_at.get(sweep).copied();
        let most_a = usual_setpoint_a(&claim.sweeps.iter().map(setpoint_a).collect::<Vec<_>>());
        let began = |sweep: &u64| {
            let usual = most_a.is_none() || setpoint_a(sweep).is_none_or(|own| Some(own) == most_a);
            self.began.get(usize::try_from(*sweep).ok()?).filter(|_| usual)
        };
        let own: Vec<f64> = claim.sweeps.iter().filter_map(began).copied().collect();
        self.swept_s.iter().filter(|(from_s, _)| own.contains(from_s)).copied().collect()
    }

    /// The spectra were judged anew after the end; the verdicts of the night are taken out before.
    pub fn judged_anew(&mut self, title: &str, found: &VerdictFound) {
        claims::take(&mut self.claims, self.end_s, (title, found), &self.began);
    }

    /// What every park step has reached stands so, though a full disk did not let the steps be written one by one.
    fn ended(&mut self, at_s: f64) {
        if !self.parked {
            return;
        }
        let from_s = self.parking_s.unwrap_or(f64::INFINITY);
        let parked: Vec<(String, f64)> = self.names.parked().to_vec();
        for (channel, value) in parked {
            if self.channels.get(&channel).is_none_or(|standing| standing.at_s < from_s) {
                self.know(&channel, value, at_s, How::Set);
            }
        }
        if self.names.park_withdraws() {
            self.tip(false, at_s);
        }
    }

    /// Takes in a point of the sweep that goes on.
    pub fn point(&mut self, point: &Point) {
        self.points += 1;
        self.end_s = self.end_s.max(point.at.s());
        let Some((sweep, plan)) = self.sweep.take() else { return };
        if sweep == point.sweep {
            let along = point.values.as_slice().get(plan.gauges().len()..).unwrap_or_default();
            self.stand_at(&plan, (point.x, point.y), along.iter().copied(), point.at.s());
        }
        self.sweep = Some((sweep, plan));
    }
}

#[cfg(test)]
mod tests;
