//! The closing report of a run on stderr: what a person wants to know before leaving.

use super::common::columns;
use crate::bench::Bench;
use crate::drive::RunTally;
use crate::history::result::{RunResult, Seen, capital};
use crate::quantity::{TimePoint, in_words};
use crate::report::account::Account;
use crate::report::beside;
use crate::report::brief::{self, Around};
use crate::report::words::wrapped;
use crate::run::{Observers, Summary};
use std::fmt::Write;

/// Steps that are listed; more are counted.
const STEPS_SHOWN: usize = 40;

/// The whole report; what matters most stands last, where the eye is.
pub fn report(
    bench: &Bench,
    tally: &RunTally,
    summary: &Summary,
    window: Option<TimePoint>,
    file_bytes: u64,
) -> String {
    let mut out = String::new();
    timeline(&mut out, tally);
    extremes(&mut out, bench, tally);
    budgets(&mut out, tally, window);
    let _ = writeln!(
        out,
        "\n{} sweeps, {} points; the run file has {:.1} MB",
        summary.sweeps,
        summary.points,
        file_bytes as f64 / 1e6
    );
    for trip in &summary.interlocks {
        let at = in_words(trip.at_s);
        let _ = writeln!(out, "Interlock `{}` after {at}: {} (line {})", trip.name, trip.action, trip.line);
    }
    if summary.guarded > 0 {
        let _ = writeln!(out, "{} refused for the sake of the tip or of a kept spin", summary.guarded);
    }
    if let Some(story) = &summary.story {
        told(&mut out, story, summary);
    }
    out
}

/// The result of the run, as the brief has it.
fn told(out: &mut String, story: &RunResult, summary: &Summary) {
    let width = columns();
    if summary.place.line > 0 && summary.outcome != crate::record::Outcome::Finished {
        let _ = writeln!(out, "\nThe sequence was at {} line {}", summary.place.file, summary.place.line);
    }
    let _ = writeln!(out, "\n{} {}", story.weight.sign(), story.outcome.to_uppercase());
    for part in story.told() {
        *out += &wrapped(&capital(&part.words), &format!("{} ", part.weight.sign()), "  ", width);
    }
    for (i, step) in story.next.iter().enumerate() {
        *out += &wrapped(step, &format!("{}. ", i + 1), "   ", width);
    }
}

fn timeline(out: &mut String, tally: &RunTally) {
    if tally.steps.is_empty() {
        return;
    }
    let _ = writeln!(out, "Timeline\n  {:>9}  {:>12}  step", "start", "took");
    for step in tally.steps.iter().take(STEPS_SHOWN) {
        let start = TimePoint::from_s(step.from_s);
        let took = match (&step.left_out, step.to_s) {
            (Some(_), _) => "skipped".to_owned(),
            (None, Some(to)) => in_words(to - step.from_s),
            (None, None) => "not ended".to_owned(),
        };
        let why = step.left_out.as_ref().map(|why| format!(" ({why})")).unwrap_or_default();
        let _ = writeln!(out, "  {start:>9}  {took:>12}  {}{}{why}", "  ".repeat(step.depth), step.name);
    }
    if tally.steps.len() > STEPS_SHOWN {
        let _ = writeln!(out, "  … and {} more", tally.steps.len() - STEPS_SHOWN);
    }
}

fn extremes(out: &mut String, bench: &Bench, tally: &RunTally) {
    let _ = writeln!(out, "\nValues sent, against the limits of the bench");
    for (id, extremes) in bench.ids().zip(&tally.sent).filter(|(_, extremes)| extremes.count > 0) {
        let channel = bench.channel(id);
        let _ = writeln!(
            out,
            "  {:<22} {:>12} to {:<12} of {} to {}",
            channel.name,
            channel.show(extremes.least),
            channel.show(extremes.most),
            channel.show(channel.min),
            channel.show(channel.max)
        );
    }
    let _ = writeln!(out, "\nValues read");
    for (id, extremes) in bench.ids().zip(&tally.read).filter(|(_, extremes)| extremes.count > 0) {
        let channel = bench.channel(id);
        if !channel.settable {
            let (least, most) = (channel.show(extremes.least), channel.show(extremes.most));
            let _ = writeln!(out, "  {:<22} {least:>12} to {most:<12}", channel.name);
        }
    }
}

fn budgets(out: &mut String, tally: &RunTally, window: Option<TimePoint>) {
    let _ = write!(out, "\nTime    {}", in_words(tally.end_s));
    match window {
        Some(window) => {
            let spare = window.s() - tally.end_s;
            let _ = writeln!(out, " of a window of {}, {} to spare", in_words(window.s()), in_words(spare));
        }
        None => {
            let _ = writeln!(out, ", no window given");
        }
    }
    if let Some(level) = &tally.helium {
        let _ = writeln!(out, "Helium  {}", level.used_in_words());
    }
}

/// Says how a run ended: as JSON on stdout, or as a report on stderr.
pub fn finish(
    bench: &Bench,
    tally: &RunTally,
    summary: &mut Summary,
    window: Option<TimePoint>,
    folder: &crate::run::RunFolder,
    observers: &mut Observers,
    json: bool,
) {
    // Nothing that goes wrong with the brief changes how the run ended.
    let written = std::panic::AssertUnwindSafe(|| write_brief(folder));
    let brief = std::panic::catch_unwind(written)
        .unwrap_or_else(|_| Err("a defect in noctule itself; the run file has everything".to_owned()));
    observers.leave_terminal();
    let mut history = (**tally).clone();
    match brief {
        Ok(account) => {
            summary.brief = Some(folder.brief().display().to_string());
            history = account.history;
        }
        Err(reason) => eprintln!("warning: there is no brief: {reason}"),
    }
    // A record that could not be closed has made a fault of the end.
    if let Some(ending) = history.ending.as_mut().filter(|ending| ending.outcome != summary.outcome) {
        (ending.outcome, ending.reason) = (summary.outcome, summary.reason.clone());
    }
    summary.story = Some(RunResult::of(&history, Some(bench), Seen::Record));
    if json {
        let text = serde_json::to_string(summary).expect("a summary is plain data");
        crate::output::data_within(crate::output::PATIENCE, text);
        return;
    }
    let bytes = std::fs::metadata(folder.run_file()).map_or(0, |m| m.len());
    eprintln!("\n{}", report(bench, tally, summary, window, bytes));
    eprintln!("run file  {}", folder.run_file().display());
    if let Some(brief) = &summary.brief {
        eprintln!("brief     {brief}");
    }
}

/// Writes the brief and gives the account that it tells.
fn write_brief(folder: &crate::run::RunFolder) -> Result<Account, String> {
    let run = crate::record::RunFile::open(&folder.run_file()).map_err(|e| e.to_string())?;
    let before = beside::earlier(&run).map(|earlier| Account::read(&earlier));
    let mut accounts = vec![Account::read(&run)];
    let html = brief::html_of(&accounts, &[run], &Around { campaign: None, before: before.as_ref() })
        .map_err(|e| e.to_string())?;
    std::fs::write(folder.brief(), html).map_err(|e| e.to_string())?;
    Ok(accounts.remove(0))
}
