//! Bringing a channel to a value within its largest step and fastest slew.

use super::{Context, Input, Next};
use crate::bench::expression::Readings;
use crate::bench::{BeyondStep, ChannelId};
use crate::instrument::{ErrorKind, InstrumentError};
use crate::quantity::TimePoint;
use crate::record::{Answer, Failure};
use crate::supervisor::event::{Answered, Channels, Command};
use crate::supervisor::{Probe, gate};

/// How often a slow channel is asked whether it has arrived, s.
const ARRIVAL_POLL_S: f64 = 1.0;

/// After so long, s, somebody else may have moved a channel: it is read before it is moved again.
const LOOK_AGAIN_S: f64 = 10.0;
/// A reading that came within so long after a command, s, may have been taken before it.
const AFTER_COMMAND_S: f64 = 1.0;
/// Longest time that a channel settles on the way to a safe state, s.
const SETTLES_S: f64 = 1.0;
/// Part of a channel's range within which it counts as standing where it was put.
const SAME_PART: f64 = 1e-3;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Stage {
    /// Where it stands is being found out, or the next step is due.
    Moving,
    /// Waiting for the answer to a read that says where it stands.
    Locating,
    /// The last command is on its way.
    Sent,
    /// The value is read back until it is within the tolerance.
    Arriving { deadline: TimePoint },
    /// It has arrived and settles.
    Settling { until: TimePoint },
}

/// A ramp of one channel.
#[derive(Debug)]
pub struct Ramp {
    channel: ChannelId,
    target: f64,
    stage: Stage,
    /// Whether somebody else was reckoned with.
    looked: bool,
    /// Longest time that it settles, s.
    settles_s: f64,
    /// Whether a way that is longer than a step is gone in steps whatever the bench says of calls.
    in_steps: bool,
}

impl Ramp {
    /// Towards a target, SI.
    pub fn new(channel: ChannelId, target: f64) -> Self {
        Self {
            channel,
            target,
            stage: Stage::Moving,
            looked: false,
            settles_s: f64::INFINITY,
            in_steps: false,
        }
    }

    /// On the way to a safe state or back from it: a bench that refuses long ways to a sequence does not refuse these.
    pub fn in_steps(self) -> Self {
        Self { in_steps: true, ..self }
    }

    /// On the way to a safe state: nothing is measured there, so it settles no longer than reading it back needs.
    pub fn to_safety(self) -> Self {
        Self { settles_s: SETTLES_S, ..self }
    }

    pub(super) fn rewind(&mut self) {
        self.stage = Stage::Moving;
        self.looked = false;
    }

    pub(super) fn step(&mut self, input: Input, ctx: &mut Context<'_>) -> Next {
        match input {
            Input::Refused(reason) => return Next::Finished(Err(Failure::Forbidden(reason))),
            // It can't be read, but where it was put is known.
            Input::Answered(Answered::Failed(_))
                if self.stage == Stage::Locating && ctx.latest.sent(self.channel).is_some() =>
            {
                self.stage = Stage::Moving;
            }
            Input::Answered(Answered::Failed(error)) => {
                // Nobody knows now whether it was taken, so it is read before it is moved again.
                ctx.latest.lose(self.channel);
                return Next::Finished(Err(Failure::Instrument(error)));
            }
            Input::Answered(Answered::Read(values)) => {
                let value = values.as_slice().first().copied();
                match (self.stage, value) {
                    (Stage::Locating, value) => {
                        if let Some(value) = value {
                            self.heed(value, ctx);
                        }
                        self.stage = Stage::Moving;
                    }
                    (Stage::Arriving { deadline }, Some(value)) => return self.arrived(value, deadline, ctx),
                    _ => {}
                }
            }
            Input::Answered(_) if self.stage == Stage::Sent => return self.taken(ctx),
            Input::Answered(_) | Input::Go => {}
        }
        match self.stage {
            Stage::Moving | Stage::Locating | Stage::Sent => self.move_on(ctx),
            Stage::Arriving { .. } => self.look(),
            Stage::Settling { until } if ctx.now < until => Next::Until(until),
            Stage::Settling { .. } => Next::Finished(Ok(Answer::Done)),
        }
    }

    fn look(&self) -> Next {
        Next::Command(Command::Read { channels: Channels::new(&[self.channel]) })
    }

    fn move_on(&mut self, ctx: &mut Context<'_>) -> Next {
        if let Err(reason) = gate::check_limits(ctx.bench, self.channel, self.target) {
            return Next::Finished(Err(Failure::Forbidden(reason)));
        }
        let channel = ctx.bench.channel(self.channel);
        let limited = channel.step.is_finite() || channel.slew_per_s.is_finite();
        if limited && !std::mem::replace(&mut self.looked, true) && self.must_look(ctx) {
            self.stage = Stage::Locating;
            return self.look();
        }
        let Some(standing) = ctx.latest.standing(self.channel) else {
            if limited {
                self.stage = Stage::Locating;
                return self.look();
            }
            return self.send(self.target);
        };
        let way = self.target - standing;
        let refuses = channel.beyond_step == BeyondStep::Refuse && !self.in_steps;
        if limited && way.abs() > channel.step && refuses {
            let reason = format!(
                "a step of {} is larger than `{}` takes at once, {}, and the bench refuses to ramp it",
                channel.show_change(way.abs()),
                channel.name,
                channel.show_change(channel.step)
            );
            return Next::Finished(Err(Failure::Forbidden(reason)));
        }
        let next =
            if way.abs() <= channel.step { self.target } else { standing + channel.step.copysign(way) };
        if let Some(sent_at) = ctx.latest.moved_at(self.channel) {
            let due = sent_at.after((next - standing).abs() / channel.slew_per_s);
            if ctx.now < due {
                self.stage = Stage::Moving;
                return Next::Until(due);
            }
        }
        self.send(next)
    }

    /// Whether it has to be read before it is moved: it was put where it is, or seen there, some time ago.
    fn must_look(&self, ctx: &mut Context<'_>) -> bool {
        let age_s = ctx.latest.age_s(self.channel);
        let Some((_, at)) = ctx.latest.sent(self.channel) else { return age_s > LOOK_AGAIN_S };
        let since_s = ctx.now.since(at);
        if let Some(value) = ctx.latest.latest(self.channel)
            && age_s + AFTER_COMMAND_S < since_s
            && age_s <= LOOK_AGAIN_S
        {
            self.heed(value, ctx);
            return false;
        }
        since_s > LOOK_AGAIN_S
    }

    /// Steps count from where a channel reads, if that is not where it was put: somebody has moved it at the instrument.
    fn heed(&self, value: f64, ctx: &mut Context<'_>) {
        let channel = ctx.bench.channel(self.channel);
        let Some((sent, _)) = ctx.latest.sent(self.channel) else { return };
        let range = channel.max - channel.min;
        let same = channel.tolerance.unwrap_or(if range.is_finite() { SAME_PART * range } else { 0.0 });
        if (value - sent).abs() > same {
            ctx.reach(Probe::MovedByHand);
            ctx.latest.forget_sent(self.channel);
        }
    }

    fn send(&mut self, value: f64) -> Next {
        self.stage = Stage::Sent;
        Next::Command(Command::Set { channel: self.channel, value })
    }

    fn taken(&mut self, ctx: &mut Context<'_>) -> Next {
        ctx.latest.note_taken(self.channel);
        let channel = ctx.bench.channel(self.channel);
        if ctx.latest.standing(self.channel) != Some(self.target) {
            return self.move_on(ctx);
        }
        if channel.tolerance.is_some() {
            self.stage = Stage::Arriving { deadline: ctx.now.after(channel.arrive_within_s) };
            return self.look();
        }
        self.settle(ctx)
    }

    fn settle(&mut self, ctx: &Context<'_>) -> Next {
        let settle_s = ctx.bench.channel(self.channel).settle_s.min(self.settles_s);
        if settle_s <= 0.0 {
            return Next::Finished(Ok(Answer::Done));
        }
        let until = ctx.now.after(settle_s);
        self.stage = Stage::Settling { until };
        Next::Until(until)
    }

    fn arrived(&mut self, value: f64, deadline: TimePoint, ctx: &mut Context<'_>) -> Next {
        let channel = ctx.bench.channel(self.channel);
        if (value - self.target).abs() <= channel.tolerance.unwrap_or(f64::INFINITY) {
            return self.settle(ctx);
        }
        if ctx.now >= deadline {
            ctx.reach(Probe::NotArrived);
            let message = format!(
                "`{}` reads {} and has not arrived at {}",
                channel.name,
                channel.show(value),
                channel.show(self.target)
            );
            let error = InstrumentError::new(ErrorKind::TimedOut, message);
            return Next::Finished(Err(Failure::Instrument(error)));
        }
        Next::Until(ctx.now.after(ARRIVAL_POLL_S))
    }
}
