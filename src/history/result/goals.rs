//! How far the goals of a plan are, and what is next.

use super::{Part, Weight};
use crate::history::History;
use crate::record::{Evidence, Goal, GoalState, Turn};
use serde::Serialize;

/// A goal of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GoalLine {
    /// Its name.
    pub name: String,
    /// What settles it.
    pub evidence: &'static str,
    /// `open`, `reached`, `lost`, `given up`.
    pub state: &'static str,
    /// The same with what is there of it: `open, 3 of 5 places`.
    pub words: String,
    /// By what it came so far.
    pub why: String,
    /// How urgent it is.
    pub weight: Weight,
    /// What it became, in order.
    pub course: Vec<Turn>,
}

/// All goals, in the order of the plan.
pub(super) fn lines(history: &History) -> Vec<GoalLine> {
    history.goals.all.iter().map(line).collect()
}

fn line(goal: &Goal) -> GoalLine {
    let state = goal.state;
    GoalLine {
        name: goal.plan.name.clone(),
        evidence: goal.plan.evidence.word(),
        state: state.word(),
        words: goal.in_words(),
        why: if state == GoalState::Open { String::new() } else { goal.why.clone() },
        weight: if state == GoalState::Reached { Weight::Good } else { Weight::Look },
        course: goal.course.clone(),
    }
}

/// All goals as one part of the headline: how many are reached, and which were given up.
pub(super) fn part(history: &History, over: bool) -> Option<Part> {
    let all = &history.goals.all;
    let reached = all.iter().filter(|goal| goal.state == GoalState::Reached).count();
    let missing = all.iter().filter(|goal| goal.state != GoalState::Reached);
    // Of maps that wait for one proof the proof tells.
    let told = missing.filter(|goal| {
        goal.plan.evidence != Evidence::LineMapped || goal.settled > 0 || goal.plan.after.is_empty()
    });
    let told: Vec<String> = told.map(|goal| format!("{} {}", goal.plan.name, goal.in_words())).collect();
    let rest = if told.is_empty() { String::new() } else { format!(" ({})", told.join("; ")) };
    let weight = if reached == all.len() || !over { Weight::Good } else { Weight::Look };
    let words = format!("{reached} of {} goals reached{rest}", all.len());
    (!all.is_empty()).then_some(Part { about: "plan", weight, words })
}
