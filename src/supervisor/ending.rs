//! The end: interrupt the sequence, park the bench, write the last entry.

use super::at_work::Purpose;
use super::procedure::{Input, Procedure};
use super::safety::park_steps;
use super::{Answer, Denial, Effect, Effects, Phase, Probe, Supervisor};
use crate::instrument::{ErrorKind, InstrumentError};
use crate::record::{Ending, Entry, Failure, Outcome, Trouble};

impl Supervisor {
    /// Ends the run; the first reason counts.
    pub(super) fn end(&mut self, ending: Ending, out: &mut Effects) {
        if self.phase != Phase::Running {
            return;
        }
        self.phase = Phase::Ending(ending.clone());
        Self::notify("ending", ending.outcome.told(&ending.reason), out);
        // A reply that waits for the disk is overtaken: what it acknowledges is in the record all the same.
        let unanswered = self.call.take().is_some() | self.reply.take().is_some();
        if unanswered {
            out.push(Effect::Answer(Err(Denial::Ended(ending.clone()))));
        }
        out.push(Effect::Interrupt(ending));
        let task_under_way = self.foreign_task
            || self.at_work.task_may_run()
            || self.suspended.as_ref().is_some_and(Procedure::holds_task);
        self.at_work.take();
        self.suspended = None;
        if self.parked {
            return self.close(true, out);
        }
        let steps = park_steps(&self.bench, task_under_way).insisting(self.bench.park_patience_s);
        self.at_work.begin(Procedure::Steps(steps), Purpose::Park);
        self.run(Input::Go, out);
    }

    /// What is not safe yet, while it is tried again to make it so.
    pub fn not_safe_yet(&self) -> Option<&str> {
        match &self.at_work.procedure {
            Some(Procedure::Steps(steps)) if steps.insists() => steps.first_failure(),
            _ => None,
        }
    }

    /// A person has seen to the bench, or can't wait for it any more: the duty to park ends with their word.
    pub(super) fn give_up_parking(&mut self, out: &mut Effects) {
        if self.not_safe_yet().is_none() {
            return;
        }
        if let Some(Procedure::Steps(steps)) = &mut self.at_work.procedure {
            steps.give_up();
        }
        // What is under way comes to its end by itself; a pause ends now.
        if self.at_work.wake.take().is_some() {
            self.run(Input::Go, out);
        }
    }

    /// A procedure has come to its end.
    pub(super) fn finished(&mut self, mut result: Result<Answer, Failure>, out: &mut Effects) {
        let (failed, lost, first) = match &self.at_work.procedure {
            Some(Procedure::Steps(steps)) => (
                steps.failed(),
                steps.lost().map(ToOwned::to_owned),
                steps.first_failure().map(ToOwned::to_owned),
            ),
            _ => (0, None, None),
        };
        match self.at_work.purpose {
            Some(Purpose::Call) => {
                if self.look_after(&mut result, out) {
                    return;
                }
                self.at_work.take();
                self.finish_call(result, out);
            }
            Some(Purpose::EnterHold) => self.hold_entered(out),
            Some(Purpose::LeaveHold) => self.hold_left(first.as_deref(), lost.as_deref(), out),
            Some(Purpose::ParkCall) => {
                self.at_work.take();
                self.parked = failed == 0;
                let why = first.unwrap_or_default();
                let error =
                    || InstrumentError::new(ErrorKind::Refused, format!("the bench is not parked: {why}"));
                let done = if failed == 0 { Ok(Answer::Done) } else { Err(Failure::Instrument(error())) };
                self.finish_call(done, out);
            }
            Some(Purpose::Park) => {
                if failed == 0 && self.not_safe_yet().is_some() {
                    self.reach(Probe::ParkedAtLast);
                }
                self.at_work.take();
                self.parked = failed == 0;
                self.close(failed == 0, out);
            }
            None => {}
        }
    }

    fn close(&mut self, parked: bool, out: &mut Effects) {
        let Phase::Ending(ending) = self.phase.clone() else { return };
        if !parked {
            self.reach(Probe::ParkIncomplete);
        }
        let text =
            if parked { "the bench is parked" } else { "parking was NOT complete: see the park steps" };
        Self::notify("park", text.to_owned(), out);
        let entry = Entry::End { ending, parked, elapsed_s: self.now.s() };
        let seq = self.append(entry, Vec::new(), true, out);
        self.phase = Phase::Closing(seq);
        self.close_if_durable(out);
    }

    pub(super) fn close_if_durable(&mut self, out: &mut Effects) {
        let Phase::Closing(seq) = self.phase else { return };
        if self.record_failed || self.durable > seq {
            self.phase = Phase::Over;
            out.push(Effect::Over);
        }
    }

    pub(super) fn record_failed(&mut self, reason: &str, out: &mut Effects) {
        if self.record_failed {
            return;
        }
        self.record_failed = true;
        self.reach(Probe::RecordFailed);
        let ending = Ending {
            outcome: Outcome::Fault,
            reason: format!("the run file can't be written: {reason}"),
            place: self.place.clone(),
            latched: false,
        };
        self.end(ending, out);
        self.close_if_durable(out);
    }

    pub(super) fn keeper_replaced(&mut self, out: &mut Effects) {
        self.reach(Probe::KeeperReplaced);
        let trouble = Trouble::KeeperReplaced;
        let what = trouble.in_words();
        self.append(Entry::Fault { link: "keeper".to_owned(), trouble }, Vec::new(), true, out);
        Self::notify("fault", what, out);
    }

    pub(super) fn keeper_lost(&mut self, out: &mut Effects) {
        self.reach(Probe::KeeperLost);
        let trouble = Trouble::KeeperLost;
        let what = trouble.in_words();
        self.append(Entry::Fault { link: "keeper".to_owned(), trouble }, Vec::new(), true, out);
        Self::notify("fault", what.clone(), out);
        if self.bench.keeper.park_if_lost {
            let ending =
                Ending { outcome: Outcome::Fault, reason: what, place: self.place.clone(), latched: false };
            self.end(ending, out);
        }
    }
}
