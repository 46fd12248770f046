//! A sweep: set, settle, read, record, for every point of its plan.
//!
//! A channel that gives no value leaves a gap, and the entry beside the first point of a gap says why. What the sweep is
//! for is the first channel that it reads: where that gives nothing for long, the sweep fails.

use super::read::is_gap;
use super::{Context, Input, Next, Ramp, Reading};
use crate::bench::{Bench, Role};
use crate::instrument::InstrumentError;
use crate::quantity::TimePoint;
use crate::record::{Again, Answer, Entry, Failure, Point, SweepData, SweepPlan, Values};
use crate::supervisor::event::Command;
use crate::supervisor::{Latest, lockin};
use std::sync::Arc;

/// After so many gaps in a row in the first channel that it reads, a sweep fails.
const GAPS_AT_MOST: u32 = 20;

#[derive(Debug)]
enum Stage {
    Slow(Ramp),
    Fast(Ramp),
    /// The channel with this number of those that are moved along.
    Along(usize, Ramp),
    Settle(TimePoint),
    Read,
}

/// A sweep at work.
#[derive(Debug)]
pub struct Sweeping {
    data: SweepData,
    i: u64,
    line_of_slow: Option<u64>,
    stage: Stage,
    reading: Reading,
    settle_s: f64,
    /// When each point measured here was finished.
    finished: Vec<TimePoint>,
    /// Of these, so many were found doubtful or not before.
    doubted: usize,
    /// Points in a row for which each channel has given no value.
    gaps: Vec<u32>,
    /// Where the channels that are moved along were put last.
    along: Vec<Option<f64>>,
    /// Readings of the current point, where it is read until an error is reached.
    again: Repeats,
}

/// Means of a point over its readings.
#[derive(Debug, Default)]
struct Repeats {
    /// For each gauge the sum of what it gave, and how often it gave something.
    sums: Vec<(f64, u32)>,
    /// Values of the channel that counts.
    values: Vec<f64>,
    means: Vec<f64>,
}

impl Repeats {
    fn clear(&mut self) {
        self.sums.clear();
        self.values.clear();
    }

    /// One more reading of all gauges, of which the one in this place counts.
    fn push(&mut self, reading: &[f64], place: Option<usize>) {
        self.sums.resize(reading.len(), (0.0, 0));
        self.values.extend(place.map(|place| reading[place]));
        for ((sum, count), value) in self.sums.iter_mut().zip(reading).filter(|(_, value)| !value.is_nan()) {
            (*sum, *count) = (*sum + value, *count + 1);
        }
        let mean = |(sum, count): &(f64, u32)| if *count == 0 { f64::NAN } else { sum / f64::from(*count) };
        self.means.clear();
        self.means.extend(self.sums.iter().map(mean));
    }

    /// Standard error of the mean of what counts, from how its readings scatter.
    fn error(&self) -> f64 {
        let n = self.values.len() as f64;
        let mean = self.values.iter().sum::<f64>() / n;
        (self.values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt()
    }

    /// Whether it is read once more; with the error and how often it was read, where it may not but should.
    fn wanted(&self, again: &Again) -> Result<bool, (f64, u32)> {
        let (taken, error) = (self.values.len(), self.error());
        // A gauge that is silent is asked again at the next point.
        if self.values.last().is_some_and(|value| value.is_nan()) {
            return Ok(false);
        }
        if taken < Again::FEWEST as usize {
            return Ok(true);
        }
        if error <= again.error {
            return Ok(false);
        }
        if taken < again.at_most as usize { Ok(true) } else { Err((error, again.at_most)) }
    }
}

impl Sweeping {
    /// Number `sweep` of the run. Points that the plan calls done are not measured again.
    pub fn new(bench: &Bench, latest: &Latest, plan: Arc<SweepPlan>, sweep: u64) -> Self {
        let spacing_s = plan.dwell_s / f64::from(plan.samples.max(1));
        let reading = Reading::new(bench, plan.gauges(), plan.samples, spacing_s).with_gaps();
        let settle_s = plan.settle_s.unwrap_or_else(|| auto_settle_s(bench, latest, &plan));
        let width = plan.read.len().max(1);
        let i = plan.first + (plan.done.len() / width) as u64;
        let expected = plan.ends_before().saturating_sub(plan.first);
        let mut values = Vec::with_capacity(usize::try_from(expected).unwrap_or(0).min(1 << 20) * width);
        values.extend_from_slice(&plan.done);
        let start = Ramp::new(plan.fast.channel, plan.at(i.min(plan.total().saturating_sub(1))).0);
        Self {
            gaps: vec![0; plan.gauges().len()],
            along: vec![None; plan.companions().len()],
            again: Repeats::default(),
            data: SweepData {
                sweep,
                setpoint_a: bench.by_role(Role::Setpoint).and_then(|id| latest.standing(id)),
                doubtful: plan.doubtful.clone(),
                plan,
                values,
            },
            i,
            line_of_slow: None,
            stage: Stage::Fast(start),
            reading,
            settle_s,
            finished: Vec::new(),
            doubted: 0,
        }
    }

    /// The number of the sweep, and its points so far.
    pub fn progress(&self) -> (u64, u64) {
        (self.data.sweep, self.i)
    }

    /// What was measured is given back: something else has to happen before the sweep is over.
    pub fn take_back(&mut self, values: Vec<f64>) {
        self.data.values = values;
    }

    /// Points that were finished after that moment are doubtful.
    pub(super) fn doubt(&mut self, since: TimePoint) {
        let first = self.finished.partition_point(|at| *at <= since).max(self.doubted);
        let before = self.i - self.finished.len() as u64;
        self.data.doubtful.push(before + first as u64..self.i);
        self.doubted = self.finished.len();
    }

    /// The current point is measured again from its beginning.
    pub(super) fn rewind(&mut self) {
        self.reading.rewind();
        self.again.clear();
        self.line_of_slow = None;
        self.along.fill(None);
        self.stage = Stage::Fast(Ramp::new(self.data.plan.fast.channel, self.x_of(self.i)));
    }

    fn x_of(&self, i: u64) -> f64 {
        self.data.plan.at(i.min(self.data.plan.total().saturating_sub(1))).0
    }

    /// Whether a failure of this command is a gap and not the end of the sweep.
    pub fn takes_for_gap(&self, command: &Command, error: &InstrumentError) -> bool {
        matches!((&self.stage, command), (Stage::Read, Command::Read { .. })) && is_gap(error.kind)
    }

    pub(super) fn step(&mut self, input: Input, ctx: &mut Context<'_>) -> Next {
        if self.i >= self.data.plan.ends_before() {
            return self.finish();
        }
        if self.slow_is_due() {
            let slow = self.data.plan.slow.expect("a slow axis is due only if there is one");
            self.line_of_slow = Some(self.i / self.data.plan.line());
            self.stage = Stage::Slow(Ramp::new(slow.channel, self.data.plan.at(self.i).1));
        }
        let mut input = input;
        loop {
            let next = match &mut self.stage {
                Stage::Slow(ramp) => match ramp.step(take(&mut input), ctx) {
                    Next::Finished(Ok(_)) => {
                        self.stage = Stage::Fast(Ramp::new(self.data.plan.fast.channel, self.x_of(self.i)));
                        continue;
                    }
                    next => next,
                },
                Stage::Fast(ramp) => match ramp.step(take(&mut input), ctx) {
                    Next::Finished(Ok(_)) => {
                        self.move_along(0, ctx);
                        continue;
                    }
                    next => next,
                },
                Stage::Along(k, ramp) => match (ramp.step(take(&mut input), ctx), *k) {
                    (Next::Finished(Ok(_)), k) => {
                        self.along[k] = self.data.plan.along_at(self.i).nth(k);
                        self.move_along(k + 1, ctx);
                        continue;
                    }
                    (next, _) => next,
                },
                Stage::Settle(until) if ctx.now < *until => Next::Until(*until),
                Stage::Settle(_) => {
                    self.stage = Stage::Read;
                    continue;
                }
                Stage::Read => match self.reading.advance(take(&mut input), ctx) {
                    Ok(Some(next)) => next,
                    Ok(None) => match self.read_again(ctx) {
                        true => continue,
                        false => self.complete_point(ctx),
                    },
                    Err(failure) => Next::Finished(Err(failure)),
                },
            };
            return next;
        }
    }

    /// The next channel that is moved along, from the one with this number on; then the point settles.
    fn move_along(&mut self, from: usize, ctx: &Context<'_>) {
        let plan = &self.data.plan;
        let due =
            plan.along_at(self.i).enumerate().skip(from).find(|(k, value)| self.along[*k] != Some(*value));
        self.stage = match due {
            Some((k, value)) => Stage::Along(k, Ramp::new(plan.companions()[k], value)),
            None => Stage::Settle(ctx.now.after(self.settle_s)),
        };
    }

    fn slow_is_due(&self) -> bool {
        let at_start_of_point = matches!(self.stage, Stage::Fast(_));
        self.data.plan.slow.is_some()
            && at_start_of_point
            && self.line_of_slow != Some(self.i / self.data.plan.line())
    }

    /// Takes what was read, and settles for another reading where the error is not reached yet.
    fn read_again(&mut self, ctx: &mut Context<'_>) -> bool {
        let plan = &self.data.plan;
        let place = plan.again.and_then(|again| plan.gauges().iter().position(|id| *id == again.channel));
        self.again.push(self.reading.means(), place);
        let Some(again) = plan.again else { return false };
        match self.again.wanted(&again) {
            Ok(false) => return false,
            Ok(true) => {}
            Err((error, readings)) => {
                let channel = ctx.bench.channel(again.channel).name.clone();
                let (sweep, i) = (self.data.sweep, self.i);
                ctx.entries.push(Entry::NotReached { sweep, i, channel, error, readings });
                return false;
            }
        }
        self.reading.rewind();
        self.stage = Stage::Settle(ctx.now.after(self.settle_s));
        true
    }

    /// Notes the point and turns to the next.
    fn complete_point(&mut self, ctx: &mut Context<'_>) -> Next {
        let (x, y) = self.data.plan.at(self.i);
        let first = self.data.values.len();
        self.data.values.extend_from_slice(&self.again.means);
        self.data.values.extend(self.data.plan.along_at(self.i));
        let failed = self.note_gaps(ctx);
        let values = Values::new(&self.data.values[first..]);
        self.finished.push(ctx.now);
        ctx.points.push(Point { sweep: self.data.sweep, i: self.i, at: ctx.now, x, y, values });
        ctx.boundary = true;
        self.reading.rewind();
        self.again.clear();
        self.i += 1;
        if let Some(error) = failed {
            return Next::Finished(Err(Failure::Instrument(error)));
        }
        if self.i >= self.data.plan.ends_before() {
            return self.finish();
        }
        self.stage = Stage::Fast(Ramp::new(self.data.plan.fast.channel, self.x_of(self.i)));
        // Ending the turn here gives a hold or a stop its chance between two points.
        Next::Until(ctx.now)
    }

    /// Tells where a gap begins. What the sweep fails with, if what it is for has given nothing for too long.
    fn note_gaps(&mut self, ctx: &mut Context<'_>) -> Option<InstrumentError> {
        for (k, silent) in self.reading.silent().iter().enumerate() {
            let Some(error) = silent.as_ref().filter(|_| self.again.means[k].is_nan()) else {
                self.gaps[k] = 0;
                continue;
            };
            self.gaps[k] += 1;
            if self.gaps[k] == 1 {
                let channel = ctx.bench.channel(self.data.plan.read[k]).name.clone();
                let (sweep, i, error) = (self.data.sweep, self.i, error.clone());
                ctx.entries.push(Entry::Gap { sweep, i, channel, error });
            }
        }
        let too_long = self.gaps.first().is_some_and(|gaps| *gaps >= GAPS_AT_MOST);
        self.reading.silent().first().cloned().flatten().filter(|_| too_long)
    }

    fn finish(&mut self) -> Next {
        let plan = Arc::clone(&self.data.plan);
        let doubtful = self.data.doubtful.clone();
        let values = std::mem::take(&mut self.data.values);
        Next::Finished(Ok(Answer::Sweep(SweepData { doubtful, plan, values, ..self.data })))
    }
}

/// Takes the input once; whoever comes after it in the same turn just goes on.
fn take(input: &mut Input) -> Input {
    std::mem::replace(input, Input::Go)
}

/// The lock-in needs its time only where it is read.
fn auto_settle_s(bench: &Bench, latest: &Latest, plan: &SweepPlan) -> f64 {
    let reads_lockin =
        plan.gauges().iter().any(|id| matches!(bench.channel(*id).role, Some(Role::LockinX | Role::LockinY)));
    if reads_lockin { lockin::settle_s(bench, latest) } else { 0.0 }
}

/// A sweep that can't be measured is refused before anything moves.
pub fn check_plan(bench: &Bench, plan: &SweepPlan) -> Result<(), Failure> {
    let too_many = plan.read.len() > crate::record::WIDEST_POINT;
    if too_many {
        let most = crate::record::WIDEST_POINT;
        return Err(Failure::Forbidden(format!("a sweep reads at most {most} channels at each point")));
    }
    let refuse = |why: &str| Err(Failure::Forbidden(why.to_owned()));
    let line = usize::try_from(plan.fast.points).unwrap_or(usize::MAX);
    let lines = plan.slow.map_or(0, |axis| usize::try_from(axis.points).unwrap_or(usize::MAX));
    if !(plan.places.is_empty() || plan.places.len() == line)
        || !(plan.slow_places.is_empty() || plan.slow_places.len() == lines)
        || plan.along.iter().any(|along| along.len() != line)
        || plan.slow_along.iter().any(|along| along.len() != lines)
    {
        return refuse("a sweep needs a value for each point of its lists");
    }
    if plan.again.is_some_and(|again| !plan.gauges().contains(&again.channel)) {
        return refuse("a point can be read again for a channel only that is read there");
    }
    if plan.passes == 0 || plan.fast.points % plan.passes != 0 {
        return refuse("the passes of a sweep are equally long");
    }
    let mut moved: Vec<_> = plan.moved().collect();
    moved.sort();
    moved.dedup();
    if moved.len() != plan.moved().count() {
        return refuse("a sweep moves each channel in one way only");
    }
    let limits = |channel, value| {
        crate::supervisor::gate::check_limits(bench, channel, value).map_err(Failure::Forbidden)
    };
    for axis in std::iter::once(&plan.fast).chain(plan.slow.iter()) {
        if axis.points == 0 {
            return refuse("a sweep needs at least one point along each axis");
        }
        limits(axis.channel, axis.from)?;
        limits(axis.channel, axis.to)?;
    }
    plan.places.iter().try_for_each(|value| limits(plan.fast.channel, *value))?;
    if let Some(slow) = plan.slow {
        plan.slow_places.iter().try_for_each(|value| limits(slow.channel, *value))?;
    }
    for (channel, along) in plan.companions().iter().zip(plan.along.iter().chain(&plan.slow_along)) {
        along.iter().try_for_each(|value| limits(*channel, *value))?;
    }
    Ok(())
}
