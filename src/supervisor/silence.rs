//! Instruments that give no answer, and those that are not as they were left.
//!
//! A command that has failed for good is not given up at once: its instrument is asked whether it answers at all. If it
//! does, the command is sent again, and a second failure is told to the sequence. If it does not, the sequence is held
//! for as long as the bench waits for that instrument, the others are brought to the hold state, and the silent one is
//! asked again and again. Once it answers it is looked at: what it shows has to be what it was told.

use super::at_work::Purpose;
use super::hold::Stage;
use super::procedure::{Input, Procedure};
use super::{Answer, Answered, Command, Effect, Effects, Phase, Probe, Supervisor, Word};
use crate::bench::{ChannelId, IfChanged, Role};
use crate::instrument::{ErrorKind, InstrumentError};
use crate::quantity::{TimePoint, in_words};
use crate::record::{Ending, Entry, Failure, Outcome, Trouble};

/// An instrument that is back has so long to be seen by the interlocks, before the way to a hold state that still lasts
/// is gone again, s.
const SEEN_WITHIN_S: f64 = 3.0;
/// After so many restorations within [`OFTEN_S`] somebody has to look: two hands must not pull at one bench.
const RESTORED_AT_MOST: usize = 3;
/// The time over which they are counted, s.
const OFTEN_S: f64 = 600.0;

impl Supervisor {
    /// Attempts at a command.
    pub(super) fn attempts_for(&self, command: &Command) -> u32 {
        super::procedure::retry_of(&self.bench, command).attempts
    }

    /// Takes in what an answer says of the contact with its instrument.
    pub(super) fn note_contact(
        &mut self,
        link: usize,
        sent_at: TimePoint,
        outcome: &Answered,
        out: &mut Effects,
    ) {
        match outcome {
            Answered::Failed(error) if error.kind.is_silence() => self.contacts.miss(link, self.now, error),
            Answered::Failed(error) if error.kind == ErrorKind::Changed => {}
            // Whoever is waited for has to be looked at before it counts as back.
            _ if self.hold.silent.contains_key(&link) => self.contacts.ask(link, self.now),
            _ => {
                if let Some(after_s) = self.contacts.hear(link, sent_at, self.now) {
                    self.tell_trouble(link, Trouble::Back { after_s }, out);
                }
            }
        }
    }

    /// The connection of a link was made anew: that is told, whatever the look at the instrument finds.
    pub(super) fn made_anew(&mut self, link: usize, out: &mut Effects) {
        self.contacts.made_anew(link);
        if self.phase == Phase::Running {
            self.tell_trouble(link, Trouble::MadeAnew, out);
            self.contacts.ask(link, self.now);
        }
    }

    fn tell_trouble(&mut self, link: usize, trouble: Trouble, out: &mut Effects) {
        let name = self.bench.links[link].name.clone();
        Self::notify("fault", format!("{name}: {}", trouble.in_words()), out);
        self.append(Entry::Fault { link: name, trouble }, Vec::new(), true, out);
    }

    /// Looks that are due, looks without an answer, silence that has to be told, and waits that are over.
    pub(super) fn look_round(&mut self, out: &mut Effects) {
        if self.phase != Phase::Running {
            return;
        }
        let bench = std::sync::Arc::clone(&self.bench);
        while let Some((link, serial)) = self.contacts.overdue(self.now) {
            let error = InstrumentError::new(ErrorKind::TimedOut, "the link did not answer at all");
            self.looked(link, serial, &Answered::Failed(error), out);
        }
        while let Some(link) = self.contacts.untold(self.now) {
            let Some(error) = self.contacts.tell(link) else { break };
            self.tell_trouble(link, Trouble::Silent { error, patience_s: None }, out);
        }
        while let Some((ticket, link, command)) = self.contacts.next_look(&bench, self.now) {
            out.push(Effect::Command { ticket, link, command });
        }
        self.end_silence_in_vain(out);
        if self.phase == Phase::Running && self.hold.again_at.is_some_and(|at| at <= self.now) {
            self.hold.again_at = None;
            if self.hold.stage == Stage::Entering {
                self.hold.again_at = Some(self.now.after(SEEN_WITHIN_S));
            }
            if self.hold.stage == Stage::Waiting && self.hold.wanted() {
                self.enter_hold("an instrument is back that had been silent", out);
            }
        }
    }

    /// A command has failed for good. True if its instrument is asked first whether it answers at all.
    pub(super) fn ask_after(
        &mut self,
        link: usize,
        command: &Command,
        error: &InstrumentError,
        out: &mut Effects,
    ) -> bool {
        let waited_for = error.kind.is_silence() && self.bench.retry_of(link).patience_s > 0.0;
        if !waited_for || self.phase != Phase::Running {
            return false;
        }
        // What must not be done twice is not sent again.
        let once_only = matches!(command, Command::Begin(task) if task.kind().once_only());
        let sent_again = !once_only && !self.contacts.was_asked_after(link);
        let asked = match self.at_work.purpose {
            Some(Purpose::Call | Purpose::LeaveHold) if sent_again => true,
            // The steps into a hold go on without it.
            Some(Purpose::EnterHold) => false,
            _ => return false,
        };
        if asked {
            self.at_work.set_aside = Some(*command);
        }
        self.contacts.ask(link, self.now);
        self.look_round(out);
        asked
    }

    /// Nothing more is tried about a failure.
    pub(super) fn give_up(
        &mut self,
        link: usize,
        command: &Command,
        error: &InstrumentError,
        tries: u32,
        out: &mut Effects,
    ) {
        self.reach(Probe::GaveUp);
        let trouble = super::gave_up(command, error, tries);
        let link = self.bench.links[link].name.clone();
        self.append(Entry::Fault { link, trouble }, Vec::new(), false, out);
    }

    /// A look has been answered.
    pub(super) fn looked(&mut self, link: usize, serial: u64, outcome: &Answered, out: &mut Effects) {
        let Some(looking) = self.contacts.answered(link, serial) else {
            return self.reach(Probe::StaleAnswer);
        };
        if self.phase != Phase::Running {
            return;
        }
        match outcome {
            Answered::Failed(error) if error.kind == ErrorKind::Changed => {
                self.note_changed(link, error, out);
                self.is_back(link, out);
            }
            Answered::Failed(error) => {
                self.note_out_of_step(link, error, out);
                self.contacts.miss(link, self.now, error);
                self.not_seen(link, error, out);
            }
            _ => {
                self.contacts.see(link, looking);
                self.is_back(link, out);
                self.send_again(link, out);
                self.go_on_after_looks(out);
            }
        }
        self.judge_interlocks(out);
    }

    /// An instrument did not answer when it was asked who it is and how it stands.
    fn not_seen(&mut self, link: usize, error: &InstrumentError, out: &mut Effects) {
        let since = self.contacts.silent_since(link).unwrap_or(self.now);
        if self.hold.silent.contains_key(&link) {
            return self.contacts.ask_again(link, self.now, since);
        }
        let patience_s = self.bench.retry_of(link).patience_s;
        let aside = self.at_work.set_aside;
        let mine = aside.is_some_and(|command| super::link_of(&self.bench, &command) == Some(link));
        let held = self.hold.stage != Stage::None && error.kind.is_silence();
        if !(mine || held || self.awaits_looks()) || patience_s <= 0.0 {
            return;
        }
        if let Some(Command::Set { channel, .. }) = aside {
            // Nobody knows whether it was taken.
            self.latest.lose(channel);
        }
        self.reach(Probe::WaitedForInstrument);
        self.hold.silent.insert(link, (since, self.now.after(patience_s)));
        self.watch.leave_alone(link, true, self.now);
        self.contacts.ask_again(link, self.now, since);
        self.contacts.tell(link);
        let trouble = Trouble::Silent { error: error.clone(), patience_s: Some(patience_s) };
        let text = format!("{}: {}", self.bench.links[link].name, trouble.in_words());
        self.tell_trouble(link, trouble, out);
        if matches!(self.hold.stage, Stage::None | Stage::Leaving) {
            self.enter_hold(&text, out);
        }
    }

    /// An instrument answers.
    fn is_back(&mut self, link: usize, out: &mut Effects) {
        let waited_for = self.hold.silent.remove(&link).is_some();
        if let Some(after_s) = self.contacts.hear(link, self.now, self.now) {
            self.tell_trouble(link, Trouble::Back { after_s }, out);
        }
        if waited_for {
            self.watch.leave_alone(link, false, self.now);
            self.hold.again_at = Some(self.now.after(SEEN_WITHIN_S));
        }
    }

    /// The command that had failed is sent once more, now that its instrument answers.
    fn send_again(&mut self, link: usize, out: &mut Effects) {
        let here = |command: &Command| super::link_of(&self.bench, command) == Some(link);
        let Some(command) = self.at_work.set_aside.filter(here) else { return };
        self.at_work.set_aside = None;
        self.contacts.set_asked_after(link, true);
        let attempts = self.attempts_for(&command);
        if let Err(reason) = self.approach_gate(command, attempts - 1, out) {
            self.run(Input::Refused(reason), out);
        }
    }

    /// Whoever is waited for longer than the bench says is given up, and the run ends parked.
    fn end_silence_in_vain(&mut self, out: &mut Effects) {
        let over = self.hold.silent.iter().find(|(_, (_, until))| *until <= self.now);
        let Some((link, (since, _))) = over.map(|(link, times)| (*link, *times)) else { return };
        self.reach(Probe::HeldInVain);
        let name = &self.bench.links[link].name;
        let reason = format!("`{name}` has given no answer for {}", in_words(self.now.since(since)));
        let place = self.place.clone();
        self.end(Ending { outcome: Outcome::Fault, reason, place, latched: false }, out);
    }

    /// A sweep is over when every instrument has been looked at after its last point: what was measured is what was set.
    /// True while that goes on.
    pub(super) fn look_after(&mut self, result: &mut Result<Answer, Failure>, out: &mut Effects) -> bool {
        let Ok(Answer::Sweep(data)) = result else { return false };
        if std::mem::take(&mut self.looked_after) {
            return false;
        }
        let real: Vec<usize> =
            (0..self.bench.links.len()).filter(|link| self.contacts.is_real(*link)).collect();
        if real.is_empty() {
            return false;
        }
        if let Some(Procedure::Sweeping(sweep)) = &mut self.at_work.procedure {
            sweep.take_back(std::mem::take(&mut data.values));
        }
        // One that is on its way may have been sent before the last point was read.
        self.looks_awaited = real.iter().map(|link| (*link, self.now)).collect();
        real.iter().for_each(|link| self.contacts.ask(*link, self.now));
        self.look_round(out);
        true
    }

    fn awaits_looks(&self) -> bool {
        !self.looks_awaited.is_empty() && self.at_work.procedure.is_some()
    }

    fn go_on_after_looks(&mut self, out: &mut Effects) {
        if !self.awaits_looks() {
            return;
        }
        let contacts = &self.contacts;
        self.looks_awaited.retain(|(link, from)| contacts.seen_since(*link) < *from);
        for (link, _) in self.looks_awaited.clone() {
            if !self.contacts.is_asked(link, self.now) {
                self.contacts.ask(link, self.now);
            }
        }
        if self.looks_awaited.is_empty() {
            self.looked_after = true;
            self.run(Input::Go, out);
        }
    }

    /// An instrument is not as it was left: that is told, and what the bench says is done about it. True if the procedure
    /// at work was put aside for it.
    pub(super) fn note_changed(&mut self, link: usize, error: &InstrumentError, out: &mut Effects) -> bool {
        if error.kind != ErrorKind::Changed {
            return false;
        }
        self.reach(Probe::Changed);
        let bench = std::sync::Arc::clone(&self.bench);
        let named = error.changed.iter().zip(&error.left);
        let left: Vec<(ChannelId, f64)> =
            named.filter_map(|(name, left)| Some((bench.find(name)?, *left))).collect();
        let moved: Vec<ChannelId> = left.iter().map(|(id, _)| *id).collect();
        let often = !moved.is_empty() && moved.iter().all(|id| bench.channel(*id).is_looked_at_often());
        let since = self.contacts.good_until(link, often);
        let text = format!("{} is not as it was left: {}", bench.links[link].name, error.message);
        let trouble = Trouble::Changed { what: error.message.clone(), good_until_s: since.s() };
        self.tell_trouble(link, trouble, out);
        for procedure in self.at_work.procedure.iter_mut().chain(self.suspended.iter_mut()) {
            procedure.doubt(since);
        }
        if self.phase != Phase::Running {
            return false;
        }
        if self.hold.silent.remove(&link).is_some() {
            self.watch.leave_alone(link, false, self.now);
        }
        if bench.looks.if_changed == IfChanged::Park {
            let place = self.place.clone();
            self.end(Ending { outcome: Outcome::Fault, reason: text, place, latched: false }, out);
            return true;
        }
        self.bring_back(link, &left);
        let tip = moved.iter().any(|id| bench.channel(*id).role == Some(Role::Approached));
        if tip && self.tip_in {
            self.hold.tip_was_taken_out();
        }
        if bench.looks.if_changed == IfChanged::Hold || tip || self.is_restored_too_often() {
            // Somebody's hands may be there: nothing is moved before somebody says so.
            self.hold.word(&Word::Hold.into());
        }
        self.hold_now(&text, out);
        !self.hold.changed
    }

    /// Notes what has to be brought back.
    fn bring_back(&mut self, link: usize, moved: &[(ChannelId, f64)]) {
        let bench = std::sync::Arc::clone(&self.bench);
        let restarted = moved.is_empty() || self.contacts.is_made_anew(link);
        if restarted {
            self.hold.bring_back(&bench, &self.latest, link);
            self.hold.bring_back_moved(&bench, &self.latest, moved);
            let here =
                bench.ids().filter(|id| bench.channel(*id).link == link && bench.channel(*id).settable);
            here.for_each(|id| self.latest.lose(id));
            if self.hold.unseen_task && bench.task_link == Some(link) {
                // It does not run any more.
                (self.hold.unseen_task, self.hold.abort_first) = (false, true);
                let (now, suspended) = (self.now, self.suspended.as_mut());
                suspended.into_iter().for_each(|procedure| procedure.suspend(&bench, now));
            }
        } else {
            self.hold.bring_back_moved(&bench, &self.latest, moved);
            moved.iter().for_each(|(id, _)| self.latest.lose(*id));
        }
    }

    fn is_restored_too_often(&mut self) -> bool {
        let now = self.now;
        self.restored.retain(|at| now.since(*at) < OFTEN_S);
        self.restored.push(now);
        self.restored.len() > RESTORED_AT_MOST
    }
}
