//! Holding a sequence: the bench goes to its hold state, waits, and comes back.

mod way_back;

pub(super) use way_back::Around;
pub(crate) use way_back::{bias_to_approach_with, is_no_bias};

use super::procedure::SafeStep;
use super::{CentrePlan, Latest, Spoken, Word};
use crate::bench::expression::Readings;
use crate::bench::{Bench, ChannelId, Role};
use crate::quantity::TimePoint;
use crate::record::SafeAct;
use std::collections::BTreeMap;

/// Marks that are to hold before a sequence goes on rest on readings no older than this, s.
const MARKS_FRESH_S: f64 = 60.0;
/// Longest time for one step of the way back, s.
const BACK_WITHIN_S: f64 = 3600.0;

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

/// How far condensing anew has come in a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Condensing {
    /// Nobody has asked for it.
    #[default]
    No,
    /// It is to be begun.
    Wanted,
    /// It was begun.
    Begun,
    /// It was done, by whatever step.
    Done,
}

/// Holds one soon after the other.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    /// How many.
    pub count: u32,
    /// When the first of them began.
    pub first: TimePoint,
    /// When the last one was left; when it began, while it goes on.
    pub left: TimePoint,
}

/// Who wants a hold, and what is needed to undo it.
#[derive(Debug, Default)]
pub struct Hold {
    /// How far it has come.
    pub stage: Stage,
    /// Interlocks that want it, and what each has said.
    pub locks: BTreeMap<usize, String>,
    /// Whether an operator wants it.
    pub operator: bool,
    /// Whether it is for a helium transfer.
    pub refill: bool,
    /// Whether an instrument has changed its settings, which are to be brought back.
    pub changed: bool,
    /// Whether the tip has to come out.
    pub withdraw: bool,
    /// How far condensing the pot anew has come.
    pub condensing: Condensing,
    /// When it began.
    pub since: TimePoint,
    /// Whether the tip has been told to come out and was not brought back since.
    out: bool,
    /// Whether the tip was in range before, and has to be brought back.
    withdrawn: bool,
    /// Whether the way to the transfer has been taken.
    at_refill: bool,
    saved: Vec<(ChannelId, f64)>,
    /// Since when it waits for something else than a person's word.
    pub blocked_since: Option<TimePoint>,
    /// Instruments that give no answer: since when, and until when they are waited for.
    pub silent: BTreeMap<usize, (TimePoint, TimePoint)>,
    /// A task of the sequence that may still run, where nobody could be asked or because it needs no tip: it is to be
    /// asked for again.
    pub unseen_task: bool,
    /// It runs on because it needs no tip, and the tip is out for certain: another task would find the instrument busy.
    pub runs_on: bool,
    /// A task has to be ended before anything else can be begun on the way back.
    pub abort_first: bool,
    /// When the way to the hold state is gone again: an instrument that had been left out is back.
    pub again_at: Option<TimePoint>,
    /// Whether the tip has been moved by somebody else, so that it is put back on its spot.
    pub moved: bool,
}

impl Hold {
    /// Whether anybody wants it.
    pub fn wanted(&self) -> bool {
        self.operator || self.changed || !self.locks.is_empty() || !self.silent.is_empty()
    }

    /// When it wants to be woken.
    pub fn next_wake(&self) -> TimePoint {
        let until = self.silent.values().map(|(_, until)| *until);
        until.chain(self.again_at).min().unwrap_or(TimePoint::NEVER)
    }

    /// An operator's word; true if something has changed. What an operator holds goes on only when somebody says by
    /// name that people are clear.
    pub fn word(&mut self, spoken: &Spoken) -> bool {
        let before = (self.operator, self.refill);
        match spoken.word {
            Word::Hold => self.operator = true,
            Word::HoldForRefill => {
                self.operator = true;
                self.refill = true;
            }
            Word::Release => {
                self.operator &= spoken.by.is_none();
                // No transfer has begun, so none has to be seen to its end, and the next hold is not for one.
                self.refill &= self.operator || self.stage != Stage::None;
            }
            Word::Stop | Word::First | Word::NotWanted | Word::Answer | Word::LeaveAsIs => {}
        }
        before != (self.operator, self.refill)
    }

    /// Whether what was done so far is not enough: the tip has to come out, or the bench has to be made ready
    /// for a transfer.
    pub fn must_go_further(&self) -> bool {
        let ready = self.condensing != Condensing::Wanted;
        self.must_withdraw_now() || (self.refill && !self.at_refill) || !ready
    }

    /// The pot is to be condensed anew.
    pub fn condense(&mut self) {
        if self.condensing == Condensing::No {
            self.condensing = Condensing::Wanted;
        }
    }

    /// Lets condensing that did not come to its end be begun again; whether there is any.
    pub fn condense_again(&mut self) -> bool {
        if self.condensing == Condensing::Begun {
            self.condensing = Condensing::Wanted;
        }
        self.condensing == Condensing::Wanted
    }

    fn must_withdraw_now(&self) -> bool {
        self.withdraw && !self.out
    }

    /// The way back begins: where the tip is will have to be seen anew.
    pub fn leave(&mut self) {
        self.stage = Stage::Leaving;
        self.out = false;
        self.at_refill = false;
    }

    /// The steps into the hold state. What they change is noted, to be brought back: the tip, if it may be in range.
    pub fn steps_in(
        &mut self,
        bench: &Bench,
        latest: &Latest,
        in_range: bool,
        task_under_way: bool,
    ) -> Vec<SafeStep> {
        let from_bench = if self.refill { &bench.refill.steps } else { &bench.hold };
        let mut steps: Vec<SafeStep> = Vec::new();
        if task_under_way {
            steps.push(SafeStep { act: SafeAct::Abort, within_s: 10.0 });
        }
        let of_bench = from_bench.iter().map(SafeStep::from_bench);
        let withdraws_first = self.must_withdraw_now();
        if withdraws_first {
            // Before anything else, and once.
            let given = of_bench.clone().find(|step| step.act == SafeAct::Withdraw);
            steps.push(given.unwrap_or(SafeStep { act: SafeAct::Withdraw, within_s: 120.0 }));
        }
        steps.extend(of_bench.filter(|step| !withdraws_first || step.act != SafeAct::Withdraw));
        if matches!(self.condensing, Condensing::Wanted | Condensing::Begun) {
            steps.push(condense(bench));
        }
        let by_other_task = |act| self.runs_on && matches!(act, SafeAct::Withdraw | SafeAct::Condense);
        steps.retain(|step| !by_other_task(step.act));
        // Who gives no answer is not told anything; the rest is made safe meanwhile.
        steps.retain(|step| link_of_act(bench, step.act).is_none_or(|link| !self.silent.contains_key(&link)));
        self.at_refill |= self.refill;
        for step in &steps {
            match step.act {
                SafeAct::Withdraw => {
                    self.withdrawn |= in_range;
                    self.out = true;
                }
                // What stands there already need not be brought back, nor come to rest again.
                SafeAct::Set(channel, value) if latest.standing(channel) == Some(value) => {}
                SafeAct::Set(channel, _) => self.save(channel, latest),
                SafeAct::Condense => self.condensing = Condensing::Begun,
                SafeAct::Abort | SafeAct::Approach | SafeAct::Keep(_) | SafeAct::Centre(_) => {}
            }
        }
        steps
    }

    /// The settings of an instrument that has lost them are brought back with the rest, in the order of the bench.
    pub fn bring_back(&mut self, bench: &Bench, latest: &Latest, link: usize) {
        let tip = |role| matches!(role, Some(Role::TipX | Role::TipY));
        let mut here: Vec<ChannelId> = bench.ids().filter(|id| bench.channel(*id).link == link).collect();
        here.reverse();
        for id in here {
            let channel = bench.channel(id);
            // Where the tip stands is changed by tasks as well, and moving it back would hurt more than help.
            if channel.settable && !tip(channel.role) {
                self.save(id, latest);
            }
        }
        self.changed = true;
    }

    /// The tip was taken out by somebody else: it is brought in again on the way back.
    pub fn tip_was_taken_out(&mut self) {
        self.withdrawn = true;
    }

    /// Channels that another hand has moved are brought back; a tip that was moved is put back on its spot as well.
    /// What nobody has set in this run, nor read, goes back to how its instrument had been seen.
    pub fn bring_back_moved(&mut self, bench: &Bench, latest: &Latest, moved: &[(ChannelId, f64)]) {
        for (id, left) in moved.iter().rev().filter(|(id, _)| bench.channel(*id).settable) {
            if !self.saved.iter().any(|(saved, _)| saved == id) {
                self.saved.push((*id, latest.standing(*id).unwrap_or(*left)));
            }
            self.moved |= matches!(bench.channel(*id).role, Some(Role::TipX | Role::TipY));
        }
        self.changed = true;
    }

    fn save(&mut self, channel: ChannelId, latest: &Latest) {
        // Only the first time: a hold within a hold must not save the held value.
        if self.saved.iter().any(|(saved, _)| *saved == channel) {
            return;
        }
        self.saved.extend(latest.standing(channel).map(|value| (channel, value)));
    }

    /// The steps back: the field first, because the tip has no business in range while the magnet shakes and warms
    /// the stage; then what the approach needs, its loop closed and its bias; then the tip, and what else was changed,
    /// last changed first; then the spot, if the tip had stood on one, and last of all the loop, if it had been open, and
    /// a bias of zero.
    pub fn steps_out(&mut self, bench: &Bench, latest: &Latest, spot: Option<CentrePlan>) -> Vec<SafeStep> {
        if self.withdrawn {
            self.save_for_approach(bench, latest);
        }
        let sets: Vec<(ChannelId, f64)> = self.saved.iter().rev().copied().collect();
        let around = Around::new(bench, latest, &sets, self.withdrawn);
        let approach = self.withdrawn.then_some(SafeAct::Approach);
        let centre = spot.filter(|_| self.withdrawn || self.moved).map(SafeAct::Centre);
        let abort = self.abort_first.then_some(SafeAct::Abort);
        // What the sequence is condensing need not be condensed.
        let condensed = self.condensing == Condensing::Done || self.runs_on;
        let condenses = self.refill && bench.refill.condenses && !condensed;
        let back = |act| SafeStep { act, within_s: BACK_WITHIN_S };
        let before = abort.map(back).into_iter().chain(condenses.then(|| condense(bench)));
        let tip = around.before.into_iter().chain(approach).chain(around.after).chain(centre);
        before.chain(tip.chain(around.last).map(back)).collect()
    }

    /// What is changed for the approach alone is noted first: held again halfway, the way back would otherwise take it
    /// for what the sequence had wanted.
    fn save_for_approach(&mut self, bench: &Bench, latest: &Latest) {
        let stands = |role| bench.by_role(role).and_then(|id| Some((id, latest.standing(id)?)));
        let open = stands(Role::Feedback).filter(|(_, standing)| *standing < 0.5);
        let none = stands(Role::Bias).filter(|(_, standing)| is_no_bias(bench, *standing));
        for (id, _) in open.into_iter().chain(none) {
            self.save(id, latest);
        }
    }

    /// Whether something other than a person's word keeps it on.
    pub fn is_blocked(&self, bench: &Bench, latest: &Latest) -> bool {
        !self.locks.is_empty() || (!self.operator && self.refill && !marks_hold(bench, latest))
    }

    /// Whether what the bench wants before going on holds.
    pub fn may_leave(&self, bench: &Bench, latest: &Latest) -> bool {
        !self.wanted() && (!self.refill || marks_hold(bench, latest))
    }
}

/// Condensing anew, in the time that the bench gives it.
fn condense(bench: &Bench) -> SafeStep {
    let pot = bench.pot.expect("a bench that condenses tells of its pot");
    SafeStep { act: SafeAct::Condense, within_s: pot.cold_within_s }
}

/// The link that a step speaks to.
fn link_of_act(bench: &Bench, act: SafeAct) -> Option<usize> {
    match act {
        SafeAct::Set(channel, _) => Some(bench.channel(channel).link),
        SafeAct::Withdraw | SafeAct::Approach | SafeAct::Condense => bench.task_link,
        SafeAct::Abort | SafeAct::Centre(_) => bench.task_link,
        SafeAct::Keep(_) => None,
    }
}

/// Whether a step closes the height loop, without which no tip comes in, or opens it; nothing of any other.
fn closes_loop(bench: &Bench, act: SafeAct) -> Option<bool> {
    let SafeAct::Set(channel, value) = act else { return None };
    (bench.channel(channel).role == Some(Role::Feedback)).then_some(value > 0.5)
}

/// Whether a step ramps the magnet.
pub(super) fn is_field(bench: &Bench, act: SafeAct) -> bool {
    let SafeAct::Set(channel, _) = act else { return false };
    matches!(bench.channel(channel).role, Some(Role::FieldZ | Role::FieldX))
}

/// Whether everything that the bench wants after a transfer is so, by readings that are fresh: a gauge that has
/// fallen silent says nothing.
pub(super) fn marks_hold(bench: &Bench, latest: &Latest) -> bool {
    bench.refill.resume_when.as_ref().is_none_or(|marks| {
        let fresh = marks.channels().all(|id| latest.age_s(id) <= MARKS_FRESH_S);
        fresh && marks.holds(latest) == Some(true)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::builtin;

    fn on_the_way_back(saved: Vec<(Role, f64)>, stands: f64) -> Vec<SafeAct> {
        let bench = builtin();
        let id = |role| bench.by_role(role).expect("a channel");
        let mut latest = Latest::new(bench.channels.len(), TimePoint::START);
        latest.note_sent(id(Role::Feedback), stands);
        let saved = saved.into_iter().map(|(role, value)| (id(role), value)).collect();
        let mut hold = Hold { withdrawn: true, saved, ..Hold::default() };
        hold.steps_out(&bench, &latest, None).iter().map(|step| step.act).collect()
    }

    fn set(role: Role, value: f64) -> SafeAct {
        SafeAct::Set(builtin().by_role(role).expect("a channel"), value)
    }

    /// Another hand has opened the loop and taken the tip out: it comes in again only with its loop closed.
    #[test]
    fn on_the_way_back_the_loop_is_closed_before_the_tip_comes_in() {
        let saved = vec![(Role::Feedback, 1.0), (Role::Bias, 0.06), (Role::FieldZ, 0.4)];
        let (field, closed) = (set(Role::FieldZ, 0.4), set(Role::Feedback, 1.0));
        let wanted = [field, closed, set(Role::Bias, 0.06), SafeAct::Approach];
        assert_eq!(on_the_way_back(saved, 0.0), wanted);
    }

    /// A sequence that stood without a bias can't have approached so. Held again when the lent bias stands there, it still
    /// finds none at the end.
    #[test]
    fn a_bias_is_lent_for_the_approach_and_taken_back_at_the_end() {
        let bench = builtin();
        let id = |role| bench.by_role(role).expect("a channel");
        let mut latest = Latest::new(bench.channels.len(), TimePoint::START);
        let parks_at = 0.05;
        for (approached_with, lent) in [(None, parks_at), (Some(-0.08), -0.08), (Some(0.3), parks_at)] {
            if let Some(bias) = approached_with {
                latest.note_sent(id(Role::Bias), bias);
                latest.note_approach(&bench);
            }
            latest.note_sent(id(Role::Bias), 0.0);
            let mut hold = Hold { withdrawn: true, ..Hold::default() };
            let wanted = [set(Role::Bias, lent), SafeAct::Approach, set(Role::Bias, 0.0)];
            for _ in 0..2 {
                let steps = hold.steps_out(&bench, &latest, None);
                let acts: Vec<SafeAct> = steps.iter().map(|step| step.act).collect();
                assert!(acts == wanted || acts == wanted[1..], "{acts:?} with {approached_with:?}");
                assert_eq!(acts.contains(&wanted[0]), latest.standing(id(Role::Bias)) == Some(0.0));
                latest.note_sent(id(Role::Bias), lent);
            }
        }
    }

    /// A hold in the middle of a trace finds the loop open, and no step of the bench need have closed it: the tip comes in
    /// with its loop closed all the same, and finds it open again at the end.
    #[test]
    fn a_loop_that_the_sequence_had_open_is_closed_for_the_approach_alone() {
        let (closed, open) = (set(Role::Feedback, 1.0), set(Role::Feedback, 0.0));
        let wanted = [closed, set(Role::Bias, 0.1), SafeAct::Approach, open];
        assert_eq!(on_the_way_back(vec![(Role::Bias, 0.1)], 0.0), wanted);
        // The same where the steps of the bench close it, as it is brought back then.
        let saved = vec![(Role::Bias, 0.1), (Role::Feedback, 0.0)];
        let without = [set(Role::Bias, 0.1), SafeAct::Approach, open];
        assert_eq!(on_the_way_back(saved, 1.0), without);
    }
}
