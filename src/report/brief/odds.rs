//! The odds of a plan as one page: before people leave, what will probably have become of it when they are back.

use super::STYLE;
use super::page::{Cell, cards, figure, safe, section, table};
use crate::record::RunFile;
use crate::report::account::Account;
use crate::report::figure::{Anchor, Axis, Chart, Drawing, Ink, Place, Series, Style};
use crate::report::plot::{letters, timeline};
use crate::run::campaign::{GoalOdds, PlanOdds};
use crate::run::nights::{Campaign, Spread};
use crate::run::odds::Share;
use crate::run::what_if::Changed;
use std::fmt::Write;

/// Widths of the figures, pixels: on a desk, and on a phone.
const WIDE: f64 = 820.0;
const NARROW: f64 = 360.0;
const ROW: f64 = 26.0;

/// One of the worst courses, rehearsed once more with a record.
#[derive(Debug)]
pub struct WorstRun {
    /// Its seed.
    pub seed: u64,
    /// The run.
    pub run: RunFile,
}

/// The page. `title` says what was rehearsed, `worst` has the worst courses as far as they were recorded.
pub fn odds_page(campaign: &Campaign, plan: &PlanOdds, title: &str, worst: &[WorstRun]) -> String {
    let mut out = String::with_capacity(128 << 10);
    let _ = write!(
        out,
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\
         <title>Odds: {0}</title><style>{STYLE}</style></head><body><a class=\"skip\" href=\"#odds\">To the odds</a><main>\
         <article class=\"{1}\" id=\"odds\" aria-labelledby=\"title\"><div class=\"over\"><span>rehearsed in {2} hidden worlds</span>\
         <span>{3:.0} hours of simulated time</span></div><h1 id=\"title\">{0}</h1>",
        safe(title),
        if plan.stuck.count + plan.falsely.count == 0 { "good" } else { "look" },
        campaign.count,
        campaign.simulated_hours,
    );
    section(&mut out, "In short", "", &short(plan));
    section(&mut out, "How often", "with 95 % intervals", &both("", |width| Some(shares(plan, width))));
    section(&mut out, "Goals", "hours to each", &goals(plan));
    section(&mut out, "What would change it", "the same worlds once more", &changes(&plan.changes));
    section(&mut out, "In the way", "by the worth of goals that it cost", &in_the_way(plan));
    section(&mut out, "What is left", "at the end", &left(plan));
    section(&mut out, "Worst courses", "to look at", &courses(plan, worst));
    let _ = write!(
        out,
        "</article><footer>Written by noctule {}. Worlds are invented and drawn round what is known: odds, not promises.</footer></main></body></html>",
        env!("CARGO_PKG_VERSION")
    );
    out
}

/// A figure for a desk and one for a phone.
fn both(caption: &str, draw: impl Fn(f64) -> Option<Drawing>) -> String {
    let one = |class: &str, width| {
        draw(width).map(|drawing| format!("<div class=\"{class}\">{}</div>", figure(&drawing, caption)))
    };
    one("wide", WIDE).into_iter().chain(one("narrow", NARROW)).collect()
}

fn per_cent(share: &Share) -> String {
    share.share.map_or_else(|| "–".to_owned(), |part| format!("{:.1} %", 100.0 * part))
}

fn short(plan: &PlanOdds) -> String {
    let mut lines = vec![format!(
        "A line is proved, and rightly, in {} of the worlds; something is called real that is not there in {} of {}.",
        per_cent(&plan.proved),
        plan.falsely.count,
        plan.falsely.of
    )];
    if plan.proof_h.count > 0 {
        let Spread { median, p90, .. } = plan.proof_h;
        lines.push(format!(
            "From a good tip to the proof it takes {median:.1} h (one half), {p90:.1} h (nine of ten)."
        ));
    }
    lines.push(format!(
        "A person has to come in {} of {}{}; good tips touched: {}; targets lifted: {}; spectra under a tip that sees nothing: {:.1} % of the time.",
        plan.stuck.count,
        plan.stuck.of,
        if plan.stuck.count > 0 { format!(", after {:.1} h in the middle one", plan.stuck_h.median) } else { String::new() },
        plan.good_tip_touched,
        plan.target_lifted,
        100.0 * plan.blind_part
    ));
    super::page::list(&lines, false)
}

/// Shares as dots with their intervals, one below the other.
fn shares(plan: &PlanOdds, width: f64) -> Drawing {
    // Where the bars begin, behind the words.
    let left = if width < WIDE { 196.0 } else { 290.0 };
    let mut rows: Vec<(String, Share, Ink)> = vec![
        ("a good tip at the end".to_owned(), plan.good_tip, Ink::First),
        ("kept, where one was in".to_owned(), plan.tip_kept, Ink::First),
        ("made, where none was".to_owned(), plan.tip_made, Ink::First),
        ("a line proved, and rightly".to_owned(), plan.proved, Ink::First),
        ("proved, or not for a true reason".to_owned(), plan.settled, Ink::First),
    ];
    rows.extend(plan.goals.iter().map(|goal| (format!("goal: {}", goal.name), goal.reached, Ink::Second)));
    rows.push(("stuck: a person has to come".to_owned(), plan.stuck, Ink::Warn));
    rows.push(("called real what is not there".to_owned(), plan.falsely, Ink::Warn));
    rows.retain(|(_, share, _)| share.of > 0);
    let label = rows.iter().map(|(what, share, _)| format!("{what} {}", per_cent(share))).collect::<Vec<_>>();
    let mut drawing = Drawing::new(width, ROW * (rows.len() as f64 + 1.2), label.join(", "));
    let at = |part: f64| left + (width - left - 62.0) * part;
    let bottom = ROW * rows.len() as f64 + 6.0;
    for quarter in 0..=4 {
        let x = at(f64::from(quarter) / 4.0);
        drawing.line(vec![(x, 4.0), (x, bottom)], Ink::Grid, 1.0);
        drawing.text((x, bottom + 14.0), format!("{} %", 25 * quarter), 11.0, Anchor::Middle, Ink::Faint);
    }
    for (i, (what, share, ink)) in rows.iter().enumerate() {
        let y = ROW * (i as f64 + 0.6);
        drawing.text((left - 12.0, y + 4.0), what.clone(), 12.0, Anchor::End, Ink::Text);
        drawing.line(vec![(at(share.low), y), (at(share.high), y)], *ink, 3.0);
        let middle = (at(share.share.unwrap_or(0.0)), y);
        drawing.shapes.push(crate::report::figure::Shape::Dots {
            places: vec![middle],
            ink: *ink,
            size: 9.0,
        });
        drawing.text((width - 4.0, y + 4.0), per_cent(share), 12.0, Anchor::End, Ink::Text);
    }
    drawing
}

fn goals(plan: &PlanOdds) -> String {
    let row = |goal: &GoalOdds| {
        let hours = if goal.hours.count > 0 {
            format!("{:.1} / {:.1} / {:.1} h", goal.hours.p10, goal.hours.median, goal.hours.p90)
        } else {
            "–".to_owned()
        };
        let why: Vec<String> =
            goal.shortfalls.iter().map(|(word, count)| format!("{word} ({count})")).collect();
        let cells: Vec<Cell> = vec![
            ("", format!("<b>{}</b>", safe(&goal.name))),
            ("n", per_cent(&goal.reached)),
            ("n", hours),
            ("", safe(&why.join(", "))),
        ];
        ("", cells)
    };
    let rows: Vec<(&'static str, Vec<Cell>)> = plan.goals.iter().map(row).collect();
    let head = [("", "Goal"), ("n", "Reached"), ("n", "10 / 50 / 90 %"), ("", "Given up for")];
    let caption = "Part of the worlds in which each goal is reached by then.";
    let mut out = both(caption, |width| course_of(plan, width));
    out.push_str(&cards("Goals of the plan", &head, &rows));
    out
}

/// Part of the worlds in which each goal was reached, over the hours.
fn course_of(plan: &PlanOdds, width: f64) -> Option<Drawing> {
    let longest_h = plan.goals.iter().flat_map(|goal| goal.reached_h.iter().copied()).fold(0.0, f64::max);
    if longest_h <= 0.0 {
        return None;
    }
    let looks = [
        (Style::Line, Ink::First),
        (Style::Line, Ink::Second),
        (Style::Line, Ink::Fit),
        (Style::Dashed, Ink::First),
        (Style::Dashed, Ink::Second),
        (Style::Dashed, Ink::Fit),
    ];
    let series = plan.goals.iter().zip(looks.into_iter().cycle()).map(|(goal, (style, ink))| {
        let all = goal.reached.of.max(1) as f64;
        let mut points: Vec<Place> = vec![(0.0, 0.0)];
        for (i, at_h) in goal.reached_h.iter().enumerate() {
            points.push((*at_h, 100.0 * i as f64 / all));
            points.push((*at_h, 100.0 * (i + 1) as f64 / all));
        }
        points.push((longest_h, 100.0 * goal.reached_h.len() as f64 / all));
        Series::new(points, style, ink).named(&goal.name)
    });
    let chart = Chart {
        label: "part of the worlds in which each goal is reached, over the hours".to_owned(),
        x: Axis { range: Some((0.0, longest_h)), ..Axis::of("time", "h") },
        y: Axis { range: Some((0.0, 100.0)), ..Axis::of("reached", "%") },
        series: series.collect(),
        ..Chart::default()
    };
    Some(chart.draw(width, 300.0))
}

fn changes(changes: &[Changed]) -> String {
    let row = |changed: &Changed| {
        let cells: Vec<Cell> = vec![
            ("", format!("<b>{}</b>", safe(changed.given))),
            ("n", format!("{:+.1} ± {:.1} %", 100.0 * changed.worth, 100.0 * changed.worth_error)),
            ("n", format!("{:+.1} %", 100.0 * changed.proved)),
            ("n", changed.worlds.to_string()),
        ];
        ("", cells)
    };
    let rows: Vec<(&'static str, Vec<Cell>)> = changes.iter().map(row).collect();
    let head = [("", "Given before"), ("n", "Worth of what is reached"), ("n", "Proved"), ("n", "Worlds")];
    if rows.is_empty() {
        return "<p>Not rehearsed: <code>--what-if</code> does.</p>".to_owned();
    }
    cards("What each thing changes, mean and standard error over the same worlds", &head, &rows)
}

fn in_the_way(plan: &PlanOdds) -> String {
    let all: f64 = plan.in_the_way.iter().map(|(_, worth, _)| worth).sum();
    let row = |(word, worth, helps): &(&'static str, f64, &'static str)| {
        let cells: Vec<Cell> = vec![
            ("", format!("<b>{}</b>", safe(word))),
            ("n", format!("{:.0} %", 100.0 * worth / all.max(1e-9))),
            ("", format!("{} would help", safe(helps))),
        ];
        ("", cells)
    };
    let rows: Vec<(&'static str, Vec<Cell>)> = plan.in_the_way.iter().map(row).collect();
    cards("What kept goals from being reached", &[("", "Reason"), ("n", "Of what was lost"), ("", "")], &rows)
}

fn left(plan: &PlanOdds) -> String {
    let rows = [
        ("length of the course", "h", plan.length_h),
        ("helium", "L", plan.helium_left_l),
        ("the pot would still last", "h", plan.pot_left_h),
        ("atoms lifted or moved", "", plan.lifted),
    ];
    let row = |(what, unit, spread): &(&str, &str, Spread)| {
        let number = |value: f64| format!("{value:.1} {unit}");
        let cells: Vec<Cell> = vec![
            ("", safe(what)),
            ("n", number(spread.p10)),
            ("n", number(spread.median)),
            ("n", number(spread.p90)),
        ];
        ("", cells)
    };
    let rows: Vec<(&'static str, Vec<Cell>)> = rows.iter().map(row).collect();
    table(
        "At the end, 10, 50 and 90 % of the worlds",
        &[("", ""), ("n", "10 %"), ("n", "50 %"), ("n", "90 %")],
        &rows,
    )
}

fn courses(plan: &PlanOdds, worst: &[WorstRun]) -> String {
    let mut out = String::new();
    for course in &plan.worst {
        let _ = write!(
            out,
            "<h3>Seed {}: {:.0} of {:.0}</h3><p>{}</p><pre>{}</pre>",
            course.seed,
            course.worth[0],
            course.worth[1],
            safe(&course.what),
            safe(&course.command)
        );
        let Some(known) = worst.iter().find(|known| known.seed == course.seed) else { continue };
        let account = Account::read(&known.run);
        out.push_str(&both(&letters(&account), |width| timeline(&account, &known.run, width).ok()));
        out.push_str(&super::page::list(&super::plan::course(&account), false));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_stands_at_its_place() {
        let share = |count, of| Share::new(count, of);
        assert_eq!((per_cent(&share(1, 4)), per_cent(&share(0, 0))), ("25.0 %".to_owned(), "–".to_owned()));
    }
}
