use super::*;
use crate::bench::{BUILTIN_NAME, ChannelId, Role, builtin_text, read};
use crate::instrument::{Task, TaskReport};
use crate::record::{Outcome, Values};
use std::collections::{BTreeMap, BTreeSet};

mod held_tasks;
mod permit;
mod pulse;
mod refill;
mod safe_end;
mod silence;
mod way_back;
mod window;

/// Plays the instruments: every command is answered at once, values stay where they are set.
struct Play {
    supervisor: Supervisor,
    bench: Arc<Bench>,
    now: TimePoint,
    values: BTreeMap<ChannelId, f64>,
    sent: Vec<String>,
    replies: Vec<Reply>,
    entries: Vec<Entry>,
    over: bool,
    /// Channels that give no answer.
    dead: BTreeSet<ChannelId>,
    /// Middle, height and width of what stands under the tip, m.
    spot: Option<([f64; 2], f64, f64)>,
    notices: Vec<String>,
    /// How starts of tasks fail.
    fails: Option<crate::instrument::ErrorKind>,
    reads: u32,
    /// How every command fails while nobody answers.
    silent: Option<crate::instrument::ErrorKind>,
    /// What the next look finds.
    changed: Option<crate::instrument::InstrumentError>,
}

impl Play {
    fn new() -> Self {
        Self::on(builtin_text())
    }

    fn on(bench: &str) -> Self {
        let (bench, _) = read(bench, BUILTIN_NAME).unwrap();
        let bench = Arc::new(bench);
        let mut values: BTreeMap<_, _> = bench.ids().map(|id| (id, 0.0)).collect();
        for (role, value) in [
            (Role::HeliumLevel, 0.05),
            (Role::StageTemperature, 0.3),
            (Role::Current, 1e-11),
            (Role::RfLevel, -50.0),
        ] {
            values.insert(bench.by_role(role).unwrap(), value);
        }
        Self {
            supervisor: Supervisor::new(Arc::clone(&bench), Start::default()),
            bench,
            now: TimePoint::START,
            values,
            sent: Vec::new(),
            replies: Vec::new(),
            entries: Vec::new(),
            over: false,
            dead: BTreeSet::new(),
            spot: None,
            notices: Vec::new(),
            fails: None,
            reads: 0,
            silent: None,
            changed: None,
        }
    }

    fn put(&mut self, role: Role, value: f64) {
        self.values.insert(self.bench.by_role(role).unwrap(), value);
    }

    fn feed(&mut self, event: Event) {
        let mut queue = vec![event];
        while let Some(event) = queue.pop() {
            let mut effects = Effects::new();
            self.supervisor.handle(event, self.now, &mut effects);
            for effect in effects {
                match effect {
                    Effect::Command { ticket, command, .. } => {
                        let outcome = self.answer(&command);
                        queue.insert(0, Event::Answered { ticket, outcome });
                    }
                    Effect::Append { seq, entry, urgent, .. } => {
                        self.entries.push(*entry);
                        if urgent {
                            queue.insert(0, Event::Durable { through: seq });
                        }
                    }
                    Effect::Answer(reply) => self.replies.push(reply),
                    Effect::Notify(notice) => self.notices.push(notice.text),
                    Effect::Over => self.over = true,
                    _ => {}
                }
            }
        }
    }

    fn answer(&mut self, command: &Command) -> Answered {
        if let Some(kind) = self.silent {
            return Answered::Failed(crate::instrument::InstrumentError::new(kind, "nobody answers"));
        }
        match command {
            Command::Look { .. } if self.changed.is_some() => Answered::Failed(self.changed.take().unwrap()),
            Command::Set { channel, value } => {
                self.sent.push(format!("{} {value}", self.bench.channel(*channel).name));
                self.values.insert(*channel, *value);
                Answered::Taken
            }
            Command::Read { channels } if channels.as_slice().iter().any(|id| self.dead.contains(id)) => {
                let message = "no answer";
                let kind = crate::instrument::ErrorKind::Refused;
                Answered::Failed(crate::instrument::InstrumentError::new(kind, message))
            }
            Command::Read { channels } => {
                self.scan();
                let values: Vec<f64> = channels.as_slice().iter().map(|id| self.shown(*id)).collect();
                Answered::Read(Values::new(&values))
            }
            Command::Begin(task) => {
                self.sent.push(task.kind().name().to_owned());
                if let Some(kind) = self.fails {
                    return Answered::Failed(crate::instrument::InstrumentError::new(kind, "it fails"));
                }
                match task {
                    Task::Approach => self.put(Role::Approached, 1.0),
                    Task::Withdraw => self.put(Role::Approached, 0.0),
                    Task::MoveTip { x_m, y_m, .. } => {
                        self.put(Role::TipX, *x_m);
                        self.put(Role::TipY, *y_m);
                    }
                    _ => {}
                }
                Answered::Taken
            }
            Command::Abort | Command::Look { .. } => Answered::Taken,
            Command::Poll => Answered::Ended(TaskReport { achieved: true, ..TaskReport::default() }),
        }
    }

    /// What a channel shows: live gauges have noise, and no current flows while the tip is out.
    fn shown(&mut self, id: ChannelId) -> f64 {
        const LIVE: [Role; 4] =
            [Role::HeliumLevel, Role::StageTemperature, Role::ChamberPressure, Role::MagnetVoltage];
        self.reads += 1;
        let noise = 1e-15 * f64::from(self.reads % 7);
        match self.bench.channel(id).role {
            Some(Role::Current) if self.get(Role::Approached) < 0.5 => noise,
            Some(Role::Current) => self.values[&id] + noise,
            Some(role) if LIVE.contains(&role) => self.values[&id] + noise,
            _ => self.values[&id],
        }
    }

    fn get(&self, role: Role) -> f64 {
        self.values[&self.bench.by_role(role).unwrap()]
    }

    /// The height where the tip is now.
    fn scan(&mut self) {
        let Some((middle, height, width)) = self.spot else { return };
        let (dx, dy) = (self.get(Role::TipX) - middle[0], self.get(Role::TipY) - middle[1]);
        let bump = height * (-(dx * dx + dy * dy) / (2.0 * width * width)).exp();
        // A ripple of the size of the noise of a good height loop.
        let ripple = 8e-13 * (dx * 3.1e11).sin() * (dy * 2.7e11).cos();
        self.put(Role::Height, bump + ripple);
    }

    /// Lets virtual time pass until a moment.
    fn until(&mut self, seconds: f64) {
        let end = TimePoint::from_s(seconds);
        while self.supervisor.next_wake() <= end && !self.over {
            self.now = self.now.max(self.supervisor.next_wake());
            self.feed(Event::Tick);
        }
        self.now = self.now.max(end);
    }

    fn call(&mut self, n: u64, request: Request) {
        self.feed(Event::Request(Call { n, place: Place::default(), request }));
    }

    fn set(&mut self, n: u64, role: Role, value: f64) {
        let channel = self.bench.by_role(role).unwrap();
        self.call(n, Request::Set { channel, value });
    }
}

#[test]
fn a_value_outside_the_limits_is_refused_and_nothing_leaves() {
    let mut play = Play::new();
    play.set(0, Role::Bias, 6.0);
    let Some(Err(Denial::Forbidden(reason))) = play.replies.pop() else { panic!("not refused") };
    assert!(reason.contains("outside the limits of `bias`"), "{reason}");
    assert!(play.sent.is_empty(), "{:?}", play.sent);
}

#[test]
fn a_jump_becomes_a_ramp_within_step_and_slew() {
    let mut play = Play::new();
    play.set(0, Role::Bias, 0.05);
    play.until(10.0);
    assert_eq!(play.replies, [Ok(Answer::Done)]);
    assert_eq!(play.sent, ["bias 0.02", "bias 0.04", "bias 0.05"]);
}

#[test]
fn a_step_of_a_level_is_told_in_decibels() {
    let slew = "slew: \"50 dB/s\",";
    let bench = builtin_text().replacen(slew, &format!("{slew} beyond_step: Refuse,"), 1);
    let mut play = Play::on(&bench);
    play.set(0, Role::RfLevel, -20.0);
    let Some(Err(Denial::Forbidden(reason))) = play.replies.pop() else { panic!("not refused") };
    assert!(reason.starts_with("a step of 30 dB is larger than `rf_level` takes at once, 10 dB"), "{reason}");
}

#[test]
fn the_rf_needs_its_permit() {
    let mut play = Play::new();
    play.set(0, Role::RfOutput, 1.0);
    assert!(
        matches!(play.replies.pop(), Some(Err(Denial::Forbidden(reason))) if reason.contains("RF heats the stage"))
    );
    play.call(1, Request::Task(Task::Approach));
    play.until(5.0);
    play.set(2, Role::RfOutput, 1.0);
    play.until(10.0);
    assert_eq!(play.replies.pop(), Some(Ok(Answer::Done)));
    // Switching off needs none, also when the stage is warm.
    play.put(Role::StageTemperature, 0.7);
    play.set(3, Role::RfOutput, 0.0);
    play.until(15.0);
    assert_eq!(play.replies.pop(), Some(Ok(Answer::Done)));
}

#[test]
fn a_trip_ends_the_call_and_parks_in_the_order_of_the_bench() {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.replies.clear();
    play.sent.clear();
    play.call(1, Request::Wait { seconds: 1e6 });
    play.put(Role::Current, 9e-9);
    play.until(400.0);
    let Some(Err(Denial::Ended(ending))) = play.replies.pop() else { panic!("{:?}", play.replies) };
    assert_eq!(ending.outcome, Outcome::Interlock);
    assert!(play.over);
    let order: Vec<&str> = play.sent.iter().filter_map(|s| s.split(' ').next()).collect();
    let place =
        |word: &str| order.iter().position(|sent| *sent == word).unwrap_or_else(|| panic!("{order:?}"));
    assert!(place("withdraw") < place("rf_output") && place("rf_output") < place("bias"), "{order:?}");
    assert!(
        matches!(play.entries.last(), Some(Entry::End { parked: true, .. })),
        "{:?}",
        play.entries.last()
    );
}

#[test]
fn what_has_to_last_for_less_than_a_period_trips_when_it_has_lasted() {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.call(1, Request::Wait { seconds: 1e6 });
    // "current too large" is watched every 500 ms and has to last for 200 ms.
    play.put(Role::Current, 9e-9);
    let mut tripped_after_s = None;
    for step in 1..=200 {
        play.until(5.0 + 0.01 * f64::from(step));
        if play.entries.iter().any(|entry| matches!(entry, Entry::Interlock { .. })) {
            tripped_after_s = Some(0.01 * f64::from(step));
            break;
        }
    }
    // At most one period until it is seen, and then what it has to last.
    assert!(tripped_after_s.is_some_and(|after_s| after_s <= 0.72), "{tripped_after_s:?}");
}

#[test]
fn a_second_look_is_not_put_off_by_a_read_on_its_way() {
    let bench = Play::new().bench;
    let current = bench.by_role(Role::Current).unwrap();
    let mut watch = watch::Watch::new(&bench);
    let mut read_at = Vec::new();
    // A read that is due before the second look must not carry that a whole period further.
    for ms in (0..900).step_by(10) {
        let now = TimePoint::from_s(f64::from(ms) * 1e-3);
        if ms == 490 {
            watch.hasten(std::iter::once(current), now.after(0.2));
        }
        let mut sent = Vec::new();
        watch.collect_due(now, &bench, |ticket, _, command| sent.push((ticket, command)));
        for (ticket, command) in sent {
            let Command::Read { channels } = command else { panic!("the watch reads") };
            if channels.as_slice().contains(&current) {
                read_at.push(ms);
            }
            let Owner::Watch(link) = ticket.owner else { panic!("it is the watch's") };
            watch.answered(link, ticket.serial).unwrap();
        }
    }
    assert_eq!(read_at, [0, 500, 690]);
}

#[test]
fn a_burst_withdraws_holds_and_goes_on_with_the_wait_that_was_left() {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.replies.clear();
    play.call(1, Request::Wait { seconds: 100.0 });
    play.until(20.0);
    play.put(Role::ChamberPressure, 1e-5);
    play.until(200.0);
    assert!(play.supervisor.is_held() && play.replies.is_empty());
    assert_eq!(play.values[&play.bench.by_role(Role::Approached).unwrap()], 0.0, "the tip is out");
    play.put(Role::ChamberPressure, 5e-9);
    play.until(230.0);
    assert!(!play.supervisor.is_held());
    assert_eq!(play.values[&play.bench.by_role(Role::Approached).unwrap()], 1.0, "and in again");
    assert!(play.replies.is_empty(), "time on hold does not count");
    play.until(330.0);
    assert_eq!(play.replies, [Ok(Answer::Done)]);
}

#[test]
fn a_stop_waits_for_the_point_in_hand_and_a_second_one_does_not() {
    let mut play = Play::new();
    play.call(0, Request::Wait { seconds: 1e6 });
    play.feed(Event::Operator(Word::Stop.into()));
    play.until(200.0);
    assert!(play.over);
    assert!(matches!(&play.replies[..], [Err(Denial::Ended(ending))] if ending.outcome == Outcome::Stopped));
}

#[test]
fn a_record_that_fails_parks_the_bench() {
    let mut play = Play::new();
    play.call(0, Request::Wait { seconds: 1e6 });
    play.feed(Event::RecordFailed("the disk is full".to_owned()));
    play.until(200.0);
    assert!(play.over);
    let Some(Err(Denial::Ended(ending))) = play.replies.pop() else { panic!("not ended") };
    assert_eq!(ending.outcome, Outcome::Fault);
    assert!(ending.reason.contains("the disk is full"));
    assert!(play.sent.contains(&"withdraw".to_owned()), "{:?}", play.sent);
}
