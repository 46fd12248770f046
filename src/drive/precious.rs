//! The oracle's own account of what is precious: which acts must not leave while a tip is proved, or near a kept spin.
//!
//! It shares no code with the [guard](crate::supervisor) or with the fold it rests on: it looks at what is recorded and at
//! what leaves. Where it can't be certain it says nothing: it counts a tip as lost as soon as so many tests may say so, and
//! takes a kept spin to lie where it was last seen, without what may have drifted.

use crate::analysis::joint::Verdict;
use crate::bench::{Bench, ChannelId, Guard, Role, StepAction};
use crate::instrument::Task;
use crate::record::{Answer, Beforehand, Centred, Entry, Found, Request, TipTest, TipVerdict};
use crate::supervisor::Command;

/// A top found so near to a kept spin is that spin, m.
const SAME_TOP_M: f64 = 0.5e-9;

/// What is known of the tip and of kept spins.
#[derive(Debug, Clone, Default)]
pub(super) struct Precious {
    proved: bool,
    /// Tests that found good contrast: when, and where; no place where that lies in another area.
    good: Vec<(f64, Option<[f64; 2]>)>,
    /// Tests that may count as losses.
    lost: usize,
    looked_s: Option<f64>,
    word_until_s: Option<f64>,
    kept: Vec<(String, [f64; 2])>,
    setpoint: Option<f64>,
}

fn apart_m(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

impl Precious {
    /// Takes in an entry of the record.
    pub(super) fn recorded(&mut self, bench: &Bench, entry: &Entry) {
        match entry {
            Entry::Known(beforehand) => self.known(beforehand),
            Entry::TipTest { test, .. } if test.centred => self.tested(bench, test),
            Entry::Judgement { .. } if entry.says(Verdict::Real) => {
                (self.proved, self.lost) = (true, 0);
            }
            Entry::Kept { name, at_m, .. } => self.kept.push((name.clone(), *at_m)),
            Entry::Call { request: Request::Task(task), answer, .. } => {
                let achieved = matches!(answer, Ok(Answer::Task(report)) if report.achieved);
                match task {
                    Task::Pulse { .. } | Task::PickUp | Task::PutDown if achieved => {
                        (self.proved, self.lost, self.looked_s) = (false, 0, None);
                        self.good.clear();
                    }
                    // Two steps lead to other atoms, fewer may not, and a second time they may lead back.
                    Task::CoarseShift { x_steps, y_steps } => {
                        let far = achieved && (x_steps.abs() >= 2 || y_steps.abs() >= 2);
                        self.good.retain(|good| far && good.1.is_some());
                        self.good.iter_mut().for_each(|good| good.1 = None);
                    }
                    Task::CoarseStep { .. } => self.good.clear(),
                    _ => {}
                }
            }
            Entry::Call { answer: Ok(Answer::Centred(centred)), .. } => self.centred(centred),
            Entry::SafeStep { found: Found::Centred(centred), .. } => self.centred(centred),
            _ => {}
        }
    }

    fn known(&mut self, beforehand: &Beforehand) {
        let Some(tip) = &beforehand.tip else { return };
        let here = tip.kept.iter().filter(|spin| spin.shifts == tip.shifts && spin.area == tip.area);
        *self = Self {
            proved: tip.proved_s.is_some(),
            good: tip.tests.iter().map(|test| (test.at_s, Some(test.at_m))).collect(),
            lost: tip.lost.len(),
            looked_s: tip.looked_s,
            word_until_s: tip.word_until_s,
            kept: here.map(|spin| (spin.name.clone(), spin.at_m)).collect(),
            setpoint: self.setpoint,
        };
    }

    fn tested(&mut self, bench: &Bench, test: &TipTest) {
        let Some((tests, guard)) = bench.tip_tests.zip(bench.guard) else { return };
        let polarisation = test.finding.polarisation.map_or(0.0, |[value, _]| value);
        match test.finding.verdict {
            TipVerdict::Contrast if polarisation >= tests.good => {
                self.lost = 0;
                self.good.push((test.at_s, Some(test.at_m)));
                let long = self.good.first().is_some_and(|first| test.at_s - first.0 >= tests.stable_s);
                let elsewhere = |good: &(f64, Option<[f64; 2]>)| {
                    good.1.is_none_or(|at_m| apart_m(at_m, test.at_m) > guard.kept_radius_m)
                };
                self.proved |= long && self.good.iter().any(elsewhere);
            }
            TipVerdict::None => {
                self.lost += 1;
                if !self.proved {
                    self.good.clear();
                }
            }
            _ => {}
        }
    }

    fn centred(&mut self, centred: &Centred) {
        let at_m = [centred.x_m, centred.y_m];
        for (_, place) in &mut self.kept {
            if centred.found && apart_m(*place, at_m) < SAME_TOP_M {
                *place = at_m;
            }
        }
    }

    /// What is wrong with a command that leaves, if anything is. `tip_at_m` is where the tip was last read to stand.
    pub(super) fn wrong(
        &mut self,
        bench: &Bench,
        now_s: f64,
        command: &Command,
        tip_at_m: Option<[f64; 2]>,
    ) -> Option<String> {
        let guard = bench.guard.as_ref()?;
        if let Command::Set { channel, value } = command
            && bench.channel(*channel).role == Some(Role::Setpoint)
        {
            self.setpoint = Some(*value);
        }
        if let Command::Begin(Task::CoarseStep { .. } | Task::CoarseShift { .. }) = command {
            self.kept.clear();
        }
        if let Some(what) = self.harm(bench, guard, command)
            && self.is_guarded(now_s, guard)
        {
            return Some(format!("{what} left while the tip is proved and not known to be lost"));
        }
        let touches = matches!(command, Command::Begin(Task::PickUp | Task::PutDown | Task::Pulse { .. }));
        let near = |place: [f64; 2]| tip_at_m.is_some_and(|at_m| apart_m(place, at_m) <= guard.kept_radius_m);
        let (name, _) = self.kept.iter().find(|(_, place)| touches && near(*place))?;
        Some(format!("an act at the kept spin `{name}` left"))
    }

    fn is_guarded(&self, now_s: f64, guard: &Guard) -> bool {
        let by_word = self.word_until_s.is_some_and(|until_s| now_s < until_s);
        let looked = self.looked_s.is_some_and(|looked_s| now_s - looked_s < guard.after_look_s);
        self.proved && !by_word && (looked || self.lost < guard.lost as usize)
    }

    /// An act that can harm a tip. What the bench itself does on the way to a safe state is none.
    fn harm(&self, bench: &Bench, guard: &Guard, command: &Command) -> Option<&'static str> {
        match *command {
            Command::Begin(Task::Pulse { .. }) => Some("a pulse"),
            Command::Begin(Task::PickUp | Task::PutDown) => Some("a pick-up or a put-down"),
            Command::Begin(Task::CoarseStep { .. } | Task::CoarseShift { .. }) => Some("a coarse step"),
            Command::Begin(Task::Approach) => {
                let beyond = self.setpoint.is_some_and(|setpoint| setpoint.abs() > guard.setpoint_above_a);
                beyond.then_some("an approach at a large setpoint")
            }
            Command::Set { channel, value } if !is_of_the_bench(bench, channel, value) => {
                match bench.channel(channel).role? {
                    Role::Bias if value.abs() > guard.bias_above_v => Some("a large bias"),
                    Role::Setpoint if value.abs() > guard.setpoint_above_a => Some("a large setpoint"),
                    _ => None,
                }
            }
            _ => None,
        }
    }
}

fn is_of_the_bench(bench: &Bench, id: ChannelId, sent: f64) -> bool {
    let steps = bench.park.iter().chain(&bench.hold).chain(&bench.refill.steps);
    steps.into_iter().any(|step| match step.action {
        StepAction::Set { channel, value } => channel == id && value == sent,
        StepAction::Withdraw | StepAction::Keep { .. } => false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::builtin;
    use crate::instrument::TaskReport;
    use crate::record::{Place, TipFinding, TipLife};

    fn test(at_s: f64, x_m: f64, verdict: TipVerdict) -> TipTest {
        let polarisation = (verdict == TipVerdict::Contrast).then_some([0.22, 0.001]);
        let finding = TipFinding { verdict, polarisation };
        TipTest { at_s, finding, at_m: [x_m, 0.0], field_t: [0.0, 0.4], stage_k: 0.3, centred: true }
    }

    fn done(task: Task<String>) -> Entry {
        let report = TaskReport { achieved: true, ..TaskReport::default() };
        let (request, answer) = (Request::Task(task), Ok(Answer::Task(report)));
        Entry::Call { n: 1, request, place: Place::default(), answer }
    }

    fn knowing(tip: TipLife) -> Precious {
        let mut precious = Precious::default();
        precious.known(&Beforehand { tip: Some(Box::new(tip)), ..Beforehand::default() });
        precious
    }

    #[test]
    fn what_harms_a_proved_tip_is_complained_of_and_nothing_else() {
        let bench = builtin();
        let pulse = Command::Begin(Task::Pulse { volts: 3.5, length_s: 0.1 });
        let bias = |value| Command::Set { channel: bench.by_role(Role::Bias).unwrap(), value };
        let wrong = |precious: &mut Precious, command: &Command| {
            precious.wrong(&bench, 10.0, command, Some([0.0, 0.0])).is_some()
        };
        let mut nothing_known = Precious::default();
        assert!(!wrong(&mut nothing_known, &pulse));
        for proved in [
            TipLife { proved_s: Some(-60.0), ..TipLife::default() },
            TipLife {
                proved_s: Some(-60.0),
                looked_s: Some(-7200.0),
                lost: vec![test(-30.0, 0.0, TipVerdict::None); 2],
                ..TipLife::default()
            },
        ] {
            let mut precious = knowing(proved);
            for command in [&pulse, &bias(0.24), &bias(-0.24), &Command::Begin(Task::CoarseStep { steps: 1 })]
            {
                assert!(wrong(&mut precious, command), "{command:?}");
            }
            assert!(
                !wrong(&mut precious, &bias(0.1)) && !wrong(&mut precious, &Command::Begin(Task::Approach))
            );
            let setpoint = bench.by_role(Role::Setpoint).unwrap();
            assert!(wrong(&mut precious, &Command::Set { channel: setpoint, value: 190e-12 }));
            assert!(wrong(&mut precious, &Command::Begin(Task::Approach)));
        }
        let lost = TipLife {
            proved_s: Some(-60.0),
            lost: vec![test(-30.0, 0.0, TipVerdict::None); 2],
            ..TipLife::default()
        };
        assert!(!wrong(&mut knowing(lost), &pulse));
        let word = TipLife { proved_s: Some(-60.0), word_until_s: Some(100.0), ..TipLife::default() };
        assert!(!wrong(&mut knowing(word), &pulse));
    }

    #[test]
    fn a_tip_is_proved_by_its_tests_and_a_kept_spin_is_followed() {
        let bench = builtin();
        let mut precious = Precious::default();
        let pick_up = Command::Begin(Task::PickUp);
        for (at_s, x_m) in [(0.0, 0.0), (900.0, 4e-9)] {
            precious.tested(&bench, &test(at_s, x_m, TipVerdict::Contrast));
        }
        assert_eq!(precious.wrong(&bench, 900.0, &pick_up, None), None, "not for long enough");
        precious.tested(&bench, &test(2000.0, 4e-9, TipVerdict::Contrast));
        assert!(precious.wrong(&bench, 2000.0, &pick_up, None).is_some());
        let other_area = |x_steps| {
            let mut precious = Precious::default();
            precious.tested(&bench, &test(0.0, 0.0, TipVerdict::Contrast));
            precious.recorded(&bench, &done(Task::CoarseShift { x_steps, y_steps: 0 }));
            precious.tested(&bench, &test(2000.0, 0.0, TipVerdict::Contrast));
            precious
        };
        assert!(other_area(2).wrong(&bench, 2000.0, &pick_up, None).is_some());
        assert_eq!(other_area(1).wrong(&bench, 2000.0, &pick_up, None), None, "it may be the same atom");
        for at_s in [2100.0, 2800.0] {
            precious.tested(&bench, &test(at_s, 4e-9, TipVerdict::None));
        }
        assert_eq!(precious.wrong(&bench, 2800.0, &pick_up, None), None, "lost twice");
        precious.kept.push(("target".to_owned(), [5e-9, 0.0]));
        assert!(precious.wrong(&bench, 2800.0, &pick_up, Some([4e-9, 0.0])).is_some());
        assert_eq!(precious.wrong(&bench, 2800.0, &pick_up, Some([9e-9, 0.0])), None);
    }
}
