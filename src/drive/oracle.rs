//! An independent look at everything that leaves and comes back.
//!
//! The oracle shares no code with the [gate](crate::supervisor::gate) or the interlocks: it keeps its own
//! account of what was sent and read and counts what should never have happened. A run with a count above
//! zero is a defect of `noctule`. Whoever tells it only of commands has limits, steps and slew checked; both
//! drivers tell it of readings and of the end too, and have permits, interlocks, the order of parking, what is
//! precious and the record checked.

use super::precious::Precious;
use crate::bench::expression::Readings;
use crate::bench::{Action, Bench, ChannelId, Interlock, Role, StepAction, Subject, TaskKind};
use crate::instrument::Task;
use crate::quantity::TimePoint;
use crate::record::{Entry, Point};
use crate::supervisor::{Answer, Command, Reply};
use std::collections::{BTreeMap, BTreeSet};

/// Rounding that is no violation.
const SLACK: f64 = 1e-6;
/// Rounds of parking lie at least so far apart, s.
const ROUNDS_APART_S: f64 = 1.0;
/// A permit that holds on readings older than this does not hold, s.
const PERMIT_TRUST_S: f64 = 10.0;
/// Beyond one watch period and the time of the link, an interlock acts within this, s.
const REACTION_S: f64 = 0.02;
/// For so long a slow answer excuses a late reaction, s.
const SLOW_NEWS_S: f64 = 120.0;

#[derive(Debug, Clone, Copy)]
struct Seen {
    value: f64,
    at: TimePoint,
    changed_at: TimePoint,
}

#[derive(Debug, Clone, Copy, Default)]
struct Crossing {
    since: Option<TimePoint>,
    settled: bool,
}

/// What was sent and read, and what should not have been.
#[derive(Debug, Clone)]
pub struct Oracle {
    sent: Vec<Option<(f64, TimePoint)>>,
    /// Where each channel stood before it was first told what it was told last.
    stood: Vec<Option<f64>>,
    seen: Vec<Option<Seen>>,
    sees_readings: bool,
    pace: f64,
    now: TimePoint,
    crossings: Vec<Crossing>,
    slow: (TimePoint, f64),
    park_at: Option<usize>,
    /// Steps of parking that were tried: what failed may be tried again.
    park_tried: BTreeSet<usize>,
    /// When the last command of parking left.
    park_last: TimePoint,
    kept: BTreeMap<u64, (u64, u64)>,
    precious: Precious,
    /// Commands that should not have left, and interlocks that did not act.
    pub violations: u64,
    /// The first of them, in words.
    pub first: Option<String>,
    /// Points that the sequence was given and that are not in the record as they were given.
    pub points_lost: u64,
    /// From the moment when an interlock had to act to the moment when it had, s; one for each time.
    pub reactions_s: Vec<f64>,
}

impl Oracle {
    /// For a bench.
    pub fn new(bench: &Bench) -> Self {
        Self {
            sent: vec![None; bench.channels.len()],
            stood: vec![None; bench.channels.len()],
            seen: vec![None; bench.channels.len()],
            sees_readings: false,
            pace: 1.0,
            now: TimePoint::START,
            crossings: vec![Crossing::default(); bench.interlocks.len()],
            slow: (TimePoint::START, 0.0),
            park_at: None,
            park_tried: BTreeSet::new(),
            park_last: TimePoint::START,
            kept: BTreeMap::new(),
            precious: Precious::default(),
            violations: 0,
            first: None,
            points_lost: 0,
            reactions_s: Vec::new(),
        }
    }

    /// Looks at a command that is about to leave.
    pub fn look(&mut self, bench: &Bench, now: TimePoint, command: &Command) {
        self.now = now;
        let tip = [Role::TipX, Role::TipY].map(|role| {
            let id = bench.by_role(role)?;
            self.seen[id.index()].map(|seen| seen.value)
        });
        let tip_at_m = tip[0].zip(tip[1]).map(|(x_m, y_m)| [x_m, y_m]);
        if let Some(wrong) = self.precious.wrong(bench, now.s(), command, tip_at_m)
            && self.park_at.is_none()
        {
            self.complain(now, wrong);
        }
        match command {
            Command::Set { channel, value } => {
                let i = channel.index();
                let sent = self.sent[i].map(|(value, _)| value);
                // What is told again, for want of an answer, comes from where it stood before.
                if sent != Some(*value) {
                    self.stood[i] = sent.or_else(|| self.seen[i].map(|seen| seen.value));
                }
                self.look_at_set(bench, now, *channel, *value);
                self.look_at_permits(bench, Subject::Channel(*channel), Some((*value, self.stood[i])));
                self.look_at_park_order(bench, Some(*channel), None);
            }
            Command::Begin(task) => {
                if let (Some(limits), Task::Pulse { volts, length_s }) = (&bench.pulse, *task)
                    && !(volts.abs() <= limits.max_v && length_s > 0.0 && length_s <= limits.longest_s)
                {
                    self.complain(
                        now,
                        format!("a pulse of {volts} V for {length_s} s left, outside its limits"),
                    );
                }
                self.look_at_permits(bench, Subject::Task(task.kind()), None);
                self.look_at_park_order(bench, None, Some(task));
            }
            Command::Read { .. } | Command::Poll | Command::Abort | Command::Look { .. } => {}
        }
    }

    /// An entry goes into the record: what is precious from now on stands there.
    pub fn recorded(&mut self, bench: &Bench, entry: &Entry) {
        self.precious.recorded(bench, entry);
    }

    fn look_at_set(&mut self, bench: &Bench, now: TimePoint, id: ChannelId, value: f64) {
        let channel = bench.channel(id);
        if !(channel.settable && value >= channel.min && value <= channel.max) {
            self.complain(now, format!("{} was sent {value}, outside its limits", channel.name));
        }
        let before = self.sent[id.index()];
        // After a command that was not answered, a channel stands where it was last sent or where it was read.
        let seen = self.seen[id.index()].filter(|seen| before.is_none_or(|(_, at)| seen.at > at));
        let stood = [before.map(|(value, _)| value), seen.map(|seen| seen.value)];
        let sizes = stood.into_iter().flatten().map(|stood| (value - stood).abs());
        let size = sizes.reduce(f64::min).unwrap_or(0.0);
        if size > channel.step * (1.0 + SLACK) {
            self.complain(now, format!("{} was moved by {size} at once", channel.name));
        }
        if let Some((_, at)) = before {
            let allowed = channel.slew_per_s * now.since(at) * (1.0 + SLACK);
            if channel.slew_per_s.is_finite() && size > allowed + channel.slew_per_s * 1e-8 {
                self.complain(now, format!("{} was moved faster than its slew", channel.name));
            }
        }
        self.sent[id.index()] = Some((value, now));
    }

    /// Of a channel the target, and from where it comes.
    fn look_at_permits(&mut self, bench: &Bench, subject: Subject, target: Option<(f64, Option<f64>)>) {
        if !self.sees_readings {
            return;
        }
        for permit in bench.permits.iter().filter(|permit| permit.subject == subject) {
            let size = |value: f64| if permit.of_level { value } else { value.abs() };
            let comes_down =
                |value: f64, from: f64| (permit.of_level || value * from >= 0.0) && size(value) < size(from);
            let below = permit.above.zip(target).is_some_and(|(mark, (value, from))| {
                size(value) <= mark || from.is_some_and(|from| comes_down(value, from))
            });
            // Whether a condition over a rate is met is not judged here, but whether anything was known.
            let known = |id: ChannelId| self.seen[id.index()].is_some() && self.age_s(id) <= PERMIT_TRUST_S;
            let fresh = permit.condition.channels().all(known);
            if !below && (!fresh || permit.condition.holds(self) == Some(false)) {
                self.complain(self.now, format!("a command left without the permit `{}`", permit.name));
            }
        }
    }

    fn look_at_park_order(&mut self, bench: &Bench, set: Option<ChannelId>, begun: Option<&Task>) {
        let Some(at) = self.park_at else { return };
        let is_it = |action: &StepAction| match action {
            StepAction::Withdraw => begun.is_some_and(|task| task.kind() == TaskKind::Withdraw),
            StepAction::Set { channel, .. } => set == Some(*channel),
            StepAction::Keep { .. } => false,
        };
        let ahead = bench.park.iter().skip(at).position(|step| is_it(&step.action)).map(|ahead| at + ahead);
        // What failed, or was kept back, is tried again in a new round.
        let new_round = self.now.since(self.park_last) >= ROUNDS_APART_S;
        let again = || {
            let tried = |step: &usize| new_round || self.park_tried.contains(step);
            (0..at).filter(tried).find(|step| is_it(&bench.park[*step].action))
        };
        match ahead.or_else(again) {
            Some(step) => {
                (self.park_at, self.park_last) = (Some(step), self.now);
                self.park_tried.insert(step);
            }
            None => {
                let begun = begun.map_or("a command", |task| task.kind().name());
                let what = set.map_or(begun, |id| bench.channel(id).name.as_str());
                self.complain(
                    self.now,
                    format!("after the end, {what} does not follow the order of parking"),
                );
            }
        }
    }

    /// The run has been ended: from now on only the steps to the safe state are in order.
    pub fn ended(&mut self) {
        if self.park_at.is_none() {
            (self.park_at, self.park_tried) = (Some(0), BTreeSet::new());
        }
    }

    /// A run that had been ended was resumed: other commands are in order.
    pub fn taken_up(&mut self, bench: &Bench) {
        self.park_at = None;
        self.crossings = vec![Crossing::default(); bench.interlocks.len()];
    }

    /// A command takes so long to be answered, s.
    pub fn takes(&mut self, now: TimePoint, takes_s: f64) {
        if takes_s >= self.slow.1 || now.since(self.slow.0) > SLOW_NEWS_S {
            self.slow = (now, takes_s);
        }
    }

    /// The driver hands every reading to the oracle, so it can judge permits as well: a permit whose channels
    /// were never read is then one that does not hold.
    #[must_use]
    pub fn seeing_readings(mut self) -> Self {
        self.sees_readings = true;
        self
    }

    /// So many seconds of the run pass in one real second. What has to happen within a real time may then take
    /// longer in the time of the run.
    #[must_use]
    pub fn at_pace(mut self, pace: f64) -> Self {
        self.pace = pace;
        self
    }

    /// A channel was read.
    pub fn read(&mut self, now: TimePoint, id: ChannelId, value: f64) {
        let cell = &mut self.seen[id.index()];
        let changed_at = cell.filter(|seen| seen.value == value).map_or(now, |seen| seen.changed_at);
        *cell = Some(Seen { value, at: now, changed_at });
    }

    /// After readings have come in: every interlock that has to end or hold the run has done so.
    /// Conditions over rates, failures and the clock are not judged.
    pub fn judge(&mut self, bench: &Bench, now: TimePoint, held: bool) {
        self.now = now;
        let ended = self.park_at.is_some();
        for (index, lock) in bench.interlocks.iter().enumerate() {
            if lock.action < Action::Withdraw {
                continue;
            }
            if !self.is_crossed(lock) {
                self.crossings[index] = Crossing::default();
                continue;
            }
            let since = *self.crossings[index].since.get_or_insert(now);
            let overdue_s = now.since(since) - lock.lasting_s;
            if overdue_s < 0.0 || self.crossings[index].settled {
                continue;
            }
            let acted = ended || (lock.action < Action::Park && held);
            if acted {
                self.reactions_s.push(overdue_s);
                self.crossings[index].settled = true;
            } else if overdue_s > lock.every_s + REACTION_S * self.pace + 3.0 * self.slow.1 {
                self.crossings[index].settled = true;
                self.complain(now, format!("{} has not acted for {overdue_s} s", lock.name));
            }
        }
    }

    fn is_crossed(&self, lock: &Interlock) -> bool {
        lock.trip.holds(self) == Some(true)
            && lock.only_while.as_ref().is_none_or(|condition| condition.holds(self) == Some(true))
    }

    /// A point has been recorded.
    pub fn kept(&mut self, point: &Point) {
        let (count, sum) = self.kept.entry(point.sweep).or_default();
        *count += point.values.as_slice().len() as u64;
        *sum = point.values.as_slice().iter().fold(*sum, mix);
    }

    /// The sequence gets an answer: what it is given must be in the record.
    pub fn answered(&mut self, reply: &Reply) {
        let Ok(Answer::Sweep(data)) = reply else { return };
        // A sweep that pauses is given stretch by stretch.
        let (count, sum) = self.kept.remove(&data.sweep).unwrap_or_default();
        // The first points of a sweep that goes on are in the record of the run before.
        if !data.plan.done.is_empty() {
            return;
        }
        let given = data.values.len() as u64;
        if count != given || sum != data.values.iter().fold(0, mix) {
            self.points_lost += given.abs_diff(count).max(1);
        }
    }

    /// At the end of a parked run: channels whose last command is not the park value.
    pub fn not_parked(&self, bench: &Bench) -> Vec<String> {
        let mut wrong = Vec::new();
        let mut judged = BTreeSet::new();
        for step in bench.park.iter().rev() {
            if let StepAction::Set { channel, value } = step.action
                && judged.insert(channel)
            {
                let last = self.sent[channel.index()].map(|(value, _)| value);
                if last.is_none_or(|last| (last - value).abs() > SLACK * value.abs().max(1.0)) {
                    wrong.push(bench.channel(channel).name.clone());
                }
            }
        }
        wrong
    }

    fn complain(&mut self, now: TimePoint, what: String) {
        self.violations += 1;
        self.first.get_or_insert(format!("at {now}: {what}"));
    }
}

/// A sum over values that also depends on their order.
fn mix(sum: u64, value: &f64) -> u64 {
    sum.rotate_left(5).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ value.to_bits()
}

impl Readings for Oracle {
    fn latest(&self, channel: ChannelId) -> Option<f64> {
        self.seen[channel.index()].map(|seen| seen.value)
    }

    fn rate_per_s(&self, _: ChannelId) -> Option<f64> {
        None
    }

    fn age_s(&self, channel: ChannelId) -> f64 {
        self.seen[channel.index()].map_or(self.now.s(), |seen| self.now.since(seen.at))
    }

    fn frozen_s(&self, channel: ChannelId) -> f64 {
        self.seen[channel.index()].map_or(0.0, |seen| seen.at.since(seen.changed_at))
    }

    fn unreadable(&self, _: ChannelId) -> bool {
        false
    }

    fn clock_jump_s(&self) -> f64 {
        0.0
    }
}
