//! Faults of a link: which is due, and what it makes of a reply.

use crate::faults::{LinkTrouble, Mishap, Planned};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::time::Duration;

/// Random bytes that come instead of a reply.
const RUBBISH_BYTES: usize = 256;
/// Longest delay of a reply, s.
const LATE_MAX_S: f64 = 3600.0;

/// The faults of one instrument's link.
#[derive(Debug)]
pub(super) struct Spoiler {
    coming: Vec<Coming>,
    random: ChaCha8Rng,
}

#[derive(Debug)]
struct Coming {
    fault: Planned,
    trouble: LinkTrouble,
    /// The time it last came, counted from 1, and the messages that it met then.
    met: (u64, u64),
}

/// How a reply goes out.
#[derive(Debug, PartialEq)]
pub(super) enum Delivery {
    Now(Vec<u8>),
    Late(Duration, Vec<u8>),
    Flood(u64),
    Close,
    Nothing,
}

impl Spoiler {
    pub(super) fn new(instrument: &str, faults: &[Planned], seed: u64) -> Self {
        let ours = faults.iter().filter(|fault| fault.on.as_deref().is_none_or(|name| name == instrument));
        let coming = ours.filter_map(|fault| match fault.mishap {
            Mishap::Link(trouble) => Some(Coming { fault: fault.clone(), trouble, met: (0, 0) }),
            _ => None,
        });
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(instrument.bytes().map(u64::from).sum());
        Self { coming: coming.collect(), random }
    }

    /// The fault that meets this message now, if any. A fault waits for a message that it can meet.
    pub(super) fn due(&mut self, now_s: f64, message: &str) -> Option<LinkTrouble> {
        let coming =
            self.coming.iter_mut().find(|coming| meets(coming.trouble, message) && coming.is_due(now_s))?;
        let came = coming.came(now_s);
        let before = if coming.met.0 == came { coming.met.1 } else { 0 };
        coming.met = (came, before + 1);
        Some(coming.trouble)
    }

    /// What a fault makes of a reply, terminator included.
    pub(super) fn spoil(&mut self, kind: LinkTrouble, reply: &str) -> Delivery {
        let whole = |reply: &str| format!("{reply}\n").into_bytes();
        match kind {
            LinkTrouble::DropConnection => Delivery::Close,
            LinkTrouble::NoReply { .. } => Delivery::Nothing,
            LinkTrouble::HalfReply => Delivery::Now(reply.as_bytes()[..reply.len().div_ceil(2)].to_vec()),
            LinkTrouble::DoubleReply => Delivery::Now([whole(reply), whole(reply)].concat()),
            LinkTrouble::Rubbish => {
                let mut bytes = [0; RUBBISH_BYTES];
                self.random.fill_bytes(&mut bytes);
                let mut rubbish: Vec<u8> = bytes.into_iter().filter(|byte| *byte != b'\n').collect();
                rubbish.push(b'\n');
                Delivery::Now(rubbish)
            }
            LinkTrouble::Flood { bytes } => Delivery::Flood(bytes),
            LinkTrouble::LateReply { by_s } => {
                Delivery::Late(Duration::from_secs_f64(by_s.clamp(0.0, LATE_MAX_S)), whole(reply))
            }
            LinkTrouble::Garbled => Delivery::Now(whole(&self.mixed_up(reply))),
            LinkTrouble::NotANumber => Delivery::Now(whole("9.91E+37")),
            _ => Delivery::Now(whole(reply)),
        }
    }

    /// Letters at random places, so that no number is left.
    fn mixed_up(&mut self, reply: &str) -> String {
        let mut characters: Vec<char> = reply.chars().collect();
        for character in &mut characters {
            if self.random.random_bool(0.5) {
                *character = char::from(self.random.random_range(b'!'..=b'~'));
            }
        }
        // Whatever chance left, this is no number.
        characters.insert(characters.len() / 2, '?');
        characters.into_iter().collect()
    }
}

impl Coming {
    /// How many times it has come.
    fn came(&self, now_s: f64) -> u64 {
        let since_s = now_s - self.fault.at_s;
        if since_s < 0.0 {
            return 0;
        }
        self.fault.every_s.map_or(1, |every_s| (since_s / every_s) as u64 + 1)
    }

    fn is_due(&self, now_s: f64) -> bool {
        let came = self.came(now_s);
        if came == 0 {
            return false;
        }
        let began_s = self.fault.at_s + self.fault.every_s.unwrap_or(0.0) * (came - 1) as f64;
        let met = if self.met.0 == came { self.met.1 } else { 0 };
        now_s < began_s + self.fault.for_s && self.fault.times.is_none_or(|times| met < times)
    }
}

fn meets(kind: LinkTrouble, message: &str) -> bool {
    let asks = message.contains('?');
    let about_status = message.contains('*') || message.to_ascii_uppercase().contains("SYST");
    match kind {
        LinkTrouble::DropConnection => true,
        LinkTrouble::Refuses => !asks && !about_status,
        LinkTrouble::EndsEarly => message.to_ascii_uppercase().contains("BUSY?"),
        LinkTrouble::NotANumber => asks && !about_status,
        _ => asks,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// It meets one message each time, or all of them for a while.
    fn fault(at_s: f64, every_s: Option<f64>, lasting_s: Option<f64>, kind: LinkTrouble) -> Planned {
        let (for_s, times) = lasting_s.map_or((f64::INFINITY, Some(1)), |for_s| (for_s, None));
        let on = Some("magnet".to_owned());
        Planned { every_s, times, on, ..Planned::once(at_s, for_s, Mishap::Link(kind)) }
    }

    #[test]
    fn a_fault_waits_for_its_time_and_for_a_message_that_it_can_meet() {
        let mut spoiler =
            Spoiler::new("magnet", &[fault(10.0, None, None, LinkTrouble::NoReply { heard: true })], 1);
        assert_eq!(spoiler.due(9.0, "MEAS:VOLT?"), None);
        assert_eq!(spoiler.due(11.0, "FIEL:Z 1"), None);
        assert_eq!(spoiler.due(12.0, "MEAS:VOLT?"), Some(LinkTrouble::NoReply { heard: true }));
        assert_eq!(spoiler.due(13.0, "MEAS:VOLT?"), None);
        let mut other =
            Spoiler::new("lockin", &[fault(10.0, None, None, LinkTrouble::NoReply { heard: true })], 1);
        assert_eq!(other.due(12.0, "FETC?"), None);
    }

    #[test]
    fn faults_come_again_and_last() {
        let mut again = Spoiler::new("magnet", &[fault(10.0, Some(5.0), None, LinkTrouble::Rubbish)], 1);
        let met: Vec<bool> = (0..25).map(|s| again.due(f64::from(s), "X?").is_some()).collect();
        let expected: Vec<bool> = (0..25).map(|s| s >= 10 && s % 5 == 0).collect();
        assert_eq!(met, expected);
        let mut lasting =
            Spoiler::new("magnet", &[fault(2.0, Some(5.0), Some(2.0), LinkTrouble::Rubbish)], 1);
        let met: Vec<bool> = (0..10).map(|s| lasting.due(f64::from(s), "X?").is_some()).collect();
        let expected = [false, false, true, true, false, false, false, true, true, false];
        assert_eq!(met, expected);
    }

    #[test]
    fn a_garbled_number_is_none() {
        let mut spoiler = Spoiler::new("magnet", &[], 5);
        for _ in 0..200 {
            let Delivery::Now(bytes) = spoiler.spoil(LinkTrouble::Garbled, "1.25E-03") else { panic!() };
            let text = String::from_utf8(bytes).unwrap();
            assert!(crate::instrument::scpi::reply::number(&text).is_err(), "{text}");
        }
    }
}
