//! The gate: every command passes it, from whichever path it comes.
//!
//! Limits, largest step, slew and permits are checked here and nowhere else, at the last
//! moment before a command leaves. Procedures plan within the limits; the gate does not trust them.

use super::Latest;
use super::event::Command;
use crate::bench::expression::Readings;
use crate::bench::{Bench, ChannelId, Subject};
use crate::instrument::Task;
use crate::quantity::TimePoint;

/// Part of a limit by which rounding may exceed it.
const ROUNDING: f64 = 1e-9;

/// A permit that rests on a reading older than this, s, is not known to hold: the gauge may be dead.
pub const PERMIT_TRUST_S: f64 = 10.0;

/// Why a command may not leave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// A limit, a step or a slew forbids it: no time makes it right.
    Never(String),
    /// A permit is not met by what is known.
    NotMet(String),
    /// Whether a permit is met can't be told, for want of a reading that can be trusted.
    NotKnown(String),
}

impl Refusal {
    /// Why, in a phrase.
    pub fn why(&self) -> &str {
        match self {
            Refusal::Never(why) | Refusal::NotMet(why) | Refusal::NotKnown(why) => why,
        }
    }

    /// One sentence.
    pub fn into_text(self) -> String {
        match self {
            Refusal::Never(text) => text,
            Refusal::NotMet(why) | Refusal::NotKnown(why) => format!("not permitted: {why}"),
        }
    }
}

/// Whether a command may leave, and if not, why.
pub fn check(bench: &Bench, latest: &Latest, now: TimePoint, command: &Command) -> Result<(), Refusal> {
    match command {
        Command::Set { channel, value } => {
            check_limits(bench, *channel, *value).map_err(Refusal::Never)?;
            check_motion(bench, latest, now, *channel, *value).map_err(Refusal::Never)?;
            check_permits(bench, latest, Subject::Channel(*channel), Some(*value))
        }
        Command::Begin(task) => {
            check_task(bench, task).map_err(Refusal::Never)?;
            check_permits(bench, latest, Subject::Task(task.kind()), None)
        }
        Command::Read { .. } | Command::Poll | Command::Abort | Command::Look { .. } => Ok(()),
    }
}

/// Whether a target lies within the limits of its channel.
pub fn check_limits(bench: &Bench, id: ChannelId, value: f64) -> Result<(), String> {
    let channel = bench.channel(id);
    if !channel.settable {
        return Err(format!("`{}` can't be set", channel.name));
    }
    if !channel.within(value) {
        return Err(format!(
            "{} lies outside the limits of `{}`, {} to {}",
            channel.show(value),
            channel.name,
            channel.show(channel.min),
            channel.show(channel.max)
        ));
    }
    Ok(())
}

/// Whether the arguments of a task lie within the limits that the bench gives for it.
fn check_task(bench: &Bench, task: &Task) -> Result<(), String> {
    let (Some(limits), Task::Pulse { volts, length_s }) = (&bench.pulse, *task) else { return Ok(()) };
    limits.objection(volts, length_s).map_or(Ok(()), Err)
}

/// Whether the way from where the channel stands is short and slow enough.
fn check_motion(
    bench: &Bench,
    latest: &Latest,
    now: TimePoint,
    id: ChannelId,
    value: f64,
) -> Result<(), String> {
    let channel = bench.channel(id);
    if channel.step.is_infinite() && channel.slew_per_s.is_infinite() {
        return Ok(());
    }
    let Some(standing) = latest.standing(id) else {
        return Err(format!("nobody knows where `{}` stands, so it can't be moved", channel.name));
    };
    let size = (value - standing).abs();
    if size > channel.step * (1.0 + ROUNDING) {
        return Err(format!(
            "a step of {} is larger than `{}` takes at once, {}",
            channel.show_change(size),
            channel.name,
            channel.show_change(channel.step)
        ));
    }
    if let Some(sent_at) = latest.moved_at(id) {
        let least_s = size / channel.slew_per_s;
        if now.since(sent_at) < least_s * (1.0 - ROUNDING) - 1e-9 {
            return Err(format!("`{}` would move faster than its slew allows", channel.name));
        }
    }
    Ok(())
}

/// Whether all permits for setting a channel or starting a task hold.
pub fn check_permits(
    bench: &Bench,
    latest: &Latest,
    subject: Subject,
    target: Option<f64>,
) -> Result<(), Refusal> {
    for permit in bench.permits.iter().filter(|permit| permit.subject == subject) {
        let from = match (subject, target) {
            (Subject::Channel(id), Some(value)) => latest.comes_from(id, value),
            _ => [None; 2],
        };
        if !from.iter().any(|from| permit.applies_to(target, *from)) {
            continue;
        }
        let (text, because) = (&permit.condition.text, &permit.because);
        let trusted = permit.condition.channels().all(|id| latest.age_s(id) <= PERMIT_TRUST_S);
        // What is known can settle that it is not met, whatever the silent gauge would say; that it is met takes all.
        match permit.condition.holds(&Trusted(latest)) {
            Some(true) if trusted => {}
            Some(false) => return Err(Refusal::NotMet(format!("{because} (needs {text})"))),
            _ => {
                let text = format!("it is not known whether {text} ({because})");
                return Err(Refusal::NotKnown(text));
            }
        }
    }
    Ok(())
}

/// The readings without those that are too old for a permit.
struct Trusted<'l>(&'l Latest);

impl Readings for Trusted<'_> {
    fn latest(&self, channel: ChannelId) -> Option<f64> {
        self.0.latest(channel).filter(|_| self.0.age_s(channel) <= PERMIT_TRUST_S)
    }
    fn beyond(&self, channel: ChannelId) -> Option<f64> {
        self.0.beyond(channel).filter(|_| self.0.age_s(channel) <= PERMIT_TRUST_S)
    }
    fn rate_per_s(&self, channel: ChannelId) -> Option<f64> {
        self.0.rate_per_s(channel).filter(|_| self.0.age_s(channel) <= PERMIT_TRUST_S)
    }
    fn age_s(&self, channel: ChannelId) -> f64 {
        self.0.age_s(channel)
    }
    fn frozen_s(&self, channel: ChannelId) -> f64 {
        self.0.frozen_s(channel)
    }
    fn unreadable(&self, channel: ChannelId) -> bool {
        self.0.unreadable(channel)
    }
    fn clock_jump_s(&self) -> f64 {
        self.0.clock_jump_s()
    }
}

/// Channels that must have been read lately for the permits of a command to be judged.
pub fn permit_channels(bench: &Bench) -> Vec<ChannelId> {
    let mut channels: Vec<ChannelId> =
        bench.permits.iter().flat_map(|permit| permit.condition.channels()).collect();
    channels.sort_unstable();
    channels.dedup();
    channels
}

/// Time that bringing a channel from one value to another takes at least, s.
pub fn ramp_time_s(bench: &Bench, id: ChannelId, from: f64, to: f64) -> f64 {
    (to - from).abs() / bench.channel(id).slew_per_s
}

/// Time that bringing a channel to a value takes at least from the far end of its limits, s; none where it can't be read,
/// as nothing is moved from nobody knows where.
pub fn longest_way_s(bench: &Bench, id: ChannelId, to: f64) -> f64 {
    let channel = bench.channel(id);
    if !channel.is_looked_at() || !channel.min.is_finite() || !channel.max.is_finite() {
        return 0.0;
    }
    let far_end = if to - channel.min > channel.max - to { channel.min } else { channel.max };
    ramp_time_s(bench, id, far_end, to)
}
