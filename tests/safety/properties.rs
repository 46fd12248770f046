//! Arbitrary sequences of events: no command that leaves breaks a limit, a step, a slew or a permit, nothing
//! panics, and after the end of the sequence the run always comes to its end.

use noctule::bench::{Bench, ChannelId, Role, builtin};
use noctule::drive::oracle::Oracle;
use noctule::instrument::{ErrorKind, InstrumentError, Task, TaskReport};
use noctule::quantity::TimePoint;
use noctule::record::{Outcome, Place, Values};
use noctule::supervisor::{
    Answered, Axis, Call, Command, Effect, Effects, Event, HoldStage, PATIENCE_S, Request, Spoken, Start,
    Supervisor, SweepPlan, Ticket, Word,
};
use proptest::prelude::*;
use std::sync::Arc;

#[derive(Debug, Clone)]
enum Deed {
    Set { channel: u16, part: f64 },
    Read { channels: Vec<u16>, samples: u32 },
    Wait(f64),
    Settle,
    Sweep { fast: u16, slow: Option<u16>, from: f64, to: f64, points: u64 },
    Task(u8),
    Park,
    Restore { approach: Option<bool>, channel: u16, part: f64 },
    Answer { pick: usize, how: u8, level: f64 },
    Again { pick: usize },
    Pass(f64),
    Word(u8),
    Durable,
    RecordFailed,
    ClockJump(f64),
    KeeperLost,
}

/// Parts of a channel's range; beyond 0 and 1 lie outside of it.
fn part() -> impl Strategy<Value = f64> {
    prop_oneof![6 => 0.0..1.0, 1 => -2.0..3.0, 1 => Just(f64::NAN), 1 => Just(f64::INFINITY), 1 => Just(0.5)]
}

fn deed() -> impl Strategy<Value = Deed> {
    let channel = 0..27_u16;
    prop_oneof![
        6 => (channel.clone(), part()).prop_map(|(channel, part)| Deed::Set { channel, part }),
        2 => (prop::collection::vec(channel.clone(), 0..12), 0..4_u32)
            .prop_map(|(channels, samples)| Deed::Read { channels, samples }),
        1 => (0.0..100.0).prop_map(Deed::Wait),
        1 => Just(Deed::Settle),
        3 => (channel.clone(), prop::option::of(channel.clone()), part(), part(), 0..5_u64)
            .prop_map(|(fast, slow, from, to, points)| Deed::Sweep { fast, slow, from, to, points }),
        4 => (0..10_u8).prop_map(Deed::Task),
        1 => Just(Deed::Park),
        1 => (prop::option::of(any::<bool>()), channel, part())
            .prop_map(|(approach, channel, part)| Deed::Restore { approach, channel, part }),
        40 => (0..4_usize, 0..12_u8, 0.0..1.0).prop_map(|(pick, how, level)| Deed::Answer { pick, how, level }),
        2 => (0..8_usize).prop_map(|pick| Deed::Again { pick }),
        15 => prop_oneof![0.0..0.01, 0.0..3.0, 0.0..400.0].prop_map(Deed::Pass),
        2 => (0..6_u8).prop_map(Deed::Word),
        6 => Just(Deed::Durable),
        1 => prop::bool::weighted(0.1).prop_map(|yes| if yes { Deed::RecordFailed } else { Deed::Durable }),
        1 => (-100.0..100.0).prop_map(Deed::ClockJump),
        1 => prop::bool::weighted(0.1).prop_map(|yes| if yes { Deed::KeeperLost } else { Deed::Durable }),
    ]
}

struct World {
    bench: Arc<Bench>,
    supervisor: Supervisor,
    oracle: Oracle,
    now: TimePoint,
    pending: Vec<(Ticket, Command)>,
    answered: Vec<(Ticket, Answered)>,
    last_seq: Option<u64>,
    next_seq: u64,
    calling: bool,
    calls: u64,
    /// Where settable channels really stand: their gauges tell the truth.
    stands: Vec<f64>,
    /// A person holds the bench, and nobody has said since that people are clear of it.
    people_there: bool,
}

impl World {
    fn new() -> Self {
        // Parking that nobody answers is given up after minutes here, so that a run comes to its end within the test.
        let bench = Arc::new(Bench { park_patience_s: 600.0, ..builtin() });
        Self {
            supervisor: Supervisor::new(Arc::clone(&bench), Start::default()),
            oracle: Oracle::new(&bench),
            stands: bench
                .channels
                .iter()
                .map(|c| if c.settable { (c.min + c.max) / 2.0 } else { 0.0 })
                .collect(),
            bench,
            now: TimePoint::START,
            pending: Vec::new(),
            answered: Vec::new(),
            last_seq: None,
            next_seq: 0,
            calling: false,
            calls: 0,
            people_there: false,
        }
    }

    /// While a person holds the bench neither tip nor field comes back, whatever else happens.
    fn look_after_people(&mut self, cleared: bool, effects: &Effects) {
        let hold = self.supervisor.present_hold();
        self.people_there &= !cleared && hold.is_some();
        if self.people_there {
            let stage = hold.as_ref().map(|hold| hold.stage);
            assert_ne!(
                stage,
                Some(HoldStage::Leaving),
                "it goes on, and nobody has said that people are clear"
            );
            // The way to the state for a refill ramps the field, and comes before anybody is there.
            let may_ramp = stage == Some(HoldStage::Entering);
            for effect in effects {
                let Effect::Command { command, .. } = effect else { continue };
                let moves = match command {
                    Command::Begin(task) => *task != Task::Withdraw,
                    Command::Set { channel, .. } => {
                        self.bench.channel(*channel).role == Some(Role::FieldZ) && !may_ramp
                    }
                    _ => false,
                };
                assert!(!moves, "{command:?} with people at the bench, {hold:?}");
            }
        }
        self.people_there |= hold.is_some_and(|hold| hold.operator && hold.stage == HoldStage::Waiting);
    }

    fn feed(&mut self, event: Event) {
        let mut effects = Effects::new();
        let cleared =
            matches!(&event, Event::Operator(said) if said.word == Word::Release && said.by.is_some());
        self.supervisor.handle(event, self.now, &mut effects);
        self.look_after_people(cleared, &effects);
        if let Some(until) = self.supervisor.waits_for_permit() {
            assert!(
                until > self.now && until.since(self.now) <= PATIENCE_S + 1e-6,
                "{until} at {}",
                self.now
            );
        }
        for effect in effects {
            match effect {
                Effect::Command { ticket, command, .. } => {
                    self.oracle.look(&self.bench, self.now, &command);
                    assert_eq!(self.oracle.violations, 0, "{:?}", self.oracle.first);
                    self.pending.push((ticket, command));
                }
                Effect::Append { seq, .. } | Effect::AppendPoint { seq, .. } => {
                    assert_eq!(seq, self.next_seq, "numbers come without gaps");
                    self.next_seq += 1;
                    self.last_seq = Some(seq);
                }
                Effect::Answer(_) => {
                    assert!(self.calling, "an answer that nobody waits for");
                    self.calling = false;
                }
                Effect::Interrupt(_) => self.oracle.ended(),
                Effect::Notify(_) | Effect::Over => {}
            }
        }
    }

    fn value(&self, id: ChannelId, part: f64) -> f64 {
        let channel = self.bench.channel(id);
        if channel.max.is_finite() && channel.min.is_finite() {
            return channel.min + (channel.max - channel.min) * part;
        }
        part
    }

    /// What a gauge shows: mostly what lets the run go on.
    fn shown(&self, id: ChannelId, level: f64) -> f64 {
        if self.bench.channel(id).settable {
            return self.stands[id.index()];
        }
        match self.bench.channel(id).role {
            Some(Role::HeliumLevel) => 0.002 + 0.06 * level,
            Some(Role::StageTemperature) => 0.2 + level.powi(8) * 5.0,
            Some(Role::ChamberPressure) => 1e-8 * (1.0 + 1e3 * level.powi(8)),
            Some(Role::Approached) => level.round(),
            Some(Role::LockinOverload) => f64::from(u8::from(level > 0.95)),
            Some(Role::Current) => 1e-11 + 1e-8 * level.powi(12),
            _ => self.value(id, level),
        }
    }

    fn answer(&mut self, at: usize, how: u8, level: f64) {
        let (ticket, command) = self.pending.remove(at);
        // What fails may have been heard all the same.
        if let Command::Set { channel, value } = &command
            && (how > 3 || level > 0.5)
        {
            self.stands[channel.index()] = *value;
        }
        let kinds = [ErrorKind::Absent, ErrorKind::Busy, ErrorKind::Refused, ErrorKind::TimedOut];
        let outcome = match (&command, how) {
            (_, 0..=3) => Answered::Failed(InstrumentError::new(kinds[usize::from(how)], "test")),
            (Command::Read { channels }, _) => {
                let values: Vec<f64> = channels.as_slice().iter().map(|id| self.shown(*id, level)).collect();
                for (id, value) in channels.as_slice().iter().zip(&values) {
                    self.oracle.read(self.now, *id, *value);
                }
                Answered::Read(Values::new(&values))
            }
            (Command::Poll, 4..=5) => Answered::Running,
            (Command::Poll, _) => Answered::Ended(TaskReport { achieved: how > 6, ..TaskReport::default() }),
            _ => Answered::Taken,
        };
        self.answered.push((ticket, outcome.clone()));
        self.feed(Event::Answered { ticket, outcome });
    }

    fn ask(&mut self, request: Request) {
        if self.calling || self.supervisor.is_over() {
            return;
        }
        self.calling = true;
        self.calls += 1;
        let place = Place { file: "test".to_owned(), line: 1 };
        self.feed(Event::Request(Call { n: self.calls - 1, place, request }));
    }

    fn do_it(&mut self, deed: Deed) {
        let known = |channel: u16| ChannelId(channel % self.bench.channels.len() as u16);
        match deed {
            Deed::Set { channel, part } => {
                let (channel, value) = (known(channel), self.value(known(channel), part));
                self.ask(Request::Set { channel, value });
            }
            Deed::Read { channels, samples } => {
                let channels = channels.into_iter().map(known).collect();
                self.ask(Request::Read { channels, samples, spacing_s: 0.1 });
            }
            Deed::Wait(seconds) => self.ask(Request::Wait { seconds }),
            Deed::Settle => self.ask(Request::Settle),
            Deed::Sweep { fast, slow, from, to, points } => {
                let axis = |id: ChannelId| Axis {
                    channel: id,
                    from: self.value(id, from),
                    to: self.value(id, to),
                    points,
                };
                let mut plan = SweepPlan::plain("p", axis(known(fast)), vec![known(3)]);
                plan.slow = slow.map(|slow| axis(known(slow)));
                plan.dwell_s = 0.1;
                // Some go by a list, with another channel moved along, and pause after their first point.
                let along = known(fast.wrapping_add(1) % 3);
                if points % 3 == 1 && !plan.moved().any(|id| *id == along) {
                    plan.places = (0..points).rev().map(|i| plan.fast.at(i)).collect();
                    plan.along = vec![(0..points).map(|i| self.value(along, axis(along).at(i))).collect()];
                    plan.read.push(along);
                    plan.until = Some(1);
                }
                self.ask(Request::Sweep(Arc::new(plan)));
            }
            Deed::Task(which) => self.ask(Request::Task(match which {
                0 | 1 => Task::Approach,
                2 => Task::Withdraw,
                3 => Task::CoarseStep { steps: 5 },
                4 => Task::Pulse { volts: 3.0, length_s: 0.1 },
                5 => Task::PickUp,
                6 => Task::MoveTip { x_m: 1e-9, y_m: 0.0, speed_m_s: 1e-9 },
                7 => Task::Regenerate,
                // Beyond the limits of the bench.
                8 => Task::Pulse { volts: 5.0, length_s: 0.1 },
                _ => Task::Trace { channel: known(3), samples: 3, interval_s: 0.1 },
            })),
            Deed::Park => self.ask(Request::Park),
            Deed::Restore { approach, channel, part } => {
                let values = vec![(known(channel), self.value(known(channel), part))];
                self.ask(Request::Restore { approach, values });
            }
            Deed::Answer { pick, how, level } => {
                if !self.pending.is_empty() {
                    self.answer(pick % self.pending.len(), how, level);
                }
            }
            Deed::Again { pick } => {
                if !self.answered.is_empty() {
                    let (ticket, outcome) = self.answered[pick % self.answered.len()].clone();
                    self.feed(Event::Answered { ticket, outcome });
                }
            }
            Deed::Pass(seconds) => {
                self.now = self.now.after(seconds);
                self.feed(Event::Tick);
            }
            Deed::Word(which) => {
                let words = [Word::Hold, Word::HoldForRefill, Word::Release, Word::Stop];
                let said = words.get(usize::from(which)).map(|word| Spoken::rehearsed(*word));
                self.feed(Event::Operator(said.unwrap_or_else(|| Word::Release.into())));
            }
            Deed::Durable => self.durable(),
            Deed::RecordFailed => self.feed(Event::RecordFailed("test".to_owned())),
            Deed::ClockJump(by_s) => self.feed(Event::ClockJumped { by_s }),
            Deed::KeeperLost => self.feed(Event::KeeperLost),
        }
    }

    fn durable(&mut self) {
        if let Some(through) = self.last_seq {
            self.feed(Event::Durable { through });
        }
    }

    /// The sequence ends; from now on everything is answered, or nothing at all.
    fn end(&mut self, answers: bool) {
        let reason = "the sequence came to its end".to_owned();
        self.feed(Event::SequenceEnded { outcome: Outcome::Finished, reason, place: Place::default() });
        for _ in 0..100_000 {
            if self.supervisor.is_over() {
                return;
            }
            self.durable();
            if answers && !self.pending.is_empty() {
                self.answer(0, 9, 0.4);
            } else {
                self.pending.clear();
                self.now = self.now.max(self.supervisor.next_wake()).min(TimePoint::from_s(1e9));
                self.feed(Event::Tick);
            }
        }
        panic!("the run does not come to its end");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn no_event_makes_a_forbidden_command_leave_and_every_run_ends(
        deeds in prop::collection::vec(deed(), 0..150), answers in any::<bool>(),
    ) {
        let mut world = World::new();
        for deed in deeds {
            world.do_it(deed);
        }
        world.end(answers);
    }
}
