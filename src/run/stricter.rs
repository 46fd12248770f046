//! The stricter of two benches: the one in the record, and the one that the bench file describes now.

use crate::bench::{Bench, BeyondStep, Channel, StepAction, read};
use std::path::Path;

/// What the bench file says now, beside the recorded bench.
#[derive(Debug, Default)]
pub struct Present {
    /// What differs, one sentence each.
    pub told: Vec<String>,
    /// The text of the bench file, if it is another one that can be read: whoever parks is held to it as well.
    pub text: Option<String>,
}

/// Holds a recorded bench to what its file says now where that is stricter.
pub fn hold_to_file(recorded: &mut Bench, recorded_text: &str, file: &Path) -> Present {
    let at = file.display();
    let told = |sentence: String| Present { told: vec![sentence], text: None };
    let Ok(text) = std::fs::read_to_string(file) else {
        return told(format!("the bench file `{at}` can't be read any more; the limits of the record hold"));
    };
    if text == recorded_text {
        return Present::default();
    }
    match read(&text, &at.to_string()) {
        Ok((present, _)) => Present { told: stricter(recorded, &present), text: Some(text) },
        Err(faults) => {
            let count = faults.len();
            told(format!("the bench file `{at}` has {count} faults now; the limits of the record hold"))
        }
    }
}

/// Steps to the safe states of a bench that its own limits forbid, one sentence each: a run on it could not be parked.
pub fn forbidden_steps(bench: &Bench) -> Vec<String> {
    let steps = bench.park.iter().chain(&bench.hold).chain(&bench.refill.steps);
    let forbidden = steps.filter_map(|step| match step.action {
        StepAction::Set { channel, value } => {
            let channel = bench.channel(channel);
            let allowed = channel.settable && (channel.min..=channel.max).contains(&value);
            let (name, limits) = (&channel.name, limits(channel));
            (!allowed).then(|| {
                format!("a safe state needs `{name}` at {}, and it is held to {limits}", channel.show(value))
            })
        }
        StepAction::Withdraw | StepAction::Keep { .. } => None,
    });
    let mut forbidden: Vec<String> = forbidden.collect();
    forbidden.dedup();
    forbidden
}

/// Takes over every limit that is stricter in `present`, and every interlock and permit that came to it.
pub fn stricter(recorded: &mut Bench, present: &Bench) -> Vec<String> {
    let mut told = Vec::new();
    for channel in recorded.channels.iter_mut().filter(|channel| channel.settable) {
        let Some(id) = present.find(&channel.name) else {
            told.push(format!(
                "the bench file has no `{}` any more; its limits of the record hold",
                channel.name
            ));
            continue;
        };
        let before = limits(channel);
        tighten(channel, present.channel(id));
        let now = limits(present.channel(id));
        if now != before {
            let held = limits(channel);
            told.push(format!(
                "`{}` had {before}, and the bench file says {now}; it is held to {held}",
                channel.name
            ));
        }
    }
    if let (Some(limits), Some(now)) = (&mut recorded.pulse, present.pulse)
        && *limits != now
    {
        limits.max_v = limits.max_v.min(now.max_v);
        limits.longest_s = limits.longest_s.min(now.longest_s);
        let (height, length) = (limits.max_v, limits.longest_s);
        told.push(format!("the limits of pulses differ; they are held to {height} V and {length} s"));
    }
    let names = |bench: &Bench| bench.channels.iter().map(|c| c.name.clone()).collect::<Vec<_>>();
    let same_channels = names(recorded) == names(present);
    for lock in present
        .interlocks
        .iter()
        .filter(|lock| !recorded.interlocks.contains(lock))
        .cloned()
        .collect::<Vec<_>>()
    {
        told.push(added(&format!("interlock `{}`", lock.name), same_channels));
        recorded.interlocks.extend(same_channels.then_some(lock));
    }
    for permit in present
        .permits
        .iter()
        .filter(|permit| !recorded.permits.contains(permit))
        .cloned()
        .collect::<Vec<_>>()
    {
        told.push(added(&format!("permit \"{}\"", permit.because), same_channels));
        recorded.permits.extend(same_channels.then_some(permit));
    }
    told
}

fn added(what: &str, taken: bool) -> String {
    let how = if taken { "it holds as well" } else { "it can't hold in this run, whose channels are others" };
    format!("the {what} is new in the bench file, or was changed; {how}")
}

fn tighten(channel: &mut Channel, present: &Channel) {
    channel.settable &= present.settable;
    channel.min = channel.min.max(present.min);
    channel.max = channel.max.min(present.max);
    channel.step = channel.step.min(present.step);
    channel.slew_per_s = channel.slew_per_s.min(present.slew_per_s);
    if present.beyond_step == BeyondStep::Refuse {
        channel.beyond_step = BeyondStep::Refuse;
    }
}

fn limits(channel: &Channel) -> String {
    if !channel.settable {
        return "no way to set it".to_owned();
    }
    let mut out = format!("{} to {}", channel.show(channel.min), channel.show(channel.max));
    if channel.step.is_finite() {
        out += &format!(" in steps of {}", channel.show(channel.step));
    }
    if channel.slew_per_s.is_finite() {
        out += &format!(", {} a second", channel.show(channel.slew_per_s));
    }
    if channel.beyond_step == BeyondStep::Refuse {
        out += ", larger steps refused";
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::{Role, builtin};

    #[test]
    fn the_stricter_of_two_limits_holds_and_what_differs_is_said() {
        let (mut recorded, mut present) = (builtin(), builtin());
        assert!(stricter(&mut recorded, &present).is_empty());
        let bias = recorded.by_role(Role::Bias).unwrap();
        let at = bias.index();
        (recorded.channels[at].min, recorded.channels[at].max) = (-0.5, 0.4);
        (present.channels[at].min, present.channels[at].max) = (-0.1, 0.5);
        present.channels[at].step = 0.001;
        let lock = present.interlocks[0].clone();
        present.interlocks[0].name = "a new one".to_owned();
        let told = stricter(&mut recorded, &present);
        let held = recorded.channel(bias);
        assert_eq!((held.min, held.max, held.step), (-0.1, 0.4, 0.001));
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].contains("`bias`") && told[1].contains("a new one"), "{told:?}");
        assert!(forbidden_steps(&recorded).is_empty());
        recorded.channels[at].max = 0.04;
        let forbidden = forbidden_steps(&recorded);
        assert!(forbidden.len() == 1 && forbidden[0].contains("`bias` at 50 mV"), "{forbidden:?}");
        assert!(recorded.interlocks.contains(&lock) && recorded.interlocks.contains(&present.interlocks[0]));
    }
}
