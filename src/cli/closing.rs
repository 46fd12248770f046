//! The closing report of a run on stderr: what a person wants to know before leaving.

use crate::bench::Bench;
use crate::drive::RunTally;
use crate::quantity::{TimePoint, in_words};
use crate::run::{Observers, Summary};
use std::fmt::Write;

/// Steps that are listed; more are counted.
const STEPS_SHOWN: usize = 40;

/// The whole report.
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
    budgets(&mut out, bench, tally, window);
    let _ = writeln!(
        out,
        "\n{} sweeps, {} points; the run file has {:.1} MB",
        summary.sweeps,
        summary.points,
        file_bytes as f64 / 1e6
    );
    let told = tally.results.iter().filter(|line| line.what != "recentre");
    let told: Vec<String> = told.map(|line| format!("  {}\n", line.words)).collect();
    if !told.is_empty() {
        let _ = write!(out, "\nResults\n{}", told.concat());
    }
    for trip in &summary.interlocks {
        let at = in_words(trip.at_s);
        let _ = writeln!(out, "\nInterlock `{}` after {at}: {} (line {})", trip.name, trip.action, trip.line);
    }
    ending(&mut out, summary);
    out
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

fn budgets(out: &mut String, bench: &Bench, tally: &RunTally, window: Option<TimePoint>) {
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
    if let (Some(helium), Some((_, last))) =
        (bench.helium, tally.helium.as_ref().and_then(|level| level.readings.last()))
    {
        let left_l = (last - helium.refill_mark_m3) * 1e3;
        let _ = writeln!(
            out,
            "Helium  {}, {:.1} L left, {:.1} L {} the refill mark of {:.1} L",
            tally.helium.as_ref().map_or(String::new(), |level| level.used_in_words()),
            last * 1e3,
            left_l.abs(),
            if left_l < 0.0 { "below" } else { "above" },
            helium.refill_mark_m3 * 1e3
        );
    }
}

fn ending(out: &mut String, summary: &Summary) {
    let place = if summary.place.line > 0 && summary.outcome != crate::record::Outcome::Finished {
        format!(" ({} line {})", summary.place.file, summary.place.line)
    } else {
        String::new()
    };
    let parked = if summary.parked { "the bench is parked" } else { "the bench is NOT fully parked" };
    if let Some(result) = &summary.result {
        let _ = writeln!(out, "\nThe result: {}", result.in_words());
    }
    if summary.guarded > 0 {
        let _ = writeln!(out, "\n{} refused for the sake of the tip or of a kept spin", summary.guarded);
    }
    let _ = writeln!(out, "\n{}{place}; {parked}", summary.outcome.told(&summary.reason));
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
    match brief {
        Ok(()) => summary.brief = Some(folder.brief().display().to_string()),
        Err(reason) => eprintln!("warning: there is no brief: {reason}"),
    }
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

fn write_brief(folder: &crate::run::RunFolder) -> Result<(), String> {
    let run = crate::record::RunFile::open(&folder.run_file()).map_err(|e| e.to_string())?;
    let html = crate::report::brief::html(&[run]).map_err(|e| e.to_string())?;
    std::fs::write(folder.brief(), html).map_err(|e| e.to_string())
}
