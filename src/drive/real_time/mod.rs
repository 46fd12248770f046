//! The driver for real time: a loop that puts every event into one order.
//!
//! The loop owns the supervisor and nothing that can block. The script, each link and the run file have a
//! thread of their own; they meet here. A single-threaded tokio runtime waits for whichever comes first.

pub mod control;
mod links;
mod port;
mod pulse;
mod recording;
pub mod status;
mod wire_log;

pub use links::{FromLink, Links, MakeInstrument};
pub use port::{RealTimePort, StopFlag};
pub use pulse::Pulse;
pub use recording::{FromRecord, Recording};
pub use status::Status;
pub use wire_log::{WIRE_FOLDER, WireLog};

use super::RunTally;
use super::oracle::Oracle;
use super::virtual_time::Observer;
use crate::bench::Bench;
use crate::quantity::TimePoint;
use crate::record::{Beforehand, Ending, Entry, Outcome, Place};
use crate::supervisor::{
    Answered, Call, Command, Effect, Effects, Event, Notice, Reply, Spoken, Start, Supervisor, Ticket,
};
use std::sync::Arc;
use std::sync::mpsc::Sender;
use std::time::{Duration, Instant, SystemTime};
use tokio::sync::{mpsc, oneshot};

/// How often the loop gives the keeper a sign of life.
pub const BEAT: Duration = Duration::from_millis(100);
/// How often the clock of the computer is compared with the one that can't be set.
const CLOCK_CHECK: Duration = Duration::from_secs(1);
/// A difference above this is a jump, s.
const CLOCK_JUMP_S: f64 = 1.0;

/// Real time, or faster where every link is a simulation.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    started: Instant,
    offset: TimePoint,
    pace: f64,
}

impl Clock {
    /// Begins at a moment of the run; `pace` seconds of the run pass in one real second.
    pub fn start(offset: TimePoint, pace: f64) -> Self {
        assert!(pace >= 1.0 && pace.is_finite(), "time does not pass slower than it does");
        Self { started: Instant::now(), offset, pace }
    }

    /// The present moment.
    pub fn now(&self) -> TimePoint {
        self.offset.after(self.started.elapsed().as_secs_f64() * self.pace)
    }

    /// When a moment will be.
    fn instant_of(&self, moment: TimePoint) -> Instant {
        let ahead_s = moment.since(self.offset) / self.pace;
        self.started + Duration::from_secs_f64(ahead_s.min(3e7))
    }
}

/// Words from outside: operators, signals, the keeper's watch.
#[derive(Debug)]
pub enum Outside {
    /// An operator's word.
    Word(Spoken),
    /// What is going on?
    Status(oneshot::Sender<Status>),
    /// The keeper process was gone or stopped, and a new one keeps watch.
    KeeperReplaced,
    /// The keeper process is gone, and no new one comes up.
    KeeperLost,
}

/// How the script ended, as the loop needs it.
#[derive(Debug, Clone)]
pub struct ScriptOver {
    /// How.
    pub outcome: Outcome,
    /// One sentence.
    pub reason: String,
    /// Where.
    pub place: Place,
}

/// Where everything comes in.
#[derive(Debug)]
pub struct Inlets {
    /// Calls of the script.
    pub calls: mpsc::UnboundedReceiver<Call>,
    /// Answers of links.
    pub answers: mpsc::UnboundedReceiver<FromLink>,
    /// News of the record.
    pub record: mpsc::UnboundedReceiver<FromRecord>,
    /// The script has ended.
    pub script: mpsc::UnboundedReceiver<ScriptOver>,
    /// Words from outside.
    pub outside: mpsc::UnboundedReceiver<Outside>,
}

/// The loop.
pub struct RealTimeDrive {
    bench: Arc<Bench>,
    supervisor: Supervisor,
    clock: Clock,
    window: Option<TimePoint>,
    links: Links,
    recording: Recording,
    replies: Sender<Reply>,
    stop: Arc<StopFlag>,
    observer: Box<dyn Observer>,
    /// What the run adds up to.
    pub tally: RunTally,
    /// The independent look at every command.
    pub oracle: Oracle,
    /// Why the record failed.
    pub record_failed: Option<String>,
    messages: Vec<String>,
    last_urgent: Option<u64>,
    durable: Option<u64>,
    deferred: Vec<(u64, Ticket, usize, Command)>,
    interrupted: Option<Ending>,
    pulse: Pulse,
}

impl std::fmt::Debug for RealTimeDrive {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RealTimeDrive").field("clock", &self.clock).finish_non_exhaustive()
    }
}

/// What the driver in real time is made of.
pub struct Parts {
    /// The bench.
    pub bench: Arc<Bench>,
    /// Where the run begins.
    pub start: Start,
    /// Its clock.
    pub clock: Clock,
    /// Its links.
    pub links: Links,
    /// Its record.
    pub recording: Recording,
    /// Where answers to the script go.
    pub replies: Sender<Reply>,
    /// Ends a computing script.
    pub stop: Arc<StopFlag>,
    /// Looks on.
    pub observer: Box<dyn Observer>,
    /// Signs of life for the keeper.
    pub pulse: Pulse,
}

impl RealTimeDrive {
    /// From its parts.
    pub fn new(parts: Parts) -> Self {
        Self {
            supervisor: Supervisor::new(Arc::clone(&parts.bench), parts.start),
            tally: RunTally::new(&parts.bench),
            oracle: Oracle::new(&parts.bench).seeing_readings().at_pace(parts.clock.pace),
            window: parts.start.window,
            bench: parts.bench,
            clock: parts.clock,
            links: parts.links,
            recording: parts.recording,
            replies: parts.replies,
            stop: parts.stop,
            observer: parts.observer,
            record_failed: None,
            messages: Vec::new(),
            last_urgent: None,
            durable: None,
            deferred: Vec::new(),
            interrupted: None,
            pulse: parts.pulse,
        }
    }

    /// What was known before, where a run begins or goes on.
    pub fn knows(&mut self, beforehand: Beforehand) {
        self.supervisor.knows(&beforehand);
        let now = self.clock.now();
        let entry = Entry::Known(beforehand);
        self.tally.entry(now, &entry);
        self.oracle.recorded(&self.bench, &entry);
    }

    /// The run ends now, whatever it was doing.
    pub fn end_now(&mut self, over: ScriptOver) {
        let ScriptOver { outcome, reason, place } = over;
        self.feed(Event::SequenceEnded { outcome, reason, place });
    }

    /// Works until the bench is parked and the record closed.
    pub async fn work(&mut self, inlets: &mut Inlets) {
        let mut clock_check = tokio::time::interval(CLOCK_CHECK);
        let mut beat = tokio::time::interval(BEAT);
        beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut wall = SystemTime::now();
        let mut steady = Instant::now();
        while !self.supervisor.is_over() {
            let wake = self.clock.instant_of(self.supervisor.next_wake());
            // Answers and the record come before new calls, so that a flood of calls delays no interlock.
            tokio::select! {
                biased;
                _ = beat.tick() => {}
                Some(news) = inlets.record.recv() => self.heed_record(news),
                Some(answer) = inlets.answers.recv() => self.answered(answer),
                Some(word) = inlets.outside.recv() => self.outside(word),
                () = tokio::time::sleep_until(wake.into()) => self.feed(Event::Tick),
                Some(over) = inlets.script.recv() => self.end_now(over),
                Some(call) = inlets.calls.recv() => self.feed(Event::Request(call)),
                _ = clock_check.tick() => {
                    let by_s = clock_jump_s(&mut wall, &mut steady);
                    if by_s.abs() > CLOCK_JUMP_S {
                        tracing::warn!(by_s, "the clock of the computer was set");
                        self.feed(Event::ClockJumped { by_s });
                    }
                }
            }
            self.observer.moment(self.clock.now(), &self.tally);
            // It comes out of the loop itself, so that a loop that hangs gives no sign of life.
            self.pulse.beat();
        }
    }

    /// Ends the record and gives its digest, if it has one. A slow disk, or somebody who reads the file, may hold
    /// that up for long; meanwhile there are signs of life, and whoever asks is answered.
    pub async fn finish(&mut self, inlets: &mut Inlets) -> Option<String> {
        let (sender, mut closed) = oneshot::channel();
        let closing = self.recording.end();
        // Where there is no memory for a thread, its sender is gone at once, and that is told as the failure it is.
        let made = std::thread::Builder::new().name("closing".to_owned()).stack_size(256 << 10);
        let _ = made.spawn(move || sender.send(closing.wait()));
        let mut beat = tokio::time::interval(BEAT);
        let result = loop {
            tokio::select! {
                biased;
                result = &mut closed => break result,
                Some(Outside::Status(answer)) = inlets.outside.recv() => drop(answer.send(self.status())),
                _ = beat.tick() => self.pulse.beat(),
            }
        };
        match result {
            Ok(Ok(digest)) => return Some(digest),
            Ok(Err(error)) => drop(self.record_failed.get_or_insert_with(|| error.to_string())),
            Err(_) => drop(self.record_failed.get_or_insert_with(|| "nobody closed it".to_owned())),
        }
        None
    }

    /// Everything that is left when the run is over.
    pub fn into_parts(self) -> (RunTally, Oracle, Option<String>, Box<dyn Observer>) {
        (self.tally, self.oracle, self.record_failed, self.observer)
    }

    /// A snapshot of what is going on.
    pub fn status(&self) -> Status {
        let now = self.clock.now();
        let mut status = status::snapshot(&self.bench, &self.supervisor, &self.tally, now, self.window);
        status.outlook = self.observer.outlook(now, &self.tally);
        status.messages.clone_from(&self.messages);
        status
    }

    fn outside(&mut self, word: Outside) {
        match word {
            Outside::Word(spoken) => self.feed(Event::Operator(spoken)),
            Outside::Status(answer) => {
                let _ = answer.send(self.status());
            }
            Outside::KeeperReplaced => self.feed(Event::KeeperReplaced),
            Outside::KeeperLost => self.feed(Event::KeeperLost),
        }
    }

    fn heed_record(&mut self, news: FromRecord) {
        match news {
            FromRecord::Durable(through) => {
                self.durable = Some(through);
                let (ready, rest) =
                    std::mem::take(&mut self.deferred).into_iter().partition(|d| d.0 <= through);
                self.deferred = rest;
                for (_, ticket, link, command) in ready {
                    self.links.send(link, ticket, command, self.clock.now());
                }
                self.feed(Event::Durable { through });
            }
            FromRecord::Failed(reason) => {
                tracing::error!(reason, "the run file can't be written");
                // What waited for the disk must not happen unrecorded.
                self.deferred.clear();
                self.record_failed.get_or_insert_with(|| reason.clone());
                self.feed(Event::RecordFailed(reason));
            }
        }
    }

    fn answered(&mut self, answer: FromLink) {
        let now = self.clock.now();
        self.oracle.takes(now, now.since(answer.sent));
        if let (Command::Read { channels }, Answered::Read(values)) = (&answer.command, &answer.outcome) {
            for (channel, value) in channels.as_slice().iter().zip(values.as_slice()) {
                self.tally.read(*channel, *value);
                self.oracle.read(now, *channel, *value);
            }
        }
        if answer.made_anew
            && let Some(link) = crate::supervisor::procedure::link_of(&self.bench, &answer.command)
        {
            self.feed_at(Event::MadeAnew { link }, now);
        }
        self.feed_at(Event::Answered { ticket: answer.ticket, outcome: answer.outcome }, now);
        self.oracle.judge(&self.bench, now, self.supervisor.is_held());
    }

    fn feed(&mut self, event: Event) {
        self.feed_at(event, self.clock.now());
    }

    /// Whoever looks on may take time, a terminal or a log on a slow disk. So words come last: nothing that
    /// an event leads to waits for them, least of all a step of parking.
    fn feed_at(&mut self, event: Event, now: TimePoint) {
        let mut effects = Effects::new();
        self.supervisor.handle(event, now, &mut effects);
        let mut entries = Vec::new();
        let mut notices = Vec::new();
        for effect in effects {
            match effect {
                Effect::Notify(notice) => notices.push(notice),
                Effect::Append { seq, entry, data, urgent } => {
                    entries.push((*entry).clone());
                    self.carry_out(Effect::Append { seq, entry, data, urgent }, now);
                }
                other => self.carry_out(other, now),
            }
        }
        let over = entries.iter().any(|entry| matches!(entry, Entry::End { .. }));
        for entry in entries {
            self.observer.entry(now, &entry);
        }
        if over {
            // Whoever tells of the end tells of all that the run adds up to.
            self.observer.moment(now, &self.tally);
        }
        for notice in notices {
            self.tell(now, &notice);
        }
    }

    fn tell(&mut self, now: TimePoint, notice: &Notice) {
        tracing::info!(topic = notice.topic, "{}", notice.text);
        self.messages.push(format!("{now}  {}", notice.text));
        let excess = self.messages.len().saturating_sub(20);
        self.messages.drain(..excess);
        self.observer.notice(now, notice);
    }

    fn carry_out(&mut self, effect: Effect, now: TimePoint) {
        match effect {
            Effect::Command { ticket, link, command } => self.command(ticket, link, command, now),
            Effect::Append { seq, entry, data, urgent } => {
                self.tally.entry(now, &entry);
                self.oracle.recorded(&self.bench, &entry);
                if urgent {
                    self.last_urgent = Some(seq);
                }
                self.recording.append(seq, now, entry, data, urgent);
            }
            Effect::AppendPoint { seq, point } => {
                self.tally.point(&point);
                self.oracle.kept(&point);
                self.recording.append_point(seq, point);
            }
            Effect::Answer(reply) => {
                self.oracle.answered(&reply);
                // A script that is gone needs no answer.
                let _ = self.replies.send(reply);
            }
            Effect::Interrupt(ending) => {
                self.oracle.ended();
                // What waited for the disk belongs to the sequence; after the end it would follow the park steps.
                self.deferred.clear();
                self.interrupted = Some(ending.clone());
                self.stop.raise(ending);
            }
            Effect::Notify(notice) => self.tell(now, &notice),
            Effect::Over => {}
        }
    }

    /// What must not happen twice leaves only after its intent is on disk.
    fn command(&mut self, ticket: Ticket, link: usize, command: Command, now: TimePoint) {
        self.oracle.look(&self.bench, now, &command);
        if command == Command::Abort {
            // Whatever is to be ended must not begin after its end.
            self.deferred.retain(|(_, _, other, _)| *other != link);
        }
        if let Command::Set { channel, value } = command {
            self.tally.sent(channel, value);
        }
        if let (Command::Begin(task), Some(urgent)) = (&command, self.last_urgent)
            && task.kind().once_only()
            && self.durable.is_none_or(|durable| durable < urgent)
        {
            self.deferred.push((urgent, ticket, link, command));
            return;
        }
        self.links.send(link, ticket, command, now);
    }
}

/// How far the clock on the wall has moved against the steady one since the last look, s.
fn clock_jump_s(wall: &mut SystemTime, steady: &mut Instant) -> f64 {
    let (now_wall, now_steady) = (SystemTime::now(), Instant::now());
    let steady_s = now_steady.duration_since(*steady).as_secs_f64();
    let wall_s = match now_wall.duration_since(*wall) {
        Ok(forward) => forward.as_secs_f64(),
        Err(back) => -back.duration().as_secs_f64(),
    };
    (*wall, *steady) = (now_wall, now_steady);
    wall_s - steady_s
}
