//! How an instrument was left: what its settable channels were told, or showed when they were looked at.

use super::{ErrorKind, InstrumentError};
use crate::bench::{Address, Channel, Role};
use std::collections::BTreeMap;

/// Part of a channel's range within which a first reading counts as what was told: instruments round.
const PART_AT_FIRST: f64 = 1e-3;
/// The same for later readings: they are compared with the first.
const PART_LATER: f64 = 1e-5;

/// A channel of which nothing is known is asked in vain so often.
const MUTE_AFTER: u32 = 2;

#[derive(Debug, Clone)]
struct Left {
    channel: Channel,
    value: f64,
    /// Whether it was seen, and not only told.
    seen: bool,
}

/// How an instrument was left.
#[derive(Debug, Default)]
pub(super) struct Known {
    channels: BTreeMap<String, Left>,
    /// Channels that were asked in vain before anything was known of them, and how often: what never answers is left out.
    mute: BTreeMap<String, u32>,
    /// While a task runs the instrument moves by itself.
    pub(super) task_runs: bool,
}

impl Known {
    /// A channel was set, and that was taken.
    pub(super) fn told(&mut self, channel: &Channel, value: f64) {
        let left = Left { channel: channel.clone(), value, seen: false };
        match self.channels.get_mut(&channel.name) {
            Some(known) => (known.value, known.seen) = (value, false),
            None => drop(self.channels.insert(channel.name.clone(), left)),
        }
    }

    /// Nobody knows whether a set was taken.
    pub(super) fn unsure(&mut self, channel: &Channel) {
        self.channels.remove(&channel.name);
    }

    /// A channel was read for whatever reason: where nothing is known of it, this is how it stands.
    pub(super) fn read(&mut self, channel: &Channel, value: f64) {
        self.mute.remove(&channel.name);
        let is_left = channel.settable && is_comparable(channel) && told_by(channel).is_none();
        if is_left && !self.task_runs && !self.channels.contains_key(&channel.name) {
            let left = Left { channel: channel.clone(), value, seen: true };
            self.channels.insert(channel.name.clone(), left);
        }
    }

    /// A task begins. It may move the tip, or what stands under it, and that is no other hand.
    pub(super) fn task_begins(&mut self) {
        let by_tasks = |role| matches!(role, Some(Role::TipX | Role::TipY | Role::Approached));
        self.channels.retain(|_, left| !by_tasks(left.channel.role));
        self.task_runs = true;
    }

    /// Channels of which something is known.
    pub(super) fn channels(&self) -> Vec<Channel> {
        self.channels.values().map(|left| left.channel.clone()).collect()
    }

    /// Compares channels with how they were left, and forgets what differs: it is told once. What was not known is
    /// known from now on. A channel that can't be read is left out.
    ///
    /// # Errors
    /// [`ErrorKind::Changed`] with the channels that differ; or what failed.
    pub(super) fn compare(
        &mut self,
        channels: &[&Channel],
        mut read: impl FnMut(&Channel) -> Result<f64, InstrumentError>,
    ) -> Result<(), InstrumentError> {
        let (mut words, mut names) = (Vec::new(), Vec::new());
        for channel in channels.iter().filter(|channel| is_comparable(channel)) {
            if self.mute.get(&channel.name).is_some_and(|times| *times >= MUTE_AFTER) {
                continue;
            }
            let shown = match read(channel) {
                Ok(shown) => Some(shown),
                Err(error) if matches!(error.kind, ErrorKind::AboveRange | ErrorKind::BelowRange) => None,
                // A driver that can't tell what it was told.
                Err(error) if error.kind == ErrorKind::Refused => continue,
                Err(error) => {
                    if !self.channels.contains_key(&channel.name) {
                        *self.mute.entry(channel.name.clone()).or_default() += 1;
                    }
                    return Err(error);
                }
            };
            if self.task_runs {
                continue;
            }
            match (self.channels.get_mut(&channel.name), shown) {
                (Some(left), Some(shown)) if (shown - left.value).abs() <= bound(channel, left.seen) => {
                    if !left.seen && channel.tolerance.is_none() {
                        left.value = shown;
                    }
                    left.seen = true;
                }
                // A field is on its way until it was seen there; whoever set it waits for that.
                (Some(left), Some(_)) if !left.seen && is_field(channel) && told_by(channel).is_none() => {}
                (Some(left), shown) => {
                    let now =
                        shown.map_or_else(|| "a value beyond its range".to_owned(), |v| channel.show(v));
                    words.push(format!(
                        "{} shows {now} and was left at {}",
                        channel.name,
                        channel.show(left.value)
                    ));
                    names.push((channel.name.clone(), left.value));
                }
                (None, Some(shown)) => {
                    let left = Left { channel: (*channel).clone(), value: shown, seen: true };
                    self.channels.insert(channel.name.clone(), left);
                }
                (None, None) => {}
            }
        }
        if names.is_empty() {
            return Ok(());
        }
        // What is restored will be known again when it was told.
        names.iter().for_each(|(name, _)| drop(self.channels.remove(name)));
        Err(InstrumentError::changed(words.join(", "), names))
    }
}

/// The query that brings what a channel was told, where that is another than what it has come to.
pub(super) fn told_by(channel: &Channel) -> Option<&str> {
    match &channel.address {
        Address::Scpi(address) => address.verify.as_ref()?.query.as_deref(),
        Address::Signal(_) | Address::Named(_) => None,
    }
}

/// Whether what it shows can be compared with what it was told. A field on its way shows something else: its supply
/// says what it was told, or else its tolerance how far it may be off.
fn is_comparable(channel: &Channel) -> bool {
    !is_field(channel) || channel.tolerance.is_some() || told_by(channel).is_some()
}

fn is_field(channel: &Channel) -> bool {
    matches!(channel.role, Some(Role::FieldZ | Role::FieldX))
}

/// How far a channel may stand from how it was left.
fn bound(channel: &Channel, seen: bool) -> f64 {
    let verify = match &channel.address {
        Address::Scpi(address) => address.verify.as_ref().map(|verify| verify.within),
        Address::Signal(_) | Address::Named(_) => None,
    };
    // What arrives slowly may be on its way: the last step of it.
    let on_its_way = channel
        .tolerance
        .map(|tolerance| if channel.step.is_finite() { tolerance + channel.step } else { tolerance });
    let range = channel.max - channel.min;
    let part = if seen { PART_LATER } else { PART_AT_FIRST };
    let of_range = if range.is_finite() { part * range } else { 0.0 };
    verify.or(on_its_way).unwrap_or(of_range)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::{BeyondStep, ScpiAddress, Verify};
    use crate::quantity::Unit;

    fn field(told: Option<&str>) -> Channel {
        let unit = Unit::parse("T").unwrap();
        let mut address = ScpiAddress::plain(Some("B {}"), Some("B?"), unit.clone());
        address.verify = told.map(|query| Verify { within: 1e-5, query: Some(query.to_owned()) });
        Channel {
            name: "field".to_owned(),
            role: Some(Role::FieldZ),
            unit,
            link: 0,
            address: Address::Scpi(Box::new(address)),
            settable: true,
            min: -1.0,
            max: 1.0,
            step: 5e-3,
            slew_per_s: f64::INFINITY,
            beyond_step: BeyondStep::Ramp,
            settle_s: 0.0,
            tolerance: Some(1e-3),
            arrive_within_s: 100.0,
        }
    }

    fn changed(known: &mut Known, channel: &Channel, shows: f64) -> bool {
        known.compare(&[channel], |_| Ok(shows)).is_err()
    }

    /// A field that the program ramps is on its way; what moves it after it has arrived is another hand.
    #[test]
    fn a_field_on_its_way_is_no_other_hand() {
        let (mut known, field) = (Known::default(), field(None));
        for (told, shows) in [(0.3, 0.0), (0.3, 0.1), (0.2, 0.15), (0.2, 0.1999)] {
            known.told(&field, told);
            assert!(!changed(&mut known, &field, shows), "{told} {shows}");
        }
        assert!(!changed(&mut known, &field, 0.205), "within its tolerance and a step");
        assert!(changed(&mut known, &field, 0.207), "another hand");
        assert!(!changed(&mut known, &field, 0.22), "told once");
    }

    /// A supply that says what it was told shows another hand at once, on the way as well.
    #[test]
    fn what_a_supply_was_told_shows_another_hand_at_once() {
        let (mut known, field) = (Known::default(), field(Some("TARGET?")));
        known.told(&field, 0.3);
        known.read(&field, 0.1);
        assert!(!changed(&mut known, &field, 0.3));
        assert!(changed(&mut known, &field, 0.301), "another target");
        known.read(&field, 0.1);
        assert!(known.channels().is_empty(), "where it has come to is not what it was told");
    }
}
