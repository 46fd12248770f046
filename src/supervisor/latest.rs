//! What was last read from and last sent to each channel.

use super::hold::is_no_bias;
use crate::bench::expression::Readings;
use crate::bench::{Bench, ChannelId, Role};
use crate::quantity::TimePoint;

/// After so many failures in a row a channel counts as unreadable.
const FAILURES_UNTIL_UNREADABLE: u32 = 3;
/// Time over which a rate of change is taken, s.
const RATE_SPAN_S: f64 = 30.0;

#[derive(Debug, Clone, Copy)]
struct Cell {
    value: f64,
    /// Infinite, to one side, while it shows more or less than it can.
    beyond: Option<f64>,
    read_at: Option<TimePoint>,
    changed_at: TimePoint,
    failures: u32,
    sent: Option<(f64, TimePoint)>,
    /// Where it stood before what was sent last, until that is known to have been taken: it may stand there still.
    stood: Option<f64>,
    /// What was sent and read before does not say any more where it stands.
    lost: bool,
    moved_at: Option<TimePoint>,
    earlier: (f64, TimePoint),
    older: Option<(f64, TimePoint)>,
}

/// The table of all channels.
#[derive(Debug, Clone)]
pub struct Latest {
    cells: Vec<Cell>,
    begun: TimePoint,
    now: TimePoint,
    clock_jump: Option<(f64, TimePoint)>,
    /// The bias with which the tip was last told to come in, V.
    approached_with: Option<f64>,
}

impl Latest {
    /// Nothing read, nothing sent. A resumed run begins late, and silence is counted from then.
    pub fn new(channels: usize, begun: TimePoint) -> Self {
        let cell = Cell {
            value: f64::NAN,
            beyond: None,
            read_at: None,
            changed_at: begun,
            failures: 0,
            sent: None,
            stood: None,
            lost: false,
            moved_at: None,
            earlier: (f64::NAN, begun),
            older: None,
        };
        Self { cells: vec![cell; channels], begun, now: begun, clock_jump: None, approached_with: None }
    }

    /// Conditions are worked out for this moment.
    pub fn advance(&mut self, now: TimePoint) {
        self.now = now;
    }

    /// A good reading.
    pub fn note(&mut self, channel: ChannelId, value: f64) {
        assert!(value.is_finite(), "readings are checked before they are noted");
        let now = self.now;
        let cell = &mut self.cells[channel.index()];
        match cell.read_at {
            None => {
                cell.changed_at = now;
                cell.earlier = (value, now);
            }
            Some(_) => {
                if cell.value != value || cell.beyond.is_some() {
                    cell.changed_at = now;
                }
                // Two marks, half a span apart, keep the base of the rate between one and two spans old.
                if now.since(cell.earlier.1) >= RATE_SPAN_S / 2.0 {
                    cell.older = Some(cell.earlier);
                    cell.earlier = (value, now);
                }
            }
        }
        cell.value = value;
        cell.beyond = None;
        cell.lost = false;
        cell.read_at = Some(now);
        cell.failures = 0;
    }

    /// A channel has answered that its value lies beyond what it can show: infinite, to one side.
    pub fn note_beyond(&mut self, channel: ChannelId, side: f64) {
        let now = self.now;
        let cell = &mut self.cells[channel.index()];
        if cell.beyond != Some(side) || cell.read_at.is_none() {
            cell.changed_at = now;
        }
        cell.beyond = Some(side);
        cell.read_at = Some(now);
        cell.failures = 0;
    }

    /// Whether a channel has ever answered.
    pub fn was_read(&self, channel: ChannelId) -> bool {
        self.cells[channel.index()].read_at.is_some()
    }

    /// A failed attempt to read.
    pub fn note_failure(&mut self, channel: ChannelId) {
        let cell = &mut self.cells[channel.index()];
        cell.failures = cell.failures.saturating_add(1);
    }

    /// A value was sent.
    pub fn note_sent(&mut self, channel: ChannelId, value: f64) {
        let [stood, _] = self.comes_from(channel, value);
        let cell = &mut self.cells[channel.index()];
        cell.sent = Some((value, self.now));
        cell.stood = stood;
        cell.lost = false;
        cell.moved_at = Some(self.now);
    }

    /// When a channel was last told to move, even if nobody knows whether it heard: its slew counts from there.
    pub fn moved_at(&self, channel: ChannelId) -> Option<TimePoint> {
        self.cells[channel.index()].moved_at
    }

    /// What a channel was last told, and when.
    pub fn sent(&self, channel: ChannelId) -> Option<(f64, TimePoint)> {
        self.cells[channel.index()].sent
    }

    /// Best knowledge of where a settable channel stands: last told, else last read.
    pub fn standing(&self, channel: ChannelId) -> Option<f64> {
        let cell = &self.cells[channel.index()];
        cell.sent.map(|(value, _)| value).or_else(|| self.latest(channel).filter(|_| !cell.lost))
    }

    /// From where a channel comes if it is told a value now: nobody knows whether it has heard what was not answered. Told
    /// the same once more it comes from where it stood before, told another value from there or from what it was told.
    pub fn comes_from(&self, channel: ChannelId, value: f64) -> [Option<f64>; 2] {
        let cell = &self.cells[channel.index()];
        let standing = self.standing(channel);
        let again = cell.sent.is_some_and(|(sent, _)| sent == value);
        let stood = cell.stood.or(standing);
        [stood, if again { stood } else { standing }]
    }

    /// What a channel was told last is known to have been taken.
    pub fn note_taken(&mut self, channel: ChannelId) {
        self.cells[channel.index()].stood = None;
    }

    /// An instrument is not as it was left: where a channel stands has to be read before it is moved.
    pub fn lose(&mut self, channel: ChannelId) {
        self.forget_sent(channel);
        self.cells[channel.index()].lost = true;
    }

    /// Forgets what a channel was told, so that it is read anew before it is moved.
    pub fn forget_sent(&mut self, channel: ChannelId) {
        let cell = &mut self.cells[channel.index()];
        (cell.sent, cell.stood) = (None, None);
    }

    /// The tip is told to come in. Without a bias it does not, so that tells nothing.
    pub fn note_approach(&mut self, bench: &Bench) {
        let bias = bench.by_role(Role::Bias).and_then(|id| self.standing(id));
        self.approached_with = bias.filter(|bias| !is_no_bias(bench, *bias)).or(self.approached_with);
    }

    /// The bias with which the tip was last told to come in, V.
    pub fn approached_with(&self) -> Option<f64> {
        self.approached_with
    }

    /// The clock of the computer was set.
    pub fn note_clock_jump(&mut self, by_s: f64) {
        self.clock_jump = Some((by_s.abs(), self.now));
    }
}

impl Readings for Latest {
    fn latest(&self, channel: ChannelId) -> Option<f64> {
        let cell = &self.cells[channel.index()];
        cell.read_at.map(|_| cell.value).filter(|value| cell.beyond.is_none() && value.is_finite())
    }

    fn beyond(&self, channel: ChannelId) -> Option<f64> {
        self.cells[channel.index()].beyond
    }

    fn rate_per_s(&self, channel: ChannelId) -> Option<f64> {
        let cell = &self.cells[channel.index()];
        let (base, at) = cell.older?;
        let span = cell.read_at?.since(at);
        (span > 0.0 && cell.beyond.is_none()).then(|| (cell.value - base) / span)
    }

    fn age_s(&self, channel: ChannelId) -> f64 {
        self.now.since(self.cells[channel.index()].read_at.unwrap_or(self.begun))
    }

    fn frozen_s(&self, channel: ChannelId) -> f64 {
        let cell = &self.cells[channel.index()];
        // A dead sensor is not frozen: only the time up to its last reading counts.
        cell.read_at.map_or(0.0, |read_at| read_at.since(cell.changed_at))
    }

    fn unreadable(&self, channel: ChannelId) -> bool {
        self.cells[channel.index()].failures >= FAILURES_UNTIL_UNREADABLE
    }

    fn clock_jump_s(&self) -> f64 {
        // A jump is news for a minute.
        self.clock_jump.filter(|(_, at)| self.now.since(*at) < 60.0).map_or(0.0, |(by_s, _)| by_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn silence_is_counted_from_when_a_run_was_taken_up() {
        let bench = crate::bench::builtin();
        let channel = bench.by_role(crate::bench::Role::Current).unwrap();
        let mut latest = Latest::new(bench.channels.len(), TimePoint::from_s(9000.0));
        latest.advance(TimePoint::from_s(9001.0));
        assert_eq!(latest.age_s(channel), 1.0);
    }

    #[test]
    fn until_it_is_known_to_have_heard_a_channel_may_stand_where_it_stood() {
        let bench = crate::bench::builtin();
        let heater = bench.by_role(crate::bench::Role::StageHeater).unwrap();
        let mut latest = Latest::new(bench.channels.len(), TimePoint::START);
        latest.note(heater, 0.0);
        for _ in 0..2 {
            latest.note_sent(heater, 3e-4);
            assert_eq!(latest.comes_from(heater, 3e-4), [Some(0.0); 2], "told again, it still comes up");
        }
        assert_eq!(latest.comes_from(heater, 1e-4), [Some(0.0), Some(3e-4)], "nobody knows");
        latest.note_taken(heater);
        assert_eq!(latest.comes_from(heater, 1e-4), [Some(3e-4); 2]);
        latest.note_sent(heater, 1e-4);
        latest.note_sent(heater, 1e-4);
        assert_eq!(latest.comes_from(heater, 1e-4), [Some(3e-4); 2], "told again, it still comes down");
        assert_eq!(latest.comes_from(heater, 2e-4), [Some(3e-4), Some(1e-4)]);
    }
}
