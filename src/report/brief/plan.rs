//! The plan of a run: its goals with state and evidence, their course in time, and what was chosen.

use super::page::{Cell, cards, safe};
use crate::quantity::in_words;
use crate::record::{Alternative, Choice};
use crate::report::account::Account;
use std::fmt::Write;

/// Choices that are shown; the rest is in the run file.
const MOST_CHOICES: usize = 120;

/// Goals with state and evidence, and what is next.
pub(super) fn goals(account: &Account) -> String {
    let clock = &account.history.clock;
    let row = |goal: &crate::history::result::GoalLine| {
        let since = goal.course.last().map(|turn| clock.short(turn.at_s)).unwrap_or_default();
        let state = format!(
            "<span class=\"t-{}\">{}</span> {}",
            goal.weight.word(),
            goal.weight.sign(),
            safe(&goal.words)
        );
        let cells: Vec<Cell> = vec![
            ("", format!("<b>{}</b>", safe(&goal.name))),
            ("", state),
            ("w", safe(&since)),
            ("", safe(&goal.why)),
        ];
        ("", cells)
    };
    let result = account.result();
    let rows: Vec<(&str, Vec<Cell>)> = result.goals.iter().map(row).collect();
    let mut out =
        cards("Goals of the plan", &[("", "Goal"), ("", "State"), ("", "Since"), ("", "Evidence")], &rows);
    if let Some(chosen) = result.chosen {
        let what = if account.history.ending.is_some() { "Chosen last" } else { "What is next" };
        let _ = write!(out, "<p>{what}: {}.</p>", safe(&chosen));
    }
    if let Some(budget) = result.budget {
        let _ = write!(out, "<p>Budget: {}.</p>", safe(&budget));
    }
    let asked = result.questions.iter().map(|asked| format!("Asked, `{}`: {}.", asked.name, asked.words));
    out.push_str(&super::page::list(&asked.collect::<Vec<_>>(), false));
    out
}

/// What became of the goals, one line a turn, in order of time.
pub(super) fn course(account: &Account) -> Vec<String> {
    let mut turns: Vec<(f64, String)> = Vec::new();
    for goal in &account.history.goals.all {
        let turn = |turn: &crate::record::Turn| {
            (turn.at_s, format!("{}: {}, {}", goal.plan.name, turn.state.word(), turn.why))
        };
        turns.extend(goal.course.iter().map(turn));
    }
    turns.sort_by(|a, b| a.0.total_cmp(&b.0));
    turns.into_iter().map(|(at_s, said)| format!("{} {said}", account.history.clock.short(at_s))).collect()
}

/// Every choice with its alternatives.
pub(super) fn choices(account: &Account) -> String {
    let all = &account.history.choices;
    let clock = &account.history.clock;
    let row = |choice: &Choice| {
        let taken = choice.taken.and_then(|i| choice.of.get(i));
        let others = choice.of.iter().filter(|one| Some(*one) != taken);
        let others: Vec<String> = others.map(alternative).collect();
        let cells: Vec<Cell> = vec![
            ("w", safe(&clock.short(choice.at_s))),
            ("", taken.map_or("nothing".to_owned(), |one| safe(&alternative(one)))),
            ("", safe(&others.join("; "))),
        ];
        ("", cells)
    };
    let rows: Vec<(&str, Vec<Cell>)> = all.iter().take(MOST_CHOICES).map(row).collect();
    let mut out = cards(
        "What was chosen, and what stood beside it",
        &[("", "When"), ("", "Taken"), ("", "Beside it")],
        &rows,
    );
    if all.len() > MOST_CHOICES {
        let _ = write!(out, "<p>… and {} more; they are in the run file.</p>", all.len() - MOST_CHOICES);
    }
    out
}

fn alternative(one: &Alternative) -> String {
    match &one.lacking {
        Some(lacking) => format!("{} (not now: {lacking})", one.name),
        None => format!(
            "{} ({:.2} an hour: {:.2} in {})",
            one.name,
            one.worth_an_hour,
            one.gain,
            in_words(one.time_s)
        ),
    }
}
