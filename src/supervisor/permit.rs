//! The way of a command to the gate: its permits' channels are read if they are not fresh, and a permit of which
//! nothing is known right now is waited for, for a while.
//!
//! A gauge that gives no number for some seconds says nothing against a command. It is kept back, the gauge is
//! asked again, and the command leaves as soon as the permit is known to be met; it is refused as soon as it is
//! known not to be, and at the latest when the patience is over. Nothing but the gate decides what leaves.
//! While a command waits, interlocks, holds, stops and the end of a window act at once. What leads to a safe state
//! never waits: the steps after it would come later.

use super::at_work::Purpose;
use super::event::{Channels, Command};
use super::gate::{self, Refusal};
use super::procedure::{Input, link_of};
use super::watch::{DEAD_S, LEISURELY_S};
use super::{Effect, Effects, Phase, Probe, Supervisor};
use crate::bench::expression::Readings;
use crate::bench::{ChannelId, Subject};
use crate::instrument::Task;

/// Readings for permits may be this old, s.
const PERMIT_FRESH_S: f64 = 1.0;

/// How long a command waits for its permit at most, s: six of the longest periods in which the watch reads the
/// channels of a permit. A gauge that has shown nothing in all of them is dead rather than late, and an interlock
/// on its silence, two minutes on the shipped bench, has come before.
pub const PATIENCE_S: f64 = 6.0 * LEISURELY_S;
/// How often the channels of the permit are read meanwhile, s: as a dead gauge is by the watch, so that waiting for
/// it does not keep the link from the others.
pub(super) const LOOK_AGAIN_S: f64 = DEAD_S;

impl Supervisor {
    /// Sends a command if it may leave; first has its permits' channels read if they are not fresh.
    pub(super) fn approach_gate(
        &mut self,
        command: Command,
        attempts_left: u32,
        out: &mut Effects,
    ) -> Result<(), String> {
        let stale = self.stale_permit_channels(&command);
        if stale.is_empty() {
            return self.emit(command, attempts_left, out);
        }
        self.reach(Probe::PermitReread);
        self.at_work.keep_back(command, attempts_left, stale);
        self.go_on_to_gate(out);
        Ok(())
    }

    pub(super) fn go_on_to_gate(&mut self, out: &mut Effects) {
        match self.at_work.next_for_permit() {
            None => {}
            Some(Ok(channel)) => {
                let read = Command::Read { channels: Channels::new(&[channel]) };
                // Whoever waits reads again anyway.
                let waits = self.at_work.patience_ends().is_some();
                let repeats = if waits { 0 } else { self.attempts_for(&read) - 1 };
                // Reading passes the gate in every state, so there is nothing to refuse.
                let sent = self.emit(read, repeats, out);
                assert!(sent.is_ok(), "a read was refused at the gate");
            }
            Some(Err((command, attempts_left))) => {
                if let Err(reason) = self.emit(command, attempts_left, out) {
                    self.run(Input::Refused(reason), out);
                }
            }
        }
    }

    fn emit(&mut self, command: Command, attempts_left: u32, out: &mut Effects) -> Result<(), String> {
        let Some(link) = link_of(&self.bench, &command) else {
            return Err("no link of the bench does tasks".to_owned());
        };
        if let Some(why) = self.guarded(&command) {
            self.reach(Probe::Guarded);
            self.say_guarded(&why, out);
            self.at_work.refused();
            return Err(why);
        }
        if let Err(refusal) = gate::check(&self.bench, &self.latest, self.now, &command) {
            if self.is_waited_for(&refusal) {
                self.put_off(command, attempts_left, refusal, out);
                return Ok(());
            }
            let unknown = matches!(refusal, Refusal::NotKnown(_));
            self.reach(if unknown { Probe::PermitUnknown } else { Probe::Refused });
            self.at_work.refused();
            return Err(refusal.into_text());
        }
        match command {
            Command::Set { channel, value } => {
                self.latest.note_sent(channel, value);
                self.parked &= self.at_work.purpose != Some(Purpose::Call);
            }
            Command::Begin(task) => {
                match task {
                    Task::Approach => {
                        self.tip_in = true;
                        self.latest.note_approach(&self.bench);
                    }
                    Task::Withdraw | Task::CoarseStep { .. } | Task::CoarseShift { .. } => {
                        self.tip_in = false
                    }
                    _ => {}
                }
                self.parked &= self.at_work.purpose != Some(Purpose::Call);
            }
            Command::Read { .. } | Command::Poll | Command::Abort | Command::Look { .. } => {}
        }
        let ticket = self.at_work.send(&self.bench, self.now, command, attempts_left);
        out.push(Effect::Command { ticket, link, command });
        Ok(())
    }

    /// Whether the command may wait for what it was refused for. What is brought back after a hold was permitted
    /// before it, so there a condition that is not met is waited for as well.
    fn is_waited_for(&self, refusal: &Refusal) -> bool {
        let may_come = match refusal {
            Refusal::Never(_) => false,
            Refusal::NotMet(_) => self.at_work.purpose == Some(Purpose::LeaveHold),
            Refusal::NotKnown(_) => matches!(self.at_work.purpose, Some(Purpose::Call | Purpose::LeaveHold)),
        };
        may_come && self.phase == Phase::Running && self.at_work.may_wait(self.now)
    }

    fn put_off(&mut self, command: Command, attempts_left: u32, refusal: Refusal, out: &mut Effects) {
        if self.at_work.patience_ends().is_none() {
            self.reach(Probe::PermitWaited);
            Self::notify("waiting", format!("for a permit: {}", refusal.why()), out);
        }
        self.at_work.put_off(command, attempts_left, self.now);
    }

    /// After a reading of the watch: a command that waits is looked at again if it need not wait any longer.
    pub(super) fn look_at_permit(&mut self, out: &mut Effects) {
        let Some(command) = self.at_work.put_off_command() else { return };
        let waits = |refusal: &Refusal| self.is_waited_for(refusal);
        if gate::check(&self.bench, &self.latest, self.now, &command).as_ref().is_err_and(waits) {
            return;
        }
        self.take_up_kept_back(Self::approach_gate, out);
    }

    /// The wait is over at its time, even if a gauge is just being read: the gate has the last word.
    pub(super) fn end_patience(&mut self, out: &mut Effects) {
        if self.at_work.patience_ends().is_some_and(|until| until <= self.now) {
            self.take_up_kept_back(Self::emit, out);
        }
    }

    fn take_up_kept_back(
        &mut self,
        way: fn(&mut Self, Command, u32, &mut Effects) -> Result<(), String>,
        out: &mut Effects,
    ) {
        let Some((command, attempts_left)) = self.at_work.take_kept_back() else { return };
        if let Err(reason) = way(self, command, attempts_left, out) {
            self.run(Input::Refused(reason), out);
        }
    }

    fn stale_permit_channels(&self, command: &Command) -> Vec<ChannelId> {
        let subject = match command {
            Command::Set { channel, .. } => Subject::Channel(*channel),
            Command::Begin(task) => Subject::Task(task.kind()),
            _ => return Vec::new(),
        };
        let permits = self.bench.permits.iter().filter(|permit| permit.subject == subject);
        let channels =
            permits.flat_map(|permit| permit.condition.channels()).chain(self.place_channels(command));
        // After an approach a reading of half a second ago still says that the tip is out.
        let fresh_s = self.task_ended_at.map_or(PERMIT_FRESH_S, |at| self.now.since(at).min(PERMIT_FRESH_S));
        let mut stale: Vec<_> = channels
            .filter(|id| self.latest.latest(*id).is_none() || self.latest.age_s(*id) > fresh_s)
            .collect();
        stale.sort_unstable();
        stale.dedup();
        stale
    }
}
