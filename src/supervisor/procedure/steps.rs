//! Steps to a safe state, or back from it: each with its own time, each read back.

use super::{Centring, Context, Input, Next, Ramp, Tasking};
use crate::bench::{Bench, ChannelId, Role, Step, StepAction};
use crate::instrument::{ErrorKind, Task};
use crate::quantity::TimePoint;
use crate::record::{Answer, Column, During, Entry, Failure, Found, JudgementKind, Place, SafeAct};
use crate::supervisor::event::{Answered, Channels, Command};
use crate::supervisor::{OWN_CALL, Probe, gate};

/// Attempts at each step.
const ATTEMPTS: u32 = 2;
/// Part of a channel's range within which a value read back counts as the one that was set.
const READ_BACK_PART: f64 = 1e-3;

/// One step with its time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SafeStep {
    /// What it does.
    pub act: SafeAct,
    /// Longest time, s.
    pub within_s: f64,
}

impl SafeStep {
    /// From a step of the bench file.
    pub fn from_bench(step: &Step) -> Self {
        let act = match step.action {
            StepAction::Withdraw => SafeAct::Withdraw,
            StepAction::Set { channel, value } => SafeAct::Set(channel, value),
            StepAction::Keep { channel } => SafeAct::Keep(channel),
        };
        Self { act, within_s: step.within_s }
    }

    /// With names and units, as it is recorded.
    pub fn recorded(&self, bench: &Bench) -> SafeAct<Column> {
        self.act.renamed(|id| Some(Column::of(bench, *id))).expect("every channel of a bench has a name")
    }
}

#[derive(Debug)]
enum Work {
    Abort,
    Ramp(Ramp),
    Task(Tasking),
    Centre(Box<Centring>),
    ReadBack,
    /// It failed so; what it was to reach may be so all the same.
    Look(Found),
}

/// Steps at work. It always finishes, and says in the record how far each step came.
#[derive(Debug)]
pub struct Steps {
    during: During,
    steps: Vec<SafeStep>,
    at: usize,
    attempt: u32,
    deadline: TimePoint,
    work: Option<Work>,
    failed: u32,
    first_failure: Option<String>,
    lost: Option<String>,
    /// How long what failed is tried again, s, and until when.
    patience_s: f64,
    until: Option<TimePoint>,
    /// Steps of this round that failed, for the next one.
    again: Vec<SafeStep>,
    rounds: u32,
    /// Until when the next round waits.
    pause: Option<TimePoint>,
}

/// Pause before what failed is tried again, s: it doubles from round to round, up to the second one. A bench whose links
/// are back is to be safe within ten seconds.
const PAUSES_S: (f64, f64) = (1.0, 5.0);

impl Steps {
    /// Steps on their way.
    pub fn new(during: During, steps: Vec<SafeStep>) -> Self {
        Self {
            during,
            steps,
            at: 0,
            attempt: 0,
            deadline: TimePoint::NEVER,
            work: None,
            failed: 0,
            first_failure: None,
            lost: None,
            patience_s: 0.0,
            until: None,
            again: Vec::new(),
            rounds: 0,
            pause: None,
        }
    }

    /// What fails is tried again for so long, in rounds with growing pauses.
    pub fn insisting(self, patience_s: f64) -> Self {
        Self { patience_s, ..self }
    }

    /// Whether everything was tried once, and what failed is being tried again.
    pub fn insists(&self) -> bool {
        self.rounds > 0
    }

    /// Whether it waits for its next round.
    pub fn pauses(&self) -> bool {
        self.pause.is_some()
    }

    /// A person says that it need not be tried any more.
    pub fn give_up(&mut self) {
        (self.patience_s, self.pause) = (0.0, None);
        self.until = Some(TimePoint::START);
    }

    /// Time at which the next round begins, once all steps were gone through and some failed; nothing where the
    /// patience is over.
    fn next_round(&mut self, ctx: &Context<'_>) -> Option<TimePoint> {
        let until = *self.until.get_or_insert(ctx.now.after(self.patience_s));
        if self.again.is_empty() || ctx.now >= until {
            return None;
        }
        self.steps = std::mem::take(&mut self.again);
        (self.at, self.attempt, self.work) = (0, 0, None);
        let pause_s = (PAUSES_S.0 * 2.0_f64.powi(self.rounds.min(30) as i32)).min(PAUSES_S.1);
        self.rounds += 1;
        let pause = ctx.now.after(pause_s);
        self.pause = Some(pause);
        Some(pause)
    }

    /// Steps that did not reach what they should.
    pub fn failed(&self) -> u32 {
        self.failed
    }

    /// The first step that did not reach what it should, and why; the others may only follow from it.
    pub fn first_failure(&self) -> Option<&str> {
        self.first_failure.as_deref()
    }

    /// Whether a task is under way, which has to be ended before another can begin.
    pub fn holds_task(&self) -> bool {
        match &self.work {
            Some(Work::Task(task)) => task.under_way(),
            Some(Work::Centre(centring)) => centring.holds_task(),
            _ => false,
        }
    }

    /// The start of its task was kept back and will not leave.
    pub(super) fn not_begun(&mut self) {
        match &mut self.work {
            Some(Work::Task(task)) => task.not_begun(),
            Some(Work::Centre(centring)) => centring.not_begun(),
            _ => {}
        }
    }

    /// Goes back to the beginning of the current step: what was under way may have been ended meanwhile, and nobody
    /// will answer for it any more.
    pub(super) fn rewind(&mut self) {
        self.work = None;
    }

    /// Why the spot under the tip was not found again, if it was not.
    pub fn lost(&self) -> Option<&str> {
        self.lost.as_deref()
    }

    pub(super) fn step(&mut self, input: Input, ctx: &mut Context<'_>) -> Next {
        let mut input = input;
        if let Some(pause) = self.pause {
            if ctx.now < pause {
                return Next::Until(pause);
            }
            self.pause = None;
        }
        loop {
            let Some(step) = self.steps.get(self.at).copied() else {
                return match self.next_round(ctx) {
                    Some(pause) => Next::Until(pause),
                    None => Next::Finished(Ok(Answer::Number(f64::from(self.failed)))),
                };
            };
            let Some(work) = &mut self.work else {
                if let Some(work) = self.begin(step, ctx) {
                    self.work = Some(work);
                    input = Input::Go;
                }
                continue;
            };
            if ctx.now >= self.deadline {
                ctx.reach(Probe::SafeStepLate);
                // What is left as it is was left, whoever could not be asked.
                let left = matches!(step.act, SafeAct::Keep(_));
                self.close(step, left, Found::Late, ctx);
                continue;
            }
            let next = match work {
                Work::Ramp(ramp) => ramp.step(std::mem::replace(&mut input, Input::Go), ctx),
                Work::Task(task) => task.step(std::mem::replace(&mut input, Input::Go), ctx),
                Work::Centre(centring) => centring.step(std::mem::replace(&mut input, Input::Go), ctx),
                Work::Abort => aborting(std::mem::replace(&mut input, Input::Go)),
                Work::ReadBack | Work::Look(_) => {
                    if let Some(next) = self.read_back(step, std::mem::replace(&mut input, Input::Go), ctx) {
                        return next;
                    }
                    continue;
                }
            };
            match next {
                Next::Command(command) => return Next::Command(command),
                Next::Until(moment) if moment > ctx.now => return Next::Until(moment.min(self.deadline)),
                Next::Until(_) => {}
                Next::Finished(result) => self.finished(step, result, ctx),
            }
        }
    }

    fn begin(&mut self, step: SafeStep, ctx: &mut Context<'_>) -> Option<Work> {
        self.deadline = ctx.now.after(step.within_s);
        match step.act {
            // With another field the tip has no business in range, and without it what is found there would not be
            // the spot.
            SafeAct::Centre(_) | SafeAct::Approach | SafeAct::Condense if self.failed > 0 => {
                self.close(step, false, Found::NotTried, ctx);
                None
            }
            SafeAct::Abort => Some(Work::Abort),
            // Whatever is still running stands in its way.
            SafeAct::Withdraw
                if self.attempt > 0 || self.again.iter().any(|step| step.act == SafeAct::Abort) =>
            {
                Some(Work::Abort)
            }
            SafeAct::Withdraw => Some(Work::Task(Tasking::new(Task::Withdraw))),
            SafeAct::Approach => Some(Work::Task(Tasking::new(Task::Approach))),
            SafeAct::Condense => Some(Work::Task(Tasking::new(Task::Regenerate))),
            SafeAct::Set(channel, value) => {
                // A slow channel is not left halfway because its way is longer than what the step was given.
                let standing = ctx.latest.standing(channel);
                let way_s = standing.map_or(0.0, |from| gate::ramp_time_s(ctx.bench, channel, from, value));
                self.deadline = ctx.now.after(way_s + step.within_s);
                let ramp = Ramp::new(channel, value).in_steps();
                Some(Work::Ramp(if self.during == During::Restore { ramp } else { ramp.to_safety() }))
            }
            SafeAct::Centre(plan) => Some(Work::Centre(Box::new(Centring::new(ctx.bench, plan)))),
            SafeAct::Keep(id) => {
                let Some(value) = ctx.latest.standing(id) else {
                    // Whoever parks after a crash has not seen it: the instrument knows.
                    return Some(Work::ReadBack);
                };
                self.close(step, true, Found::Standing(value), ctx);
                None
            }
        }
    }

    fn finished(&mut self, step: SafeStep, result: Result<Answer, Failure>, ctx: &mut Context<'_>) {
        match result {
            _ if step.act == SafeAct::Withdraw && matches!(self.work, Some(Work::Abort)) => {
                self.work = Some(Work::Task(Tasking::new(Task::Withdraw)));
            }
            Ok(Answer::Centred(centred)) => {
                let body = serde_json::to_value(&centred).unwrap_or_default();
                let (what, title) = (JudgementKind::Recentre, centred.title());
                let place = Place::default();
                ctx.entries.push(Entry::Judgement { n: OWN_CALL, what, sweep: None, title, body, place });
                if centred.found {
                    self.close(step, true, Found::Centred(centred), ctx);
                } else {
                    self.lost = Some(centred.remark.clone());
                    self.close(step, false, Found::Centred(centred), ctx);
                }
            }
            Err(failure) if matches!(step.act, SafeAct::Centre(_)) => {
                self.lost = Some(failure.to_string());
                self.close(step, false, Found::Failed(failure), ctx);
            }
            Ok(Answer::Task(report)) if !report.achieved => {
                self.try_again(step, Found::Remark(report.remark), ctx)
            }
            Ok(_) if matches!(step.act, SafeAct::Abort | SafeAct::Condense) => {
                self.close(step, true, Found::Nothing, ctx)
            }
            Ok(_) => self.work = Some(Work::ReadBack),
            Err(failure @ (Failure::Forbidden(_) | Failure::Guarded(_))) => {
                self.close(step, false, Found::Failed(failure), ctx)
            }
            Err(failure) if is_refusal(&failure) => self.work = Some(Work::Look(Found::Failed(failure))),
            Err(failure) => self.try_again(step, Found::Failed(failure), ctx),
        }
    }

    fn try_again(&mut self, step: SafeStep, found: Found, ctx: &mut Context<'_>) {
        self.attempt += 1;
        if self.attempt >= ATTEMPTS {
            self.close(step, false, found, ctx);
        } else {
            ctx.reach(Probe::SafeStepRepeated);
            self.work = self.begin(step, ctx);
        }
    }

    fn close(&mut self, step: SafeStep, achieved: bool, found: Found, ctx: &mut Context<'_>) {
        let recorded = step.recorded(ctx.bench);
        if !achieved {
            self.failed += u32::from(self.rounds == 0);
            self.first_failure
                .get_or_insert_with(|| format!("{}: {}", recorded.in_words(), found.in_words(&recorded)));
            self.again.push(step);
        } else if self.rounds > 0 {
            self.failed -= 1;
        }
        // That it has failed again is no news.
        if achieved || self.rounds == 0 {
            ctx.entries.push(Entry::SafeStep { during: self.during, step: recorded, achieved, found });
        }
        self.at += 1;
        self.attempt = 0;
        self.work = None;
    }

    /// Reads back what a step has set, or what it leaves as it is: that is left so even if nobody can say how.
    /// Returns nothing when the step is closed.
    fn read_back(&mut self, step: SafeStep, input: Input, ctx: &mut Context<'_>) -> Option<Next> {
        let refused = if let Some(Work::Look(found)) = &self.work { Some(found.clone()) } else { None };
        let Some((id, wanted)) = goal(step.act, ctx.bench) else {
            match refused {
                Some(found) => self.try_again(step, found, ctx),
                None => self.close(step, true, Found::Unseen, ctx),
            }
            return None;
        };
        let channel = ctx.bench.channel(id);
        let (found, value) = match input {
            Input::Answered(Answered::Read(values)) => {
                let value = values.as_slice().first().copied().unwrap_or(f64::NAN);
                (Found::reading(value), value)
            }
            Input::Answered(Answered::Failed(error)) => (Found::Unreadable(error), f64::NAN),
            _ => return Some(Next::Command(Command::Read { channels: Channels::new(&[id]) })),
        };
        let range = if channel.max.is_finite() { channel.max - channel.min } else { 1.0 };
        let near = channel.tolerance.unwrap_or(READ_BACK_PART * range);
        if wanted.is_none_or(|wanted| (value - wanted).abs() <= near) {
            if refused.is_some() {
                ctx.reach(Probe::ReachedAlready);
            }
            self.close(step, true, found, ctx);
        } else {
            self.try_again(step, refused.unwrap_or(found), ctx);
        }
        None
    }
}

/// Where it can be seen whether a step has reached what it should, and what should be read there; nothing where the
/// channel is left as it is.
fn goal(act: SafeAct, bench: &Bench) -> Option<(ChannelId, Option<f64>)> {
    match act {
        SafeAct::Set(channel, value) => Some((channel, Some(value))),
        SafeAct::Withdraw => Some((bench.by_role(Role::Approached)?, Some(0.0))),
        SafeAct::Approach => Some((bench.by_role(Role::Approached)?, Some(1.0))),
        SafeAct::Keep(channel) => Some((channel, None)),
        SafeAct::Abort | SafeAct::Condense | SafeAct::Centre(_) => None,
    }
}

/// Whether an instrument has answered that it will not do it, as one does that has done it already.
fn is_refusal(failure: &Failure) -> bool {
    matches!(failure, Failure::Instrument(error) if error.kind == ErrorKind::Refused)
}

fn aborting(input: Input) -> Next {
    match input {
        Input::Answered(Answered::Failed(error)) => Next::Finished(Err(Failure::Instrument(error))),
        Input::Answered(_) => Next::Finished(Ok(Answer::Done)),
        Input::Refused(reason) => Next::Finished(Err(Failure::Forbidden(reason))),
        Input::Go => Next::Command(Command::Abort),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::builtin;
    use crate::supervisor::Latest;

    #[test]
    fn steps_that_a_hold_has_cut_begin_their_task_anew() {
        let bench = builtin();
        let mut latest = Latest::new(bench.channels.len(), TimePoint::START);
        let withdraw = SafeStep { act: SafeAct::Withdraw, within_s: 1e6 };
        let mut steps = Steps::new(During::Park, vec![withdraw]);
        let (mut points, mut entries, mut probes) = (Vec::new(), Vec::new(), [0; Probe::ALL.len()]);
        let mut step = |steps: &mut Steps, now_s: f64| {
            let mut ctx = Context {
                bench: &bench,
                latest: &mut latest,
                now: TimePoint::from_s(now_s),
                points: &mut points,
                entries: &mut entries,
                boundary: false,
                probes: &mut probes,
            };
            steps.step(Input::Go, &mut ctx)
        };
        let begun = |next: Next| matches!(next, Next::Command(Command::Begin(Task::Withdraw)));
        assert!(begun(step(&mut steps, 0.0)));
        // The answer to the start is lost with the hold; long after it nobody waits for what is past.
        steps.rewind();
        assert!(begun(step(&mut steps, 9e5)));
        // Not rewound, the start that nobody answered fails in its time, and is tried again once nothing runs.
        assert!(matches!(step(&mut steps, 9.9e5), Next::Command(Command::Abort)));
    }

    #[test]
    fn what_is_left_as_it_is_is_read_where_nobody_knows_it() {
        let bench = builtin();
        let field = bench.by_role(Role::FieldZ).unwrap();
        let said = |answer: Option<Answered>, now_s: f64| {
            let mut latest = Latest::new(bench.channels.len(), TimePoint::START);
            let (mut points, mut entries, mut probes) = (Vec::new(), Vec::new(), [0; Probe::ALL.len()]);
            let mut ctx = Context {
                bench: &bench,
                latest: &mut latest,
                now: TimePoint::START,
                points: &mut points,
                entries: &mut entries,
                boundary: false,
                probes: &mut probes,
            };
            let keep = SafeStep { act: SafeAct::Keep(field), within_s: 10.0 };
            let mut steps = Steps::new(During::Park, vec![keep]);
            assert!(matches!(steps.step(Input::Go, &mut ctx), Next::Command(Command::Read { .. })));
            ctx.now = TimePoint::from_s(now_s);
            let next = steps.step(answer.map_or(Input::Go, Input::Answered), &mut ctx);
            assert!(matches!(next, Next::Finished(Ok(Answer::Number(0.0)))), "{next:?}");
            let Some(Entry::SafeStep { step, achieved: true, found, .. }) = entries.pop() else { panic!() };
            found.in_words(&step)
        };
        let read = |value: f64| Some(Answered::Read(crate::record::Values::new(&[value])));
        assert_eq!(said(read(0.519), 1.0), "it reads 0.519 T");
        assert!(said(read(f64::NAN), 1.0).contains("gives no number"));
        assert!(said(None, 11.0).contains("could not be read in time"));
    }
}
