//! A sweep: set, settle, read, record, for every point of its plan.

use super::{Context, Input, Next, Ramp, Reading};
use crate::bench::{Bench, Role};
use crate::quantity::TimePoint;
use crate::record::{Answer, Failure, Point, SweepData, SweepPlan, Values};
use crate::supervisor::{Latest, lockin};
use std::sync::Arc;

#[derive(Debug)]
enum Stage {
    Slow(Ramp),
    Fast(Ramp),
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
}

impl Sweeping {
    /// Number `sweep` of the run. Points that the plan calls done are not measured again.
    pub fn new(bench: &Bench, latest: &Latest, plan: Arc<SweepPlan>, sweep: u64) -> Self {
        let spacing_s = plan.dwell_s / f64::from(plan.samples.max(1));
        let reading = Reading::new(bench, &plan.read, plan.samples, spacing_s);
        let settle_s = plan.settle_s.unwrap_or_else(|| auto_settle_s(bench, latest, &plan));
        let width = plan.read.len().max(1);
        let i = (plan.done.len() / width) as u64;
        let mut values = Vec::with_capacity(usize::try_from(plan.total()).unwrap_or(0).min(1 << 20) * width);
        values.extend_from_slice(&plan.done);
        let start = Ramp::new(plan.fast.channel, plan.at(i.min(plan.total().saturating_sub(1))).0);
        Self {
            data: SweepData { sweep, doubtful: plan.doubtful.clone(), plan, values },
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
        self.line_of_slow = None;
        self.stage = Stage::Fast(Ramp::new(self.data.plan.fast.channel, self.x_of(self.i)));
    }

    fn x_of(&self, i: u64) -> f64 {
        self.data.plan.at(i.min(self.data.plan.total().saturating_sub(1))).0
    }

    pub(super) fn step(&mut self, input: Input, ctx: &mut Context<'_>) -> Next {
        if self.i >= self.data.plan.total() {
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
                        self.stage = Stage::Settle(ctx.now.after(self.settle_s));
                        continue;
                    }
                    next => next,
                },
                Stage::Settle(until) if ctx.now < *until => Next::Until(*until),
                Stage::Settle(_) => {
                    self.stage = Stage::Read;
                    continue;
                }
                Stage::Read => match self.reading.advance(take(&mut input), ctx) {
                    Ok(Some(next)) => next,
                    Ok(None) => match self.complete_point(ctx) {
                        Some(next) => next,
                        None => continue,
                    },
                    Err(failure) => Next::Finished(Err(failure)),
                },
            };
            return next;
        }
    }

    fn slow_is_due(&self) -> bool {
        let at_start_of_point = matches!(self.stage, Stage::Fast(_));
        self.data.plan.slow.is_some()
            && at_start_of_point
            && self.line_of_slow != Some(self.i / self.data.plan.line())
    }

    /// Notes the point and turns to the next; returns what to do if the sweep or the line is over.
    fn complete_point(&mut self, ctx: &mut Context<'_>) -> Option<Next> {
        let (x, y) = self.data.plan.at(self.i);
        let means = self.reading.means();
        self.data.values.extend_from_slice(means);
        let values = Values::new(means);
        self.finished.push(ctx.now);
        ctx.points.push(Point { sweep: self.data.sweep, i: self.i, at: ctx.now, x, y, values });
        ctx.boundary = true;
        self.reading.rewind();
        self.i += 1;
        if self.i >= self.data.plan.total() {
            return Some(self.finish());
        }
        self.stage = Stage::Fast(Ramp::new(self.data.plan.fast.channel, self.x_of(self.i)));
        // Ending the turn here gives a hold or a stop its chance between two points.
        Some(Next::Until(ctx.now))
    }

    fn finish(&mut self) -> Next {
        let plan = Arc::clone(&self.data.plan);
        let (sweep, doubtful) = (self.data.sweep, self.data.doubtful.clone());
        let values = std::mem::take(&mut self.data.values);
        Next::Finished(Ok(Answer::Sweep(SweepData { sweep, doubtful, plan, values })))
    }
}

/// Takes the input once; whoever comes after it in the same turn just goes on.
fn take(input: &mut Input) -> Input {
    std::mem::replace(input, Input::Go)
}

/// The lock-in needs its time only where it is read.
fn auto_settle_s(bench: &Bench, latest: &Latest, plan: &SweepPlan) -> f64 {
    let reads_lockin =
        plan.read.iter().any(|id| matches!(bench.channel(*id).role, Some(Role::LockinX | Role::LockinY)));
    if reads_lockin { lockin::settle_s(bench, latest) } else { 0.0 }
}

/// A sweep that can't be measured is refused before anything moves.
pub fn check_plan(bench: &Bench, plan: &SweepPlan) -> Result<(), Failure> {
    let too_many = plan.read.len() > crate::record::WIDEST_POINT;
    if too_many {
        let most = crate::record::WIDEST_POINT;
        return Err(Failure::Forbidden(format!("a sweep reads at most {most} channels at each point")));
    }
    for axis in std::iter::once(&plan.fast).chain(plan.slow.iter()) {
        if axis.points == 0 {
            return Err(Failure::Forbidden("a sweep needs at least one point along each axis".to_owned()));
        }
        for value in [axis.from, axis.to] {
            crate::supervisor::gate::check_limits(bench, axis.channel, value).map_err(Failure::Forbidden)?;
        }
    }
    Ok(())
}
