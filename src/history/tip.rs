//! The life of the tip, folded from the record: what tests have found, what was done to it, what is kept from it.
//!
//! A tip is *proved* when tests on two atoms have found good contrast, the last one long enough after the first, or when
//! a resonance was proved with it. It is *found lost* by a test that shows one level where an earlier test of the same
//! tip had shown two: on the same atom, on a top on which it was centred, in the same field. What a sequence says about
//! its tip counts for nothing here.

use crate::analysis::joint::Verdict;
use crate::bench::{Bench, Guard, TaskKind, TipTests};
use crate::instrument::Task;
use crate::record::{
    Answer, Centred, Entry, Failure, Found, GoodElsewhere, KeptSpin, Request, TipLife, TipTest, TipVerdict,
    WorkedOut,
};

/// What a place may have drifted since it was seen, m/s: half a nanometre in an hour, more than most cold microscopes
/// show (common practice).
pub const DRIFT_M_S: f64 = 0.5e-9 / 3600.0;
/// Farther than this no place is followed, m.
const FOLLOWED_M: f64 = 3e-9;
/// A kept spin is taken for seen again where a top is found so near to it, m: nothing else can be that near.
const SAME_TOP_M: f64 = 0.5e-9;
/// A test in another field than the one before, by more than this part, finds nothing lost.
const SAME_FIELD: f64 = 0.2;
/// Two tests on one atom count as two after this time, s.
const APART_S: f64 = 600.0;

/// What the bench says about tests and about what is precious.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TipRules {
    /// How a tip is tested.
    pub tests: Option<TipTests>,
    /// What is guarded.
    pub guard: Option<Guard>,
}

impl TipRules {
    /// Of a bench.
    pub fn of(bench: &Bench) -> Self {
        Self { tests: bench.tip_tests, guard: bench.guard }
    }

    fn radius_m(&self) -> f64 {
        self.guard.unwrap_or_default().kept_radius_m
    }
}

fn apart_m(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Tests that a new one is compared with at most.
const MOST_RECENT: usize = 5;
/// A test shows the same tip as those before where its polarisation, reckoned to their field and temperature, differs by no
/// more than this part, for they scatter by 0.12 % (measured in rehearsals), or by so many of its errors …
const SAME_PART: f64 = 0.004;
const SAME_ERRORS: f64 = 1.5;
/// … beyond what spins 1/2 with moments from here to there, Bohr magnetons, would show: nobody has told which atom it is.
const MOMENTS: [f64; 2] = [0.7, 1.15];
/// Steps from one to the other.
const TRIED: u32 = 90;
/// Bohr magneton over the Boltzmann constant, K/T (CODATA 2022).
const MU_B_OVER_K: f64 = 0.671_713_814_7;

/// Thermal polarisation of a spin 1/2 with that moment in Bohr magnetons: tanh(μB/kT) (textbook); 1 where field or
/// temperature are not known.
fn thermal(test: &TipTest, moment: f64) -> f64 {
    let field_t = test.field_t[0].hypot(test.field_t[1]);
    let known = test.stage_k > 0.0 && field_t > 0.0;
    if known { (moment * MU_B_OVER_K * field_t / test.stage_k).tanh() } else { 1.0 }
}

/// What differs between tests of one tip.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// In words.
    pub why: String,
    /// Whether the polarisation is larger than it was; nothing where the verdicts differ.
    pub larger: Option<bool>,
}

/// What differs between a test and those before; nothing where they may show the same.
pub fn differs(before: &[TipTest], now: &TipTest) -> Option<Difference> {
    let last = before.last()?;
    match (last.finding.verdict, now.finding.verdict) {
        (TipVerdict::Undecided, _) | (_, TipVerdict::Undecided) => return None,
        (before, now) if before != now => {
            let why = format!("the test shows {}, and before it {}", shown(now), shown(before));
            return Some(Difference { why, larger: None });
        }
        _ => {}
    }
    let [is, is_error] = now.finding.polarisation?;
    let slack = (SAME_PART * is).max(SAME_ERRORS * is_error) / is;
    // How much larger the new one is than the middle one of those before, if the atom has that moment; and whether those
    // before agree with each other then: tests in several fields tell which atom it is.
    let by_moment = |moment: f64| {
        let strength = |test: &TipTest| Some(test.finding.polarisation?[0] / thermal(test, moment));
        let mut all: Vec<f64> = before.iter().filter_map(strength).collect();
        all.sort_by(f64::total_cmp);
        let middle = *all.get(all.len() / 2)?;
        let apart = (all[all.len() - 1] - all[0]) / middle;
        Some((strength(now)? / middle - 1.0, apart <= 2.0 * slack))
    };
    let part = (MOMENTS[1] - MOMENTS[0]) / f64::from(TRIED);
    let tried: Vec<(f64, bool)> =
        (0..=TRIED).filter_map(|i| by_moment(MOMENTS[0] + part * f64::from(i))).collect();
    let agree = tried.iter().any(|(_, agree)| *agree);
    let counted = || tried.iter().filter(|(_, agrees)| *agrees || !agree).map(|(off, _)| *off);
    let larger = counted().all(|off| off > slack);
    if !larger && !counted().all(|off| off < -slack) {
        return None;
    }
    let least = counted().min_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    let why = format!(
        "the polarisation is {is:.4}, and by the tests before it {:.4} was expected",
        is / (1.0 + least)
    );
    Some(Difference { why, larger: Some(larger) })
}

fn shown(verdict: TipVerdict) -> &'static str {
    if verdict == TipVerdict::Contrast { "contrast" } else { "no contrast" }
}

impl TipLife {
    /// Takes in an entry.
    pub fn entry(&mut self, at_s: f64, entry: &Entry, rules: &TipRules) {
        match entry {
            Entry::Known(beforehand) => {
                if let Some(tip) = &beforehand.tip {
                    *self = (**tip).clone();
                }
            }
            Entry::TipTest { test, .. } => self.tested(*test, rules),
            Entry::Kept { name, at_m, .. } => self.keep(name, *at_m, at_s),
            Entry::Judgement { what, body, .. } => match what.read(body) {
                WorkedOut::Verdict(found) if found.verdict == Verdict::Real => {
                    self.proved_s.get_or_insert(at_s);
                    self.lost.clear();
                }
                WorkedOut::TipChange { by_test } => {
                    // The last test is of the new tip, where it was what showed it.
                    let before = self.recent.len().saturating_sub(usize::from(by_test));
                    self.recent.drain(..before);
                }
                _ => {}
            },
            Entry::Call { answer: Err(Failure::Guarded(_)), .. } => self.refused += 1,
            Entry::Call { request: Request::Task(task), answer, .. } => self.acted(task, answer),
            Entry::Call { answer: Ok(Answer::Centred(centred)), .. } => self.centred(centred, at_s),
            Entry::SafeStep { found: Found::Centred(centred), .. } => self.centred(centred, at_s),
            _ => {}
        }
    }

    fn keep(&mut self, name: &str, at_m: [f64; 2], at_s: f64) {
        let spin =
            KeptSpin { name: name.to_owned(), at_m, seen_s: at_s, area: self.area, shifts: self.shifts };
        // A second one of the same name does not free the first: whoever keeps a spin may be wrong about another.
        let same = |old: &KeptSpin| old.name == name && apart_m(old.at_m, at_m) < SAME_TOP_M;
        self.kept.retain(|old| !same(old));
        self.kept.push(spin);
    }

    fn acted(&mut self, task: &Task<String>, answer: &Result<Answer, Failure>) {
        let achieved = matches!(answer, Ok(Answer::Task(report)) if report.achieved);
        let kind = task.kind();
        if kind.changes_tip() {
            self.touches += 1;
            if achieved {
                self.atoms += match kind {
                    TaskKind::PickUp => 1,
                    TaskKind::PutDown => -1,
                    _ => 0,
                };
                (self.proved_s, self.looked_s) = (None, None);
                self.forget_good();
                self.recent.clear();
                self.lost.clear();
            }
        }
        match *task {
            // Whether it was done or not, nobody knows any more where anything is.
            Task::CoarseShift { x_steps, y_steps } => {
                self.forget_places();
                let steps = [i64::from(x_steps), i64::from(y_steps)];
                if achieved {
                    self.area = [0, 1].map(|i| self.area[i] + steps[i]);
                } else {
                    // It may have been done in part, and the way back may lead anywhere.
                    self.area_doubt += steps[0].abs().max(steps[1].abs());
                    self.elsewhere.clear();
                }
                self.shifts += 1;
            }
            Task::CoarseStep { .. } => self.forget_places(),
            _ => {}
        }
    }

    fn forget_good(&mut self) {
        self.tests.clear();
        self.elsewhere.clear();
    }

    /// The atoms on which it was tested are not to be found any more. That it was good there stays true.
    fn forget_places(&mut self) {
        if let Some(first) = self.tests.first()
            && self.elsewhere.iter().all(|good| good.area != self.area)
        {
            self.elsewhere.push(GoodElsewhere { at_s: first.at_s, area: self.area });
        }
        self.tests.clear();
        self.lost.clear();
    }

    /// By how many coarse steps an area is another one than that where the tip is. They are uneven: two are, for certain.
    fn steps_to(&self, area: [i64; 2]) -> i64 {
        (0..2).map(|i| (area[i] - self.area[i]).abs()).fold(0, i64::max)
    }

    fn centred(&mut self, centred: &Centred, at_s: f64) {
        let at_m = [centred.x_m, centred.y_m];
        let (area, shifts) = (self.area, self.shifts);
        let here = |spin: &&mut KeptSpin| spin.area == area && spin.shifts == shifts;
        for spin in self.kept.iter_mut().filter(here) {
            if centred.found && apart_m(spin.at_m, at_m) < SAME_TOP_M {
                (spin.at_m, spin.seen_s) = (at_m, at_s);
            }
        }
    }

    fn tested(&mut self, test: TipTest, rules: &TipRules) {
        let Some(tests) = rules.tests.filter(|_| test.centred) else { return };
        self.recent.push(test);
        let too_many = self.recent.len().saturating_sub(MOST_RECENT);
        self.recent.drain(..too_many);
        let polarisation = test.finding.polarisation.map_or(0.0, |[value, _]| value);
        match test.finding.verdict {
            TipVerdict::Contrast if polarisation >= tests.good => {
                self.lost.clear();
                self.tests.push(test);
                if self.is_stable(f64::NEG_INFINITY, tests.stable_s, rules.radius_m()) {
                    self.proved_s.get_or_insert(test.at_s);
                }
            }
            TipVerdict::None if self.proved_s.is_none() => self.forget_good(),
            TipVerdict::None if self.is_known_place(&test, rules.radius_m()) => {
                let again = |lost: &TipTest| {
                    apart_m(lost.at_m, test.at_m) <= rules.radius_m() && test.at_s - lost.at_s < APART_S
                };
                if !self.lost.iter().any(again) {
                    self.lost.push(test);
                }
            }
            _ => {}
        }
    }

    /// When tests since a moment found it good, in this area and in others.
    fn good_since(&self, since_s: f64) -> (Vec<&TipTest>, Vec<f64>) {
        let here = self.tests.iter().filter(|test| test.at_s >= since_s).collect();
        let others = self.elsewhere.iter().filter(|good| self.steps_to(good.area) >= 2);
        (here, others.map(|good| good.at_s).filter(|at_s| *at_s >= since_s).collect())
    }

    /// Whether tests on two atoms, over long enough, have found it good. An atom of another area is another atom.
    fn is_stable(&self, since_s: f64, stable_s: f64, radius_m: f64) -> bool {
        let (here, others) = self.good_since(since_s);
        let (Some(first), Some(last)) = (here.first(), here.last()) else { return false };
        let two = !others.is_empty() || here.iter().any(|test| apart_m(test.at_m, last.at_m) > radius_m);
        two && last.at_s - others.into_iter().fold(first.at_s, f64::min) >= stable_s
    }

    /// By what the tip is proved with what was seen since a moment alone, if it is: tests on two atoms, long enough.
    pub fn proved_since(&self, since_s: f64, rules: &TipRules) -> Option<String> {
        let stable =
            rules.tests.is_some_and(|tests| self.is_stable(since_s, tests.stable_s, rules.radius_m()));
        let (here, others) = self.good_since(since_s);
        (self.proved_s.is_some() && stable)
            .then(|| format!("{} tests on two atoms found it good", here.len() + others.len()))
    }

    /// Whether this tip was once found good in the same place and the same field.
    fn is_known_place(&self, test: &TipTest, radius_m: f64) -> bool {
        self.tests.iter().any(|good| {
            let reach_m = (radius_m + DRIFT_M_S * (test.at_s - good.at_s)).min(FOLLOWED_M.max(radius_m));
            let field_t = apart_m(test.field_t, good.field_t);
            let size_t = good.field_t[0].hypot(good.field_t[1]);
            apart_m(test.at_m, good.at_m) <= reach_m && field_t <= SAME_FIELD * size_t
        })
    }

    /// Why the tip must not be touched at a moment, if it must not.
    pub fn why_guarded(&self, now_s: f64, guard: &Guard) -> Option<String> {
        self.proved_s?;
        if self.word_until_s.is_some_and(|until_s| now_s < until_s) {
            return None;
        }
        let in_words = crate::quantity::in_words;
        if let Some(looked_s) = self.looked_s.filter(|looked_s| now_s - looked_s < guard.after_look_s) {
            return Some(format!(
                "a person looked at this tip {} ago and found it good; for {} after a look it is touched by their word alone",
                in_words(now_s - looked_s),
                in_words(guard.after_look_s)
            ));
        }
        let lost = self.lost.len();
        (lost < guard.lost as usize).then(|| {
            format!(
                "the tip is proved, and tests have found it lost {lost} of the {} times that it takes",
                guard.lost
            )
        })
    }

    /// The kept spin to which a place may belong, with what is known against it.
    pub fn kept_at(&self, now_s: f64, at_m: Option<[f64; 2]>, guard: &Guard) -> Option<String> {
        self.kept.iter().find_map(|spin| {
            let name = &spin.name;
            if self.steps_to(spin.area) >= 2 + self.area_doubt {
                return None;
            }
            if spin.shifts != self.shifts {
                return Some(format!("the kept spin `{name}` lies in this area, and nobody has found it again since the coarse motor moved"));
            }
            let Some(at_m) = at_m else {
                return Some(format!("nobody knows how far the tip is from the kept spin `{name}`"));
            };
            let reach_m = guard.kept_radius_m + DRIFT_M_S * (now_s - spin.seen_s).max(0.0);
            (apart_m(spin.at_m, at_m) <= reach_m).then(|| format!("the kept spin `{name}` is too near"))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::instrument::TaskReport;
    use crate::record::{Place, TipFinding};

    fn test(polarisation: f64, field_t: f64, stage_k: f64) -> TipTest {
        let polarisation = Some([polarisation, 5e-4]);
        let finding = TipFinding { verdict: TipVerdict::Contrast, polarisation };
        TipTest { at_s: 0.0, finding, at_m: [0.0; 2], field_t: [0.0, field_t], stage_k, centred: true }
    }

    /// What one tip shows over an atom of 0.895 Bohr magnetons.
    fn of_one_tip(field_t: f64, stage_k: f64) -> TipTest {
        test(0.3524 * (0.895 * MU_B_OVER_K * field_t / stage_k).tanh(), field_t, stage_k)
    }

    /// Good over one atom, the coarse motor moved so, and good again forty minutes later.
    fn after_shifts(shifts: &[(i32, bool)]) -> TipLife {
        let bench = crate::bench::builtin();
        let rules = TipRules::of(&bench);
        let mut life = TipLife::default();
        let good = |at_s: f64| Entry::TipTest {
            n: 1,
            test: TipTest { at_s, ..of_one_tip(0.4, 0.3) },
            place: Place::default(),
        };
        life.entry(0.0, &good(0.0), &rules);
        for (x_steps, achieved) in shifts {
            let report = TaskReport { achieved: *achieved, ..TaskReport::default() };
            let request = Request::Task(Task::CoarseShift { x_steps: *x_steps, y_steps: 0 });
            let answer = Ok(Answer::Task(report));
            life.entry(1.0, &Entry::Call { n: 2, request, place: Place::default(), answer }, &rules);
        }
        life.entry(2400.0, &good(2400.0), &rules);
        life
    }

    #[test]
    fn an_atom_of_another_area_is_another_atom_where_that_is_certain() {
        assert!(after_shifts(&[(2, true)]).proved_s.is_some());
        assert!(after_shifts(&[(-1, true), (-1, true)]).proved_s.is_some());
        for perhaps_back in
            [&[][..], &[(1, true)], &[(2, false)], &[(2, true), (-2, true)], &[(2, false), (2, true)]]
        {
            assert_eq!(after_shifts(perhaps_back).proved_s, None, "{perhaps_back:?}");
        }
        assert!(
            after_shifts(&[(3, true)]).proved_since(-1.0, &TipRules::of(&crate::bench::builtin())).is_some()
        );
        assert!(
            after_shifts(&[(3, true)]).proved_since(1.0, &TipRules::of(&crate::bench::builtin())).is_none()
        );
    }

    #[test]
    fn a_kept_spin_is_near_as_long_as_steps_may_not_have_been_done() {
        let bench = crate::bench::builtin();
        let guard = bench.guard.unwrap_or_default();
        let mut life = after_shifts(&[]);
        life.keep("the target", [0.0; 2], 2400.0);
        let shift = |life: &mut TipLife, x_steps: i32, achieved: bool| {
            let answer = Ok(Answer::Task(TaskReport { achieved, ..TaskReport::default() }));
            life.acted(&Task::CoarseShift { x_steps, y_steps: 0 }, &answer);
        };
        shift(&mut life, 2, false);
        assert!(life.kept_at(2400.0, Some([9e-9, 0.0]), &guard).is_some(), "nobody saw it move");
        shift(&mut life, -3, true);
        assert!(
            life.kept_at(2400.0, Some([9e-9, 0.0]), &guard).is_some(),
            "one step away, if the first were done"
        );
        shift(&mut life, -1, true);
        assert_eq!(life.kept_at(2400.0, Some([9e-9, 0.0]), &guard), None);
    }

    #[test]
    fn the_same_tip_in_other_fields_is_no_other_tip_and_another_one_is() {
        let before: Vec<TipTest> = [(0.3992, 0.3037), (0.3992, 0.3017), (0.4217, 0.3046), (0.4918, 0.3045)]
            .map(|(field_t, stage_k)| of_one_tip(field_t, stage_k))
            .to_vec();
        for field_t in [0.36, 0.40, 0.45, 0.52, 0.63, 0.8] {
            let same = of_one_tip(field_t, 0.3042);
            assert_eq!(differs(&before, &same), None, "{field_t}");
            // Half of the contrast is another tip anywhere, and one part in fifty in the field of the tests before.
            let [shown, _] = same.finding.polarisation.unwrap();
            let less = differs(&before, &test(0.5 * shown, field_t, 0.3042)).unwrap();
            assert_eq!(less.larger, Some(false));
        }
        let [shown, _] = of_one_tip(0.3992, 0.303).finding.polarisation.unwrap();
        assert_eq!(differs(&before[..3], &test(1.03 * shown, 0.3992, 0.303)).unwrap().larger, Some(true));
        // One that stood beside the top does not make the next one differ.
        let beside = [before[0], test(0.21, 0.3992, 0.3037), before[1]];
        assert_eq!(differs(&beside, &of_one_tip(0.3992, 0.303)), None);
    }
}
