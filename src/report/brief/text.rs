//! The brief as text, for a terminal or a message.

use super::handover::Handover;
use crate::cautions::CAUTIONS;
use crate::history::first_of;
use crate::quantity::in_words;
use crate::report::account::Account;
use crate::report::words::with_error;
use std::fmt::Write;

const WIDTH: usize = 96;

/// Writes one run.
pub fn write(out: &mut String, account: &Account) {
    let hand = Handover::new(account);
    let (word, weight) = &hand.outcome;
    let _ = writeln!(out, "{}", "═".repeat(WIDTH));
    let what = account.identity.as_ref().map_or("unknown sequence", |i| i.sequence.as_str());
    let rehearsal = account.identity.as_ref().is_some_and(|i| i.rehearsal);
    let kind = if rehearsal { "rehearsal, simulated" } else { "run" };
    let _ = writeln!(out, "{} — {what} ({kind})", account.name());
    let _ = writeln!(out, "{}", hand.span);
    let _ = writeln!(out, "\n{} {}. {}\n", weight.sign(), word.to_uppercase(), hand.sentence);
    let _ = writeln!(out, "{}", hand.measured);
    list(out, "For the next shift", &hand.writers_words, false);
    list(out, "Interrupted and resumed", &hand.interruptions, false);
    heading(out, "State of the bench");
    for line in &hand.state {
        let _ = writeln!(out, "{} {:<20} {:<22} {}", line.weight.sign(), line.what, line.value, line.note);
    }
    list(out, "Next", &hand.next, true);
    if let Some(command) = &hand.command {
        let _ = writeln!(out, "   $ {command}");
    }
    list(out, "Open questions", &hand.questions, false);
    results(out, account);
    what_ran(out, account);
    chronicle(out, account);
    heading(out, "Cautions");
    for caution in CAUTIONS {
        wrapped(out, &format!("{}: {}", caution.title, caution.text), "- ", "  ");
    }
    out.push('\n');
}

fn heading(out: &mut String, title: &str) {
    let _ = writeln!(out, "\n── {title} {}", "─".repeat(WIDTH.saturating_sub(title.chars().count() + 4)));
}

fn list(out: &mut String, title: &str, items: &[String], numbered: bool) {
    if items.is_empty() {
        return;
    }
    heading(out, title);
    for (i, item) in items.iter().enumerate() {
        let lead = if numbered { format!("{}. ", i + 1) } else { "- ".to_owned() };
        let rest = " ".repeat(lead.len());
        wrapped(out, item, &lead, &rest);
    }
}

fn wrapped(out: &mut String, text: &str, lead: &str, rest: &str) {
    let mut line = lead.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{line}");
            rest.clone_into(&mut line);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    let _ = writeln!(out, "{line}");
}

fn results(out: &mut String, account: &Account) {
    if account.verdicts.is_empty() && account.fits.is_empty() {
        return;
    }
    heading(out, "Results");
    for verdict in &account.verdicts {
        let _ = writeln!(out, "Verdict: {}", verdict.verdict.to_uppercase());
        for reason in &verdict.reasons {
            wrapped(out, reason, "  - ", "    ");
        }
    }
    for fit in account.fits_of_sweeps() {
        let centre = fit.parameter("centre");
        let unit = account.unit_of("RfFrequency");
        let shown = with_error(centre.and_then(|c| c.value), centre.and_then(|c| c.error), &unit);
        let field =
            fit.field_t.map_or(String::new(), |b| with_error(Some(b), None, &account.unit_of("FieldZ")));
        let sweep = fit.sweep.map_or("–".to_owned(), |s| s.to_string());
        let trust = if fit.trusted {
            "✓".to_owned()
        } else {
            format!("✕ not trusted: {}", first_of(&fit.doubts))
        };
        let _ = writeln!(out, "  sweep {sweep:>4}  {field:>12}  {shown:<28} {trust}");
    }
    for fit in account.fits_of_points() {
        let trust = if fit.trusted {
            "✓".to_owned()
        } else {
            format!("✕ not trusted: {}", first_of(&fit.doubts))
        };
        wrapped(out, &format!("{} {trust}", fit.title), "  ", "    ");
    }
}

fn what_ran(out: &mut String, account: &Account) {
    if account.history.steps.is_empty() {
        return;
    }
    heading(out, "What ran");
    for step in &account.history.steps {
        let how_long = match (&step.left_out, step.to_s) {
            (Some(why), _) => format!("skipped: {why}"),
            (None, Some(to)) => in_words(to - step.from_s),
            (None, None) => "not finished".to_owned(),
        };
        let name = format!("{}{}", "  ".repeat(step.depth.min(8)), step.name);
        let _ = writeln!(out, "  {:<10} {name:<44} {how_long}", account.clock.short(step.from_s));
    }
}

fn chronicle(out: &mut String, account: &Account) {
    if !account.happenings.is_empty() {
        heading(out, "Interlocks, holds, faults");
        for happening in &account.happenings {
            let sign = if happening.grave { "▲" } else { " " };
            let _ = writeln!(out, "{sign} {:<10} {}", account.clock.short(happening.at_s), happening.text);
        }
    }
    if !account.park.is_empty() {
        heading(out, "Parking");
        for step in &account.park {
            let sign = if step.achieved { "✓" } else { "✕ NOT REACHED" };
            let _ = writeln!(out, "{sign} {}: {}", step.what, step.remark);
        }
    }
    if !account.remarks.is_empty() {
        heading(out, "Notes and decisions");
        for remark in &account.remarks {
            let decided = remark.decided.as_ref().map(|(answer, why)| {
                let answer = if *answer { "yes" } else { "no" };
                if why.is_empty() { format!(" {answer}") } else { format!(" {answer}: {why}") }
            });
            let text = format!("{}{}", remark.text, decided.unwrap_or_default());
            wrapped(out, &text, &format!("  {:<10} ", account.clock.short(remark.at_s)), "             ");
        }
    }
}
