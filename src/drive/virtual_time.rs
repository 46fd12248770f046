//! The rehearsal's driver: virtual time, one thread, an event queue.
//!
//! Time jumps from event to event. A script that computes is charged a little virtual time for each
//! operation, so that the watch goes on and a window ends even in an endless loop without a verb.

use super::oracle::Oracle;
use super::queue::EventQueue;
use super::visitor::{Visit, Visitor, Wish};
use super::{Outlook, Port, RunTally};
use crate::bench::Bench;
use crate::instrument::{ErrorKind, Instrument, InstrumentError, Task};
use crate::quantity::TimePoint;
use crate::record::{
    Beforehand, Ending, Entry, Memory, Outcome, Place, RecordError, Recorder, Values, WIDEST_POINT,
};
use crate::supervisor::{
    Answered, Call, Channels, Command, Denial, Effect, Effects, Event, Notice, Reply, Spoken, Start,
    Supervisor, Ticket,
};
use std::collections::VecDeque;
use std::sync::Arc;

/// Virtual time that one command on a link takes, s.
const LINK_LATENCY_S: f64 = 0.5e-3;
/// Virtual time that one operation of a script takes, s.
const OPERATION_S: f64 = 0.3e-6;
/// Turns at one moment after which the supervisor counts as stuck: a defect.
const TURNS_AT_ONE_MOMENT: u32 = 100_000;

/// Looks on while a rehearsal goes.
pub trait Observer {
    /// An entry was recorded.
    fn entry(&mut self, _at: TimePoint, _entry: &Entry) {}
    /// People should know something.
    fn notice(&mut self, _at: TimePoint, _notice: &Notice) {}
    /// Time has passed; called at every event.
    fn moment(&mut self, _at: TimePoint, _tally: &RunTally) {}
    /// The run is over, and the terminal is wanted for its report.
    fn leave_terminal(&mut self) {}
    /// What lies ahead, from those who keep account of it.
    fn outlook(&self, _at: TimePoint, _tally: &RunTally) -> Option<Outlook> {
        None
    }
}

/// Nobody looks on.
#[derive(Debug, Default, Clone, Copy)]
pub struct Nobody;

impl Observer for Nobody {}

/// What befalls a rehearsal from outside.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Disturbances {
    /// Events with their moments: a jump of the clock, an operator's word, the loss of the keeper.
    pub events: Vec<(TimePoint, Event)>,
    /// Stretches in which the disk is slow: from, until, and how much later things are on it, s.
    pub slow_disk: Vec<(TimePoint, TimePoint, f64)>,
    /// People who come to transfer helium.
    pub visits: Vec<Visit>,
}

/// The driver.
pub struct VirtualDrive {
    bench: Arc<Bench>,
    /// What the logbook knew when the run began.
    memory: Arc<Memory>,
    /// What the oracle goes by: the same bench, except where a test deceives the supervisor.
    true_bench: Arc<Bench>,
    supervisor: Supervisor,
    instruments: Vec<Box<dyn Instrument>>,
    recorder: Box<dyn Recorder>,
    observer: Box<dyn Observer>,
    /// What the run adds up to.
    pub tally: RunTally,
    /// The independent look at every command.
    pub oracle: Oracle,
    queue: EventQueue,
    slow_disk: Vec<(TimePoint, TimePoint, f64)>,
    visitors: Vec<Visitor>,
    link_free: Vec<TimePoint>,
    /// Reads on their way that will bring values.
    reads: Vec<(Ticket, Channels)>,
    now: TimePoint,
    seed: u64,
    window: Option<TimePoint>,
    /// Windows that were given later, in order: with how many rows of the record before them, and their ends.
    later_windows: VecDeque<(u64, TimePoint)>,
    rows: u64,
    reply: Option<Reply>,
    interrupt: Option<Ending>,
    effects: Effects,
    spare: Effects,
    turns: (TimePoint, u32),
    /// Why the record could not be written or does not agree with what is there.
    pub record_error: Option<RecordError>,
}

impl std::fmt::Debug for VirtualDrive {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("VirtualDrive").field("now", &self.now).finish_non_exhaustive()
    }
}

impl VirtualDrive {
    /// A driver that begins at the beginning. One instrument for each link of the bench.
    pub fn new(
        bench: Arc<Bench>,
        instruments: Vec<Box<dyn Instrument>>,
        recorder: Box<dyn Recorder>,
        observer: Box<dyn Observer>,
        seed: u64,
        window: Option<TimePoint>,
    ) -> Self {
        assert_eq!(instruments.len(), bench.links.len(), "each link has its instrument");
        let start = Start { window, ..Start::default() };
        let link_free = vec![TimePoint::START; bench.links.len()];
        Self {
            supervisor: Supervisor::new(Arc::clone(&bench), start),
            tally: RunTally::new(&bench),
            oracle: Oracle::new(&bench).seeing_readings(),
            memory: Arc::default(),
            true_bench: Arc::clone(&bench),
            bench,
            instruments,
            recorder,
            observer,
            queue: EventQueue::default(),
            slow_disk: Vec::new(),
            visitors: Vec::new(),
            link_free,
            reads: Vec::new(),
            now: TimePoint::START,
            seed,
            window,
            later_windows: VecDeque::new(),
            rows: 0,
            reply: None,
            interrupt: None,
            effects: Effects::new(),
            spare: Effects::new(),
            turns: (TimePoint::START, 0),
            record_error: None,
        }
    }

    /// Gives the supervisor another bench than the true one, to see whether the oracle catches it.
    #[cfg(test)]
    pub(crate) fn deceive(&mut self, supposed: Bench) {
        self.supervisor = Supervisor::new(Arc::new(supposed), Start::default());
    }

    /// Puts an entry before everything else: what is run.
    pub fn introduce(&mut self, entry: &Entry) {
        self.rows += 1;
        if let Entry::Known(beforehand) = entry {
            self.supervisor.knows(beforehand);
            self.memory = beforehand.memory.clone().unwrap_or_default();
            self.oracle.recorded(&self.true_bench, entry);
        }
        self.tally.entry(self.now, entry);
        let kept = self.recorder.append(self.now, entry, &[]).and_then(|()| self.recorder.commit());
        self.heed_record(kept);
    }

    /// Lets things happen from outside.
    pub fn disturb(&mut self, disturbances: Disturbances) {
        self.slow_disk.extend(disturbances.slow_disk);
        self.visitors.extend(disturbances.visits.into_iter().map(Visitor::new));
        for (at, event) in disturbances.events {
            self.await_event(at, event);
        }
    }

    /// Windows that were given when the run was resumed: each with the number of rows that the record had
    /// then, entries of being taken up not counted, and with its end.
    pub fn change_windows(&mut self, windows: impl IntoIterator<Item = (u64, TimePoint)>) {
        self.later_windows.extend(windows);
    }

    /// Puts the windows into force that were given when there were less rows than now. True if there was one.
    fn change_window(&mut self, rows: u64) -> bool {
        let mut changed = false;
        while let Some((_, end)) = self.later_windows.front().copied().filter(|(before, _)| *before < rows) {
            self.later_windows.pop_front();
            self.window = Some(end);
            self.supervisor.set_window(end);
            changed = true;
        }
        changed
    }

    fn await_event(&mut self, at: TimePoint, event: Event) {
        self.queue.push(at, event);
    }

    /// How the run was ended, once it was.
    pub fn ending(&self) -> Option<Ending> {
        self.interrupt.clone()
    }

    /// What the supervisor knows and does.
    pub fn supervisor(&self) -> &Supervisor {
        &self.supervisor
    }

    /// What was really there so far, of the first simulation of the bench.
    pub fn chronicle(&self) -> Option<crate::instrument::simulated::Chronicle> {
        self.instruments.iter().find_map(|instrument| instrument.chronicle())
    }

    /// The present moment.
    pub fn now(&self) -> TimePoint {
        self.now
    }

    /// The sequence has ended: park, and write the last entry.
    pub fn end(&mut self, outcome: Outcome, reason: String, place: Place) {
        self.feed(Event::SequenceEnded { outcome, reason, place });
        while !self.supervisor.is_over() {
            if !self.turn(TimePoint::NEVER) {
                break;
            }
        }
    }

    /// After an end it goes on in the same world: what was to come from outside comes, what was said holds no more.
    pub fn take_up(&mut self) {
        let new = self.change_window(self.rows + 1);
        // A window in which there is time for parking only is over, but for one that was just given.
        let over = !new && self.supervisor.last_moment().is_some_and(|last| last <= self.now);
        let window = self.window.filter(|_| !over);
        let start = Start { window, ..Start::after(&self.tally, &self.bench, 0, self.now) };
        self.supervisor = Supervisor::new(Arc::clone(&self.bench), start);
        let (tip, goals) = (Box::new(self.tally.tip.clone()), Box::new(self.tally.goals.clone()));
        let (tip, goals, earlier) = (Some(tip), Some(goals), self.tally.earlier.clone());
        let (condensed_s, withdraws_in_s) = (self.tally.regenerated_s, self.tally.withdraws_in_s);
        self.supervisor.knows(&Beforehand { tip, earlier, condensed_s, goals, memory: None, withdraws_in_s });
        self.oracle.taken_up(&self.true_bench);
        let now = self.now;
        self.queue
            .retain(|at, event| at > now && !matches!(event, Event::Answered { .. } | Event::Durable { .. }));
        self.visitors.iter_mut().for_each(Visitor::run_ended);
        self.reads.clear();
        self.link_free.fill(self.now);
        (self.reply, self.interrupt) = (None, None);
        (self.tally.ending, self.tally.parked) = (None, false);
    }

    /// The sequence has ended: park, and see the record closed. Returns the digest.
    pub fn finish(&mut self, outcome: Outcome, reason: String, place: Place) -> Option<String> {
        self.end(outcome, reason, place);
        let finished = self.recorder.finish();
        match finished {
            Ok(digest) => Some(digest),
            Err(error) => {
                self.record_error.get_or_insert(error);
                None
            }
        }
    }

    /// One event, if one is due by `until`. False if there was none.
    fn turn(&mut self, until: TimePoint) -> bool {
        let answer_at = self.queue.next_at();
        let wake_at = self.supervisor.next_wake().max(self.now);
        let visit_at =
            self.visitors.iter().map(Visitor::next_wake).min().unwrap_or(TimePoint::NEVER).max(self.now);
        let next = answer_at.min(wake_at).min(visit_at);
        if next > until || next == TimePoint::NEVER {
            return false;
        }
        self.count_turn(next);
        self.now = self.now.max(next);
        self.observer.moment(self.now, &self.tally);
        if visit_at <= next {
            self.be_visited();
        } else if answer_at <= wake_at {
            if let Some(event) = self.queue.pop() {
                self.note_readings(&event);
                let is_answer = matches!(event, Event::Answered { .. });
                self.feed(event);
                if is_answer {
                    let held = self.supervisor.is_held();
                    self.oracle.judge(&self.true_bench, self.now, held);
                }
            }
        } else {
            self.feed(Event::Tick);
        }
        // Whoever waits until the bench is ready sees it as soon as it is.
        if self.supervisor.awaits_refill() {
            self.be_visited();
        }
        true
    }

    /// Whatever a visitor wants now happens.
    fn be_visited(&mut self) {
        for index in 0..self.visitors.len() {
            let ready = self.supervisor.awaits_refill();
            match self.visitors[index].wish(self.now, ready) {
                None => {}
                Some(Wish::Say(word)) => self.feed(Event::Operator(Spoken::rehearsed(word))),
                Some(Wish::Fill(to_m3)) => {
                    let mut takes_s: f64 = 0.0;
                    for instrument in &mut self.instruments {
                        instrument.pass_time(self.now);
                        takes_s = takes_s.max(instrument.fill_helium(to_m3).unwrap_or(0.0));
                    }
                    self.visitors[index].flows(self.now, takes_s);
                }
            }
        }
    }

    fn note_readings(&mut self, event: &Event) {
        let Event::Answered { ticket, outcome } = event else { return };
        let at = self.reads.iter().position(|(other, _)| other == ticket);
        let Some((_, channels)) = at.map(|at| self.reads.swap_remove(at)) else { return };
        // What lies beyond a range is a reading as well, where one channel was asked alone.
        let values = match outcome {
            Answered::Read(values) => *values,
            Answered::Failed(error) => match error.kind {
                ErrorKind::AboveRange => Values::new(&[f64::INFINITY]),
                ErrorKind::BelowRange => Values::new(&[f64::NEG_INFINITY]),
                _ => return,
            },
            _ => return,
        };
        let gauge = self.bench.helium.map(|helium| helium.channel);
        for (channel, value) in channels.as_slice().iter().zip(values.as_slice()) {
            self.oracle.read(self.now, *channel, *value);
            if Some(*channel) == gauge && value.is_finite() {
                self.visitors.iter_mut().for_each(|visitor| visitor.level(self.now, *value));
            }
        }
    }

    fn count_turn(&mut self, next: TimePoint) {
        if self.turns.0 == next {
            self.turns.1 += 1;
            assert!(self.turns.1 < TURNS_AT_ONE_MOMENT, "the supervisor is stuck at {next}");
        } else {
            self.turns = (next, 0);
        }
    }

    fn feed(&mut self, event: Event) {
        let mut effects = std::mem::take(&mut self.effects);
        self.supervisor.handle(event, self.now, &mut effects);
        while !effects.is_empty() {
            let mut batch = std::mem::replace(&mut effects, std::mem::take(&mut self.spare));
            let mut durable = None;
            for effect in batch.drain(..) {
                self.carry_out(effect, &mut durable);
            }
            self.spare = batch;
            if let Some(through) = durable {
                let kept = self.recorder.commit();
                let kept = self.heed_record(kept);
                match self.disk_lag_s() {
                    // What could not be written is never reported as written.
                    _ if !kept => {}
                    None => self.supervisor.handle(Event::Durable { through }, self.now, &mut effects),
                    Some(lag_s) => self.await_event(self.now.after(lag_s), Event::Durable { through }),
                }
            }
            if let Some(error) = &self.record_error {
                let reason = error.to_string();
                self.supervisor.handle(Event::RecordFailed(reason), self.now, &mut effects);
            }
        }
        self.effects = effects;
        self.change_window(self.rows);
    }

    fn carry_out(&mut self, effect: Effect, durable: &mut Option<u64>) {
        match effect {
            Effect::Command { ticket, link, command } => self.command(ticket, link, &command),
            Effect::Append { seq, entry, data, urgent } => {
                self.rows += 1;
                let kept = self.recorder.append(self.now, &entry, &data);
                // What happens while the record is broken belongs into the closing report all the same.
                if let Entry::StepBegin { name, .. } = &*entry {
                    tracing::info!(at_s = self.now.s(), "step: {name}");
                }
                self.tally.entry(self.now, &entry);
                self.oracle.recorded(&self.true_bench, &entry);
                self.observer.entry(self.now, &entry);
                if self.heed_record(kept) && urgent {
                    *durable = Some(seq);
                }
            }
            Effect::AppendPoint { point, .. } => {
                self.rows += 1;
                let kept = self.recorder.append_point(&point);
                if self.heed_record(kept) {
                    self.tally.point(&point);
                    self.oracle.kept(&point);
                }
            }
            Effect::Answer(reply) => {
                self.oracle.answered(&reply);
                self.reply = Some(reply);
            }
            Effect::Interrupt(ending) => {
                self.oracle.ended();
                self.interrupt = Some(ending);
            }
            Effect::Notify(notice) => {
                tracing::info!(at_s = self.now.s(), topic = notice.topic, "{}", notice.text);
                self.observer.notice(self.now, &notice);
            }
            Effect::Over => {}
        }
    }

    fn disk_lag_s(&self) -> Option<f64> {
        let slow = self.slow_disk.iter().filter(|(from, until, _)| *from <= self.now && self.now < *until);
        slow.map(|(_, _, lag_s)| *lag_s).reduce(f64::max)
    }

    /// Keeps the first failure; the record is not touched again after it.
    fn heed_record(&mut self, kept: Result<(), RecordError>) -> bool {
        match kept {
            Ok(()) => self.record_error.is_none(),
            Err(error) => {
                self.record_error.get_or_insert(error);
                false
            }
        }
    }

    fn command(&mut self, ticket: Ticket, link: usize, command: &Command) {
        self.oracle.look(&self.true_bench, self.now, command);
        let instrument = &mut self.instruments[link];
        instrument.pass_time(self.now);
        let (outcome, messages) = carry_out_command(instrument.as_mut(), &self.bench, command);
        match (command, &outcome) {
            (Command::Set { channel, value }, _) => self.tally.sent(*channel, *value),
            (Command::Read { channels }, Answered::Read(values)) => {
                for (channel, value) in channels.as_slice().iter().zip(values.as_slice()) {
                    self.tally.read(*channel, *value);
                }
                self.reads.push((ticket, *channels));
            }
            (Command::Read { channels }, Answered::Failed(_)) if channels.as_slice().len() == 1 => {
                self.reads.push((ticket, *channels));
            }
            _ => {}
        }
        // One command at a time on each link, in the order in which they were sent.
        let turn = self.now.max(self.link_free[link]);
        let mut takes_s = LINK_LATENCY_S * messages as f64 + instrument.lateness_s(turn);
        if let Answered::Failed(error) = &outcome {
            // As in real time: who waits in vain waits for the whole patience of the link, and a
            // connection that is gone is made anew.
            match error.kind {
                ErrorKind::TimedOut => takes_s += self.bench.links[link].timeout_s,
                ErrorKind::Absent => {
                    let _ = instrument.reconnect();
                }
                _ => {}
            }
        }
        let at = turn.after(takes_s);
        self.oracle.takes(self.now, at.since(self.now));
        self.link_free[link] = at;
        self.await_event(at, Event::Answered { ticket, outcome });
    }
}

/// Carries out a command; returns its outcome and the number of messages it took.
pub fn carry_out_command(
    instrument: &mut dyn Instrument,
    bench: &Bench,
    command: &Command,
) -> (Answered, usize) {
    let outcome = match command {
        Command::Set { channel, value } => {
            instrument.set(bench.channel(*channel), *value).map(|()| Answered::Taken)
        }
        Command::Read { channels } => {
            return (read_all(instrument, bench, channels.as_slice()), channels.as_slice().len());
        }
        Command::Begin(task) => {
            let traced = match task {
                Task::Trace { channel, .. } => Some(bench.channel(*channel)),
                _ => None,
            };
            instrument.begin(task, traced).map(|()| Answered::Taken)
        }
        Command::Poll => instrument.poll().map(|report| report.map_or(Answered::Running, Answered::Ended)),
        Command::Abort => instrument.abort().map(|()| Answered::Taken),
        Command::Look { link, all } => {
            let channels = bench.looked_at(usize::from(*link), *all);
            let messages = channels.len().max(1);
            let outcome = instrument.look(&channels).map(|()| Answered::Taken);
            return (outcome.unwrap_or_else(Answered::Failed), messages);
        }
    };
    (outcome.unwrap_or_else(Answered::Failed), 1)
}

fn read_all(
    instrument: &mut dyn Instrument,
    bench: &Bench,
    channels: &[crate::bench::ChannelId],
) -> Answered {
    let mut values = [0.0; WIDEST_POINT];
    for (value, id) in values.iter_mut().zip(channels) {
        match instrument.read(bench.channel(*id)) {
            Ok(read) if read.is_finite() => *value = read,
            Ok(read) => {
                let message = format!("`{}` gave {read}, which is no finite number", bench.channel(*id).name);
                return Answered::Failed(InstrumentError::new(ErrorKind::Garbled, message));
            }
            Err(error) => return Answered::Failed(error),
        }
    }
    Answered::Read(Values::new(&values[..channels.len()]))
}

impl Port for VirtualDrive {
    fn bench(&self) -> Arc<Bench> {
        Arc::clone(&self.bench)
    }

    fn request(&mut self, call: Call) -> Reply {
        let place = call.place.clone();
        self.feed(Event::Request(call));
        loop {
            if let Some(reply) = self.reply.take() {
                return reply;
            }
            if self.supervisor.is_over() || !self.turn(TimePoint::NEVER) {
                let ending = self.interrupt.clone().unwrap_or_else(|| Ending {
                    outcome: Outcome::Stopped,
                    reason: "the run is over".to_owned(),
                    place,
                    latched: false,
                });
                return Err(Denial::Ended(ending));
            }
        }
    }

    fn computed(&mut self, operations: u64) -> Option<Ending> {
        let until = self.now.after(operations as f64 * OPERATION_S);
        while self.turn(until) {}
        self.now = self.now.max(until);
        self.interrupt.clone()
    }

    fn seed(&self) -> u64 {
        self.seed
    }

    fn memory(&self) -> Arc<Memory> {
        Arc::clone(&self.memory)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::{Role, builtin};
    use crate::instrument::{MockInstrument, TaskReport};
    use crate::supervisor::Channels;

    #[test]
    fn a_reading_that_is_no_number_is_a_failure_and_stops_the_group() {
        let bench = builtin();
        let ids = [bench.by_role(Role::Current).unwrap(), bench.by_role(Role::Height).unwrap()];
        let mut mock = MockInstrument::new();
        mock.expect_read().times(1).returning(|_| Ok(f64::NAN));
        let command = Command::Read { channels: Channels::new(&ids) };
        let (outcome, messages) = carry_out_command(&mut mock, &bench, &command);
        assert!(matches!(outcome, Answered::Failed(error) if error.kind == ErrorKind::Garbled));
        assert_eq!(messages, 2);
    }

    #[test]
    fn commands_reach_the_instrument_and_its_answers_come_back() {
        let bench = builtin();
        let bias = bench.by_role(Role::Bias).unwrap();
        let mut mock = MockInstrument::new();
        mock.expect_set().withf(|channel, si| channel.name == "bias" && *si == 0.05).returning(|_, _| Ok(()));
        mock.expect_begin().returning(|_, _| Err(InstrumentError::new(ErrorKind::Busy, "scanning")));
        mock.expect_poll().returning(|| Ok(Some(TaskReport { achieved: true, ..TaskReport::default() })));
        let set = Command::Set { channel: bias, value: 0.05 };
        assert_eq!(carry_out_command(&mut mock, &bench, &set).0, Answered::Taken);
        let begun = carry_out_command(&mut mock, &bench, &Command::Begin(Task::Approach)).0;
        assert!(matches!(begun, Answered::Failed(error) if error.kind == ErrorKind::Busy));
        assert!(
            matches!(carry_out_command(&mut mock, &bench, &Command::Poll).0, Answered::Ended(r) if r.achieved)
        );
    }
}
