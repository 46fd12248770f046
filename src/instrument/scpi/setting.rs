//! Setting a channel: saying it, hearing that it was taken, waiting until it is done, reading it back.

use super::exchange::garbled;
use super::{LONGEST_REPLY, Scpi, reply, wording};
use crate::bench::{Channel, ScpiAddress};
use crate::instrument::{ErrorKind, InstrumentError};
use std::time::Instant;

/// Part of a value by which an acknowledged one may differ where the bench gives no bound: the digits of a reply.
const DIGITS: f64 = 1e-4;

impl Scpi {
    pub(super) fn set_channel(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        let address = self.address_of(channel)?;
        let Some(set) = &address.set else {
            return Err(self.error(ErrorKind::Refused, format!("`{}` can only be read", channel.name)));
        };
        let refused =
            |reason: String| self.error(ErrorKind::Refused, format!("`{}`: {reason}", channel.name));
        let said = wording::speak(address, si)
            .map_err(|reason| refused(format!("{}: {reason}", channel.show(si))))?;
        if !set.contains("{}") {
            return Err(refused(format!("its `set` message `{set}` has no place `{{}}` for the number")));
        }
        let (message, deadline) = (set.replace("{}", &said), self.deadline());
        if address.acknowledge.is_some() {
            self.ready(deadline)?;
            self.write(&[&message])?;
            self.hear_acknowledgement(channel, address, si, deadline)?;
            self.check(deadline)?;
        } else {
            self.tell(&message, deadline)?;
        }
        self.await_ready(channel, address)?;
        self.read_back(channel, address, si)
    }

    /// The answer to a set must be the expected one, and about the value that was sent.
    fn hear_acknowledgement(
        &mut self,
        channel: &Channel,
        address: &ScpiAddress,
        si: f64,
        deadline: Instant,
    ) -> Result<(), InstrumentError> {
        let Some(expected) = &address.acknowledge else { return Ok(()) };
        let bound = address.verify.as_ref().map_or(0.0, |verify| verify.within).max(DIGITS * si.abs());
        self.receive(LONGEST_REPLY, deadline, None, |text| {
            if !expected.fits(text) {
                let shown = reply::shorten(text);
                return Err(garbled(format!("it answered `{shown}` to a set, not `{}`", expected.text)));
            }
            let Some(value) = expected.value_in(text) else { return Ok(()) };
            let taken = wording::value_of(address, value)?;
            if (taken - si).abs() <= bound {
                return Ok(());
            }
            Err(garbled(format!("told {}, it took {}", channel.show(si), channel.show(taken))))
        })
    }

    fn await_ready(&mut self, channel: &Channel, address: &ScpiAddress) -> Result<(), InstrumentError> {
        let Some(ready) = &address.ready else { return Ok(()) };
        let began = Instant::now();
        loop {
            let done =
                self.ask(&ready.query, LONGEST_REPLY, self.deadline(), |text| Ok(ready.answer.fits(text)))?;
            if done {
                return Ok(());
            }
            if began.elapsed().as_secs_f64() >= ready.within_s {
                let message = format!("`{}` was not done within {} s", channel.name, ready.within_s);
                return Err(self.error(ErrorKind::TimedOut, message));
            }
            std::thread::sleep(std::time::Duration::from_secs_f64(ready.every_s.min(ready.within_s)));
        }
    }

    fn read_back(
        &mut self,
        channel: &Channel,
        address: &ScpiAddress,
        si: f64,
    ) -> Result<(), InstrumentError> {
        let Some(verify) = &address.verify else { return Ok(()) };
        let Some(query) = verify.query.as_ref().or(address.query.as_ref()) else { return Ok(()) };
        let understand = |text: &str| wording::understand(address, text);
        let shown = self.ask(query, LONGEST_REPLY, self.deadline(), understand)?;
        if (shown - si).abs() <= verify.within * (1.0 + 1e-9) {
            return Ok(());
        }
        let (told, shown) = (channel.show(si), channel.show(shown));
        Err(self.error(ErrorKind::Refused, format!("`{}` was told {told} and shows {shown}", channel.name)))
    }
}
