//! The brief as text, for a terminal or a message.

use super::handover::Handover;
use crate::cautions::CAUTIONS;
use crate::history::result::{RunResult, capital};
use crate::history::{Card, Figure, first_of};
use crate::quantity::{in_words, significant};
use crate::report::account::{Account, Fitted};
use crate::report::beside::compare;
use crate::report::words::{rounded, with_error, wrapped};
use std::fmt::Write;

/// Columns where nobody knows how wide the terminal is.
pub const WIDTH: usize = 80;

/// Writes one run for so many columns.
pub(super) fn write(out: &mut String, account: &Account, width: usize, before: Option<&Account>) {
    let hand = Handover::new(account);
    let result = &hand.result;
    let mut page = Page::new(out, width);
    page.line(&"═".repeat(page.width));
    let what = account.identity.as_ref().map_or("unknown sequence", |i| i.sequence.as_str());
    let rehearsal = account.identity.as_ref().is_some_and(|i| i.rehearsal);
    let kind = if rehearsal { "rehearsal, simulated" } else { "run" };
    page.wrapped(&format!("{} — {what} ({kind})", account.name()), "", "");
    page.wrapped(&hand.span, "", "");
    page.line("");
    page.line(&format!("{} {}", result.weight.sign(), result.outcome.to_uppercase()));
    for part in result.told() {
        page.wrapped(&capital(&part.words), &format!("{} ", part.weight.sign()), "  ");
    }
    page.line("");
    if !hand.measured.is_empty() {
        page.wrapped(&hand.measured, "", "");
    }
    page.list("For the next shift", &account.history.handed_over, false);
    page.goals(account, result);
    page.list("Interrupted and resumed", &hand.interruptions, false);
    page.list("Do next", &result.next, true);
    if let Some(command) = &hand.command {
        page.line(&format!("   $ {command}"));
    }
    page.cards(account);
    page.heading("Bench now");
    for line in &hand.state {
        let lead = format!("{} {:<18} ", line.weight.sign(), line.what);
        page.wrapped(&format!("{}, {}", line.value, line.note), &lead, &" ".repeat(21));
    }
    if let Some(before) = before {
        page.beside(account, before);
    }
    page.list("Missing", &super::missing(&hand), false);
    page.list("Open questions", &hand.questions, false);
    page.results(account);
    page.what_ran(account);
    page.chronicle(account);
    page.heading("Cautions");
    for caution in CAUTIONS {
        page.wrapped(&format!("{}: {}", caution.title, caution.text), "- ", "  ");
    }
    page.line("");
}

/// Text of a given width.
pub(super) struct Page<'a> {
    out: &'a mut String,
    pub(super) width: usize,
}

impl<'a> Page<'a> {
    /// For so many columns, within reason.
    pub(super) fn new(out: &'a mut String, width: usize) -> Self {
        Self { out, width: width.clamp(40, 160) }
    }
}

impl Page<'_> {
    pub(super) fn line(&mut self, text: &str) {
        let _ = writeln!(self.out, "{text}");
    }

    pub(super) fn heading(&mut self, title: &str) {
        let rule = "─".repeat(self.width.saturating_sub(title.chars().count() + 4));
        self.line(&format!("\n── {title} {rule}"));
    }

    pub(super) fn list(&mut self, title: &str, items: &[String], numbered: bool) {
        if items.is_empty() {
            return;
        }
        self.heading(title);
        for (i, item) in items.iter().enumerate() {
            let lead = if numbered { format!("{}. ", i + 1) } else { "- ".to_owned() };
            let rest = " ".repeat(lead.len());
            self.wrapped(item, &lead, &rest);
        }
    }

    pub(super) fn wrapped(&mut self, text: &str, lead: &str, rest: &str) {
        self.out.push_str(&wrapped(text, lead, rest, self.width));
    }

    /// What the sequence is about; a terminal shows rows and not figures.
    fn cards(&mut self, account: &Account) {
        for card in &account.history.cards {
            let says = if card.says.is_empty() { String::new() } else { format!(": {}", card.says) };
            self.heading(&format!("{}{says}", capital(&card.title)));
            if card.rows.is_empty() {
                self.without_rows(account, card);
            }
            let name = |column: &crate::history::CardColumn| match column.unit.as_str() {
                "" => column.name.clone(),
                unit => format!("{} ({unit})", column.name),
            };
            let mut head: Vec<String> = card.columns.iter().map(name).collect();
            // What goes beyond the columns is the error of the last one.
            head.extend(card.rows.first().filter(|row| row.len() > head.len()).map(|_| "error".to_owned()));
            if !head.is_empty() && !card.rows.is_empty() {
                self.wrapped(&head.join(", "), "  ", "  ");
            }
            for row in card.rows.iter().take(MOST_ROWS) {
                let cells: Vec<String> = row.iter().map(cell).collect();
                self.wrapped(&cells.join("  "), "  ", "    ");
            }
            if card.rows.len() > MOST_ROWS {
                self.line(&format!(
                    "  … and {} more; the page has them as a figure",
                    card.rows.len() - MOST_ROWS
                ));
            }
        }
    }

    /// A terminal has the numbers of the laws; for the rest there is the page.
    fn without_rows(&mut self, account: &Account, card: &Card) {
        let laws = account.proved_laws();
        if card.figure != Figure::Field || laws.is_empty() {
            return self.line("  The figure is on the page: `noctule brief RUN --out brief.html`.");
        }
        for law in laws {
            let known = |value: Option<(f64, f64)>, scale: f64| {
                value.map_or("not known".to_owned(), |(value, error)| rounded(value * scale, error * scale))
            };
            let (moment, field) = (known(law.moment, 1.0), known(law.tip_field_t, 1e3));
            let spectra = law.points.len();
            self.wrapped(
                &format!("moment {moment} μB, tip field {field} mT, {spectra} spectra"),
                "  ",
                "    ",
            );
        }
    }

    /// The goals of the plan, their course, and what was chosen last.
    fn goals(&mut self, account: &Account, result: &RunResult) {
        if result.goals.is_empty() {
            return;
        }
        self.heading("Goals");
        for goal in &result.goals {
            let why = if goal.why.is_empty() { String::new() } else { format!(": {}", goal.why) };
            let lead = format!("{} {:<22} ", goal.weight.sign(), goal.name);
            self.wrapped(&format!("{}{why}", goal.words), &lead, &" ".repeat(25));
        }
        for turn in super::plan::course(account) {
            self.wrapped(&turn, "  ", "    ");
        }
        if let Some(chosen) = &result.chosen {
            let what = if account.history.ending.is_some() { "Chosen last" } else { "What is next" };
            self.wrapped(chosen, &format!("  {what}: "), "    ");
        }
        if let Some(budget) = &result.budget {
            self.wrapped(budget, "  Budget: ", "    ");
        }
        for question in &result.questions {
            self.wrapped(&question.words, &format!("  Asked, `{}`: ", question.name), "    ");
        }
    }

    fn beside(&mut self, account: &Account, before: &Account) {
        self.heading(&format!("Beside {}", before.name()));
        for row in compare(before, account) {
            let sign = if row.changed == Some(true) { "▲" } else { " " };
            let side = |text: &str| if text.is_empty() { "–".to_owned() } else { text.to_owned() };
            self.wrapped(
                &format!("{} → {}", side(&row.before), side(&row.now)),
                &format!("{sign} {:<22} ", row.what),
                &" ".repeat(25),
            );
        }
    }

    fn results(&mut self, account: &Account) {
        if account.verdicts.is_empty() && account.fits.is_empty() {
            return;
        }
        self.heading("Verdicts and fits");
        for verdict in &account.verdicts {
            self.line(&format!("Verdict: {}", verdict.verdict.word().to_uppercase()));
            for reason in &verdict.reasons {
                self.wrapped(reason, "  - ", "    ");
            }
        }
        for fit in account.fits_of_sweeps() {
            let centre = fit.parameter("centre");
            let unit = account.unit_of("RfFrequency");
            let shown = with_error(centre.and_then(|c| c.value), centre.and_then(|c| c.error), &unit);
            let field =
                fit.field_t.map_or(String::new(), |b| with_error(Some(b), None, &account.unit_of("FieldZ")));
            let sweep = fit.sweep.map_or("–".to_owned(), |s| s.to_string());
            self.wrapped(&trust(fit), &format!("  sweep {sweep:>4}  {field:>10}  {shown:<26} "), "        ");
        }
        for fit in account.fits_of_points() {
            self.wrapped(&format!("{} {}", fit.title, trust(fit)), "  ", "    ");
        }
    }

    fn what_ran(&mut self, account: &Account) {
        if account.history.steps.is_empty() {
            return;
        }
        self.heading("What ran");
        for step in &account.history.steps {
            let how_long = match (&step.left_out, step.to_s) {
                (Some(why), _) => format!("skipped: {why}"),
                (None, Some(to)) => in_words(to - step.from_s),
                (None, None) => "not finished".to_owned(),
            };
            let lead = format!(
                "  {:<9} {}",
                account.history.clock.short(step.from_s),
                "  ".repeat(step.depth.min(8))
            );
            self.wrapped(&format!("{}, {how_long}", step.name), &lead, &" ".repeat(14));
        }
    }

    fn chronicle(&mut self, account: &Account) {
        let clock = &account.history.clock;
        if !account.happenings.is_empty() {
            self.heading("Interlocks, holds, faults");
            for happening in &account.happenings {
                let sign = if happening.grave { "▲" } else { " " };
                self.wrapped(
                    &happening.text,
                    &format!("{sign} {:<9} ", clock.short(happening.at_s)),
                    &" ".repeat(12),
                );
            }
        }
        if !account.park.is_empty() {
            self.heading("Parking");
            for step in &account.park {
                let sign = if step.achieved { "✓ " } else { "✕ NOT REACHED " };
                self.wrapped(&format!("{}: {}", step.what, step.remark), sign, "  ");
            }
        }
        if !account.remarks.is_empty() {
            self.heading("Notes and decisions");
            for remark in &account.remarks {
                let decided = remark.decided.as_ref().map(|(answer, why)| {
                    let answer = if *answer { "yes" } else { "no" };
                    if why.is_empty() { format!(" {answer}") } else { format!(" {answer}: {why}") }
                });
                let text = format!("{}{}", remark.text, decided.unwrap_or_default());
                self.wrapped(&text, &format!("  {:<9} ", clock.short(remark.at_s)), &" ".repeat(12));
            }
        }
    }
}

/// Rows of a card in a terminal.
const MOST_ROWS: usize = 20;

fn cell(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(words) => words.clone(),
        value => value.as_f64().map_or(value.to_string(), |number| significant(number, 5)),
    }
}

fn trust(fit: &Fitted) -> String {
    if fit.trusted { "✓".to_owned() } else { format!("✕ not trusted: {}", first_of(&fit.doubts)) }
}
