//! A campaign of many runs, told once above their own briefs.

use super::page::{self, Cell, cards, figure, fold, safe, section};
use super::text::Page;
use crate::history::result::{Weight, capital};
use crate::report::plot;
use crate::report::pursuit::{PursuedGoal, PursuedRun, PursuedTurn, Pursuit};
use std::fmt::Write;

/// What the figure shows, for its caption.
const CAPTION: &str = "Runs and tips with their numbers; H a hold, R a refill; a stroke: the tip was found changed. A goal is thick from \
                       when it is reached, and crossed where it was lost or given up.";

/// Who says what of a goal, for people.
fn turned(turn: &PursuedTurn) -> String {
    let why = if turn.why.is_empty() { String::new() } else { format!(": {}", turn.why) };
    format!("{} in {}: {}{why}", turn.when.at, turn.when.run, turn.state)
}

/// State and evidence of a goal.
fn stands(goal: &PursuedGoal) -> String {
    let since = goal.since.as_ref().map(|since| format!(" since {} in {}", since.at, since.run));
    let by = || format!(" by the record of {}", goal.run);
    format!("{}{}", goal.words, since.unwrap_or_else(by))
}

/// Lines of a run below its head.
fn told(run: &PursuedRun) -> Vec<String> {
    let list =
        |what: &str, words: &[String]| (!words.is_empty()).then(|| format!("{what}{}", words.join("; ")));
    let held = Some(run.held.clone()).filter(|held| !held.is_empty());
    let lines = [list("for ", &run.what_for), list("", &run.came), held.map(|held| format!("held: {held}"))];
    lines.into_iter().flatten().collect()
}

/// What is next, item by item.
fn next(pursuit: &Pursuit) -> Vec<String> {
    let next = &pursuit.next;
    let mut items: Vec<String> = Vec::new();
    if !next.open.is_empty() {
        items.push(format!("Open: {}.", next.open.join("; ")));
    }
    let chosen = if next.goes_on { "What is next" } else { "Chosen last" };
    items.extend(next.chosen.as_ref().map(|words| format!("{chosen}: {words}.")));
    items.extend(next.handed_over.iter().map(|words| format!("Said in the sequence: {words}")));
    items.extend(next.people.iter().cloned());
    items
}

fn title(pursuit: &Pursuit) -> String {
    let kind = if pursuit.rehearsal { ", rehearsed on the simulated microscope" } else { "" };
    format!("Campaign of {}{kind}", crate::report::words::count(pursuit.runs.len() as u64, "run"))
}

fn of_goals(pursuit: &Pursuit) -> Weight {
    if pursuit.next.open.is_empty() { Weight::Good } else { Weight::Look }
}

/// The last run, and its own headline.
fn last_run(pursuit: &Pursuit) -> Option<(&PursuedRun, String)> {
    let last = pursuit.runs.last()?;
    Some((last, format!("The last run, {}: {}", last.name, last.headline)))
}

/// Writes it as text.
pub(super) fn write(out: &mut String, pursuit: &Pursuit, width: usize) {
    let mut page = Page::new(out, width);
    page.line(&"═".repeat(page.width));
    page.wrapped(&title(pursuit), "", "");
    page.wrapped(&pursuit.span, "", "");
    page.line("");
    page.wrapped(&capital(&pursuit.headline), &format!("{} ", of_goals(pursuit).sign()), "  ");
    if let Some((last, words)) = last_run(pursuit) {
        page.wrapped(&words, &format!("{} ", last.weight.sign()), "  ");
    }
    page.list("What is not known", &pursuit.doubts, false);
    page.heading("Goals of the campaign");
    for goal in &pursuit.goals {
        let why = if goal.why.is_empty() { String::new() } else { format!(": {}", goal.why) };
        let lead = format!("{} {:<22} ", goal.weight.sign(), goal.name);
        page.wrapped(&format!("{}{why}", stands(goal)), &lead, &" ".repeat(25));
        let before = goal.course.split_last().map_or(&[][..], |(_, before)| before);
        for turn in before {
            page.wrapped(&turned(turn), "  ", "    ");
        }
    }
    page.heading("Course of the days");
    for (i, run) in pursuit.runs.iter().enumerate() {
        let gap = &run.gap;
        let gap = if gap.is_empty() { String::new() } else { format!(", {gap}") };
        let head = format!("{} ({}), {}{gap}: {}", run.name, run.sequence, run.when, run.outcome);
        page.wrapped(&head, &format!("{} {:>2} ", run.weight.sign(), i + 1), "     ");
        for line in told(run) {
            page.wrapped(&line, "     - ", "       ");
        }
    }
    if !pursuit.tips.is_empty() {
        page.heading("Tips");
        for tip in &pursuit.tips {
            let words: Vec<String> =
                std::iter::once(tip.came.clone()).chain(tip.known.iter().cloned()).collect();
            page.wrapped(
                &format!("{}; in {}", words.join("; "), tip.runs.join(", ")),
                &format!("  {:<8} ", tip.name),
                "    ",
            );
        }
    }
    if !pursuit.spins.is_empty() {
        page.heading("Spins that were proved");
        for spin in &pursuit.spins {
            let tip = if spin.tip.is_empty() { String::new() } else { format!(", with {}", spin.tip) };
            let from = format!(
                "{}, {} spectra from {} in {}{tip}",
                spin.words, spin.spectra, spin.when.at, spin.when.run
            );
            page.wrapped(&from, &format!("  {}: ", spin.name), "    ");
        }
    }
    if let Some(bath) = &pursuit.helium {
        page.heading("Helium over the days");
        page.wrapped(&bath.words, "  ", "  ");
    }
    page.list(&format!("What is next, by {}", pursuit.next.run), &next(pursuit), false);
    page.line("");
}

/// Writes it as an article of the page.
pub(super) fn article(out: &mut String, pursuit: &Pursuit) {
    let weight = pursuit.weight.word();
    let of_goals = of_goals(pursuit);
    let _ = write!(
        out,
        "<article class=\"{weight}\" id=\"campaign\" aria-labelledby=\"title-campaign\"><div class=\"over\"><span>{}</span></div>\
         <h1 id=\"title-campaign\">{}</h1><p class=\"lead\"><span class=\"seal\" style=\"color:var(--{})\">{} {}</span></p><ul class=\"story\">",
        safe(&pursuit.span),
        safe(&title(pursuit)),
        of_goals.word(),
        of_goals.sign(),
        safe(&pursuit.reached_in_words()),
    );
    for open in &pursuit.next.open {
        let _ = write!(out, "<li>{}</li>", signed(Weight::Look, &capital(open)));
    }
    if let Some((last, words)) = last_run(pursuit) {
        let _ = write!(out, "<li>{}</li>", signed(last.weight, &words));
    }
    out.push_str("</ul>");
    section(out, "What is not known", "by the records", &page::list(&pursuit.doubts, false));
    section(out, "Goals", "over all runs, by evidence", &goals(pursuit));
    let mut days = String::new();
    for (class, width) in [("wide", 860.0), ("narrow", 370.0)] {
        let _ = write!(days, "<div class=\"{class}\">{}</div>", figure(&plot::days(pursuit, width), CAPTION));
    }
    section(out, "The days", "on one clock", &days);
    section(out, "Runs", "in the order of time", &runs(pursuit));
    section(out, "Tips", "as the logbook counts", &tips(pursuit));
    section(out, "Spins", "that were proved", &spins(pursuit));
    let helium = pursuit.helium.as_ref().map(|bath| format!("<p>{}.</p>", safe(&capital(&bath.words))));
    section(out, "Helium", "over the days", &helium.unwrap_or_default());
    section(out, "What is next", &format!("by {}", pursuit.next.run), &page::list(&next(pursuit), false));
    let mut turns: Vec<(f64, String)> = Vec::new();
    for goal in &pursuit.goals {
        turns.extend(
            goal.course.iter().map(|turn| (turn.when.at_s, format!("{}: {}", goal.name, turned(turn)))),
        );
    }
    turns.sort_by(|a, b| a.0.total_cmp(&b.0));
    let turns: Vec<String> = turns.into_iter().map(|turn| turn.1).collect();
    fold(out, "Course of the goals", "what became of them", &page::list(&turns, false));
    out.push_str("</article>");
}

/// Words behind their sign.
fn signed(weight: Weight, words: &str) -> String {
    format!("<span class=\"t-{}\">{}</span> {}", weight.word(), weight.sign(), safe(words))
}

fn goals(pursuit: &Pursuit) -> String {
    let row = |goal: &PursuedGoal| {
        let since = goal.since.as_ref().map(|since| since.at.clone()).unwrap_or_default();
        let cells: Vec<Cell> = vec![
            ("", format!("<b>{}</b>", safe(&goal.name))),
            ("", signed(goal.weight, &goal.words)),
            ("", safe(&goal.run)),
            ("w", safe(&since)),
            ("", safe(&goal.why)),
        ];
        ("", cells)
    };
    let rows: Vec<(&str, Vec<Cell>)> = pursuit.goals.iter().map(row).collect();
    let head = [("", "Goal"), ("", "State"), ("", "By the run"), ("", "Since"), ("", "Evidence")];
    cards("Goals of the campaign", &head, &rows)
}

fn runs(pursuit: &Pursuit) -> String {
    let row = |(i, run): (usize, &PursuedRun)| {
        let cells: Vec<Cell> = vec![
            ("n", (i + 1).to_string()),
            ("", format!("<b>{}</b><br>{}", safe(&run.name), safe(&run.sequence))),
            ("", safe(&run.when)),
            ("", safe(&run.gap)),
            ("", safe(&run.what_for.join("; "))),
            ("", format!("{}; {}", signed(run.weight, &run.outcome), safe(&run.came.join("; ")))),
            ("", safe(&run.held)),
        ];
        ("", cells)
    };
    let rows: Vec<(&str, Vec<Cell>)> = pursuit.runs.iter().enumerate().map(row).collect();
    let head =
        [("n", ""), ("", "Run"), ("", "When"), ("", "Gap"), ("", "For"), ("", "What came"), ("", "Held")];
    cards("Runs of the campaign", &head, &rows)
}

fn tips(pursuit: &Pursuit) -> String {
    let row = |tip: &crate::report::pursuit::PursuedTip| {
        let cells: Vec<Cell> = vec![
            ("", format!("<b>{}</b>", safe(&capital(&tip.name)))),
            ("w", safe(&tip.from.at)),
            ("", safe(&tip.came)),
            ("", safe(&tip.known.join("; "))),
            ("", safe(&tip.runs.join(", "))),
        ];
        ("", cells)
    };
    let rows: Vec<(&str, Vec<Cell>)> = pursuit.tips.iter().map(row).collect();
    let head = [("", "Tip"), ("", "From"), ("", "How it came"), ("", "What is known"), ("", "Runs")];
    cards("Tips that were in", &head, &rows)
}

fn spins(pursuit: &Pursuit) -> String {
    let row = |spin: &crate::report::pursuit::ProvedSpin| {
        let cells: Vec<Cell> = vec![
            ("", format!("<b>{}</b>", safe(&capital(&spin.name)))),
            ("", safe(&spin.words)),
            ("n", spin.spectra.to_string()),
            ("", safe(&spin.tip)),
            ("w", safe(&spin.when.at)),
            ("", safe(&spin.when.run)),
        ];
        ("", cells)
    };
    let rows: Vec<(&str, Vec<Cell>)> = pursuit.spins.iter().map(row).collect();
    let head = [("", "Spin"), ("", "Proved"), ("n", "Spectra"), ("", "With"), ("", "From"), ("", "Run")];
    cards("Spins that were proved", &head, &rows)
}
