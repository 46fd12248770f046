//! Calls of the sequence: begun, finished, recorded, answered.

use super::at_work::Purpose;
use super::procedure::{Centring, Input, Procedure, Ramp, Reading, Sweeping, Tasking, Waiting};
use super::{
    Answer, Call, CentrePlan, Denial, Effect, Effects, OpenCall, Phase, Question, Reply, Request, Statement,
    Supervisor,
};
use crate::bench::expression::Readings;
use crate::bench::{ChannelId, Role};
use crate::instrument::{ErrorKind, InstrumentError, Task};
use crate::record::{Column, Entry, Failure, Settings, TipFinding, TipNow, TipTest};
use std::sync::Arc;

/// Readings older than this, s, do not tell how the bench stands at an end of a sweep.
const SETTINGS_TRUST_S: f64 = 60.0;

impl Supervisor {
    pub(super) fn request(&mut self, call: Call, out: &mut Effects) {
        assert!(self.call.is_none() && self.reply.is_none(), "a sequence makes one call at a time");
        if let Phase::Ending(ending) = &self.phase {
            out.push(Effect::Answer(Err(Denial::Ended(ending.clone()))));
            return;
        }
        if matches!(self.phase, Phase::Closing(_) | Phase::Over) {
            return;
        }
        self.place = call.place.clone();
        let open = OpenCall { n: call.n, place: call.place, request: call.request, sweep: None };
        self.call = Some(open);
        if self.at_idle_boundary(out) {
            return;
        }
        self.begin_call(out);
    }

    /// Begins the open call; called again after a hold that came before it had begun.
    pub(super) fn begin_call(&mut self, out: &mut Effects) {
        let Some(call) = self.call.clone() else { return };
        self.note_move_of_tip(&call.request);
        self.guard_refused = false;
        let procedure = match &call.request {
            Request::Set { channel, value } => Procedure::Ramp(Ramp::new(*channel, *value)),
            Request::Read { channels, samples, spacing_s } => {
                Procedure::Reading(Reading::new(&self.bench, channels, *samples, *spacing_s))
            }
            Request::Wait { seconds } => Procedure::Waiting(Waiting::new(*seconds)),
            Request::Settle => {
                Procedure::Waiting(Waiting::new(super::lockin::settle_s(&self.bench, &self.latest)))
            }
            Request::Sweep(plan) => match super::procedure::check_plan(&self.bench, plan) {
                Ok(()) => self.begin_sweep(&call, plan, out),
                Err(failure) => return self.finish_call(Err(failure), out),
            },
            Request::SweepOn { sweep, first, until, plan } => {
                let plan = plan.as_ref().expect("whoever measures on has the plan");
                if plan.continues.is_none() {
                    let (n, place) = (call.n, call.place.clone());
                    let entry = Entry::SweepOn { n, sweep: *sweep, first: *first, until: *until, place };
                    self.append(entry, Vec::new(), false, out);
                }
                self.procedure_of_sweep(plan, *sweep)
            }
            Request::Task(task) => {
                if task.kind().once_only() {
                    self.append_intent(&call, task, out);
                }
                Procedure::Tasking(Tasking::new(*task))
            }
            Request::Recentre(plan) => Procedure::Centring(Centring::new(&self.bench, *plan)),
            Request::Record(statement) => return self.state(&call, statement.clone(), out),
            Request::Ask(question) => match self.unread_for(*question) {
                // The first question of a run comes before the watch has read anything.
                Some(channel) => Procedure::Reading(Reading::new(&self.bench, &[channel], 1, 0.0)),
                None => {
                    let answer = self.ask(*question);
                    return self.finish_call(answer, out);
                }
            },
            Request::Restore { approach, values } => {
                Procedure::Steps(super::safety::restore_steps(&self.bench, &self.latest, *approach, values))
            }
            Request::Park => {
                let steps = super::safety::park_steps(&self.bench, self.at_work.task_may_run());
                self.at_work.begin(Procedure::Steps(steps), Purpose::ParkCall);
                return self.run(Input::Go, out);
            }
        };
        self.at_work.begin(procedure, Purpose::Call);
        self.run(Input::Go, out);
    }

    /// What moves the tip along the surface, or changes it, takes it off the spot on which it was centred.
    fn note_move_of_tip(&mut self, request: &Request) {
        let along = |id: &ChannelId| matches!(self.bench.channel(*id).role, Some(Role::TipX | Role::TipY));
        if request.leaves_spot(along) {
            self.spot = None;
        }
    }

    fn begin_sweep(&mut self, call: &OpenCall, plan: &Arc<super::SweepPlan>, out: &mut Effects) -> Procedure {
        let sweep = plan.continues.unwrap_or(self.sweeps);
        self.sweeps = self.sweeps.max(sweep + 1);
        if plan.continues.is_none() {
            let entry = Entry::SweepBegin {
                n: call.n,
                sweep,
                plan: Box::new(plan.in_columns(&self.bench)),
                place: call.place.clone(),
                settings: Some(Box::new(self.settings())),
            };
            self.append(entry, Vec::new(), false, out);
        }
        self.procedure_of_sweep(plan, sweep)
    }

    fn procedure_of_sweep(&mut self, plan: &Arc<super::SweepPlan>, sweep: u64) -> Procedure {
        if let Some(open) = self.call.as_mut() {
            open.sweep = Some(sweep);
        }
        Procedure::Sweeping(Sweeping::new(&self.bench, &self.latest, Arc::clone(plan), sweep))
    }

    /// How the bench stands, by what is known of it.
    fn settings(&self) -> Settings {
        let mut settings = Settings::default();
        for id in self.bench.ids() {
            let channel = self.bench.channel(id);
            if channel.settable {
                settings.set.extend(self.latest.standing(id).map(|si| (channel.name.clone(), si)));
            } else if self.latest.age_s(id) <= SETTINGS_TRUST_S {
                settings.read.extend(self.latest.latest(id).map(|si| (channel.name.clone(), si)));
            }
        }
        let last = |role| self.bench.by_role(role).and_then(|id| self.latest.latest(id));
        let at_m = last(Role::TipX).zip(last(Role::TipY)).map(|(x, y)| [x, y]);
        let guard = self.bench.guard.as_ref();
        settings.spin = guard.and_then(|guard| self.tip.kept_at(self.now.s(), at_m, guard));
        settings.tip = TipNow {
            segment: self.tip.touches,
            proved: self.tip.proved_s.is_some(),
            centred: self.spot.is_some(),
        };
        settings
    }

    fn append_intent(&mut self, call: &OpenCall, task: &Task, out: &mut Effects) {
        let task = task.renamed(|id| Some(self.bench.channel(*id).name.clone()));
        let task = task.expect("every channel of a bench has a name");
        let entry = Entry::Intent { n: call.n, task, place: call.place.clone() };
        // The driver makes an urgent entry durable before it carries out a command that follows it.
        self.append(entry, Vec::new(), true, out);
    }

    fn state(&mut self, call: &OpenCall, statement: Statement, out: &mut Effects) {
        let (n, place) = (call.n, call.place.clone());
        let mut data = Vec::new();
        let entry = match statement {
            Statement::Note { text, for_next_shift } => Entry::Note { n, text, place, for_next_shift },
            Statement::Decision { question, answer, reason } => {
                Entry::Decision { n, question, answer, reason, place }
            }
            Statement::Judgement { what, sweep, title, body } => {
                Entry::Judgement { n, what, sweep, title, body, place }
            }
            Statement::Result { what, about } => Entry::Result { n, what, about, place },
            Statement::TipTest(finding) => Entry::TipTest { n, test: self.tip_test(finding), place },
            Statement::Keep { name, at_m } => Entry::Kept { n, name, at_m, place },
            Statement::Plan(said) => Entry::Plan { n, said, place },
            Statement::SweepEnd { sweep, points, because } => {
                let settings = Some(Box::new(self.settings()));
                Entry::SweepEnd { n, sweep, points, because: Some(because), settings }
            }
            Statement::Table(table) => {
                data.extend_from_slice(&table.bulk);
                Entry::Table { n, table, place }
            }
            Statement::StepBegin { step, name, parent } => Entry::StepBegin { n, step, name, place, parent },
            Statement::StepEnd { step, left_out } => Entry::StepEnd { n, step, left_out },
        };
        let seq = self.append(entry, data, true, out);
        self.call = None;
        self.answer_when_durable(seq, Ok(Answer::Done), out);
    }

    /// A finding with where and how it was made, by what was last read.
    fn tip_test(&self, finding: TipFinding) -> TipTest {
        let last = |role| self.bench.by_role(role).and_then(|id| self.latest.latest(id)).unwrap_or(0.0);
        TipTest {
            at_s: self.now.s(),
            finding,
            at_m: [Role::TipX, Role::TipY].map(last),
            field_t: [Role::FieldX, Role::FieldZ].map(last),
            stage_k: last(Role::StageTemperature),
            centred: self.spot.is_some(),
        }
    }

    /// The channel that must be read before a question can be answered.
    fn unread_for(&self, question: Question) -> Option<crate::bench::ChannelId> {
        let about_helium = matches!(question, Question::HeliumLeft | Question::HeliumOutlook);
        let helium = self.bench.helium.filter(|_| about_helium)?;
        self.latest.latest(helium.channel).is_none().then_some(helium.channel)
    }

    fn ask(&self, question: Question) -> Result<Answer, Failure> {
        match question {
            Question::Elapsed => Ok(Answer::Number(self.now.s())),
            Question::TimeLeft => {
                let last = self.last_moment();
                Ok(Answer::Number(last.map_or(f64::MAX, |last| last.since(self.now))))
            }
            Question::Tip => {
                let guard = self.bench.guard.as_ref();
                let guarded = guard.and_then(|guard| self.tip.why_guarded(self.now.s(), guard));
                Ok(Answer::Tip { life: Box::new(self.tip.clone()), guarded })
            }
            Question::Goals => Ok(Answer::Goals(Box::new(self.goals.told()))),
            // A record has no form for infinity.
            Question::SinceCondensed => {
                Ok(Answer::Number(self.condensed_s.map_or(f64::MAX, |at_s| self.now.s() - at_s)))
            }
            Question::Earlier => Ok(Answer::Earlier(self.earlier.clone())),
            Question::HeliumLeft | Question::HeliumOutlook => {
                let known =
                    self.bench.helium.and_then(|h| self.latest.latest(h.channel)).zip(self.helium.as_ref());
                let answer = known.map(|(level_m3, helium)| match question {
                    Question::HeliumOutlook => Answer::HeliumOutlook(helium.outlook(self.now, level_m3)),
                    _ => Answer::Number(level_m3 - helium.limit_m3),
                });
                answer.ok_or_else(|| {
                    let message = "the helium level has not been read, or the bench has no helium budget";
                    Failure::Instrument(InstrumentError::new(ErrorKind::Absent, message))
                })
            }
        }
    }

    /// A call has come to its end: record it, then answer it.
    pub(super) fn finish_call(&mut self, result: Result<Answer, Failure>, out: &mut Effects) {
        let Some(call) = self.call.take() else { return };
        let result = match (&call.request, result) {
            (Request::Ask(question), Ok(Answer::Numbers(_))) => self.ask(*question),
            (_, Err(Failure::Forbidden(why))) if std::mem::take(&mut self.guard_refused) => {
                Err(Failure::Guarded(why))
            }
            (_, result) => result,
        };
        if let (Request::Recentre(plan), Ok(Answer::Centred(centred))) = (&call.request, &result) {
            let expected = Some(centred.curvature);
            self.spot = centred.found.then_some(CentrePlan { expected, ..*plan });
        }
        let (n, place) = (call.n, call.place.clone());
        let mut data = Vec::new();
        let entry = match (&result, &call.request) {
            (Ok(Answer::Sweep(sweep)), _) => {
                let width = sweep.plan.read.len().max(1);
                let (number, points) = (sweep.sweep, sweep.plan.first + (sweep.values.len() / width) as u64);
                if points < sweep.plan.total() {
                    Entry::SweepPause { n, sweep: number, points }
                } else {
                    let settings = Some(Box::new(self.settings()));
                    Entry::SweepEnd { n, sweep: number, points, because: None, settings }
                }
            }
            (Ok(Answer::Task(report)), Request::Task(task @ (Task::Trace { .. } | Task::Image { .. }))) => {
                data.clone_from(&report.data);
                let shape = match *task {
                    Task::Image { pixels, .. } => vec![u64::from(pixels); 2],
                    _ => vec![report.data.len() as u64],
                };
                let task = task.renamed(|id| Some(Column::of(&self.bench, *id)));
                let task = task.expect("every channel of a bench has a name");
                Entry::Bulk { n, task, place, shape, report: report.clone() }
            }
            _ => Entry::Call { n, request: call.request.named(&self.bench), place, answer: result.clone() },
        };
        let seq = self.append(entry, data, true, out);
        self.answer_when_durable(seq, result.map_err(Denial::from), out);
    }

    fn answer_when_durable(&mut self, seq: u64, reply: Reply, out: &mut Effects) {
        if self.record_failed || self.durable > seq {
            out.push(Effect::Answer(reply));
        } else {
            self.reply = Some((seq, reply));
        }
    }

    pub(super) fn made_durable(&mut self, through: u64, out: &mut Effects) {
        self.durable = self.durable.max(through + 1);
        if self.reply.as_ref().is_some_and(|(seq, _)| self.durable > *seq)
            && let Some((_, reply)) = self.reply.take()
        {
            out.push(Effect::Answer(reply));
        }
        self.close_if_durable(out);
    }
}
