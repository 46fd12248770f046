//! Interlocks, holds and operators' words at work.

use super::at_work::Purpose;
use super::hold::{Around, Stage};
use super::interlock::Change;
use super::procedure::{Input, Next, Procedure, SafeStep, Steps};
use super::{Answered, CentrePlan, Command, Effects, Latest, Phase, Probe, Spoken, Supervisor, Word};
use crate::bench::expression::Readings;
use crate::bench::{Action, Bench, ChannelId, Role};
use crate::history::Level;
use crate::instrument::Task;
use crate::quantity::TimePoint;
use crate::record::{Cause, Column, Compared, During, Ending, Entry, HeldBy, Outcome, SafeAct, Unseen};

/// Time that withdrawing is reckoned with when a window ends, s.
const WITHDRAW_RECKONED_S: f64 = 60.0;
/// A flag that was read within this time says where the tip is, s.
const FLAG_FRESH_S: f64 = 10.0;
/// Longest time for one step of a restoration, s.
const RESTORE_WITHIN_S: f64 = 3600.0;
/// Time in which the watch reads for the first time what it reads, s.
const READ_SOON_S: f64 = 30.0;
/// Time beside the steps themselves that is kept free at the end of a window, s.
const WINDOW_MARGIN_S: f64 = 30.0;
/// The same on a bench of which the withdrawal was measured, s.
const MEASURED_MARGIN_S: f64 = 10.0;

/// The park steps of a bench; a running task is ended first.
pub(super) fn park_steps(bench: &Bench, task_under_way: bool) -> Steps {
    let abort = task_under_way.then_some(SafeStep { act: SafeAct::Abort, within_s: 10.0 });
    Steps::new(During::Park, abort.into_iter().chain(bench.park.iter().map(SafeStep::from_bench)).collect())
}

/// The steps back to where a cut run had left the bench: a tip that has to come out does so first, one that has to
/// come in waits for the field and for what its approach needs.
pub(super) fn restore_steps(
    bench: &Bench,
    latest: &Latest,
    approach: Option<bool>,
    values: &[(ChannelId, f64)],
) -> Steps {
    let withdraw = (approach == Some(false)).then_some(SafeAct::Withdraw);
    let around = Around::new(bench, latest, values, approach == Some(true));
    let approach = (approach == Some(true)).then_some(SafeAct::Approach);
    let steps = withdraw
        .into_iter()
        .chain(around.before)
        .chain(approach)
        .chain(around.after)
        .chain(around.last)
        .map(|act| SafeStep { act, within_s: RESTORE_WITHIN_S });
    Steps::new(During::Restore, steps.collect())
}

/// So many holds without a step of the sequence between them are no accident …
const AGAIN_IN_VAIN: u32 = 4;
/// … where each began so soon after the one before was left, s.
const SOON_S: f64 = 1200.0;

impl Supervisor {
    pub(super) fn judge_interlocks(&mut self, out: &mut Effects) {
        let mut changes = std::mem::take(&mut self.changes);
        self.interlocks.evaluate(&self.bench, &self.latest, self.now, &mut changes);
        for change in changes.drain(..) {
            match change {
                Change::Tripped(index) => self.tripped(index, out),
                Change::Blind(index) => self.blinded(index, out),
                Change::Cleared(index) => self.cleared(index, out),
                Change::Crossed(index) => self.look_again(index),
            }
        }
        self.changes = changes;
        self.leave_hold_if_ready(out);
    }

    /// A condition that has to last is looked at again when it has lasted, not a whole period later.
    fn look_again(&mut self, index: usize) {
        let lock = &self.bench.interlocks[index];
        if lock.lasting_s > 0.0 && lock.lasting_s < lock.every_s {
            self.watch.hasten(lock.trip.channels(), self.now.after(lock.lasting_s));
        }
    }

    fn tripped(&mut self, index: usize, out: &mut Effects) {
        let bench = std::sync::Arc::clone(&self.bench);
        let lock = &bench.interlocks[index];
        let cause = self.compared(index);
        self.act(index, lock.action, cause, out);
    }

    /// Nobody knows whether it would trip: it acts as if it had, and says what it can't see.
    fn blinded(&mut self, index: usize, out: &mut Effects) {
        let bench = std::sync::Arc::clone(&self.bench);
        let lock = &bench.interlocks[index];
        let mut channels: Vec<_> = super::interlock::unseen(lock, &self.latest).collect();
        channels.dedup();
        let unseen = channels
            .into_iter()
            .map(|id| Unseen { channel: bench.channel(id).name.clone(), for_s: self.latest.age_s(id) });
        let cause = Cause::Blind(unseen.collect());
        self.reach(Probe::BlindLock);
        self.act(index, lock.blind, cause, out);
    }

    /// An interlock does what the bench says that it does.
    fn act(&mut self, index: usize, action: Action, cause: Cause, out: &mut Effects) {
        let bench = std::sync::Arc::clone(&self.bench);
        let lock = &bench.interlocks[index];
        let verb = if matches!(cause, Cause::Blind(_)) { "can't see" } else { "tripped" };
        // What tripped it is in the record as a reading too.
        if let Cause::Compared(Compared { column: Some(column), value, .. }) = &cause {
            let reading = Entry::Monitor { channel: column.channel.clone(), value: *value };
            self.append(reading, Vec::new(), false, out);
        }
        let entry = Entry::Interlock {
            name: lock.name.clone(),
            action,
            condition: lock.trip.text.clone(),
            cause,
            because: lock.because.clone(),
            place: self.place.clone(),
        };
        let text = format!("{} {verb} ({}): {}", lock.name, entry.what_tripped(), lock.because);
        self.append(entry, Vec::new(), true, out);
        Self::notify("interlock", text.clone(), out);
        if self.phase != Phase::Running {
            return self.reach(Probe::TrippedAtEnd);
        }
        self.reach(match action {
            Action::Warn => Probe::Warned,
            Action::Hold => Probe::HeldByLock,
            Action::Withdraw => Probe::WithdrawnByLock,
            Action::Condense => Probe::CondensedByLock,
            Action::Refill => Probe::RefillByLock,
            Action::Park => Probe::ParkedByLock,
            Action::ParkLatch => Probe::Latched,
        });
        match action {
            Action::Warn => {}
            Action::Hold | Action::Withdraw | Action::Condense => {
                self.hold.locks.insert(index, text.clone());
                self.hold.withdraw |= action != Action::Hold;
                if action == Action::Condense {
                    self.hold.condense();
                }
                self.hold_now(&text, out);
            }
            Action::Refill => {
                // Somebody has to come: an operator's word is waited for, as if one had asked for the hold. Unlike an
                // operator it does not wait for the task in hand.
                self.hold.locks.insert(index, text.clone());
                self.hold.withdraw = true;
                self.hold.word(&Word::HoldForRefill.into());
                self.hold_now(&text, out);
            }
            Action::Park | Action::ParkLatch => {
                let latched = action == Action::ParkLatch;
                let place = self.place.clone();
                self.end(Ending { outcome: Outcome::Interlock, reason: text, place, latched }, out);
            }
        }
    }

    fn cleared(&mut self, index: usize, out: &mut Effects) {
        let name = self.bench.interlocks[index].name.clone();
        Self::notify("cleared", format!("{name} has cleared"), out);
        self.append(Entry::Cleared { name }, Vec::new(), false, out);
        self.hold.locks.remove(&index);
    }

    /// The value that tripped and its limit, where the condition is one comparison.
    fn compared(&self, index: usize) -> Cause {
        let trip = &self.bench.interlocks[index].trip;
        let Some((value, limit)) = trip.distance(&self.latest) else { return Cause::Condition };
        if !value.is_finite() || !limit.is_finite() {
            let id = trip.channels().next();
            return id.map_or(Cause::Condition, |id| Cause::Beyond(self.bench.channel(id).name.clone()));
        }
        let column = trip.compared().map(|id| Column::of(&self.bench, id));
        let written = trip.written().filter(|_| column.is_none());
        let written = written.map(|written| (written.what.clone(), written.unit.text.clone()));
        Cause::Compared(Compared { column, written, value, limit })
    }

    pub(super) fn operator(&mut self, spoken: Spoken, out: &mut Effects) {
        let word = spoken.word;
        let Spoken { by, goal, answer, .. } = spoken.clone();
        self.append(Entry::Operator { word, by, goal, answer }, Vec::new(), true, out);
        // A word on the plan is in its fold; the sequence meets it with its next question.
        if matches!(word, Word::First | Word::NotWanted | Word::Answer) {
            return;
        }
        if self.phase != Phase::Running {
            if word == Word::LeaveAsIs {
                self.give_up_parking(out);
            }
            return;
        }
        if word == Word::Stop {
            // The second word does not wait for the current step.
            let at_once =
                self.stop_wanted || self.hold.stage != Stage::None || self.at_work.procedure.is_none();
            self.stop_wanted = true;
            if at_once || self.is_waiting() {
                self.stop_here(out);
            }
            return;
        }
        let changed = self.hold.word(&spoken);
        let held = self.hold.stage != Stage::None;
        // Helium may have come meanwhile: what could not be condensed is tried once more.
        if word == Word::Release && held && self.hold.condense_again() {
            self.hold_now("condensing is tried once more", out);
        }
        if changed && self.hold.operator && (held || self.at_work.procedure.is_none() || self.is_waiting()) {
            self.hold_now("an operator asked for it", out);
        }
        self.leave_hold_if_ready(out);
        if word == Word::Release && self.hold.stage != Stage::None && self.hold.stage != Stage::Leaving {
            let text = match (self.hold.operator, &spoken.by) {
                (true, _) => {
                    "not released: nobody has said that people, tools and transfer line are clear".to_owned()
                }
                (false, Some(by)) => format!("released by {by}; {}", self.still_waited_for()),
                (false, None) => format!("no operator held it; {}", self.still_waited_for()),
            };
            Self::notify("held", text, out);
        }
    }

    /// What keeps a hold on that its operator has released.
    fn still_waited_for(&self) -> String {
        if let Some(link) = self.hold.silent.keys().next() {
            return format!("`{}` does not answer yet", self.bench.links[*link].name);
        }
        if let Some(index) = self.hold.locks.keys().next() {
            return format!("{} has not cleared yet", self.bench.interlocks[*index].name);
        }
        match (&self.bench.refill.resume_when, self.hold.refill) {
            (Some(marks), true) => format!("it goes on when {}", marks.text),
            _ => "it goes on when the bench is ready".to_owned(),
        }
    }

    /// Whether nothing is in hand that a stop or a hold would cut.
    fn is_waiting(&self) -> bool {
        matches!(self.at_work.procedure, Some(Procedure::Waiting(_)))
            || self.at_work.patience_ends().is_some()
    }

    fn stop_here(&mut self, out: &mut Effects) {
        self.reach(Probe::Stopped);
        let ending = Ending {
            outcome: Outcome::Stopped,
            reason: "stopped on request".to_owned(),
            place: self.place.clone(),
            latched: false,
        };
        self.end(ending, out);
    }

    /// Between two points: a stop or a hold that was asked for takes effect. True if it did.
    pub(super) fn at_boundary(&mut self, next: &Next, out: &mut Effects) -> bool {
        if self.phase != Phase::Running || self.at_work.purpose != Some(Purpose::Call) {
            return false;
        }
        if self.stop_wanted && !matches!(next, Next::Finished(_)) {
            self.stop_here(out);
            return true;
        }
        if self.hold.wanted() && self.hold.stage == Stage::None && !matches!(next, Next::Finished(_)) {
            let reason = self.why_held("it began at the next point");
            self.enter_hold(&reason, out);
            return true;
        }
        false
    }

    /// Who wants the hold that had to wait until now.
    fn why_held(&self, began: &str) -> String {
        match self.hold.locks.values().next() {
            Some(said) => format!("{said}; {began}"),
            None if self.hold.changed => "an instrument has changed its settings".to_owned(),
            None => format!("an operator asked for it, and {began}"),
        }
    }

    /// The same before a call has begun. True if it must not begin now.
    pub(super) fn at_idle_boundary(&mut self, out: &mut Effects) -> bool {
        if self.stop_wanted {
            self.stop_here(out);
            return true;
        }
        if self.hold.wanted() && self.hold.stage == Stage::None {
            self.reach(Probe::HeldBetween);
            let reason = self.why_held("it began between two calls");
            self.enter_hold(&reason, out);
        }
        self.hold.stage != Stage::None
    }

    /// An interlock or an operator wants a hold now.
    pub(super) fn hold_now(&mut self, reason: &str, out: &mut Effects) {
        match self.hold.stage {
            Stage::None => {
                let task = self.at_work.holds_task();
                // A task is let come to its end, unless the tip has to come out.
                if task && !self.hold.withdraw {
                    return;
                }
                self.enter_hold(reason, out);
            }
            Stage::Leaving => self.enter_hold(reason, out),
            Stage::Entering | Stage::Waiting if self.hold.changed => self.enter_hold(reason, out),
            Stage::Entering | Stage::Waiting if self.hold.must_go_further() => self.enter_hold(reason, out),
            Stage::Entering | Stage::Waiting => {}
        }
    }

    pub(super) fn enter_hold(&mut self, reason: &str, out: &mut Effects) {
        if let Some(reason) = self.again_in_vain() {
            self.end_in_vain(reason, out);
            return;
        }
        // Of the sequence, or of the way back from a hold.
        let mut task_under_way = self.at_work.holds_task();
        let unseen = self.bench.task_link.is_some_and(|link| self.hold.silent.contains_key(&link));
        let runs_on = self.task_may_run_on();
        if self.hold.unseen_task && self.hold.withdraw && !unseen && !runs_on {
            // The one that was let run where nobody could ask for it, or with the tip out.
            self.hold.unseen_task = false;
            task_under_way = true;
            let (bench, now) = (&self.bench, self.now);
            self.suspended.iter_mut().for_each(|procedure| procedure.suspend(bench, now));
        }
        self.looks_awaited.clear();
        self.looked_after = false;
        if self.hold.stage != Stage::None {
            self.reach(Probe::HeldAgain);
        }
        if self.at_work.purpose == Some(Purpose::Call) {
            self.suspended = self.at_work.take();
            if let Some(procedure) = self.suspended.as_mut() {
                self.hold.unseen_task = (unseen || runs_on) && procedure.loses_sight();
                if !self.hold.unseen_task {
                    procedure.suspend(&self.bench, self.now);
                }
                task_under_way &= !self.hold.unseen_task;
            }
            if task_under_way {
                self.reach(Probe::HeldTask);
            }
        }
        self.hold.runs_on = runs_on && self.hold.unseen_task;
        self.hold.abort_first |= task_under_way && unseen && !self.hold.unseen_task;
        if self.hold.stage == Stage::None {
            self.hold.since = self.now;
            let now = self.now;
            let row = self.holds_in_a_row.filter(|row| now.since(row.left) <= SOON_S);
            let (count, first) = row.map_or((0, now), |row| (row.count, row.first));
            self.holds_in_a_row = Some(super::hold::Row { count: count + 1, first, left: now });
            let for_instrument = self.hold.changed || !self.hold.silent.is_empty();
            let by = match (self.hold.locks.is_empty(), for_instrument) {
                (false, _) => HeldBy::Interlock,
                (true, true) => HeldBy::Instrument,
                (true, false) => HeldBy::Operator,
            };
            self.append(Entry::Held { by, reason: reason.to_owned() }, Vec::new(), true, out);
            Self::notify("held", format!("held: {reason}"), out);
        }
        self.hold.stage = Stage::Entering;
        self.hold.changed = false;
        let during = if self.hold.refill { During::Refill } else { During::Hold };
        if during == During::Refill {
            self.helium.iter_mut().for_each(Level::transfer_begins);
        }
        let in_range = self.may_be_in_range();
        let steps = self.hold.steps_in(&self.bench, &self.latest, in_range, task_under_way);
        self.at_work.begin(Procedure::Steps(Steps::new(during, steps)), Purpose::EnterHold);
        self.run(Input::Go, out);
    }

    /// Whether the tip may be in range. What a task has told at its end counts until the flag has been read again: it was
    /// read before the tip came in.
    fn may_be_in_range(&self) -> bool {
        let flag = self.bench.by_role(Role::Approached);
        let newer = |at: TimePoint| flag.is_some_and(|id| self.latest.age_s(id) < self.now.since(at));
        match self.at_work.tip_left {
            Some((in_range, at)) if !newer(at) => in_range,
            _ => flag.and_then(|id| self.latest.latest(id)).is_none_or(|flag| flag > 0.5),
        }
    }

    /// Whether the sequence's task goes on in a hold: it needs no tip, and the tip is out for certain. The flag has to say so
    /// now, and no interlock that sees the junction may speak against it.
    fn task_may_run_on(&self) -> bool {
        let of_call = self.at_work.procedure.as_ref().filter(|_| self.at_work.purpose == Some(Purpose::Call));
        let needs_no_tip = of_call.or(self.suspended.as_ref()).is_some_and(Procedure::needs_no_tip);
        let flag = self.bench.by_role(Role::Approached);
        let seen_out = flag.is_some_and(|id| {
            self.latest.age_s(id) <= FLAG_FRESH_S && self.latest.latest(id).is_some_and(|flag| flag < 0.5)
        });
        let at_junction = |id: ChannelId| {
            matches!(self.bench.channel(id).role, Some(Role::Approached | Role::Current | Role::Height))
        };
        let sees = |index: &usize| self.bench.interlocks[*index].trip.channels().any(at_junction);
        needs_no_tip
            && seen_out
            && !self.may_be_in_range()
            && !self.tip_in
            && !self.hold.locks.keys().any(sees)
    }

    pub(super) fn leave_hold_if_ready(&mut self, out: &mut Effects) {
        if self.hold.stage != Stage::Waiting || self.phase != Phase::Running {
            return;
        }
        if !self.hold.may_leave(&self.bench, &self.latest) {
            return;
        }
        self.hold.leave();
        // Only where the bench says how: without it the tip stays where it lands.
        let spot = self.bench.recentre.zip(self.spot);
        let spot = spot.map(|(bench, spot)| CentrePlan { search_m: 0.5 * bench.search_m, ..spot });
        let steps = Steps::new(During::Restore, self.hold.steps_out(&self.bench, &self.latest, spot));
        self.at_work.begin(Procedure::Steps(steps), Purpose::LeaveHold);
        self.run(Input::Go, out);
    }

    /// A hold whose condition does not clear goes on for as long as the bench says, then the run ends parked.
    pub(super) fn end_hold_in_vain(&mut self, out: &mut Effects) {
        let waits = self.hold.stage == Stage::Waiting && self.phase == Phase::Running;
        if !waits || !self.hold.is_blocked(&self.bench, &self.latest) {
            self.hold.blocked_since = None;
            return;
        }
        let since = *self.hold.blocked_since.get_or_insert(self.now);
        if self.now.since(since) < self.bench.hold_patience_s {
            return;
        }
        let held_s = self.now.since(self.hold.since);
        let held = crate::quantity::in_words(held_s);
        self.end_in_vain(format!("held for {held} in vain: {}", self.still_waited_for()), out);
    }

    /// What trips again as soon as it has cleared, whenever the bench is brought back, is as much in vain as what never
    /// clears: why the run ends, if it does.
    fn again_in_vain(&self) -> Option<String> {
        let soon = |row: &super::hold::Row| self.now.since(row.left) <= SOON_S;
        let row = self.holds_in_a_row.filter(|row| row.count >= AGAIN_IN_VAIN && soon(row))?;
        let (count, lasted_s) = (row.count, self.now.since(row.first));
        let by_lock = self.hold.stage == Stage::None && !self.hold.locks.is_empty();
        (by_lock && lasted_s >= self.bench.hold_patience_s).then(|| {
            let lasted = crate::quantity::in_words(lasted_s);
            format!(
                "held {count} times in {lasted} in vain, and no step of the sequence came to its end between: {}",
                self.still_waited_for()
            )
        })
    }

    fn end_in_vain(&mut self, reason: String, out: &mut Effects) {
        self.reach(Probe::HeldInVain);
        let place = self.place.clone();
        self.end(Ending { outcome: Outcome::Interlock, reason, place, latched: false }, out);
    }

    pub(super) fn hold_entered(&mut self, out: &mut Effects) {
        self.hold.stage = Stage::Waiting;
        self.at_work.take();
        self.leave_hold_if_ready(out);
    }

    pub(super) fn hold_left(&mut self, failure: Option<&str>, lost: Option<&str>, out: &mut Effects) {
        self.at_work.take();
        self.reach(match (failure, lost) {
            (_, Some(_)) => Probe::SpotLost,
            (Some(_), None) => Probe::NotRestored,
            (None, None) => Probe::Restored,
        });
        if let Some(failure) = failure {
            let ending = Ending {
                outcome: Outcome::Fault,
                reason: lost.map_or_else(
                    || format!("the bench could not be brought back after a hold: {failure}"),
                    |why| format!("the spot under the tip was not found again after a hold: {why}"),
                ),
                place: self.place.clone(),
                latched: false,
            };
            return self.end(ending, out);
        }
        let after_s = self.now.since(self.hold.since);
        self.append(Entry::Released { after_s }, Vec::new(), true, out);
        Self::notify(
            "released",
            format!("the sequence goes on after {}", crate::quantity::in_words(after_s)),
            out,
        );
        if self.hold.refill {
            self.helium.iter_mut().for_each(Level::transfer_ends);
        }
        self.hold = super::Hold::default();
        if let Some(row) = &mut self.holds_in_a_row {
            row.left = self.now;
        }
        match self.suspended.take() {
            Some(procedure) => {
                self.at_work.begin(procedure, Purpose::Call);
                self.run(Input::Go, out);
            }
            None if self.call.is_some() => self.begin_call(out),
            None => {}
        }
    }

    /// The last moment before parking has to begin so that it is done when the window ends.
    pub fn last_moment(&self) -> Option<TimePoint> {
        let window = self.window?;
        // What was measured may take twice as long another time.
        let measured = self.withdraws_in_s.map(|withdraws_s| (2.0 * withdraws_s, MEASURED_MARGIN_S));
        let (withdraw_s, mut parking_s) = measured.unwrap_or((WITHDRAW_RECKONED_S, WINDOW_MARGIN_S));
        for step in self.bench.park.iter().map(SafeStep::from_bench) {
            parking_s += match step.act {
                SafeAct::Withdraw | SafeAct::Approach => withdraw_s.min(step.within_s),
                SafeAct::Set(channel, value) => self.reckoned_way_s(channel, value) + 2.0,
                SafeAct::Abort | SafeAct::Keep(_) | SafeAct::Centre(_) | SafeAct::Condense => 0.0,
            };
        }
        Some(TimePoint::from_s((window.s() - parking_s).max(0.0)))
    }

    /// How long bringing a channel to a value of parking is reckoned to take, s. What is not done within the time of its
    /// step is tried again until it is, so the whole way counts. Where nobody knows from where it comes, the longest way
    /// counts, once the watch has had the time to read it.
    fn reckoned_way_s(&self, channel: ChannelId, value: f64) -> f64 {
        match self.latest.standing(channel).or_else(|| self.latest.latest(channel)) {
            Some(from) => super::gate::ramp_time_s(&self.bench, channel, from, value),
            None if self.latest.age_s(channel) <= READ_SOON_S => 0.0,
            None => super::gate::longest_way_s(&self.bench, channel, value),
        }
    }

    /// Takes the time of a withdrawal.
    pub(super) fn time_withdrawal(&mut self, command: &Command, outcome: &Answered) {
        match (command, outcome) {
            (Command::Begin(task), Answered::Taken) => {
                self.withdraws_since = (*task == Task::Withdraw).then_some(self.now);
            }
            (_, Answered::Ended(_)) => {
                let took_s = self.withdraws_since.take().map(|since| self.now.since(since));
                self.withdraws_in_s = took_s.into_iter().chain(self.withdraws_in_s).reduce(f64::max);
            }
            _ => {}
        }
    }

    pub(super) fn end_of_window(&mut self, out: &mut Effects) {
        self.reach(Probe::WindowEnded);
        let ending = Ending {
            outcome: Outcome::Stopped,
            reason: "the window ends, and parking needs the time that is left".to_owned(),
            place: self.place.clone(),
            latched: false,
        };
        self.end(ending, out);
    }
}
