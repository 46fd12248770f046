//! How far the goals of a plan are: forward by evidence alone, backward where the tip is lost.
//!
//! A sequence says which goals there are, which spectra count for a map, and what it gives up. Whether a goal is reached
//! follows from what was judged: tests of the tip, verdicts, fits. All of it belongs to one state of the tip, so what was
//! measured before the tip changed settles nothing afterwards. A proof and a map that were complete by then stay what they are,
//! and a map that goes on needs a proof with the tip that is in. A proof that a later verdict on its spectra refutes was none.

use super::tip::TipRules;
use crate::analysis::joint::Verdict;
use crate::bench::TaskKind;
use crate::quantity::rounded;
use crate::record::{
    Answer, Answered, Asking, Entry, Evidence, Failure, FitFound, Goal, GoalPlan, GoalState, Goals, PlanSaid,
    Precision, Request, Shortfall, TipLife, Turn, VerdictFound, Word, WorkedOut,
};
use std::collections::BTreeSet;

/// Verdicts that take back what was called real before.
const REFUTES: [Verdict; 4] = [Verdict::Curved, Verdict::Splitting, Verdict::Artefact, Verdict::Absent];

impl Goals {
    /// Takes in an entry, after the tip has taken it in.
    pub fn entry(&mut self, at_s: f64, entry: &Entry, tip: &TipLife, rules: &TipRules) {
        let mut changed = None;
        if let Entry::Call { request: Request::Task(task), answer, .. } = entry
            && !matches!(answer, Err(Failure::Forbidden(_) | Failure::Guarded(_)))
        {
            self.used.count(task.kind());
        }
        match entry {
            Entry::Plan { said, .. } => self.said(at_s, said),
            Entry::Operator { word: Word::Answer, by, goal: Some(name), answer: Some(says) } => {
                self.answered(at_s, name, says, by.as_deref());
                return;
            }
            _ if self.all.is_empty() => return,
            Entry::SweepBegin { sweep, .. } => {
                self.began.push((*sweep, at_s));
                return;
            }
            Entry::Judgement { what, sweep, title, body, .. } => match what.read(body) {
                WorkedOut::Fit(fit) => {
                    let Some(sweep) = sweep else { return };
                    self.trusted.retain(|(fitted, _)| fitted != sweep);
                    if fit.trusted {
                        self.trusted.push((*sweep, precision(&fit)));
                    }
                }
                WorkedOut::Verdict(found) => changed = self.judged(at_s, &found),
                WorkedOut::TipChange { .. } => {
                    self.tip_since_s = Some(at_s);
                    changed = Some(title.clone());
                }
                _ => return,
            },
            Entry::Call { request: Request::Task(task), answer, .. } if task.kind().changes_tip() => {
                let achieved = matches!(answer, Ok(Answer::Task(report)) if report.achieved);
                if !achieved {
                    return;
                }
                self.tip_since_s = Some(at_s);
                changed = Some(format!("{} has changed the tip", task.kind().name()));
            }
            Entry::Operator { word, by, goal: Some(goal), .. } => {
                self.heard(at_s, *word, by.as_deref(), goal);
                return;
            }
            Entry::TipTest { .. } | Entry::Known(_) => {}
            _ => return,
        }
        if changed.is_some() {
            self.proof = self.proof.take().filter(|(first_s, _)| Some(*first_s) >= self.tip_since_s);
        }
        self.settle(at_s, tip, rules, changed.as_deref().unwrap_or("a test does not find the tip any more"));
    }

    /// Takes in what the plan says.
    pub(crate) fn said(&mut self, at_s: f64, said: &PlanSaid) {
        let turn = |state, why: &str| Turn { at_s, state, why: why.to_owned() };
        match said {
            PlanSaid::Goal(plan) => match self.of_mut(&plan.name) {
                Some(goal) => goal.plan = plan.clone(),
                None => self.all.push(fresh(plan)),
            },
            PlanSaid::Counts { goal, sweep, place } => {
                if let Some(goal) = self.of_mut(goal) {
                    goal.counted.push((*sweep, place.clone()));
                }
            }
            PlanSaid::GivenUp { goal, shortfall, why } => {
                if let Some(goal) = self.of_mut(goal).filter(|goal| goal.state != GoalState::Reached) {
                    (goal.state, goal.shortfall) = (GoalState::GivenUp, Some(*shortfall));
                    goal.why.clone_from(why);
                    goal.course.push(turn(GoalState::GivenUp, &format!("{}: {why}", shortfall.word())));
                }
            }
            PlanSaid::Budget(budget) => self.budget = budget.with(&self.more),
            PlanSaid::Asked(asked) => {
                if self.asking(&asked.name).is_none() {
                    self.asked.push(Asking::new(asked, at_s));
                }
            }
            PlanSaid::Choice(choice) => {
                self.choices += 1;
                self.chosen = Some(crate::record::Choice { at_s, ..choice.clone() });
            }
        }
    }

    /// A person's word on a goal.
    fn heard(&mut self, at_s: f64, word: Word, by: Option<&str>, goal: &str) {
        let by = by.unwrap_or("an operator");
        let all: f64 = self.all.iter().map(|goal| goal.plan.worth).sum();
        let Some(goal) = self.of_mut(goal).filter(|goal| goal.state != GoalState::Reached) else { return };
        match word {
            // Worth more than all others together.
            Word::First => {
                goal.plan.worth = 2.0 * all.max(1.0);
                let state = if goal.state == GoalState::GivenUp { GoalState::Open } else { goal.state };
                (goal.state, goal.shortfall) = (state, None);
                goal.course.push(Turn { at_s, state, why: format!("{by} wants it first") });
            }
            Word::NotWanted => {
                let (state, why) = (GoalState::GivenUp, format!("{by} does not want it any more"));
                (goal.state, goal.shortfall) = (state, Some(Shortfall::NotWanted));
                goal.why.clone_from(&why);
                goal.course.push(Turn { at_s, state, why });
            }
            _ => {}
        }
    }

    /// A person's answer; the first one that the question permits, in time, holds.
    fn answered(&mut self, at_s: f64, name: &str, says: &str, by: Option<&str>) {
        let open = |asking: &&mut Asking| asking.asked.name == name && asking.holds_at(at_s).is_none();
        let Some(asking) = self.asked.iter_mut().find(open) else { return };
        if asking.asked.answers.iter().any(|answer| answer == says) {
            let (says, by) = (says.to_owned(), by.map(str::to_owned));
            asking.answer = Some(Answered { says, by, at_s });
        }
    }

    /// A question by its name.
    pub fn asking(&self, name: &str) -> Option<&Asking> {
        self.asked.iter().find(|asking| asking.asked.name == name)
    }

    /// Why a task is beyond what the plan may use, if it is.
    pub fn beyond(&self, kind: TaskKind) -> Option<String> {
        self.used.beyond(&self.budget, kind)
    }

    /// A goal by its name.
    pub fn of(&self, name: &str) -> Option<&Goal> {
        self.all.iter().find(|goal| goal.plan.name == name)
    }

    /// When a sweep began, s.
    pub fn began_s(&self, sweep: u64) -> Option<f64> {
        self.began.iter().find(|(number, _)| *number == sweep).map(|(_, began_s)| *began_s)
    }

    /// Whether a sweep counts for a map: its fit is trusted and as good as the map wants it, and it was measured with the tip
    /// that is in.
    pub fn counts(&self, plan: &GoalPlan, sweep: u64) -> bool {
        let fitted = self.trusted.iter().find(|(fitted, _)| *fitted == sweep);
        fitted.is_some_and(|(_, found)| plan.suffices(found))
            && self.began_s(sweep).is_some_and(|began_s| Some(began_s) >= self.tip_since_s)
    }

    /// What a sequence is told of them: the spectra that count, and nothing that grows with each sweep.
    pub fn told(&self) -> Self {
        let mut told = Self { chosen: None, began: Vec::new(), trusted: Vec::new(), ..self.clone() };
        for goal in &mut told.all {
            goal.counted.retain(|(sweep, _)| self.counts(&goal.plan, *sweep));
        }
        told
    }

    fn of_mut(&mut self, name: &str) -> Option<&mut Goal> {
        self.all.iter_mut().find(|goal| goal.plan.name == name)
    }

    /// A verdict on spectra: a proof with the tip that is in, or the news that the spectra are of two tips.
    fn judged(&mut self, at_s: f64, found: &VerdictFound) -> Option<String> {
        let part = found.part?;
        let first = found.sweeps.first().and_then(|sweep| self.began_s(*sweep));
        let mut changed = None;
        if part.segment > 0 && first > self.tip_since_s {
            self.tip_since_s = first;
            changed = Some("by its spectra the tip is another one".to_owned());
        }
        if let Some(first_s) = first.filter(|_| found.verdict == Verdict::Real) {
            let moment = found.law.and_then(|law| law.moment_mu_b);
            let moment = moment.map(|(value, error)| format!(", moment {} μB", rounded(value, error)));
            let said = format!("real over {} spectra{}", found.sweeps.len(), moment.unwrap_or_default());
            if part.is_over() || first < self.tip_since_s {
                self.proved_before(at_s, &said);
            } else {
                self.proof = Some((first_s, said));
            }
        } else if let Some(verdict) = found.verdict.known().filter(|verdict| REFUTES.contains(verdict)) {
            let why = format!("refuted: {}, by the same spectra and later ones", verdict.word());
            self.refuted(at_s, first, &why);
        }
        changed
    }

    /// A later verdict on the spectra of a proof says otherwise: then nothing is proved with this tip.
    fn refuted(&mut self, at_s: f64, first: Option<f64>, why: &str) {
        let Some((first_s, _)) = self.proof.take_if(|(first_s, _)| Some(*first_s) == first) else { return };
        let by_it = |goal: &&mut Goal| {
            goal.plan.evidence == Evidence::ResonanceProved
                && goal.state == GoalState::Reached
                && goal.course.last().is_some_and(|turn| turn.at_s >= first_s)
        };
        for goal in self.all.iter_mut().filter(by_it) {
            goal.state = GoalState::Lost;
            why.clone_into(&mut goal.why);
            goal.course.push(Turn { at_s, state: GoalState::Lost, why: why.to_owned() });
        }
    }

    /// A proof with a tip that is not in any more is a proof, and nothing to map with.
    fn proved_before(&mut self, at_s: f64, said: &str) {
        let open = |goal: &&mut Goal| {
            goal.plan.evidence == Evidence::ResonanceProved && goal.state != GoalState::Reached
        };
        for goal in self.all.iter_mut().filter(open) {
            let why = format!("{said}, with the tip before");
            (goal.state, goal.shortfall) = (GoalState::Reached, None);
            goal.why.clone_from(&why);
            goal.course.push(Turn { at_s, state: GoalState::Reached, why });
        }
    }

    /// What the evidence says of every goal now.
    fn settle(&mut self, at_s: f64, tip: &TipLife, rules: &TipRules, lost: &str) {
        let since_s = self.tip_since_s.unwrap_or(f64::NEG_INFINITY);
        let proof = self.proof.clone();
        let proved = if !tip.lost.is_empty() {
            None
        } else if let Some((_, said)) = &proof {
            Some(said.clone())
        } else {
            tip.proved_since(since_s, rules)
        };
        let mut all = std::mem::take(&mut self.all);
        for goal in &mut all {
            let evidence = match goal.plan.evidence {
                Evidence::TipProved => proved.clone(),
                // What was proved, or mapped whole, stays so; with the tip only what goes on is lost.
                Evidence::ResonanceProved | Evidence::LineMapped if goal.state == GoalState::Reached => {
                    continue;
                }
                Evidence::ResonanceProved => proof.as_ref().map(|(_, said)| said.clone()),
                Evidence::LineMapped => {
                    let good = goal.counted.iter().filter(|(sweep, _)| self.counts(&goal.plan, *sweep));
                    let places: BTreeSet<&str> = good.map(|(_, place)| place.as_str()).collect();
                    goal.settled = places.len() as u32;
                    let done = proof.is_some() && goal.settled >= goal.plan.places.max(1);
                    done.then(|| format!("{} places with a line that is trusted", goal.settled))
                }
            };
            let (state, why) = match (evidence, goal.state) {
                (Some(_), GoalState::Reached)
                | (None, GoalState::Open | GoalState::Lost | GoalState::GivenUp) => {
                    continue;
                }
                (Some(why), _) => (GoalState::Reached, why),
                (None, GoalState::Reached) => (GoalState::Lost, lost.to_owned()),
            };
            (goal.state, goal.shortfall) = (state, None);
            goal.why.clone_from(&why);
            goal.course.push(Turn { at_s, state, why });
        }
        self.all = all;
    }
}

fn precision(fit: &FitFound) -> Precision {
    let of = |name: &str| fit.parameter(name).and_then(|found| found.value.zip(found.error));
    Precision {
        centre_hz: of("centre").map(|(_, error)| error),
        height_part: of("height").map(|(height, error)| (error / height).abs()),
    }
}

fn fresh(plan: &GoalPlan) -> Goal {
    Goal {
        plan: plan.clone(),
        state: GoalState::Open,
        why: String::new(),
        shortfall: None,
        counted: Vec::new(),
        settled: 0,
        course: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::builtin;
    use crate::record::{Asked, Axis, JudgementKind, Place, SweepPlan, TipFinding, TipTest, TipVerdict};
    use serde_json::{Value, json};

    struct Story(Goals, TipLife, TipRules);

    impl Story {
        fn new() -> Self {
            let mut story = Self(Goals::default(), TipLife::default(), TipRules::of(&builtin()));
            for (name, evidence, places) in [
                ("tip", Evidence::TipProved, 0),
                ("spin", Evidence::ResonanceProved, 0),
                ("map", Evidence::LineMapped, 2),
            ] {
                story.says(0.0, PlanSaid::Goal(GoalPlan { places, ..GoalPlan::plain(name, evidence, 1.0) }));
            }
            story
        }

        fn entry(&mut self, at_s: f64, entry: &Entry) {
            self.1.entry(at_s, entry, &self.2);
            self.0.entry(at_s, entry, &self.1, &self.2);
        }

        fn says(&mut self, at_s: f64, said: PlanSaid) {
            self.entry(at_s, &Entry::Plan { n: 0, said: Box::new(said), place: Place::default() });
        }

        fn judge(&mut self, at_s: f64, what: JudgementKind, sweep: Option<u64>, body: Value) {
            let title = what.word().to_owned();
            self.entry(at_s, &Entry::Judgement { n: 0, what, sweep, title, body, place: Place::default() });
        }

        fn spectrum(&mut self, at_s: f64, sweep: u64, place: &str, trusted: bool) {
            let bench = builtin();
            let id = |name: &str| bench.find(name).unwrap();
            let axis = Axis { channel: id("rf_frequency"), from: 1e10, to: 1.1e10, points: 3 };
            let plan = Box::new(SweepPlan::plain("esr", axis, vec![id("lockin_x")]).in_columns(&bench));
            self.entry(
                at_s,
                &Entry::SweepBegin { n: 0, sweep, plan, place: Place::default(), settings: None },
            );
            self.judge(at_s + 1.0, JudgementKind::Fit, Some(sweep), json!({ "trusted": trusted }));
            self.says(
                at_s + 2.0,
                PlanSaid::Counts { goal: "map".to_owned(), sweep, place: place.to_owned() },
            );
        }

        fn test(&mut self, at_s: f64, x_m: f64, polarisation: Option<f64>) {
            let verdict = if polarisation.is_some() { TipVerdict::Contrast } else { TipVerdict::None };
            let finding = TipFinding { verdict, polarisation: polarisation.map(|p| [p, 1e-3]) };
            let at_m = [x_m, 0.0];
            let test = TipTest { at_s, finding, at_m, field_t: [0.0, 0.4], stage_k: 0.3, centred: true };
            self.entry(at_s, &Entry::TipTest { n: 0, test, place: Place::default() });
        }

        fn states(&self) -> [GoalState; 3] {
            [0, 1, 2].map(|i| self.0.all[i].state)
        }
    }

    use GoalState::{GivenUp, Lost, Open, Reached};

    #[test]
    fn a_goal_goes_forward_by_evidence_and_back_with_the_tip() {
        let mut story = Story::new();
        story.test(10.0, 0.0, Some(0.3));
        story.test(20.0, 5e-9, Some(0.3));
        assert_eq!(story.states(), [Open; 3], "two tests at once prove no tip");
        story.test(2000.0, 0.0, Some(0.3));
        assert_eq!(story.states(), [Reached, Open, Open]);
        story.spectrum(3000.0, 0, "a", true);
        story.spectrum(3100.0, 1, "b", false);
        story.judge(
            3200.0,
            JudgementKind::Verdict,
            None,
            json!({ "verdict": "undecided", "sweeps": [0, 1] }),
        );
        assert_eq!(story.states(), [Reached, Open, Open]);
        story.judge(3300.0, JudgementKind::Verdict, None, json!({ "verdict": "real", "sweeps": [0, 1] }));
        assert_eq!((story.states(), story.0.all[2].settled), ([Reached, Reached, Open], 1));
        // The same place again is no second place, and what nobody trusts is none.
        story.spectrum(3400.0, 2, "a", true);
        assert_eq!(story.0.all[2].settled, 1);
        story.judge(4000.0, JudgementKind::TipChange, None, json!({}));
        assert_eq!((story.states(), story.0.all[2].settled), ([Lost, Reached, Open], 0));
        // Tests and spectra of the tip before count for nothing.
        story.test(4100.0, 0.0, Some(0.2));
        story.judge(4200.0, JudgementKind::Verdict, None, json!({ "verdict": "real", "sweeps": [0, 1] }));
        assert_eq!(story.states(), [Lost, Reached, Open]);
        story.spectrum(5000.0, 3, "a", true);
        story.spectrum(5100.0, 4, "c", true);
        assert_eq!(story.states()[2], Open, "two places, and no proof with this tip");
        story.judge(5200.0, JudgementKind::Verdict, None, json!({ "verdict": "real", "sweeps": [3, 4] }));
        assert_eq!(story.states(), [Reached; 3]);
        story.judge(6000.0, JudgementKind::TipChange, None, json!({}));
        assert_eq!(story.states(), [Lost, Reached, Reached], "a map that is complete stays");
        assert_eq!(story.0.all[0].course.len(), 4);
    }

    #[test]
    fn spectra_that_show_another_tip_map_nothing_and_what_is_given_up_can_still_be_reached() {
        let mut story = Story::new();
        story.spectrum(100.0, 0, "a", true);
        story.spectrum(200.0, 1, "b", true);
        let real = |sweeps: &[u64], segment: u64| json!({ "verdict": if segment == 0 { "real" } else { "undecided" }, "sweeps": sweeps, "segment": segment, "segments": 2 });
        story.judge(300.0, JudgementKind::Verdict, None, real(&[0], 0));
        story.judge(300.0, JudgementKind::Verdict, None, real(&[1], 1));
        assert_eq!((story.0.tip_since_s, story.states()), (Some(200.0), [Open, Reached, Open]));
        let give_up = |goal: &str| {
            let (goal, why) = (goal.to_owned(), "nothing there".to_owned());
            PlanSaid::GivenUp { goal, shortfall: Shortfall::NoLine, why }
        };
        story.says(400.0, give_up("spin"));
        story.says(400.0, give_up("map"));
        assert_eq!(story.states(), [Open, Reached, GivenUp], "what is reached is not given up");
        assert_eq!(story.0.all[2].in_words(), "given up: no line");
        story.judge(500.0, JudgementKind::Verdict, None, json!({ "verdict": "real", "sweeps": [1] }));
        story.spectrum(600.0, 2, "c", true);
        assert_eq!((story.states(), story.0.all[2].shortfall), ([Reached; 3], None));
    }

    #[test]
    fn a_later_verdict_on_the_same_spectra_refutes_and_one_on_others_does_not() {
        let mut story = Story::new();
        (0..4u32).for_each(|k| story.spectrum(100.0 * f64::from(k + 1), u64::from(k), "a", true));
        let mut say = |at_s: f64, verdict: &str, sweeps: &[u64]| {
            story.judge(at_s, JudgementKind::Verdict, None, json!({ "verdict": verdict, "sweeps": sweeps }));
            story.states()[1]
        };
        assert_eq!(say(500.0, "real", &[1, 2]), Reached);
        assert_eq!(say(510.0, "undecided", &[1, 2, 3]), Reached, "what is open refutes nothing");
        assert_eq!(say(520.0, "absent", &[0]), Reached, "spectra of something else");
        assert_eq!(say(530.0, "curved", &[1, 2, 3]), Lost);
        assert_eq!(say(540.0, "real", &[1, 2, 3]), Reached);
    }

    #[test]
    fn a_map_may_want_its_lines_known_so_well() {
        let mut story = Story::new();
        let plan = GoalPlan { places: 1, ..GoalPlan::plain("map", Evidence::LineMapped, 1.0) };
        story.says(0.0, PlanSaid::Goal(GoalPlan { centre_error_hz: Some(2e5), ..plan }));
        story.spectrum(100.0, 0, "a", true);
        story.judge(150.0, JudgementKind::Verdict, None, json!({ "verdict": "real", "sweeps": [0] }));
        let fitted = |error: f64| {
            json!({ "trusted": true, "fit": { "parameters": [
            { "name": "centre", "value": 1.4e10, "standard_error": error }, { "name": "height", "value": -5e-14, "standard_error": 1e-15 }] } })
        };
        assert_eq!((story.states()[2], story.0.all[2].settled), (Open, 0), "nobody knows how good it is");
        story.judge(200.0, JudgementKind::Fit, Some(0), fitted(3e5));
        assert_eq!(story.0.all[2].settled, 0);
        assert_eq!(story.0.told().all[2].counted, [], "a sequence is told of places that count");
        story.judge(300.0, JudgementKind::Fit, Some(0), fitted(1.9e5));
        assert_eq!((story.states()[2], story.0.told().all[2].counted.len()), (Reached, 1));
        assert_eq!(story.0.trusted, [(0, Precision { centre_hz: Some(1.9e5), height_part: Some(0.02) })]);
    }

    #[test]
    fn what_people_answer_holds_if_the_question_permits_it() {
        let mut story = Story::new();
        let answer = |says: &str| Entry::Operator {
            word: Word::Answer,
            by: Some("Mira".to_owned()),
            goal: Some("pulse".to_owned()),
            answer: Some(says.to_owned()),
        };
        let words = |all: &[&str]| all.iter().map(|word| (*word).to_owned()).collect::<Vec<_>>();
        story.entry(5.0, &answer("yes"));
        let [name, question, otherwise] = ["pulse", "May the tip be pulsed?", "no"].map(str::to_owned);
        let asked = Asked { name, question, answers: words(&["yes", "no"]), until_s: 100.0, otherwise };
        story.says(10.0, PlanSaid::Asked(asked.clone()));
        assert_eq!(
            story.0.asking("pulse").unwrap().holds_at(20.0),
            None,
            "what was said before was no answer to it"
        );
        story.entry(20.0, &answer("perhaps"));
        story.entry(30.0, &answer("yes"));
        story.entry(40.0, &answer("no"));
        story.says(50.0, PlanSaid::Asked(asked));
        assert_eq!((story.0.asked.len(), story.0.asking("pulse").unwrap().holds_at(200.0)), (1, Some("yes")));
    }

    #[test]
    fn a_person_may_say_what_comes_first_and_what_is_not_wanted() {
        let mut story = Story::new();
        let word = |word, goal: &str| Entry::Operator {
            word,
            by: Some("Mira".to_owned()),
            goal: Some(goal.to_owned()),
            answer: None,
        };
        story.entry(10.0, &word(Word::First, "map"));
        assert!(story.0.of("map").unwrap().plan.worth > 3.0);
        story.entry(20.0, &word(Word::NotWanted, "spin"));
        story.entry(30.0, &word(Word::NotWanted, "no goal at all"));
        assert_eq!(
            (story.states(), story.0.all[1].shortfall),
            ([Open, GivenUp, Open], Some(Shortfall::NotWanted))
        );
        assert_eq!(story.0.all[1].why, "Mira does not want it any more");
        story.entry(40.0, &word(Word::First, "spin"));
        assert_eq!(story.states(), [Open; 3]);
    }
}
