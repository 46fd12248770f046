//! Sections with figures: verdicts, resonance against field, spectra, fits, channels.

use super::page::{Cell, cards, figure, list, safe};
use crate::analysis::joint::Verdict;
use crate::bench::Role;
use crate::history::result::Weight;
use crate::quantity::Unit;
use crate::record::{JudgementKind, RunFile};
use crate::report::account::{Account, Fitted};
use crate::report::figure::{Ink, Mark, Series, Style};
use crate::report::plot;
use crate::report::words::{count, with_error};
use std::fmt::Write;

/// Spectra drawn in the brief; the rest is one command away.
const MOST_SPECTRA: usize = 72;
/// Other results that are listed.
const MOST_JUDGED: usize = 200;
/// Images, and traces, drawn in the brief.
const MOST_BULKS: usize = 8;
/// Channels drawn in the brief.
const MOST_CHANNELS: usize = 10;
/// The forecast is drawn at most this far beyond the end, h.
const FORECAST_H: f64 = 60.0;

pub(super) fn verdicts(account: &Account) -> String {
    let mut out = String::new();
    for judged in &account.verdicts {
        let (weight, words) = match judged.verdict.known() {
            Some(Verdict::Real) => (Weight::Good, "Real: a line moves with field as a moment does"),
            Some(Verdict::Artefact) => (Weight::Wrong, "Artefact: what is seen stays in place"),
            Some(Verdict::Absent) => {
                (Weight::Good, "Nothing: no line of the height asked for lies where it was looked for")
            }
            Some(Verdict::Curved) => {
                (Weight::Look, "Curved: a line moves with field, but not as a moment's does")
            }
            Some(Verdict::Splitting) => {
                (Weight::Look, "Splitting: a line moves with field, but lies where no field of a tip puts it")
            }
            Some(Verdict::Undecided) => (Weight::Look, "Undecided: these spectra cannot tell"),
            None => (Weight::Look, "A verdict that this version does not know"),
        };
        let _ = write!(
            out,
            "<p class=\"verdict\"><b class=\"t-{}\">{} {words}</b> <span class=\"over\" style=\"display:inline\">judged {}</span></p>",
            weight.word(),
            weight.sign(),
            safe(&account.history.clock.short(judged.at_s))
        );
        out += &list(&judged.reasons, false);
        if let Some(next) = &judged.next {
            let _ = write!(out, "<p><b>What would settle it most cheaply:</b> {}.</p>", safe(next));
        }
        if let Some((evidence, wanted)) = judged.evidence {
            let _ = write!(
                out,
                "<p>Evidence for a line that moves with field: e<sup>{evidence:.1}</sup>; a proof needs e<sup>{wanted:.1}</sup>.</p>"
            );
        }
    }
    out
}

/// What else was worked out: contrast, lines, drift, identified spins.
pub(super) fn judged(account: &Account) -> String {
    let rows: Vec<(&str, Vec<Cell>)> = account
        .judged
        .iter()
        .filter(|judged| judged.1 != JudgementKind::Card)
        .take(MOST_JUDGED)
        .map(|(at_s, what, title, _)| {
            let what = what.word().replace('_', " ");
            // A title that begins with what it is needs it no second time.
            let title =
                title.strip_prefix(&what).map_or(title.as_str(), |rest| rest.trim_start_matches([':', ' ']));
            let cells =
                vec![("w", safe(&account.history.clock.short(*at_s))), ("w", safe(&what)), ("", safe(title))];
            ("", cells)
        })
        .collect();
    let mut out =
        cards("What was worked out beside fits and verdicts", &[("", "When"), ("", ""), ("", "")], &rows);
    if account.judged.len() > MOST_JUDGED {
        let _ = write!(
            out,
            "<p>… and {} more; they are in the run file.</p>",
            account.judged.len() - MOST_JUDGED
        );
    }
    out
}

pub(super) fn spectra(account: &Account, run: &RunFile, article: usize) -> String {
    // A single place is a point of a card, and no spectrum.
    let measured: Vec<_> = account.sweeps.iter().filter(|s| s.measured > 1).collect();
    if measured.is_empty() {
        return String::new();
    }
    let mut small = String::new();
    let mut failed = Vec::new();
    for outline in measured.iter().take(MOST_SPECTRA) {
        let number = outline.table.sweep;
        let drawing = if outline.table.slow.is_some() {
            plot::sweep(account, run, number, None, (330.0, 250.0)).map_err(|e| e.to_string())
        } else {
            account
                .fill(run, outline)
                .map(|table| plot::spectrum(account, outline, &table, None).draw(330.0, 180.0))
                .map_err(|e| e.to_string())
        };
        match drawing {
            Ok(drawing) => {
                let _ =
                    write!(small, "<div id=\"run-{article}-sweep-{number}\">{}</div>", figure(&drawing, ""));
            }
            Err(error) => failed.push(format!("Sweep {number} can't be drawn: {error}.")),
        }
    }
    let mut out = format!("<div class=\"small\">{small}</div>");
    out += &list(&failed, false);
    if measured.len() > MOST_SPECTRA {
        let _ = write!(
            out,
            "<p>The first {MOST_SPECTRA} of {} are shown; <code>noctule plot</code> draws any of them.</p>",
            count(measured.len() as u64, "sweep")
        );
    }
    out
}

/// Tonight beside an earlier run.
pub(super) fn beside(account: &Account, before: &Account) -> String {
    let (changed, as_before): (Vec<_>, Vec<_>) = crate::report::beside::compare(before, account)
        .into_iter()
        .partition(|row| row.changed == Some(true));
    let rows = |all: Vec<crate::report::beside::Compared>| -> Vec<(&str, Vec<Cell>)> {
        let row = |row: crate::report::beside::Compared| {
            let flag = match row.changed {
                Some(true) => "<span class=\"t-look\">▲ changed</span>",
                Some(false) => "as before",
                None => "–",
            };
            let cells = vec![
                ("", safe(&row.what)),
                ("w", safe(&row.before)),
                ("w", safe(&row.now)),
                ("w", flag.to_owned()),
            ];
            ("", cells)
        };
        all.into_iter().map(row).collect()
    };
    if changed.is_empty() && as_before.is_empty() {
        return String::new();
    }
    let head = [("", ""), ("", "Before"), ("", "Now"), ("", "")];
    let caption = format!("Beside {}: what moved by more than three times its scatter", before.name());
    let mut out = match changed.as_slice() {
        [] => format!(
            "<p>Nothing moved by more than three times its scatter, beside {}.</p>",
            safe(&before.name())
        ),
        _ => cards(&caption, &head, &rows(changed)),
    };
    let count = count(as_before.len() as u64, "quantity").replace("quantitys", "quantities");
    let others = cards(&format!("Beside {}: the rest", before.name()), &head, &rows(as_before));
    super::page::fold(&mut out, "As before", &count, &others);
    out
}

/// Everything on one clock.
pub(super) fn timeline(account: &Account, run: &RunFile) -> String {
    let mut out = String::new();
    for (class, width) in [("wide", 860.0), ("narrow", 370.0)] {
        if let Ok(drawing) = plot::timeline(account, run, width) {
            let _ = write!(out, "<div class=\"{class}\">{}</div>", figure(&drawing, &plot::letters(account)));
        }
    }
    out
}

/// Images and traces, each by itself.
pub(super) fn bulks(account: &Account, run: &RunFile) -> String {
    let mut small = String::new();
    let mut drawn = 0;
    for verb in ["image", "trace"] {
        let all = account.bulks.iter().filter(|b| b.verb() == verb).count();
        for which in 0..all.min(MOST_BULKS) {
            let drawing = if verb == "image" {
                plot::image(account, run, which, (330.0, 270.0))
            } else {
                plot::trace(account, run, which, (330.0, 180.0))
            };
            if let Ok(drawing) = drawing {
                small += &figure(&drawing, "");
                drawn += 1;
            }
        }
    }
    if small.is_empty() {
        return String::new();
    }
    let mut out = format!("<div class=\"small\">{small}</div>");
    if account.bulks.len() > drawn {
        let _ = write!(
            out,
            "<p>{drawn} of {} are shown; <code>noctule plot</code> draws any of them.</p>",
            account.bulks.len()
        );
    }
    out
}

pub(super) fn fits(account: &Account, article: usize) -> String {
    let rows: Vec<(&str, Vec<Cell>)> =
        account.fits_of_sweeps().take(500).map(|fit| fit_row(account, fit, article)).collect();
    let head = [
        ("n", "Sweep"),
        ("n", "Field"),
        ("n", "Centre"),
        ("n", "Width"),
        ("n", "Height"),
        ("n", "Asymmetry"),
        ("", "To be trusted?"),
    ];
    let caption = "Values with one standard error; fits that are not to be trusted are kept and say why";
    let mut out = cards(caption, &head, &rows);
    let all = account.fits_of_sweeps().count();
    if all > 500 {
        let _ =
            write!(out, "<p>… and {} more; <code>noctule export</code> writes all of them.</p>", all - 500);
    }
    out += &fits_of_points(account);
    out
}

fn trust(fit: &Fitted) -> String {
    if fit.trusted {
        "<span class=\"t-good\">✓ yes</span>".to_owned()
    } else {
        format!("<span class=\"t-wrong\">✕ no</span>: {}", safe(&fit.doubts.join("; ")))
    }
}

/// What the sequence fitted to points of its own: trends over several spectra.
fn fits_of_points(account: &Account) -> String {
    let row = |fit: &Fitted| {
        let cells = vec![
            ("w", safe(&account.history.clock.short(fit.at_s))),
            ("", safe(&fit.title)),
            ("", trust(fit)),
        ];
        ("", cells)
    };
    let rows: Vec<(&str, Vec<Cell>)> = account.fits_of_points().take(100).map(row).collect();
    let head = [("", "When"), ("", "What was fitted"), ("", "To be trusted?")];
    cards("Fits of points that the sequence put together", &head, &rows)
}

fn fit_row(account: &Account, fit: &Fitted, article: usize) -> (&'static str, Vec<Cell>) {
    let plain = Unit::parse("").expect("a plain number is a unit");
    let sweep = account.sweeps.iter().find(|s| Some(s.table.sweep) == fit.sweep);
    let x = sweep.map_or_else(|| account.unit_of("RfFrequency"), |s| account.unit_of(&s.table.fast.channel));
    let width = Unit::parse("MHz").filter(|mhz| mhz.dimension == x.dimension).unwrap_or_else(|| x.clone());
    let height = account.unit_of(&fit.channel);
    let shown = |name: &str, unit: &Unit| match fit.parameter(name) {
        Some(p) => safe(&with_error(p.value, p.error, unit)),
        None => "–".to_owned(),
    };
    let field =
        fit.field_t.map_or("–".to_owned(), |b| with_error(Some(b), None, &account.unit_of("FieldZ")));
    let number =
        fit.sweep.map_or("–".to_owned(), |s| format!("<a href=\"#run-{article}-sweep-{s}\">{s}</a>"));
    let cells = vec![
        ("n", number),
        ("n", safe(&field)),
        ("n", shown("centre", &x)),
        ("n", shown("width", &width)),
        ("n", shown("height", &height)),
        ("n", shown("asymmetry", &plain)),
        ("", trust(fit)),
    ];
    ("", cells)
}

pub(super) fn channels(account: &Account) -> String {
    let mut names: Vec<String> = Vec::new();
    let first = [
        Role::HeliumLevel,
        Role::StageTemperature,
        Role::PotTemperature,
        Role::ChamberPressure,
        Role::PreparationPressure,
    ];
    for role in first {
        let name = account.channel_name(role.name());
        if account.monitors.contains_key(&name) {
            names.push(name);
        }
    }
    for (name, readings) in &account.monitors {
        let constant = readings.windows(2).all(|w| w[0].1 == w[1].1);
        // Flags and what never changed make no figure.
        if !names.contains(name) && !constant && !account.unit_of(name).text.is_empty() {
            names.push(name.clone());
        }
    }
    let helium_name =
        account.bench.as_ref().and_then(|b| b.helium.map(|h| b.channel(h.channel).name.clone()));
    let mut out = String::new();
    for name in names.iter().take(MOST_CHANNELS) {
        let mut chart = plot::watched_chart(account, name);
        if Some(name) == helium_name.as_ref() {
            forecast(account, name, &mut chart);
        }
        out += &figure(&chart.draw(330.0, 180.0), "");
    }
    if out.is_empty() {
        return String::new();
    }
    format!("<div class=\"small\">{out}</div>")
}

/// The helium chart goes on to the refill limit.
fn forecast(account: &Account, name: &str, chart: &mut crate::report::figure::Chart) {
    let Some(helium) = account.helium() else { return };
    let unit = account.unit_of(name);
    let mark = unit.from_si(helium.limit_m3);
    chart.marks.push(Mark { y: mark, text: "refill limit".to_owned() });
    let (Some(due), Some(loss)) = (helium.due_at_s, helium.loss_m3_per_s) else { return };
    let from = account.history.end_s;
    let to = due.min(from + FORECAST_H * 3600.0);
    if to <= from {
        return;
    }
    let at = |t: f64| (t / 3600.0, unit.from_si(helium.last_m3 - loss * (t - from)));
    chart.series.push(Series::new(vec![at(from), at(to)], Style::Dashed, Ink::Fit).named("forecast"));
    chart.x = plot::clock_axis(account, to * 1.02);
    let top = chart.series[0].points.iter().map(|p| p.1).fold(mark, f64::max);
    chart.y.range = Some((0.8 * mark.min(at(to).1), 1.06 * top));
    chart.label += &format!("; the refill is due {}", account.history.clock.short(due));
}
