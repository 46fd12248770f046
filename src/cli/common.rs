//! What several commands share.

use super::{EXIT_REJECTED, log};
use crate::bench::Bench;
use crate::diagnostic::{Diagnostic, has_errors, render};
use crate::quantity::TimePoint;
use crate::run::{seconds_until, zone};
use crate::script::Sequence;
use crate::script::check::Checked;
use jiff::ZonedDateTime;
use std::io::{IsTerminal, Write};
use std::path::Path;
use tracing_subscriber::filter::LevelFilter;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{Layer, fmt};

/// Says one thing that is wrong and gives the exit code for rejected input.
pub fn reject(message: &str) -> u8 {
    eprintln!("error: {message}");
    EXIT_REJECTED
}

/// The same for diagnostics of one source text; as one JSON object where that is wanted.
pub fn reject_all(diagnostics: &[Diagnostic], source: &str, json: bool) -> u8 {
    show(diagnostics, source);
    if json {
        println!("{}", serde_json::json!({ "ok": false, "diagnostics": diagnostics }));
    }
    EXIT_REJECTED
}

/// Shows diagnostics to a person.
pub fn show(diagnostics: &[Diagnostic], source: &str) {
    eprint!("{}", render(diagnostics, source, std::io::stderr().is_terminal()));
}

/// Reads a sequence.
pub fn load_sequence(path: &Path) -> Result<Sequence, u8> {
    Sequence::load(path).map_err(|reason| reject(&reason))
}

/// Now, in the time zone of a bench.
pub fn now_in(zone_name: Option<&str>) -> Result<ZonedDateTime, u8> {
    let zone = zone(zone_name).map_err(|reason| reject(&reason))?;
    Ok(ZonedDateTime::now().with_time_zone(zone))
}

/// The end of a window as a moment of the run that begins at `start`.
pub fn window(until: Option<&str>, start: &ZonedDateTime) -> Result<Option<TimePoint>, u8> {
    let Some(text) = until else { return Ok(None) };
    let seconds = seconds_until(text, start).map_err(|reason| reject(&reason))?;
    Ok(Some(TimePoint::from_s(seconds)))
}

/// Sends what happens to stderr, as loud as asked for, and to a file beside the run file.
pub fn start_log(verbose: u8, file: Option<&Path>) {
    let level = match verbose {
        0 => LevelFilter::ERROR,
        1 => LevelFilter::INFO,
        _ => LevelFilter::DEBUG,
    };
    let words = fmt::layer().with_writer(|| crate::output::Unwaiting).with_target(false).with_filter(level);
    let kept = file.and_then(|path| std::fs::OpenOptions::new().create(true).append(true).open(path).ok());
    let kept = kept
        .and_then(|file| log::behind(file).ok())
        .map(|file| fmt::layer().with_ansi(false).with_writer(file).with_filter(LevelFilter::INFO));
    // A second start within one process (a queue) keeps the first.
    let _ = tracing_subscriber::registry().with(words).with(kept).try_init();
}

/// Checks a sequence before it is begun, in the way given: errors reject it, warnings are shown.
pub fn check_first(
    check: fn(&Sequence, &Bench, &str) -> Checked,
    sequence: &Sequence,
    bench: &Bench,
    bench_name: &str,
    windowed: bool,
    json: bool,
) -> Result<(), u8> {
    let mut checked = check(sequence, bench, bench_name);
    checked.heed_window(windowed);
    if has_errors(&checked.diagnostics) {
        eprint!("{}", checked.render(std::io::stderr().is_terminal()));
        if json {
            println!("{}", serde_json::json!({ "ok": false, "diagnostics": checked.diagnostics }));
        }
        return Err(EXIT_REJECTED);
    }
    if !checked.diagnostics.is_empty() && !json {
        eprint!("{}", checked.render(std::io::stderr().is_terminal()));
    }
    Ok(())
}

/// Text to stdout. A reader that stops reading, like `head`, is no fault.
pub fn print(text: &str) {
    let _ = std::io::stdout().write_all(text.as_bytes());
}

/// Columns of the terminal that reads this; the usual number where there is none.
pub fn columns() -> usize {
    terminal_size::terminal_size().map_or(crate::report::brief::WIDTH, |(width, _)| usize::from(width.0))
}
