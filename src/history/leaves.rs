//! What calls, sweeps and the steps to a safe state leave standing.

use super::{History, How};
use crate::bench::TaskKind;
use crate::instrument::Task;
use crate::record::{Answer, CentrePlan, Centred, Column, Failure, Found, Request, SafeAct, SweepPlan};

impl History {
    pub(super) fn stand_at(
        &mut self,
        plan: &SweepPlan<Column>,
        (fast, slow): (f64, f64),
        along: impl Iterator<Item = f64>,
        at_s: f64,
    ) {
        self.stands(&plan.fast.channel.channel, fast, at_s);
        if let Some(axis) = &plan.slow {
            self.stands(&axis.channel.channel, slow, at_s);
        }
        for (column, value) in plan.companions().iter().zip(along) {
            self.stands(&column.channel, value, at_s);
        }
    }

    /// A call of the sequence, or of the engine for it, has ended.
    pub(super) fn called(&mut self, request: &Request<String>, answer: &Result<Answer, Failure>, at_s: f64) {
        match (request, answer) {
            (Request::Set { channel, value }, Ok(_)) => self.stands(channel, *value, at_s),
            // It may have come part of the way.
            (Request::Set { channel, .. }, Err(Failure::Instrument(_))) => self.doubt(channel),
            (Request::Read { channels, .. }, Ok(Answer::Numbers(values))) => {
                for (channel, value) in channels.iter().zip(values).filter(|(_, value)| value.is_finite()) {
                    self.know(channel, *value, at_s, How::Read);
                }
            }
            (Request::Task(task), Ok(Answer::Task(report))) if report.achieved => self.task_done(task, at_s),
            (Request::Recentre(plan), Ok(Answer::Centred(centred))) => {
                self.tip_at(centred.x_m, centred.y_m, at_s);
                let spot = || CentrePlan { expected: Some(centred.curvature), ..plan.clone() };
                self.left.spot = centred.found.then(spot);
            }
            // The steps of parking are recorded one by one; here is what the sequence wants from now on.
            (Request::Park, Ok(_)) => {
                for (channel, value) in self.names.parked() {
                    self.left.values.insert(channel.clone(), *value);
                }
                if self.names.park_withdraws() {
                    self.left.approached = Some(false);
                }
            }
            _ => {}
        }
    }

    fn task_done(&mut self, task: &Task<String>, at_s: f64) {
        match task {
            Task::MoveTip { x_m, y_m, .. } => self.tip_at(*x_m, *y_m, at_s),
            task if matches!(task.kind(), TaskKind::Approach | TaskKind::Withdraw) => {
                let within = task.kind() == TaskKind::Approach;
                self.left.approached = Some(within);
                let bias = self.names.bias().and_then(|name| self.channel(name)).map(|standing| standing.si);
                self.left.approached_with = bias.filter(|_| within).or(self.left.approached_with);
                self.tip(within, at_s);
            }
            _ => {}
        }
    }

    /// A sweep leaves what it moves where its last point was.
    pub(super) fn swept_to(&mut self, points: u64, at_s: f64) {
        let Some((sweep, plan)) = self.sweep.take() else { return };
        if let Some(last) = points.checked_sub(1) {
            self.stand_at(&plan, plan.at(last), plan.along_at(last), at_s);
        }
        self.sweep = Some((sweep, plan));
    }

    /// What holds, parking and the way back do to the bench is none of the sequence's doing, but for the place of a
    /// tip that was put back on its spot.
    pub(super) fn safe_step(&mut self, step: &SafeAct<Column>, achieved: bool, found: &Found, at_s: f64) {
        match (step, found) {
            (SafeAct::Withdraw, _) if achieved => self.tip(false, at_s),
            (SafeAct::Approach, _) if achieved => self.tip(true, at_s),
            (SafeAct::Withdraw | SafeAct::Approach, _) => self.tip_in = None,
            (SafeAct::Keep(column), Found::Reads(value) | Found::Standing(value)) => {
                self.know(&column.channel, *value, at_s, How::Kept);
            }
            (SafeAct::Set(column, value), found) if achieved => {
                let read = if let Found::Reads(read) = found { *read } else { *value };
                self.know(&column.channel, read, at_s, How::Set);
            }
            (SafeAct::Set(column, _), found) => {
                if let Found::Reads(read) = found {
                    self.know(&column.channel, *read, at_s, How::Read);
                }
                self.doubt(&column.channel);
            }
            (SafeAct::Centre(_), Found::Centred(Centred { found: true, x_m, y_m, .. })) => {
                self.tip_at(*x_m, *y_m, at_s);
            }
            _ => {}
        }
    }

    pub(super) fn leave_spot_if(&mut self, leaves: bool) {
        if leaves {
            self.left.spot = None;
        }
    }
}
