//! Sections in words and tables: state, next steps, what ran, tip, chronicle, parking, notes, cautions.

use super::handover::{Handover, StateLine};
use super::page::{Cell, cards, figure, list, safe, table};
use crate::cautions::CAUTIONS;
use crate::history::result::{Weight, capital};
use crate::quantity::in_words;
use crate::report::account::{Account, place_in_words};
use crate::report::figure::{Axis, Chart, Ink, Series, Style};
use crate::report::plot::clock_axis;
use std::fmt::Write;

/// Rows of a table before it says how many more there are.
const MOST_ROWS: usize = 400;

fn flag(good: bool, yes: &str, no: &str) -> String {
    let (weight, word) = if good { (Weight::Good, yes) } else { (Weight::Wrong, no) };
    format!("<span class=\"t-{}\">{} {}</span>", weight.word(), weight.sign(), safe(word))
}

/// What somebody asks for first, whatever its state.
const FIRST: [&str; 3] = ["Tip", "Field, z", "Helium"];

/// The lines of the bench that matter (`first`): those asked for first, and all that want a look; or the others.
pub(super) fn state(hand: &Handover, first: bool) -> String {
    let matters =
        |line: &&StateLine| (line.weight != Weight::Good || FIRST.contains(&line.what.as_str())) == first;
    let mut out = String::from("<dl class=\"state\">");
    for line in hand.state.iter().filter(matters) {
        let sign = if line.weight == Weight::Good {
            String::new()
        } else {
            format!(
                "<span class=\"t-{}\" style=\"display:inline\">{}</span> ",
                line.weight.word(),
                line.weight.sign()
            )
        };
        let _ = write!(
            out,
            "<div class=\"{}\"><dt>{}</dt><dd>{sign}<b>{}</b><span>{}</span></dd></div>",
            line.weight.word(),
            safe(&line.what),
            safe(&line.value),
            safe(&line.note)
        );
    }
    out.push_str("</dl>");
    out
}

pub(super) fn next(hand: &Handover) -> String {
    let mut out = list(&hand.result.next, true);
    if let Some(command) = &hand.command {
        let _ = write!(
            out,
            "<pre tabindex=\"0\" role=\"region\" aria-label=\"command that goes on\">{}</pre>",
            safe(command)
        );
    }
    out
}

pub(super) fn steps(account: &Account) -> String {
    let whole = account.history.end_s.max(1e-9);
    let rows: Vec<(&str, Vec<Cell>)> = account
        .history
        .steps
        .iter()
        .take(MOST_ROWS)
        .map(|step| {
            let to = step.to_s.unwrap_or(account.history.end_s);
            let left = 100.0 * step.from_s / whole;
            let width = (100.0 * (to - step.from_s) / whole).min(100.0 - left);
            let open = if step.to_s.is_none() { " class=\"open\"" } else { "" };
            let bar =
                format!("<div class=\"bar\"><i{open} style=\"left:{left:.2}%;width:{width:.2}%\"></i></div>");
            let how = match (&step.left_out, step.to_s) {
                (Some(why), _) => format!("– skipped: {}", safe(why)),
                (None, Some(_)) => safe(&in_words(to - step.from_s)),
                (None, None) => "▲ not finished".to_owned(),
            };
            let bar = if step.left_out.is_some() { String::new() } else { bar };
            let indent = format!("{}{}", "&emsp;".repeat(step.depth.min(8)), safe(&step.name));
            let sweeps = if step.sweeps > 0 { step.sweeps.to_string() } else { String::new() };
            let cells = vec![
                ("w", safe(&account.history.clock.short(step.from_s))),
                ("", indent),
                ("", how),
                ("n", sweeps),
                ("", bar),
            ];
            (if step.left_out.is_some() { "off" } else { "" }, cells)
        })
        .collect();
    let caption = match account.window_s {
        Some(window) => format!("Steps of the sequence; the window was {}", in_words(window)),
        None => "Steps of the sequence".to_owned(),
    };
    let head = [("", "Began"), ("", "Step"), ("", "Took"), ("n", "Sweeps"), ("", "In the run")];
    let mut out = table(&caption, &head, &rows);
    more(&mut out, account.history.steps.len());
    out
}

fn more(out: &mut String, all: usize) {
    if all > MOST_ROWS {
        let _ = write!(out, "<p>… and {} more; they are in the run file.</p>", all - MOST_ROWS);
    }
}

pub(super) fn tip(account: &Account) -> String {
    let rows: Vec<(&str, Vec<Cell>)> = account
        .tip
        .iter()
        .take(MOST_ROWS)
        .map(|event| {
            let achieved = event.achieved.map(|a| flag(a, "done", "not reached")).unwrap_or_default();
            let cells = vec![
                ("w", safe(&account.history.clock.short(event.at_s))),
                ("w", safe(&event.what.replace('_', " "))),
                ("w", achieved),
                ("", safe(&event.remark)),
            ];
            ("", cells)
        })
        .collect();
    let mut out = String::new();
    let picked = account.tip.iter().filter(|e| e.what == "pick_up");
    let (tries, got) = picked.fold((0, 0), |(t, g), e| (t + 1, g + u32::from(e.achieved == Some(true))));
    let pulses = account.tip.iter().filter(|e| e.what == "pulse").count();
    let mut facts = Vec::new();
    if tries > 0 {
        facts.push(format!("{got} of {tries} pick-ups succeeded"));
    }
    if pulses > 0 {
        facts.push(format!("pulses: {pulses}"));
    }
    if let (Some(first), Some(last)) = (account.centres.first(), account.centres.last()) {
        let away = (last.1 - first.1).hypot(last.2 - first.2) * 1e9;
        facts.push(format!(
            "re-centred {} times; from the first to the last the spin moved by {away:.2} nm in {}",
            account.centres.len(),
            in_words(last.0 - first.0)
        ));
    }
    if !facts.is_empty() {
        let _ = write!(out, "<p>{}.</p>", safe(&capital(&facts.join("; "))));
    }
    out += &table("What happened to the tip", &[("", "When"), ("", "What"), ("", ""), ("", "Remark")], &rows);
    more(&mut out, account.tip.len());
    if account.centres.len() >= 3 {
        out += &drift(account);
    }
    out
}

fn drift(account: &Account) -> String {
    let along = |pick: fn(&(f64, f64, f64)) -> f64| {
        let first = pick(&account.centres[0]);
        account.centres.iter().map(|c| (c.0 / 3600.0, (pick(c) - first) * 1e9)).collect()
    };
    let chart = Chart {
        title: "drift".to_owned(),
        label: "place of the spin against time, x and y, from the first re-centring".to_owned(),
        x: clock_axis(account, account.history.end_s),
        y: Axis::of("moved", "nm"),
        series: vec![
            Series::new(along(|c| c.1), Style::Line, Ink::First).named("x"),
            Series::new(along(|c| c.2), Style::Dashed, Ink::Second).named("y"),
        ],
        marks: Vec::new(),
        left: 0.0,
    };
    format!("<div class=\"small\">{}</div>", figure(&chart.draw(330.0, 180.0), ""))
}

pub(super) fn chronicle(account: &Account) -> String {
    let rows: Vec<(&str, Vec<Cell>)> = account
        .happenings
        .iter()
        .take(MOST_ROWS)
        .map(|h| {
            let sign = if h.grave { "<span class=\"t-look\">▲</span> " } else { "" };
            let place = h.place.as_ref().map(place_in_words).unwrap_or_default();
            let cells = vec![
                ("w", safe(&account.history.clock.short(h.at_s))),
                ("w", format!("{sign}{}", safe(h.kind))),
                ("", safe(&h.text)),
                ("", safe(&place)),
            ];
            ("", cells)
        })
        .collect();
    let head = [("", "When"), ("", "What"), ("", ""), ("", "The sequence was at")];
    let mut out = cards("Interlocks and what they did, holds, faults, words of operators", &head, &rows);
    more(&mut out, account.happenings.len());
    if out.is_empty() { "<p>Nothing tripped, nothing was held, nothing failed.</p>".to_owned() } else { out }
}

pub(super) fn park(account: &Account) -> String {
    if account.park.is_empty() {
        return "<p class=\"t-wrong\">✕ No park step is recorded.</p>".to_owned();
    }
    let rows: Vec<(&str, Vec<Cell>)> = account
        .park
        .iter()
        .map(|step| {
            let cells = vec![
                ("w", safe(&account.history.clock.short(step.at_s))),
                ("", safe(&step.what)),
                ("w", flag(step.achieved, "done", "NOT reached")),
                ("", safe(&step.remark)),
            ];
            ("", cells)
        })
        .collect();
    cards(
        "Park steps, exactly as they were left",
        &[("", "When"), ("", "Step"), ("", ""), ("", "Read back")],
        &rows,
    )
}

pub(super) fn remarks(account: &Account) -> String {
    let rows: Vec<(&str, Vec<Cell>)> = account
        .remarks
        .iter()
        .take(MOST_ROWS)
        .map(|remark| {
            let decided = remark.decided.as_ref().map(|(answer, why)| {
                let answer = if *answer { "yes" } else { "no" };
                if why.is_empty() {
                    format!("<b>{answer}</b>")
                } else {
                    format!("<b>{answer}</b>: {}", safe(why))
                }
            });
            let text = format!("{} {}", safe(&remark.text), decided.unwrap_or_default());
            let cells = vec![
                ("w", safe(&account.history.clock.short(remark.at_s))),
                ("", text),
                ("w", safe(&place_in_words(&remark.place))),
            ];
            ("", cells)
        })
        .collect();
    let mut out =
        cards("Notes and decisions of the sequence", &[("", "When"), ("", ""), ("", "Where")], &rows);
    more(&mut out, account.remarks.len());
    out
}

pub(super) fn cautions() -> String {
    let items = CAUTIONS
        .iter()
        .map(|caution| format!("<li><b>{}.</b> {}</li>", safe(caution.title), safe(caution.text)));
    format!("<ul>{}</ul>", items.collect::<String>())
}

pub(super) fn identity(account: &Account) -> String {
    let mut facts = vec![("Run file".to_owned(), account.path.display().to_string())];
    if let Some(identity) = &account.identity {
        facts.push(("Sequence".to_owned(), format!("{} ({})", identity.sequence, identity.sequence_hash)));
        facts.push(("Bench".to_owned(), format!("{} ({})", identity.bench, identity.bench_hash)));
        if !identity.world.is_empty() {
            facts.push(("World".to_owned(), format!("{}, seed {}", identity.world, identity.seed)));
        }
        facts.push(("Recorded by".to_owned(), format!("noctule {}", identity.version)));
    }
    let intact = if account.is_intact() {
        format!("every row checked: {} intact", account.integrity.intact)
    } else {
        format!("DAMAGED: {}", account.integrity.faults.join("; "))
    };
    facts.push(("Integrity".to_owned(), intact));
    if !account.integrity.digest.is_empty() {
        facts.push(("Digest".to_owned(), account.integrity.digest.clone()));
    }
    let rows: Vec<(&str, Vec<Cell>)> = facts
        .into_iter()
        .map(|(what, value)| ("", vec![("w", safe(&what)), ("", format!("<code>{}</code>", safe(&value)))]))
        .collect();
    table("What was run, and whether the file is whole", &[("", ""), ("", "")], &rows)
}
