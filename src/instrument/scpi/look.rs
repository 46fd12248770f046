//! Looking at an instrument whose connection was made anew: whether it is as it was left.

use super::{LONGEST_REPLY, Scpi, wording};
use crate::bench::{Address, Channel};
use crate::instrument::{ErrorKind, InstrumentError};

/// Part of a channel's range within which a value counts as the one that was told.
const PART: f64 = 1e-3;

/// How far a channel may stand from what it was told and still be where it was left.
fn bound(channel: &Channel) -> f64 {
    let verify = match &channel.address {
        Address::Scpi(address) => address.verify.as_ref().map(|verify| verify.within),
        Address::Signal(_) | Address::Named(_) => None,
    };
    // What arrives slowly may be on its way: the last step of it.
    let on_its_way = channel
        .tolerance
        .map(|tolerance| if channel.step.is_finite() { tolerance + channel.step } else { tolerance });
    let range = channel.max - channel.min;
    let part = if range.is_finite() { PART * range } else { 0.0 };
    verify.or(on_its_way).unwrap_or(part)
}

impl Scpi {
    /// Reads every setting that is known and notes what differs.
    pub(super) fn look_again(&mut self) -> Result<(), InstrumentError> {
        let mut differ = Vec::new();
        for (name, (channel, before)) in self.known.clone() {
            let address = self.address_of(&channel)?;
            let Some(query) = address.query.clone() else { continue };
            let deadline = self.deadline();
            let marker = self.write_query(Some(&query))?;
            let shown =
                self.receive(LONGEST_REPLY, deadline, marker, |text| wording::understand(address, text));
            let now = match shown {
                Ok(now) if (now - before).abs() <= bound(&channel) => continue,
                Ok(now) => channel.show(now),
                Err(error) if matches!(error.kind, ErrorKind::AboveRange | ErrorKind::BelowRange) => {
                    "a value beyond its range".to_owned()
                }
                Err(error) => return Err(error),
            };
            differ.push(format!("{name} shows {now} and was left at {}", channel.show(before)));
        }
        // What is restored will be known again when it was told.
        self.known.clear();
        if !differ.is_empty() {
            let text = format!("after its connection was made anew {}", differ.join(", "));
            tracing::warn!(link = %self.name, "{text}");
            self.changed = Some(text);
        }
        Ok(())
    }

    /// The next call hears of it, and does nothing else.
    pub(super) fn tell_changed(&mut self) -> Result<(), InstrumentError> {
        match self.changed.take() {
            Some(text) => Err(self.error(ErrorKind::Changed, text)),
            None => Ok(()),
        }
    }
}
