//! The watch: channels that interlocks, permits and the record need are read all the time,
//! whatever the sequence does.

use super::event::{Channels, Command, Owner, Ticket};
use super::extremes::Extremes;
use crate::bench::{Bench, ChannelId, Role, StepAction};
use crate::quantity::TimePoint;
use crate::record::WIDEST_POINT;

/// How often channels are read that only permits or the record ask for, s.
pub(super) const LEISURELY_S: f64 = 20.0;
/// A way to the parked state that may take longer counts when a window ends, s.
const LONG_WAY_S: f64 = 10.0;
/// After so many failures in a row a channel is asked less often, so that waiting for it does not keep the
/// link from the others.
const FAILURES_UNTIL_LEISURELY: u32 = 3;
/// How often it is asked then at most, s.
pub(super) const DEAD_S: f64 = 5.0;

#[derive(Debug)]
struct Item {
    channel: ChannelId,
    link: usize,
    every_s: f64,
    due: TimePoint,
    /// Looked at again then, however lately it was read before; past if nothing asks for that.
    again: TimePoint,
    record_due: TimePoint,
    extremes: Extremes,
    /// Read by itself, because a joint read has failed.
    alone: bool,
    failures: u32,
}

impl Item {
    fn put_off(&mut self, now: TimePoint, by_s: f64) {
        let next = now.after(by_s);
        self.due = if self.again > now { next.min(self.again) } else { next };
    }
}

#[derive(Debug, Clone, Copy)]
struct InFlight {
    serial: u64,
    sent_at: TimePoint,
    deadline: TimePoint,
    channels: Channels,
}

/// Which channels are read how often, and what is on its way.
#[derive(Debug)]
pub struct Watch {
    items: Vec<Item>,
    in_flight: Vec<Option<InFlight>>,
    /// Links that are not read: they are silent, and asked by somebody else whether they are back.
    left_alone: Vec<bool>,
    serial: u64,
    record_every_s: f64,
    next_due: TimePoint,
}

impl Watch {
    /// Everything that a bench needs watched.
    pub fn new(bench: &Bench) -> Self {
        let mut items: Vec<Item> = Vec::new();
        let mut want =
            |channel: ChannelId, every_s: f64| match items.iter_mut().find(|i| i.channel == channel) {
                Some(item) => item.every_s = item.every_s.min(every_s),
                None => items.push(Item {
                    channel,
                    link: bench.channel(channel).link,
                    every_s,
                    due: TimePoint::START,
                    again: TimePoint::START,
                    record_due: TimePoint::START,
                    extremes: Extremes::default(),
                    alone: false,
                    failures: 0,
                }),
            };
        for lock in &bench.interlocks {
            let conditions = [Some(&lock.trip), lock.clear.as_ref(), lock.only_while.as_ref()];
            for channel in conditions.into_iter().flatten().flat_map(|c| c.channels()) {
                want(channel, lock.every_s);
            }
        }
        let kept = [Role::StageTemperature, Role::PotTemperature, Role::HeliumLevel, Role::ChamberPressure];
        let recorded = kept.into_iter().filter_map(|role| bench.by_role(role));
        for channel in super::gate::permit_channels(bench).into_iter().chain(recorded) {
            want(channel, LEISURELY_S);
        }
        // Whether a sequence may go on after a transfer is judged by readings that are less than a minute old.
        let marks = bench.refill.resume_when.iter().flat_map(crate::bench::Condition::channels);
        for channel in marks {
            want(channel, LEISURELY_S);
        }
        // How long parking takes is reckoned from where such channels stand, whoever has put them there.
        let parked = bench.park.iter().filter_map(|step| match step.action {
            StepAction::Set { channel, value } => Some((channel, value)),
            StepAction::Withdraw | StepAction::Keep { .. } => None,
        });
        for (channel, value) in parked {
            if super::gate::longest_way_s(bench, channel, value) > LONG_WAY_S {
                want(channel, LEISURELY_S);
            }
        }
        items.sort_by_key(|item| item.channel);
        Self {
            items,
            in_flight: vec![None; bench.links.len()],
            left_alone: vec![false; bench.links.len()],
            serial: 0,
            record_every_s: bench.record_every_s,
            next_due: TimePoint::START,
        }
    }

    /// When it has something to do next.
    pub fn next_wake(&self) -> TimePoint {
        self.next_due
    }

    /// Reads that are due now, at most one on each link.
    pub fn collect_due(
        &mut self,
        now: TimePoint,
        bench: &Bench,
        mut send: impl FnMut(Ticket, usize, Command),
    ) {
        if now < self.next_due {
            return;
        }
        for link in 0..self.in_flight.len() {
            if self.in_flight[link].is_some() || self.left_alone[link] {
                continue;
            }
            let mut due = [ChannelId(0); WIDEST_POINT];
            let mut count = 0;
            let here = |item: &&mut Item| item.link == link && item.due <= now;
            // The one that has waited longest comes first: a dead gauge can't starve the others.
            let first = self.items.iter_mut().filter(here).min_by_key(|item| item.due);
            let alone = first.as_ref().is_some_and(|item| item.alone);
            if let Some(item) = first.filter(|_| alone) {
                due[0] = item.channel;
                count = 1;
                let dead = item.failures >= FAILURES_UNTIL_LEISURELY;
                item.put_off(now, if dead { item.every_s.max(DEAD_S) } else { item.every_s });
            } else {
                for item in self.items.iter_mut().filter(here).filter(|item| !item.alone) {
                    if count == WIDEST_POINT {
                        break;
                    }
                    due[count] = item.channel;
                    count += 1;
                    // From now, not from when it was due: after a long wait nothing is caught up.
                    item.put_off(now, item.every_s);
                }
            }
            if count == 0 {
                continue;
            }
            self.serial += 1;
            let channels = Channels::new(&due[..count]);
            let deadline = now.after(bench.answer_within_s(link) * (3 * count) as f64 + 1.0);
            self.in_flight[link] = Some(InFlight { serial: self.serial, sent_at: now, deadline, channels });
            let owner = Owner::Watch(u16::try_from(link).unwrap_or(u16::MAX));
            send(Ticket { owner, serial: self.serial }, link, Command::Read { channels });
        }
        self.plan();
    }

    /// These channels are read at that moment, even if they are before.
    pub fn hasten(&mut self, channels: impl Iterator<Item = ChannelId>, at: TimePoint) {
        for channel in channels {
            for item in self.items.iter_mut().filter(|item| item.channel == channel) {
                item.again = at;
                item.due = item.due.min(at);
            }
        }
        self.plan();
    }

    /// A silent link is left alone, or read again, and then at once.
    pub fn leave_alone(&mut self, link: usize, alone: bool, now: TimePoint) {
        self.left_alone[link] = alone;
        for item in self.items.iter_mut().filter(|item| item.link == link && !alone) {
            (item.due, item.failures) = (now, 0);
        }
        self.plan();
    }

    /// The channels of an answered read, and when it was sent; none if the answer is to an older command.
    pub fn answered(&mut self, link: u16, serial: u64) -> Option<(Channels, TimePoint)> {
        let slot = self.in_flight.get_mut(usize::from(link))?;
        let in_flight = slot.filter(|f| f.serial == serial)?;
        *slot = None;
        self.plan();
        Some((in_flight.channels, in_flight.sent_at))
    }

    /// A read has failed. If it was a joint one, its channels are read one by one from now on, beginning at
    /// once, and the answer is true; a single one counts its failure.
    pub fn read_apart(&mut self, channels: &Channels, now: TimePoint) -> bool {
        let joint = channels.as_slice().len() > 1;
        for item in self.items.iter_mut().filter(|item| channels.as_slice().contains(&item.channel)) {
            item.alone = true;
            if joint {
                item.due = now;
            } else {
                item.failures = item.failures.saturating_add(1);
            }
        }
        self.plan();
        joint
    }

    /// A read has brought values: its channels may be read together with others again.
    pub fn read_well(&mut self, channels: &Channels) {
        for item in self.items.iter_mut().filter(|item| item.alone || item.failures > 0) {
            if channels.as_slice().contains(&item.channel) {
                item.alone = false;
                item.failures = 0;
            }
        }
    }

    /// A channel has answered, but not with a number: it is still read by itself, and not less often.
    pub fn read_beyond(&mut self, channels: &Channels) {
        for item in self.items.iter_mut().filter(|item| channels.as_slice().contains(&item.channel)) {
            item.failures = 0;
        }
    }

    /// Channels whose read has not been answered in time; the answer will be dropped.
    pub fn overdue(&mut self, now: TimePoint) -> Option<Channels> {
        let slot = self.in_flight.iter_mut().find(|slot| slot.is_some_and(|f| f.deadline <= now))?;
        let channels = slot.take().map(|f| f.channels);
        self.plan();
        channels
    }

    /// Whether a reading of this channel goes into the record now: at its regular time, and at once where it leaves what
    /// is usual.
    pub fn record_is_due(&mut self, channel: ChannelId, value: f64, now: TimePoint) -> bool {
        let Some(item) = self.items.iter_mut().find(|item| item.channel == channel) else { return false };
        let due = item.record_due <= now;
        if due {
            item.record_due = now.after(self.record_every_s);
        }
        item.extremes.is_new(value, due)
    }

    fn plan(&mut self) {
        let free = |item: &&Item| self.in_flight[item.link].is_none() && !self.left_alone[item.link];
        let due = self.items.iter().filter(free).map(|item| item.due).min();
        let late = self.in_flight.iter().flatten().map(|f| f.deadline).min();
        self.next_due = due.into_iter().chain(late).min().unwrap_or(TimePoint::NEVER);
    }
}
