//! Goals of one name in several runs are one goal.
//!
//! A proof and a map that is complete stay what they are, with the run that reached them. What is not reached stands as the
//! latest run has it that says the goal. A goal about the tip is about the tip that is in: it is carried from run to run
//! only where the later one was told of the tip.

use super::{Days, RunPart, When};
use crate::history::result::Weight;
use crate::record::{Evidence, Goal, GoalState};
use serde::Serialize;

/// A step in the course of a goal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PursuedTurn {
    /// When, and in which run.
    #[serde(flatten)]
    pub when: When,
    /// What it became.
    pub state: &'static str,
    /// By what.
    pub why: String,
}

/// A goal of a campaign.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PursuedGoal {
    /// Its name.
    pub name: String,
    /// What settles it.
    pub evidence: &'static str,
    /// `open`, `reached`, `lost`, `given up`.
    pub state: &'static str,
    /// The same with what is there of it: `open, 3 of 5 places`.
    pub words: String,
    /// How urgent it is.
    pub weight: Weight,
    /// The run by whose record it stands so.
    pub run: String,
    /// Since when it stands so; none for what never was anything else.
    pub since: Option<When>,
    /// By what.
    pub why: String,
    /// What it became, in order, over all runs.
    pub course: Vec<PursuedTurn>,
}

impl PursuedGoal {
    /// Whether it was reached at a moment, and not lost by then, s from the beginning of the first run.
    pub(super) fn was_reached_before(&self, at_s: f64) -> bool {
        let before = self.course.iter().rev().find(|turn| turn.when.at_s <= at_s);
        before.is_some_and(|turn| turn.state == GoalState::Reached.word())
    }
}

/// All goals: those of the last plan in its order, then those that only earlier runs say.
pub(super) fn all(parts: &[&RunPart], days: &Days) -> Vec<PursuedGoal> {
    let mut names: Vec<&str> = Vec::new();
    for goal in parts.iter().rev().flat_map(|part| &part.goals) {
        if !names.contains(&goal.plan.name.as_str()) {
            names.push(&goal.plan.name);
        }
    }
    names.into_iter().filter_map(|name| one(name, parts, days)).collect()
}

fn one(name: &str, parts: &[&RunPart], days: &Days) -> Option<PursuedGoal> {
    let (last, goal) = parts.iter().rev().find_map(|part| Some((*part, of_name(part, name)?)))?;
    let of_tip = goal.plan.evidence == Evidence::TipProved;
    let course = if of_tip { course_of_tip(name, parts, days) } else { course_of_proof(name, parts, days) };
    // What an earlier run gave up, or lost, stands as the latest run has it.
    let latest = |turn: &&PursuedTurn| {
        let from_last_on = parts.iter().skip_while(|part| part.name != last.name);
        turn.state == GoalState::Reached.word()
            || from_last_on.into_iter().any(|part| part.name == turn.when.run)
    };
    let came_to = course.last().filter(latest).and_then(|turn| GoalState::of(turn.state));
    let state = came_to.unwrap_or(goal.state);
    let words = if state == goal.state { goal.in_words() } else { state.word().to_owned() };
    let since = course.last().filter(|turn| turn.state == state.word());
    Some(PursuedGoal {
        name: name.to_owned(),
        evidence: goal.plan.evidence.word(),
        state: state.word(),
        words,
        weight: if state == GoalState::Reached { Weight::Good } else { Weight::Look },
        run: since.map_or_else(|| last.name.clone(), |turn| turn.when.run.clone()),
        since: since.map(|turn| turn.when.clone()),
        why: since.map(|turn| turn.why.clone()).unwrap_or_default(),
        course,
    })
}

fn of_name<'g>(part: &'g RunPart, name: &str) -> Option<&'g Goal> {
    part.goals.iter().find(|goal| goal.plan.name == name)
}

fn is_reached(course: &[PursuedTurn]) -> bool {
    course.last().is_some_and(|turn| turn.state == GoalState::Reached.word())
}

/// What was proved, or mapped whole, stays so.
fn course_of_proof(name: &str, parts: &[&RunPart], days: &Days) -> Vec<PursuedTurn> {
    let mut course = Vec::new();
    for part in parts {
        for turn in of_name(part, name).into_iter().flat_map(|goal| &goal.course) {
            let (state, why) = (turn.state.word(), turn.why.clone());
            course.push(PursuedTurn { when: days.of(part, turn.at_s), state, why });
            if turn.state == GoalState::Reached {
                return course;
            }
        }
    }
    course
}

/// The tip that is in: good until a test, or what is done to it, says otherwise.
fn course_of_tip(name: &str, parts: &[&RunPart], days: &Days) -> Vec<PursuedTurn> {
    let mut course: Vec<PursuedTurn> = Vec::new();
    for part in parts {
        let turn = |at_s: f64, state: GoalState, why: String| PursuedTurn {
            when: days.of(part, at_s),
            state: state.word(),
            why,
        };
        if is_reached(&course) && !part.told {
            let why = format!("{} was not told of the tip that was in before", part.name);
            course.push(turn(0.0, GoalState::Open, why));
        }
        let Some(goal) = of_name(part, name) else {
            // Who does not say the goal may still change the tip.
            if let (true, Some((at_s, what))) = (is_reached(&course), part.touches.first()) {
                course.push(turn(*at_s, GoalState::Lost, format!("{what} has changed the tip")));
            }
            continue;
        };
        for own in &goal.course {
            // What a run was told is no news.
            if own.state != GoalState::Reached || !is_reached(&course) {
                course.push(turn(own.at_s, own.state, own.why.clone()));
            }
        }
        if goal.state == GoalState::Open && is_reached(&course) {
            let why = format!("by the record of {} it is not settled", part.name);
            course.push(turn(0.0, GoalState::Open, why));
        }
    }
    course
}
