//! The core: a pure state machine that stands between a sequence and the bench.
//!
//! [`Supervisor::handle`] takes an [`Event`] and the present moment and gives [`Effect`]s. It does no
//! I/O, knows no clock and has no threads; the two drivers in [`crate::drive`] feed it, one with real
//! time, one with virtual time. What is rehearsed is therefore the code that runs at night.
//!
//! A call of the sequence becomes a [`procedure`]. Its commands pass the [`gate`], where limits, slew and
//! permits are checked, whoever sends them. Beside it the watch reads channels for the
//! interlocks. A trip, a stop, a window's end or a failed record ends the sequence with
//! [`Denial::Ended`], which no sequence can catch, and parks the bench.

mod at_work;
mod calls;
mod contact;
mod ending;
mod event;
mod extremes;
pub mod gate;
mod guard;
mod hold;
mod interlock;
mod latest;
mod lockin;
mod permit;
mod present_hold;
mod probe;
pub mod procedure;
mod safety;
mod silence;
mod watch;

pub use crate::record::{
    Again, Answer, Axis, Call, CentrePlan, Centred, Denial, Doubtful, HeliumOutlook, OWN_CALL, Question,
    Reply, Request, Statement, SweepData, SweepPlan, Word,
};
pub use event::{Answered, Channels, Command, Effect, Effects, Event, Notice, Owner, Spoken, Ticket};
pub(crate) use hold::{Hold, bias_to_approach_with, is_no_bias};
pub use latest::Latest;
pub use lockin::settle_in_time_constants;
pub use permit::PATIENCE_S;
pub use present_hold::{HoldStage, PresentHold};
pub use probe::{Probe, Probes};

use crate::bench::Bench;
use crate::history::{History, Level, TipRules};
use crate::instrument::{ErrorKind, InstrumentError};
use crate::quantity::TimePoint;
use crate::record::{Beforehand, Earlier, Ending, Entry, Goals, Place, Point, TipLife, Trouble};
use at_work::{Arrived, AtWork};
use contact::Contacts;
use interlock::{Change, Interlocks};
use procedure::{Context, Input, Next, Procedure, link_of};
use std::sync::Arc;
use watch::Watch;

/// People are told so often that the bench is not safe yet, s.
const NOT_SAFE_TOLD_EVERY_S: f64 = 60.0;

/// Where a run begins: all zero, or where the record of a resumed run ends.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Start {
    /// Number of the next entry.
    pub seq: u64,
    /// Number of the next sweep.
    pub sweeps: u64,
    /// Present moment; a resumed run goes on in its own time.
    pub now: TimePoint,
    /// End of the window.
    pub window: Option<TimePoint>,
    /// The spot on which the sequence had centred the tip, where it has not moved it since.
    pub spot: Option<CentrePlan>,
    /// A task that somebody else began may be running: it is ended before the tip is withdrawn.
    pub foreign_task: bool,
}

impl Start {
    /// Where a recorded run goes on.
    pub fn after(history: &History, bench: &Bench, seq: u64, now: TimePoint) -> Self {
        Self {
            seq,
            sweeps: history.next_sweep,
            now,
            window: None,
            spot: history.spot_on(bench),
            foreign_task: false,
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Phase {
    Running,
    Ending(Ending),
    /// The last entry waits to be durable.
    Closing(u64),
    Over,
}

/// The call of the sequence that has not been answered.
#[derive(Debug, Clone)]
struct OpenCall {
    n: u64,
    place: Place,
    request: Request,
    sweep: Option<u64>,
}

/// The state machine. See the [module](self).
#[derive(Debug)]
pub struct Supervisor {
    bench: Arc<Bench>,
    latest: Latest,
    watch: Watch,
    contacts: Contacts,
    /// Whether every instrument has been looked at since the last point of the sweep at work.
    looked_after: bool,
    /// Links that are still to be looked at, and since when.
    looks_awaited: Vec<(usize, TimePoint)>,
    /// Whether the tip was last told to come in.
    tip_in: bool,
    /// When settings were lately brought back because they had changed.
    restored: Vec<TimePoint>,
    interlocks: Interlocks,
    at_work: AtWork,
    suspended: Option<Procedure>,
    call: Option<OpenCall>,
    reply: Option<(u64, Reply)>,
    hold: Hold,
    /// Holds, one soon after the other, since the sequence has last come on.
    holds_in_a_row: Option<hold::Row>,
    helium: Option<Level>,
    /// The life of the tip: the fold of what is recorded.
    tip: TipLife,
    rules: TipRules,
    goals: Goals,
    earlier: Option<Earlier>,
    /// When the pot was last condensed, s.
    condensed_s: Option<f64>,
    /// The guard has refused a command of the call at work.
    guard_refused: bool,
    /// The spot on which the sequence has centred the tip, until it moves it elsewhere.
    spot: Option<CentrePlan>,
    phase: Phase,
    stop_wanted: bool,
    foreign_task: bool,
    window: Option<TimePoint>,
    place: Place,
    seq: u64,
    durable: u64,
    record_failed: bool,
    sweeps: u64,
    parked: bool,
    /// When it was last told that the bench is not safe yet.
    told_not_safe: Option<TimePoint>,
    now: TimePoint,
    /// How long it takes to bring the tip out, s: as it was measured before or, if that took longer, in this run.
    withdraws_in_s: Option<f64>,
    /// When the withdrawal in hand was begun.
    withdraws_since: Option<TimePoint>,
    /// When a task last ended: what was read before may not be so any more.
    task_ended_at: Option<TimePoint>,
    points: Vec<Point>,
    entries: Vec<Entry>,
    changes: Vec<Change>,
    probes: Probes,
}

impl Supervisor {
    /// A supervisor for a bench.
    pub fn new(bench: Arc<Bench>, start: Start) -> Self {
        Self {
            latest: Latest::new(bench.channels.len(), start.now),
            watch: Watch::new(&bench),
            contacts: Contacts::new(&bench, start.now),
            looked_after: false,
            looks_awaited: Vec::new(),
            tip_in: false,
            restored: Vec::new(),
            interlocks: Interlocks::new(&bench),
            helium: Level::of(&bench),
            tip: TipLife::default(),
            rules: TipRules::of(&bench),
            goals: Goals::default(),
            earlier: None,
            condensed_s: None,
            guard_refused: false,
            bench,
            at_work: AtWork::default(),
            suspended: None,
            call: None,
            reply: None,
            hold: Hold::default(),
            holds_in_a_row: None,
            spot: start.spot,
            foreign_task: start.foreign_task,
            phase: Phase::Running,
            stop_wanted: false,
            window: start.window,
            place: Place::default(),
            seq: start.seq,
            durable: start.seq,
            record_failed: false,
            sweeps: start.sweeps,
            parked: false,
            told_not_safe: None,
            now: start.now,
            withdraws_in_s: None,
            withdraws_since: None,
            task_ended_at: None,
            points: Vec::new(),
            entries: Vec::new(),
            changes: Vec::new(),
            probes: [0; Probe::ALL.len()],
        }
    }

    /// Takes an event and adds what follows from it to `out`. Moments never go back.
    pub fn handle(&mut self, event: Event, now: TimePoint, out: &mut Effects) {
        assert!(now >= self.now, "time went back from {} to {now}", self.now);
        if self.phase == Phase::Over {
            return;
        }
        self.now = now;
        self.latest.advance(now);
        match event {
            Event::Request(call) => self.request(call, out),
            Event::Answered { ticket, outcome } => self.answered(ticket, outcome, out),
            Event::Tick => {}
            Event::Durable { through } => self.made_durable(through, out),
            Event::RecordFailed(reason) => self.record_failed(&reason, out),
            Event::MadeAnew { link } => self.made_anew(link, out),
            Event::Operator(spoken) => self.operator(spoken, out),
            Event::KeeperReplaced => self.keeper_replaced(out),
            Event::KeeperLost => self.keeper_lost(out),
            Event::ClockJumped { by_s } => self.latest.note_clock_jump(by_s),
            Event::SequenceEnded { outcome, reason, place } => {
                self.end(Ending { outcome, reason, place, latched: false }, out);
            }
        }
        self.pass_time(out);
    }

    /// When it wants a [`Event::Tick`] at the latest.
    pub fn next_wake(&self) -> TimePoint {
        let window = if self.phase == Phase::Running { self.last_moment() } else { None };
        let silence = if self.phase == Phase::Running {
            self.contacts.next_wake().min(self.hold.next_wake())
        } else {
            TimePoint::NEVER
        };
        let work = self.at_work.next_wake().min(self.watch.next_wake());
        work.min(silence).min(window.unwrap_or(TimePoint::NEVER))
    }

    /// Whether the bench is parked and nothing more will come.
    pub fn is_over(&self) -> bool {
        self.phase == Phase::Over
    }

    /// What was last read and sent.
    pub fn latest(&self) -> &Latest {
        &self.latest
    }

    /// Whether the bench has been parked, every step of it achieved, and not moved since.
    pub fn is_parked(&self) -> bool {
        self.parked
    }

    /// How often each branch of recovery was taken.
    pub fn probes(&self) -> &Probes {
        &self.probes
    }

    fn reach(&mut self, probe: Probe) {
        self.probes[probe as usize] += 1;
    }

    /// Whether the sequence is held.
    pub fn is_held(&self) -> bool {
        self.hold.stage != hold::Stage::None
    }

    /// What was known before, where a run begins or goes on.
    pub fn knows(&mut self, beforehand: &Beforehand) {
        if let Some(tip) = &beforehand.tip {
            self.tip = (**tip).clone();
        }
        self.goals = beforehand.goals.as_deref().cloned().unwrap_or_default();
        self.earlier.clone_from(&beforehand.earlier);
        self.condensed_s = beforehand.condensed_s;
        self.withdraws_in_s = beforehand.withdraws_in_s;
    }

    /// Another window holds from now on.
    pub fn set_window(&mut self, end: TimePoint) {
        self.window = Some(end);
    }

    /// Until when a command is kept back because its permit is not known, while one is.
    pub fn waits_for_permit(&self) -> Option<TimePoint> {
        self.at_work.patience_ends()
    }

    /// Whether the bench is held in its refill state, so that helium can be transferred.
    pub fn awaits_refill(&self) -> bool {
        self.hold.stage == hold::Stage::Waiting && self.hold.refill && self.phase == Phase::Running
    }

    /// Whether interlock number `index` of the bench is tripped.
    pub fn is_tripped(&self, index: usize) -> bool {
        self.interlocks.is_tripped(index)
    }

    /// Sweep and points so far, while one is at work.
    pub fn sweep_progress(&self) -> Option<(u64, u64)> {
        let at_work = [self.at_work.procedure.as_ref(), self.suspended.as_ref()];
        at_work.into_iter().flatten().find_map(|procedure| match procedure {
            Procedure::Sweeping(sweep) => Some(sweep.progress()),
            _ => None,
        })
    }

    /// Whatever is due by now.
    fn pass_time(&mut self, out: &mut Effects) {
        if self.phase == Phase::Over {
            return;
        }
        let now = self.now;
        while let Some(channels) = self.watch.overdue(now) {
            self.probes[Probe::WatchSilent as usize] += 1;
            self.watch_failed(&channels);
            self.judge_interlocks(out);
        }
        self.watch.collect_due(now, &self.bench, |ticket, link, command| {
            out.push(Effect::Command { ticket, link, command });
        });
        if self.phase == Phase::Running && self.last_moment().is_some_and(|last| now >= last) {
            self.end_of_window(out);
        }
        self.look_round(out);
        if let Some((serial, outcome)) = self.at_work.overdue(now) {
            self.reach(Probe::LinkSilent);
            self.main_answered(serial, outcome, out);
        }
        self.end_hold_in_vain(out);
        self.end_patience(out);
        if let Some((command, attempts_left, put_off)) = self.at_work.due_again(now) {
            if !put_off {
                self.reach(Probe::Repeated);
            }
            // Time has passed since its permits were judged, so they are judged anew.
            if let Err(reason) = self.approach_gate(command, attempts_left, out) {
                self.run(Input::Refused(reason), out);
            }
        }
        if self.at_work.is_due(now) {
            self.run(Input::Go, out);
        }
    }

    fn answered(&mut self, ticket: Ticket, outcome: Answered, out: &mut Effects) {
        match ticket.owner {
            Owner::Main => self.main_answered(ticket.serial, outcome, out),
            Owner::Watch(link) => {
                let Some((channels, sent_at)) = self.watch.answered(link, ticket.serial) else {
                    return self.reach(Probe::StaleAnswer);
                };
                self.note_contact(usize::from(link), sent_at, &outcome, out);
                if let Answered::Failed(error) = &outcome {
                    if self.note_beyond(&channels, error.kind) {
                        self.watch.read_beyond(&channels);
                    } else {
                        self.note_out_of_step(usize::from(link), error, out);
                        if !self.note_changed(usize::from(link), error, out) {
                            self.watch_failed(&channels);
                        }
                    }
                } else {
                    self.watch.read_well(&channels);
                    self.note_reading(&channels, &outcome, out);
                }
                self.judge_interlocks(out);
                self.look_at_permit(out);
            }
            Owner::Look(link) => self.looked(usize::from(link), ticket.serial, &outcome, out),
        }
    }

    /// A read of the watch has failed. One dead gauge must not blind the watch to the others, so a joint read
    /// says nothing about its channels but that they have to be read one by one.
    fn watch_failed(&mut self, channels: &Channels) {
        if self.watch.read_apart(channels, self.now) {
            return self.reach(Probe::WatchAlone);
        }
        for channel in channels.as_slice() {
            self.latest.note_failure(*channel);
        }
    }

    /// A channel that says that its value lies beyond what it can show is not silent. A joint read tells nothing:
    /// nobody knows which channel it was.
    fn note_beyond(&mut self, channels: &Channels, kind: ErrorKind) -> bool {
        let side = match kind {
            ErrorKind::AboveRange => f64::INFINITY,
            ErrorKind::BelowRange => f64::NEG_INFINITY,
            _ => return false,
        };
        let [channel] = channels.as_slice() else { return false };
        self.latest.note_beyond(*channel, side);
        true
    }

    /// That readings are doubtful goes into the record, though what failed is tried again.
    fn note_out_of_step(&mut self, link: usize, error: &InstrumentError, out: &mut Effects) {
        let what = error.message.clone();
        let trouble = match error.certain_until {
            Some(until) => Trouble::Misread { what, good_until_s: until.s() },
            None if error.kind == ErrorKind::OutOfStep => Trouble::OutOfStep(what),
            None => return,
        };
        self.reach(Probe::OutOfStep);
        let link = self.bench.links[link].name.clone();
        self.append(Entry::Fault { link, trouble }, Vec::new(), false, out);
        if let Some(until) = error.certain_until {
            for procedure in self.at_work.procedure.iter_mut().chain(self.suspended.iter_mut()) {
                procedure.doubt(until);
            }
        }
    }

    fn note_reading(&mut self, channels: &Channels, outcome: &Answered, out: &mut Effects) {
        match outcome {
            Answered::Read(values) => {
                for (channel, value) in channels.as_slice().iter().zip(values.as_slice()) {
                    self.latest.note(*channel, *value);
                    if self.bench.helium.is_some_and(|budget| budget.channel == *channel)
                        && let Some(level) = &mut self.helium
                    {
                        level.note(self.now.s(), *value);
                    }
                    if self.watch.record_is_due(*channel, *value, self.now) {
                        let name = self.bench.channel(*channel).name.clone();
                        self.append(Entry::Monitor { channel: name, value: *value }, Vec::new(), false, out);
                    }
                }
            }
            Answered::Failed(error) if self.note_beyond(channels, error.kind) => {}
            Answered::Failed(_) => {
                for channel in channels.as_slice() {
                    self.latest.note_failure(*channel);
                }
            }
            _ => {}
        }
    }

    fn main_answered(&mut self, serial: u64, outcome: Answered, out: &mut Effects) {
        let bench = Arc::clone(&self.bench);
        if let Some((link, sent_at)) = self.at_work.link_in_use(&bench, serial) {
            self.note_contact(link, sent_at, &outcome, out);
            if let Answered::Failed(error) = &outcome {
                self.note_out_of_step(link, error, out);
                if self.note_changed(link, error, out) {
                    return;
                }
            }
        }
        let arrived = self.at_work.answered(&bench, self.now, serial, outcome);
        self.probes[Probe::HeardAfterAll as usize] += std::mem::take(&mut self.at_work.heard_after_all);
        match arrived {
            Arrived::Nothing => {}
            Arrived::TooLate => self.reach(Probe::StaleAnswer),
            Arrived::ForPermit(channels, outcome) => {
                self.note_reading(&channels, &outcome, out);
                self.go_on_to_gate(out);
            }
            Arrived::Deliver(command, outcome, tries) => {
                if let Answered::Ended(_) = &outcome {
                    self.task_ended_at = Some(self.now);
                }
                self.time_withdrawal(&command, &outcome);
                if let Command::Read { channels } = &command {
                    self.note_reading(channels, &outcome, out);
                }
                if let Some(link) = link_of(&bench, &command) {
                    if let Answered::Failed(error) = &outcome {
                        if self.ask_after(link, &command, error, out) {
                            return;
                        }
                        let gap = matches!(&self.at_work.procedure,
                            Some(Procedure::Sweeping(sweep)) if sweep.takes_for_gap(&command, error));
                        // That parking fails again, round after round, is no news; a gap has an entry of its own.
                        if self.not_safe_yet().is_none() && !gap {
                            self.give_up(link, &command, error, tries, out);
                        }
                    }
                    self.contacts.set_asked_after(link, false);
                }
                self.run(Input::Answered(outcome), out);
            }
        }
    }

    /// Lets the procedure work until it waits for something.
    fn run(&mut self, input: Input, out: &mut Effects) {
        let mut input = input;
        loop {
            let Some(procedure) = self.at_work.procedure.as_mut() else { return };
            let bench = Arc::clone(&self.bench);
            let mut ctx = Context {
                bench: &bench,
                latest: &mut self.latest,
                now: self.now,
                points: &mut self.points,
                entries: &mut self.entries,
                boundary: false,
                probes: &mut self.probes,
            };
            let next = procedure.step(input, &mut ctx);
            let boundary = ctx.boundary;
            self.flush(out);
            if boundary && self.at_boundary(&next, out) {
                return;
            }
            match next {
                Next::Until(moment) if moment <= self.now => input = Input::Go,
                Next::Until(moment) => {
                    self.at_work.wake = Some(moment);
                    return self.say_if_not_safe(moment, out);
                }
                Next::Finished(result) => return self.finished(result, out),
                Next::Command(command) => {
                    match self.approach_gate(command, self.attempts_for(&command) - 1, out) {
                        Ok(()) => return,
                        Err(reason) => input = Input::Refused(reason),
                    }
                }
            }
        }
    }

    /// Parking that has to be tried again is told of at its first pauses, and then once a minute.
    fn say_if_not_safe(&mut self, until: TimePoint, out: &mut Effects) {
        let pauses = matches!(&self.at_work.procedure, Some(Procedure::Steps(steps)) if steps.pauses());
        let lately = self.told_not_safe.is_some_and(|told| self.now.since(told) < NOT_SAFE_TOLD_EVERY_S);
        let Some(why) = self.not_safe_yet().filter(|_| pauses && !lately) else { return };
        let text = format!(
            "NOT safe yet: {why}; tried again in {}, until it is done or somebody says to leave the bench as it is",
            crate::quantity::in_words(until.since(self.now))
        );
        self.told_not_safe = Some(self.now);
        Self::notify("park", text, out);
    }

    fn flush(&mut self, out: &mut Effects) {
        for point in std::mem::take(&mut self.points) {
            self.holds_in_a_row = None;
            out.push(Effect::AppendPoint { seq: self.seq, point });
            self.seq += 1;
        }
        for entry in std::mem::take(&mut self.entries) {
            self.append(entry, Vec::new(), false, out);
        }
    }

    /// Appends an entry and returns its number.
    fn append(&mut self, entry: Entry, data: Vec<f64>, urgent: bool, out: &mut Effects) -> u64 {
        let seq = self.seq;
        self.seq += 1;
        self.tip.entry(self.now.s(), &entry, &self.rules);
        self.goals.entry(self.now.s(), &entry, &self.tip, &self.rules);
        self.holds_in_a_row.take_if(|_| matches!(entry, Entry::Call { .. }));
        if entry.condenses() {
            self.condensed_s = Some(self.now.s());
            if self.is_held() {
                self.hold.condensing = hold::Condensing::Done;
            }
        }
        out.push(Effect::Append { seq, entry: Box::new(entry), data, urgent });
        seq
    }

    fn notify(topic: &'static str, text: String, out: &mut Effects) {
        out.push(Effect::Notify(Notice { topic, text }));
    }
}

/// A failure that nothing more is tried about, with what was tried.
fn gave_up(command: &Command, error: &crate::instrument::InstrumentError, tries: u32) -> Trouble {
    let once_only = match command {
        Command::Begin(task) if task.kind().once_only() => Some(task.kind().name().to_owned()),
        _ => None,
    };
    Trouble::GaveUp { error: error.clone(), tries, once_only }
}

#[cfg(test)]
mod tests;
