//! What becomes of a plan in a hidden world, and the odds over many of them.
//!
//! The plan knows nothing of the world. Here its goals are held against what was really there.

use super::nights::{Night, Spread};
use super::odds::Share;
use super::truth::Truth;
use super::what_if::Changed;
use crate::analysis::joint::Verdict;
use crate::history::History;
use crate::quantity::in_words;
use crate::record::{Evidence, Goal, GoalState, Outcome, Shortfall};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Courses that are shown.
const WORST_SHOWN: usize = 3;
/// Below this polarisation of the apex no tip is called good: over a spin of g 1.7 to 1.9 in 0.4 T at 0.3 K a test sees 0.62 to
/// 0.67 of it (0.0968 of 0.1521 was measured), and the bench file asks for a tenth.
const GOOD: f64 = 0.16;
/// A tip that became good by itself so short a time before it is touched is one that nobody could know of, s: a test alone
/// takes twelve.
const KNOWABLE_S: f64 = 12.0;
/// A figure with so many rows is a map.
const MAP_ROWS: usize = 4;

/// A goal at the end of one course.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GoalEnd {
    /// Its name.
    pub name: String,
    /// What settles it.
    pub evidence: Evidence,
    /// What it was worth.
    pub worth: f64,
    /// How it ended.
    pub state: GoalState,
    /// The named reason, where it was given up.
    pub shortfall: Option<Shortfall>,
    /// When it was reached first, h.
    pub reached_h: Option<f64>,
    /// Whether it was reached and is right, or given up for a reason that is true; none where nobody can tell.
    pub true_end: Option<bool>,
}

/// What became of a plan, or of a sequence without one, in one world.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Course {
    /// The goals; none where the sequence says none.
    pub goals: Vec<GoalEnd>,
    /// Whether a good tip was in at the beginning, and at the end.
    pub good_tip: [bool; 2],
    /// Attempts to change a tip that was good.
    pub good_tip_touched: u64,
    /// Whether a spin was lifted that was proved, or kept.
    pub target_lifted: bool,
    /// Time from the first good tip to the first right proof, h.
    pub proof_h: Option<f64>,
    /// Whether a line was proved, and rightly.
    pub proved: bool,
    /// Results that hold: right proofs, one for each spin and tip, and maps of a line that was there.
    pub results: u64,
    /// Hours of spectra under a tip that sees nothing, and hours in all.
    pub blind_h: [f64; 2],
    /// Whether a person had to come, for the run did not finish.
    pub stuck: bool,
    /// Hours that the pot would still have lasted.
    pub pot_left_h: f64,
    /// Atoms lifted or moved.
    pub lifted: u64,
}

impl Course {
    /// From the record of one rehearsal and the truth of its world.
    pub fn new(history: &History, truth: &Truth) -> Self {
        let good_since = |at_s: f64| {
            let tip = truth.tips.iter().rfind(|tip| tip.from_s <= at_s);
            tip.filter(|tip| tip.polarised && !tip.double && tip.polarisation >= GOOD).map(|tip| tip.from_s)
        };
        let good_at = |at_s: f64| good_since(at_s).is_some();
        let was_good = |at_s: f64| good_since(at_s - 1.0).is_some_and(|from_s| at_s - from_s > KNOWABLE_S);
        let end_s = history.end_s;
        // A proof that later spectra took back was one; whether it was right says the world.
        let proofs = history.claims.iter().filter_map(|claim| match claim.verdict.known() {
            Some(Verdict::Real) => Some(claim),
            _ => claim.proof.as_deref(),
        });
        let proofs: Vec<_> = proofs.filter_map(|claim| Some((claim, truth.meant_by(claim)?))).collect();
        let first_s = proofs.iter().filter_map(|(claim, _)| claim.proved_s).min_by(f64::total_cmp);
        let good_s = truth.tips.iter().find(|tip| good_at(tip.from_s)).map(|tip| tip.from_s.max(0.0));
        let sites: BTreeSet<(&str, usize)> =
            proofs.iter().map(|(_, stay)| (stay.site.as_str(), stay.tip)).collect();
        let maps = maps(history, truth);
        let blind_s: f64 = history.swept_s.iter().map(|(from_s, to_s)| dark_s(truth, *from_s, *to_s)).sum();
        Self {
            goals: history.goals.all.iter().map(|goal| end(goal, history, truth, good_at(end_s))).collect(),
            good_tip: [good_at(0.0), good_at(end_s)],
            good_tip_touched: history.touched_s.iter().filter(|at_s| was_good(**at_s)).count() as u64,
            target_lifted: truth.lifted.iter().any(|site| sites.iter().any(|(proved, _)| proved == site)),
            proof_h: first_s.zip(good_s).map(|(first_s, good_s)| (first_s - good_s).max(0.0) / 3600.0),
            proved: first_s.is_some(),
            results: sites.len() as u64 + maps,
            blind_h: [blind_s / 3600.0, end_s / 3600.0],
            stuck: history.ending.as_ref().is_none_or(|ending| ending.outcome != Outcome::Finished),
            pot_left_h: truth.cold.pot_left_s / 3600.0,
            lifted: truth.lifted.len() as u64,
        }
    }

    /// Worth of the goals that were reached, and of all.
    pub fn worth(&self) -> [f64; 2] {
        let reached = self.goals.iter().filter(|goal| goal.state == GoalState::Reached);
        [reached.map(|goal| goal.worth).sum(), self.goals.iter().map(|goal| goal.worth).sum()]
    }
}

/// Time within a span under tips that see nothing, s.
fn dark_s(truth: &Truth, from_s: f64, to_s: f64) -> f64 {
    let seen: f64 =
        truth.polarised.iter().map(|span| (span.to_s.min(to_s) - span.from_s.max(from_s)).max(0.0)).sum();
    (to_s - from_s - seen).max(0.0)
}

/// Maps of a line that was there while they were made: goals that are settled; of a sequence without goals, figures.
fn maps(history: &History, truth: &Truth) -> u64 {
    let seen = |from_s: f64, to_s: f64| truth.seen(from_s, to_s).next().is_some();
    if history.goals.all.is_empty() {
        let whole = |card: &&crate::history::Card| {
            let series = history.fits.iter().filter(|fit| fit.trusted && fit.began_s >= card.first_s).count();
            let rows = if card.rows.is_empty() && card.planned.is_some() { series } else { card.rows.len() };
            rows >= MAP_ROWS && seen(card.first_s, card.at_s.max(history.end_s))
        };
        return history.cards.iter().filter(whole).count() as u64;
    }
    let maps = history.goals.all.iter().filter(|goal| goal.plan.evidence == Evidence::LineMapped);
    maps.filter(|goal| goal.state == GoalState::Reached && seen(0.0, reached_s(goal).unwrap_or(0.0))).count()
        as u64
}

fn reached_s(goal: &Goal) -> Option<f64> {
    goal.course.iter().find(|turn| turn.state == GoalState::Reached).map(|turn| turn.at_s)
}

fn end(goal: &Goal, history: &History, truth: &Truth, good_tip: bool) -> GoalEnd {
    let claims = || history.claims.iter().map(|claim| truth.bears_out(claim));
    let true_end = match (goal.state, goal.plan.evidence) {
        (GoalState::Reached, Evidence::TipProved) => Some(good_tip),
        (GoalState::Reached | GoalState::Lost, _) => Some(!claims().any(|right| right == Some(false))),
        (GoalState::Open, _) => None,
        (GoalState::GivenUp, _) => goal.shortfall.map(|shortfall| match shortfall {
            // A tip that is there and was not found is no true reason.
            Shortfall::NoContrast | Shortfall::NoAtoms | Shortfall::TipLost | Shortfall::Guarded => !good_tip,
            Shortfall::NoLine => claims().all(|right| right != Some(false)),
            Shortfall::Undecided | Shortfall::TooOften => false,
            _ => true,
        }),
    };
    GoalEnd {
        name: goal.plan.name.clone(),
        evidence: goal.plan.evidence,
        worth: goal.plan.worth,
        state: goal.state,
        shortfall: goal.shortfall,
        reached_h: reached_s(goal).map(|at_s| at_s / 3600.0),
        true_end,
    }
}

/// The odds of one goal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GoalOdds {
    /// Its name.
    pub name: String,
    /// Courses in which it was reached.
    pub reached: Share,
    /// Hours to it.
    pub hours: Spread,
    /// The same of each course, in rising order.
    #[serde(skip)]
    pub reached_h: Vec<f64>,
    /// Named reasons for which it was given up, and how often.
    pub shortfalls: BTreeMap<&'static str, u64>,
}

/// One of the worst courses.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WorstCourse {
    /// Its seed.
    pub seed: u64,
    /// Worth of the goals that were reached, and of all.
    pub worth: [f64; 2],
    /// What became of it.
    pub what: String,
    /// The command that repeats it.
    pub command: String,
}

/// The odds of a plan over many hidden worlds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlanOdds {
    /// A good tip at the end, kept or made.
    pub good_tip: Share,
    /// Of courses that began with one: it was there at the end.
    pub tip_kept: Share,
    /// Of courses that began without one: one was there at the end.
    pub tip_made: Share,
    /// A line was proved, and rightly.
    pub proved: Share,
    /// Something was called real that was not there.
    pub falsely: Share,
    /// Of courses with a goal to prove: it ended with a right proof or for a named reason that is true.
    pub settled: Share,
    /// Courses that did not finish, so that a person had to come.
    pub stuck: Share,
    /// When they ended, h.
    pub stuck_h: Spread,
    /// Good tips that were touched.
    pub good_tip_touched: u64,
    /// Targets that were lifted.
    pub target_lifted: u64,
    /// Each goal.
    pub goals: Vec<GoalOdds>,
    /// From the first good tip to the first right proof, h.
    pub proof_h: Spread,
    /// Length of a course, h.
    pub length_h: Spread,
    /// Part of all hours in which spectra were taken under a tip that sees nothing.
    pub blind_part: f64,
    /// Results that hold, for each hour.
    pub results_an_hour: f64,
    /// Helium left at the end, L.
    pub helium_left_l: Spread,
    /// Hours that the pot would still have lasted.
    pub pot_left_h: Spread,
    /// Atoms lifted or moved.
    pub lifted: Spread,
    /// What is in the way most: a named reason, the worth that it cost in all courses, and what would help.
    pub in_the_way: Vec<(&'static str, f64, &'static str)>,
    /// What would change the odds, where that was rehearsed: the most helpful first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<Changed>,
    /// The worst courses.
    pub worst: Vec<WorstCourse>,
}

impl PlanOdds {
    /// Adds courses up. `command` repeats one of them, without its seed.
    pub fn of(nights: &[Night], command: &str) -> Option<Self> {
        let courses: Vec<(&Night, &Course)> =
            nights.iter().filter_map(|night| Some((night, night.course.as_ref()?))).collect();
        if courses.is_empty() {
            return None;
        }
        let all = courses.len() as u64;
        let share = |holds: &dyn Fn(&Course) -> bool, among: &dyn Fn(&Course) -> bool| {
            let such: Vec<&Course> = courses.iter().map(|(_, course)| *course).filter(|c| among(c)).collect();
            Share::new(such.iter().filter(|course| holds(course)).count() as u64, such.len() as u64)
        };
        let any: &dyn Fn(&Course) -> bool = &|_| true;
        let spread = |of: &dyn Fn(&Course) -> Option<f64>| {
            Spread::of(courses.iter().filter_map(|(_, course)| of(course)).collect())
        };
        let sum = |of: &dyn Fn(&Course) -> f64| courses.iter().map(|(_, course)| of(course)).sum::<f64>();
        let hours = sum(&|course| course.blind_h[1]);
        let falsely = nights.iter().filter(|night| night.morning.falsely).count() as u64;
        Some(Self {
            good_tip: share(&|c| c.good_tip[1], any),
            tip_kept: share(&|c| c.good_tip[1], &|c| c.good_tip[0]),
            tip_made: share(&|c| c.good_tip[1], &|c| !c.good_tip[0]),
            proved: share(&|c| c.proved, any),
            falsely: Share::new(falsely, all),
            settled: share(&|c| proof(c).is_some_and(|goal| c.proved || goal.true_end == Some(true)), &|c| {
                proof(c).is_some()
            }),
            stuck: share(&|c| c.stuck, any),
            stuck_h: spread(&|c| c.stuck.then_some(c.blind_h[1])),
            good_tip_touched: courses.iter().map(|(_, course)| course.good_tip_touched).sum(),
            target_lifted: courses.iter().filter(|(_, course)| course.target_lifted).count() as u64,
            goals: goals(&courses),
            proof_h: spread(&|c| c.proof_h),
            length_h: spread(&|c| Some(c.blind_h[1])),
            blind_part: sum(&|course| course.blind_h[0]) / hours.max(1e-9),
            results_an_hour: sum(&|course| course.results as f64) / hours.max(1e-9),
            helium_left_l: Spread::of(courses.iter().filter_map(|(night, _)| night.helium_left_l).collect()),
            pot_left_h: spread(&|c| Some(c.pot_left_h)),
            lifted: spread(&|c| Some(c.lifted as f64)),
            in_the_way: in_the_way(&courses),
            changes: Vec::new(),
            worst: worst(&courses, command),
        })
    }
}

fn proof(course: &Course) -> Option<&GoalEnd> {
    course.goals.iter().find(|goal| goal.evidence == Evidence::ResonanceProved)
}

fn goals(courses: &[(&Night, &Course)]) -> Vec<GoalOdds> {
    let mut names: Vec<&str> = Vec::new();
    for (_, course) in courses {
        for goal in &course.goals {
            if !names.contains(&goal.name.as_str()) {
                names.push(&goal.name);
            }
        }
    }
    let odds = |name: &str| {
        let ends: Vec<&GoalEnd> = courses
            .iter()
            .flat_map(|(_, course)| course.goals.iter().filter(|goal| goal.name == name))
            .collect();
        let mut shortfalls = BTreeMap::new();
        for shortfall in ends.iter().filter_map(|goal| goal.shortfall) {
            *shortfalls.entry(shortfall.word()).or_default() += 1;
        }
        let reached = ends.iter().filter(|goal| goal.state == GoalState::Reached).count() as u64;
        let mut reached_h: Vec<f64> = ends.iter().filter_map(|goal| goal.reached_h).collect();
        reached_h.sort_by(f64::total_cmp);
        GoalOdds {
            name: name.to_owned(),
            reached: Share::new(reached, courses.len() as u64),
            hours: Spread::of(reached_h.clone()),
            reached_h,
            shortfalls,
        }
    };
    names.into_iter().map(odds).collect()
}

/// What would help against a reason.
fn help(shortfall: Shortfall) -> &'static str {
    match shortfall {
        Shortfall::NoContrast | Shortfall::NoAtoms => "more atoms that may be lifted, or more areas",
        Shortfall::NoLine | Shortfall::Undecided => "more looks, or more spins",
        Shortfall::TipLost | Shortfall::Guarded => "a person's word that the tip may be touched",
        Shortfall::NoTime => "more time",
        Shortfall::NoHelium => "a refill before, or somebody who fills",
        Shortfall::NotCold => "a pot that was condensed before",
        Shortfall::SpotLost => "less drift, or a spin that stands alone",
        Shortfall::TooOften => "an instrument that was looked after",
        Shortfall::NotWanted | Shortfall::NeedsAnother => "what it waits for",
    }
}

fn in_the_way(courses: &[(&Night, &Course)]) -> Vec<(&'static str, f64, &'static str)> {
    let mut cost: BTreeMap<&'static str, (f64, &'static str)> = BTreeMap::new();
    for (_, course) in courses {
        // Goals that waited for another are counted with the reason of that one.
        let first =
            course.goals.iter().filter_map(|goal| goal.shortfall).find(|s| *s != Shortfall::NeedsAnother);
        for goal in course.goals.iter().filter(|goal| goal.state != GoalState::Reached) {
            let own = goal.shortfall.filter(|shortfall| *shortfall != Shortfall::NeedsAnother);
            let (word, helps) = match own.or(first) {
                Some(shortfall) => (shortfall.word(), help(shortfall)),
                None => ("it did not finish", "what ended it, below"),
            };
            cost.entry(word).or_insert((0.0, helps)).0 += goal.worth;
        }
    }
    let mut all: Vec<_> = cost.into_iter().map(|(word, (worth, helps))| (word, worth, helps)).collect();
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    all
}

fn worst(courses: &[(&Night, &Course)], command: &str) -> Vec<WorstCourse> {
    let mut all: Vec<_> = courses.iter().filter(|(_, course)| !course.goals.is_empty()).collect();
    all.sort_by(|(a, x), (b, y)| {
        let less = x.worth()[0].total_cmp(&y.worth()[0]);
        less.then(b.end_s.total_cmp(&a.end_s)).then(a.seed.cmp(&b.seed))
    });
    let told = |(night, course): &&(&Night, &Course)| {
        let given_up = course.goals.iter().filter_map(|goal| Some((goal, goal.shortfall?)));
        let why: Vec<String> = given_up.map(|(goal, s)| format!("{}: {}", goal.name, s.word())).collect();
        let what = if night.outcome == Outcome::Finished && why.is_empty() {
            format!("every goal reached, the last one after {}", in_words(night.end_s))
        } else if night.outcome == Outcome::Finished {
            why.join("; ")
        } else {
            night.outcome.told(&night.reason)
        };
        WorstCourse {
            seed: night.seed,
            worth: course.worth(),
            what,
            command: format!("{command} {}", night.seed),
        }
    };
    all.iter().take(WORST_SHOWN).map(told).collect()
}
