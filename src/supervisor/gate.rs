//! The gate: every command passes it, from whichever path it comes.
//!
//! Limits, largest step, slew and permits are checked here and nowhere else, at the last
//! moment before a command leaves. Procedures plan within the limits; the gate does not trust them.

use super::Latest;
use super::event::Command;
use crate::bench::expression::Readings;
use crate::bench::{Bench, ChannelId, Subject};
use crate::quantity::Moment;

/// Part of a limit by which rounding may exceed it.
const ROUNDING: f64 = 1e-9;

/// A permit that rests on a reading older than this, s, is not known to hold: the gauge may be dead.
pub const PERMIT_TRUST_S: f64 = 10.0;
/// Words of a refusal for want of a reading.
pub(super) const NOT_KNOWN: &str = "not known whether";

/// Whether a command may leave, and if not, why.
pub fn check(bench: &Bench, latest: &Latest, now: Moment, command: &Command) -> Result<(), String> {
    match command {
        Command::Set { channel, value } => {
            check_limits(bench, *channel, *value)?;
            check_motion(bench, latest, now, *channel, *value)?;
            check_permits(bench, latest, Subject::Channel(*channel), Some(*value))
        }
        Command::Begin(task) => check_permits(bench, latest, Subject::Task(task.kind()), None),
        Command::Read { .. } | Command::Poll | Command::Abort => Ok(()),
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

/// Whether the way from where the channel stands is short and slow enough.
fn check_motion(
    bench: &Bench,
    latest: &Latest,
    now: Moment,
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
            channel.show(size),
            channel.name,
            channel.show(channel.step)
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
) -> Result<(), String> {
    for permit in bench.permits.iter().filter(|permit| permit.subject == subject) {
        let applies = match (permit.above, target) {
            (Some(mark), Some(value)) => value.abs() > mark,
            _ => true,
        };
        if !applies {
            continue;
        }
        let fresh = permit.condition.channels().all(|id| latest.age_s(id) <= PERMIT_TRUST_S);
        match permit.condition.holds(latest).filter(|_| fresh) {
            Some(true) => {}
            Some(false) => {
                return Err(format!("not permitted: {} (needs {})", permit.because, permit.condition.text));
            }
            None => {
                let text = &permit.condition.text;
                return Err(format!("not permitted: it is {NOT_KNOWN} {text} ({})", permit.because));
            }
        }
    }
    Ok(())
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
