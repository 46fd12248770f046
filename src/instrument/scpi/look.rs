//! Looking at an instrument: whether it is as it was left.

use super::{LONGEST_REPLY, Scpi, reply, wording};
use crate::bench::Channel;
use crate::instrument::known::told_by;
use crate::instrument::{ErrorKind, InstrumentError};

/// Bit of the standard event status register that says that the power was switched on: IEEE 488.2-1992, 11.5.1.1.2
/// (number from memory).
const POWER_ON_BIT: u32 = 7;

impl Scpi {
    /// Everything that is known, after a connection was made anew. What differs is told to the next call.
    pub(super) fn look_again(&mut self) -> Result<(), InstrumentError> {
        let channels = self.known.channels();
        let channels: Vec<&Channel> = channels.iter().collect();
        match self.compare(&channels) {
            Err(error) if error.kind == ErrorKind::Changed => {
                let text = format!("after its connection was made anew {}", error.message);
                tracing::warn!(link = %self.name, "{text}");
                self.changed = Some(InstrumentError { message: text, ..error });
                Ok(())
            }
            compared => compared,
        }
    }

    /// Reads channels and compares them with how they were left; a connection is there already.
    fn compare(&mut self, channels: &[&Channel]) -> Result<(), InstrumentError> {
        let restarted = self.was_switched_on()?;
        let mut known = std::mem::take(&mut self.known);
        let compared = known.compare(channels, |channel| self.shown(channel));
        self.known = known;
        match (restarted, compared) {
            (true, Ok(())) => Err(InstrumentError::changed("it was switched on anew", Vec::new())),
            (_, compared) => compared,
        }
    }

    fn shown(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        let address = self.address_of(channel)?;
        let Some(query) = told_by(channel).or(address.query.as_deref()) else {
            return Err(self.error(ErrorKind::Refused, format!("`{}` can't be read", channel.name)));
        };
        let marker = self.write_query(Some(query))?;
        let deadline = self.deadline();
        self.receive(LONGEST_REPLY, deadline, marker, |text| wording::understand(address, text))
    }

    /// Whether the register says that the power was switched on since it was last asked; asking clears it.
    pub(super) fn was_switched_on(&mut self) -> Result<bool, InstrumentError> {
        let Some(query) = self.link.power_on.clone() else { return Ok(false) };
        let marker = self.write_query(Some(&query))?;
        let deadline = self.deadline();
        let register = self.receive(LONGEST_REPLY, deadline, marker, |text| {
            reply::number(text).map_err(super::exchange::garbled)
        })?;
        Ok((register as u32) >> POWER_ON_BIT & 1 == 1)
    }

    /// Who it is, and whether these channels are as they were left.
    pub(super) fn look_at(&mut self, channels: &[&Channel]) -> Result<(), InstrumentError> {
        self.ready(self.deadline())?;
        self.recognise(self.deadline())?;
        match self.compare(channels) {
            Err(error) if error.kind == ErrorKind::Changed => {
                tracing::warn!(link = %self.name, "{}", error.message);
                let message = format!("`{}`: {}", self.name, error.message);
                Err(InstrumentError { message, ..error })
            }
            compared => compared,
        }
    }

    /// The next call hears of it, and does nothing else.
    pub(super) fn tell_changed(&mut self) -> Result<(), InstrumentError> {
        match self.changed.take() {
            Some(error) => {
                let message = format!("`{}`: {}", self.name, error.message);
                Err(InstrumentError { message, ..error })
            }
            None => Ok(()),
        }
    }
}
