//! Holding a sequence: the bench goes to its hold state, waits, and comes back.

use super::procedure::{SafeStep, What};
use super::{Latest, Word};
use crate::bench::expression::Readings;
use crate::bench::{Bench, ChannelId, Role};
use crate::quantity::Moment;
use std::collections::BTreeSet;

/// How far a hold has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Stage {
    /// No hold.
    #[default]
    None,
    /// Going there.
    Entering,
    /// Waiting.
    Waiting,
    /// Coming back.
    Leaving,
}

/// Who wants a hold, and what is needed to undo it.
#[derive(Debug, Default)]
pub struct Hold {
    /// How far it has come.
    pub stage: Stage,
    /// Interlocks that want it.
    pub locks: BTreeSet<usize>,
    /// Whether an operator wants it.
    pub operator: bool,
    /// Whether it is for a helium transfer.
    pub refill: bool,
    /// Whether the tip has to come out.
    pub withdraw: bool,
    /// When it began.
    pub since: Moment,
    withdrawn: bool,
    saved: Vec<(ChannelId, f64)>,
}

impl Hold {
    /// Whether anybody wants it.
    pub fn wanted(&self) -> bool {
        self.operator || !self.locks.is_empty()
    }

    /// An operator's word; true if something has changed.
    pub fn word(&mut self, word: Word) -> bool {
        let before = (self.operator, self.refill);
        match word {
            Word::Hold => self.operator = true,
            Word::HoldForRefill => {
                self.operator = true;
                self.refill = true;
            }
            Word::Release => self.operator = false,
            Word::Stop => {}
        }
        before != (self.operator, self.refill)
    }

    /// Whether the tip still has to be brought out.
    pub fn must_withdraw_now(&self) -> bool {
        self.withdraw && !self.withdrawn
    }

    /// The steps into the hold state. What they change is noted, to be brought back.
    pub fn steps_in(&mut self, bench: &Bench, latest: &Latest, task_under_way: bool) -> Vec<SafeStep> {
        let from_bench = if self.refill { &bench.refill.steps } else { &bench.hold };
        let mut steps: Vec<SafeStep> = Vec::new();
        if task_under_way {
            steps.push(SafeStep { what: What::Abort, within_s: 10.0 });
        }
        if self.must_withdraw_now() {
            steps.push(SafeStep { what: What::Withdraw, within_s: 120.0 });
        }
        steps.extend(from_bench.iter().map(SafeStep::from_bench));
        for step in &steps {
            match step.what {
                What::Withdraw => {
                    let in_range = bench.by_role(Role::Approached).and_then(|id| latest.latest(id));
                    self.withdrawn |= in_range.is_none_or(|flag| flag > 0.5);
                }
                What::Set(channel, _) => self.save(channel, latest),
                What::Abort | What::Approach | What::Keep(_) => {}
            }
        }
        steps
    }

    fn save(&mut self, channel: ChannelId, latest: &Latest) {
        // Only the first time: a hold within a hold must not save the held value.
        if self.saved.iter().any(|(saved, _)| *saved == channel) {
            return;
        }
        self.saved.extend(latest.standing(channel).map(|value| (channel, value)));
    }

    /// The steps back: the tip first, then what was changed, last changed first.
    pub fn steps_out(&self) -> Vec<SafeStep> {
        let approach = self.withdrawn.then_some(SafeStep { what: What::Approach, within_s: 3600.0 });
        let values = self.saved.iter().rev();
        let sets =
            values.map(|(channel, value)| SafeStep { what: What::Set(*channel, *value), within_s: 3600.0 });
        approach.into_iter().chain(sets).collect()
    }

    /// Whether what the bench wants before going on holds.
    pub fn may_leave(&self, bench: &Bench, latest: &Latest) -> bool {
        let ready = bench.refill.resume_when.as_ref().is_none_or(|c| c.holds(latest) == Some(true));
        !self.wanted() && (!self.refill || ready)
    }
}
