//! Permits whose gauges come and go: the oracle sees every reading and judges every command by them, and every
//! interlock. Instruments answer at once here, so that what the supervisor knows is what the oracle knows.

use noctule::bench::{Bench, ChannelId, Role, builtin_text, read};
use noctule::drive::oracle::Oracle;
use noctule::instrument::{ErrorKind, InstrumentError, Task, TaskReport};
use noctule::quantity::TimePoint;
use noctule::record::{Outcome, Place, Values};
use noctule::supervisor::{
    Answered, Call, Command, Effect, Effects, Event, PATIENCE_S, Probe, Request, Spoken, Start, Supervisor,
    Word,
};
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// Gauges that the permits of the bench rest on.
const GAUGES: [Role; 3] = [Role::Approached, Role::StageTemperature, Role::HeliumLevel];

#[derive(Debug, Clone)]
enum Deed {
    Ask(u8),
    Silence { gauge: usize, silent: bool },
    Level { gauge: usize, level: u8 },
    Burst(bool),
    Pass(f64),
    Word(u8),
}

fn deed() -> impl Strategy<Value = Deed> {
    prop_oneof![
        12 => (0..8_u8).prop_map(Deed::Ask),
        4 => (0..GAUGES.len(), prop::bool::weighted(0.6)).prop_map(|(gauge, silent)| Deed::Silence { gauge, silent }),
        2 => (1..GAUGES.len(), 0..4_u8).prop_map(|(gauge, level)| Deed::Level { gauge, level }),
        1 => any::<bool>().prop_map(Deed::Burst),
        10 => prop_oneof![2 => 0.0..2.0, 6 => 5.0..40.0, 1 => 40.0..400.0].prop_map(Deed::Pass),
        1 => prop_oneof![3 => 0..3_u8, 1 => Just(3)].prop_map(Deed::Word),
    ]
}

struct Room {
    bench: Arc<Bench>,
    supervisor: Supervisor,
    oracle: Oracle,
    now: TimePoint,
    shows: Vec<f64>,
    silent: BTreeSet<ChannelId>,
    calling: bool,
    calls: u64,
    ended: bool,
    /// When the command that is kept back began to wait.
    waiting: Option<TimePoint>,
    reads: u32,
}

impl Room {
    fn new() -> Self {
        // A task that may be repeated has a permit here as well.
        let more = r#"Permit(name: "cold", task: "approach", when: "stage_temperature < 1.5 K", because: "test"),
            Permit(name: "gentle"#;
        let mut text = builtin_text().replacen(r#"Permit(name: "gentle"#, more, 1);
        // Interlocks that can't see would hold the sequence long before a permit has been waited for.
        for patience in ["30 s", "2 min"] {
            text = text.replace(&format!("patience: \"{patience}\""), "patience: \"10 h\"");
        }
        let bench = Arc::new(read(&text, "permits.ron").unwrap().0);
        let mut shows = vec![0.0; bench.channels.len()];
        for (role, value) in [
            (Role::HeliumLevel, 0.05),
            (Role::StageTemperature, 0.3),
            (Role::Current, 1e-11),
            (Role::RfLevel, -50.0),
            (Role::ChamberPressure, 1e-8),
        ] {
            shows[bench.by_role(role).unwrap().index()] = value;
        }
        Self {
            supervisor: Supervisor::new(Arc::clone(&bench), Start::default()),
            oracle: Oracle::new(&bench).seeing_readings(),
            bench,
            now: TimePoint::START,
            shows,
            silent: BTreeSet::new(),
            calling: false,
            calls: 0,
            ended: false,
            waiting: None,
            reads: 0,
        }
    }

    fn id(&self, role: Role) -> ChannelId {
        self.bench.by_role(role).unwrap()
    }

    fn show(&mut self, role: Role, value: f64) {
        let at = self.id(role).index();
        self.shows[at] = value;
    }

    fn feed(&mut self, event: Event) {
        let mut queue = vec![event];
        while let Some(event) = queue.pop() {
            let mut effects = Effects::new();
            self.supervisor.handle(event, self.now, &mut effects);
            let mut moved = false;
            for effect in effects {
                match effect {
                    Effect::Command { ticket, command, .. } => {
                        self.oracle.look(&self.bench, self.now, &command);
                        moved |= matches!(command, Command::Set { .. } | Command::Begin(_));
                        let outcome = self.answer(&command);
                        queue.insert(0, Event::Answered { ticket, outcome });
                    }
                    Effect::Append { seq, .. } => queue.insert(0, Event::Durable { through: seq }),
                    Effect::Answer(_) => (self.calling, moved) = (false, true),
                    Effect::Interrupt(_) => {
                        self.oracle.ended();
                        self.ended = true;
                    }
                    _ => {}
                }
            }
            self.look_at_wait(moved);
            self.oracle.judge(&self.bench, self.now, self.supervisor.is_held());
            assert_eq!(self.oracle.violations, 0, "{:?}", self.oracle.first);
        }
    }

    /// No wait is longer than the patience, whatever happens in it, and none is left once the run is ending.
    fn look_at_wait(&mut self, moved: bool) {
        let Some(until) = self.supervisor.waits_for_permit() else {
            self.waiting = None;
            return;
        };
        assert!(!self.ended, "parking waits for a permit");
        if moved || self.waiting.is_none() {
            self.waiting = Some(self.now);
        }
        let since = self.waiting.expect("it was just set");
        assert!(until > self.now && until.since(since) <= PATIENCE_S + 1e-6, "from {since} until {until}");
    }

    fn answer(&mut self, command: &Command) -> Answered {
        match command {
            Command::Set { channel, value } => {
                self.shows[channel.index()] = *value;
                Answered::Taken
            }
            Command::Read { channels } if channels.as_slice().iter().any(|id| self.silent.contains(id)) => {
                Answered::Failed(InstrumentError::new(ErrorKind::Garbled, "no number"))
            }
            Command::Read { channels } => {
                let values: Vec<f64> = channels.as_slice().iter().map(|id| self.shown(*id)).collect();
                for (id, value) in channels.as_slice().iter().zip(&values) {
                    self.oracle.read(self.now, *id, *value);
                }
                Answered::Read(Values::new(&values))
            }
            Command::Begin(task) => {
                match task {
                    Task::Approach => self.show(Role::Approached, 1.0),
                    Task::Withdraw => self.show(Role::Approached, 0.0),
                    _ => {}
                }
                Answered::Taken
            }
            Command::Poll => Answered::Ended(TaskReport { achieved: true, ..TaskReport::default() }),
            Command::Abort | Command::Look { .. } => Answered::Taken,
        }
    }

    /// What a channel shows: live gauges have noise, and no current flows while the tip is out.
    fn shown(&mut self, id: ChannelId) -> f64 {
        self.reads += 1;
        let noise = 1e-15 * f64::from(self.reads % 7);
        let shows = self.shows[id.index()];
        match self.bench.channel(id).role {
            Some(Role::Current) if self.shows[self.id(Role::Approached).index()] < 0.5 => noise,
            Some(Role::Current | Role::StageTemperature | Role::ChamberPressure | Role::MagnetVoltage) => {
                shows + noise
            }
            _ => shows,
        }
    }

    fn pass(&mut self, seconds: f64) {
        let end = self.now.after(seconds);
        while self.supervisor.next_wake() <= end && !self.supervisor.is_over() {
            self.now = self.now.max(self.supervisor.next_wake());
            self.feed(Event::Tick);
        }
        self.now = end;
    }

    fn ask(&mut self, which: u8) {
        if self.calling || self.ended {
            return;
        }
        let set = |role, value| Request::Set { channel: self.id(role), value };
        let request = match which {
            0 => Request::Task(Task::Approach),
            1 => Request::Task(Task::Withdraw),
            2 => Request::Task(Task::CoarseStep { steps: 3 }),
            3 => set(Role::RfOutput, 1.0),
            4 => set(Role::RfOutput, 0.0),
            5 => set(Role::Bias, 0.4),
            6 => set(Role::FieldZ, 0.02),
            _ => Request::Park,
        };
        self.calling = true;
        self.calls += 1;
        let place = Place { file: "test".to_owned(), line: 1 };
        self.feed(Event::Request(Call { n: self.calls - 1, place, request }));
    }

    fn do_it(&mut self, deed: Deed) {
        match deed {
            Deed::Ask(which) => self.ask(which),
            Deed::Silence { gauge, silent } => {
                let id = self.id(GAUGES[gauge]);
                if silent {
                    self.silent.insert(id)
                } else {
                    self.silent.remove(&id)
                };
            }
            Deed::Level { gauge, level } => {
                let levels = match GAUGES[gauge] {
                    Role::HeliumLevel => [0.05, 0.02, 0.0061, 0.0055],
                    _ => [0.3, 0.3, 1.7, 2.5],
                };
                self.show(GAUGES[gauge], levels[usize::from(level)]);
            }
            Deed::Burst(bad) => self.show(Role::ChamberPressure, if bad { 1e-4 } else { 1e-8 }),
            Deed::Pass(seconds) => self.pass(seconds),
            Deed::Word(which) => {
                let words = [Word::Hold, Word::Release, Word::Release, Word::Stop];
                self.feed(Event::Operator(Spoken::rehearsed(words[usize::from(which)])));
            }
        }
    }
}

static WAITED: AtomicU32 = AtomicU32::new(0);

#[test]
fn no_command_leaves_without_its_permit_however_gauges_come_and_go() {
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig {
        cases: 600,
        failure_persistence: None,
        ..ProptestConfig::default()
    });
    let done = runner.run(&prop::collection::vec(deed(), 0..80), |deeds| {
        let mut room = Room::new();
        for deed in deeds {
            room.do_it(deed);
        }
        WAITED.fetch_add(room.supervisor.probes()[Probe::PermitWaited as usize], Ordering::Relaxed);
        room.feed(Event::SequenceEnded {
            outcome: Outcome::Finished,
            reason: "the sequence came to its end".to_owned(),
            place: Place::default(),
        });
        // Behind the four hours for which parking is tried again.
        room.pass(1.6e4);
        assert!(room.supervisor.is_over(), "the run comes to its end");
        Ok(())
    });
    done.unwrap();
    assert!(WAITED.load(Ordering::Relaxed) > 40, "commands have waited: {WAITED:?}");
}

/// Found among the arbitrary ones: the way back from a hold waited for each of its steps in turn.
#[test]
fn the_way_back_from_a_hold_waits_in_vain_once() {
    let mut room = Room::new();
    for deed in [
        Deed::Ask(0),
        Deed::Pass(22.2),
        Deed::Burst(true),
        Deed::Ask(3),
        Deed::Pass(5.0),
        Deed::Level { gauge: 1, level: 2 },
        Deed::Pass(1.2),
        Deed::Burst(false),
        Deed::Pass(197.3),
    ] {
        room.do_it(deed);
    }
}
