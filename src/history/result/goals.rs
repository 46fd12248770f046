//! How far the goals of a plan are, and what is next.

use super::{Part, Weight};
use crate::history::History;
use crate::record::{Asking, Evidence, Goal, GoalState, Turn};
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

/// A question of the plan to people.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct QuestionLine {
    /// What it is called.
    pub name: String,
    /// The question and what became of it.
    pub words: String,
    /// What may be answered, while it is open.
    pub answers: Vec<String>,
    /// The answer that holds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub holds: Option<String>,
}

/// All questions to people, in the order in which they were asked.
pub(super) fn questions(history: &History) -> Vec<QuestionLine> {
    let line = |asking: &Asking| {
        let holds = asking.holds_at(history.end_s).map(str::to_owned);
        QuestionLine {
            name: asking.asked.name.clone(),
            words: asking.in_words(history.end_s),
            answers: if holds.is_none() { asking.asked.answers.clone() } else { Vec::new() },
            holds,
        }
    };
    history.goals.asked.iter().map(line).collect()
}

/// What the plan may use and has used; none where it says no budget.
pub(super) fn budget(history: &History) -> Option<String> {
    let goals = &history.goals;
    (!goals.budget.is_empty()).then(|| goals.used.in_words(&goals.budget))
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
