//! `noctule check`

use super::common::{load_sequence, now_in, print, reject_all, window};
use crate::bench::{Bench, builtin, read};
use crate::diagnostic::{Severity, has_errors};
use crate::quantity::{TimePoint, in_words};
use crate::report::words::count;
use crate::run::BenchSource;
use crate::script::Sequence;
use crate::script::check::{Checked, Cost, Outline, check_with_texts, check_worlds, outline};
use std::io::IsTerminal;
use std::path::PathBuf;
use std::time::{Duration, SystemTime};

/// How often --watch looks at the files.
const LOOK_EVERY: Duration = Duration::from_millis(300);

/// Arguments of `noctule check`.
#[derive(Debug, clap::Args)]
pub struct Check {
    /// The sequence, a .rhai file; or a bench, a .ron file, to be checked by itself.
    sequence: PathBuf,
    /// The bench, a .ron file; the built-in simulated bench where it is left out.
    #[arg(long)]
    bench: Option<PathBuf>,
    /// End of the window, like 07:30 or "13:30 tomorrow": loops that end with it are in order then, and what the
    /// sequence takes at least is compared with it.
    #[arg(long)]
    until: Option<String>,
    /// Check again whenever a file is saved, until Ctrl-C.
    #[arg(long, conflicts_with = "json")]
    watch: bool,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

impl Check {
    /// Runs the command.
    pub fn run(self) -> u8 {
        if !self.watch {
            return self.once().unwrap_or_else(|code| code);
        }
        let mut seen = None;
        loop {
            let now = self.saved_at();
            if seen.as_ref() != Some(&now) {
                seen = Some(now);
                eprintln!("— {} —", jiff::ZonedDateTime::now().strftime("%H:%M:%S"));
                let _ = self.once();
            }
            std::thread::sleep(LOOK_EVERY);
        }
    }

    fn saved_at(&self) -> Vec<Option<SystemTime>> {
        let files = std::iter::once(&self.sequence).chain(self.bench.iter());
        files.map(|file| std::fs::metadata(file).and_then(|m| m.modified()).ok()).collect()
    }

    fn window_s(&self, bench: &Bench) -> Result<Option<f64>, u8> {
        let now = now_in(bench.time_zone.as_deref())?;
        Ok(window(self.until.as_deref(), &now)?.map(TimePoint::s))
    }

    fn once(&self) -> Result<u8, u8> {
        // A bench by itself is checked as the bench of a sequence that does nothing.
        let alone = self.bench.is_none() && self.sequence.extension().is_some_and(|e| e == "ron");
        let (sequence, bench) = match alone {
            true => (Sequence::from_text("no sequence", ""), Some(self.sequence.as_path())),
            false => (load_sequence(&self.sequence)?, self.bench.as_deref()),
        };
        let source = BenchSource::load(bench).map_err(|d| reject_all(&[*d], "", self.json))?;
        let (bench, mut warnings) = match &source.path {
            None => (builtin(), Vec::new()),
            Some(_) => read(&source.text, &source.name)
                .map_err(|found| reject_all(&found, &source.text, self.json))?,
        };
        let window_s = self.window_s(&bench)?;
        let mut checked = check_with_texts(&sequence, &bench, &source.name);
        checked.heed_window(window_s.is_some());
        checked.texts.insert(source.name.clone(), source.text.clone());
        checked.diagnostics.append(&mut warnings);
        let worlds = check_worlds(&bench, &source.text, &source.name, &source.folder());
        for file in worlds.iter().map(|diagnostic| &diagnostic.file).filter(|file| **file != source.name) {
            let text = std::fs::read_to_string(source.folder().join(file)).unwrap_or_default();
            checked.texts.insert(file.clone(), text);
        }
        checked.diagnostics.extend(worlds);
        let failed = has_errors(&checked.diagnostics);
        // What can't be read can't be costed.
        let outline = if failed { None } else { outline(&sequence, &bench) };
        if self.json {
            let mut said = serde_json::json!({ "ok": !failed, "diagnostics": checked.diagnostics });
            if let Some(window_s) = window_s {
                said["window_s"] = serde_json::json!(window_s);
            }
            if alone {
                said["hold_patience_s"] = serde_json::json!(bench.hold_patience_s);
            }
            if let Some(outline) = outline {
                said["outline"] = serde_json::json!(outline);
            }
            println!("{said}");
        } else {
            eprint!("{}", checked.render(std::io::stderr().is_terminal()));
            if alone && !failed {
                print(&hold_text(&bench));
            }
            let too_long = outline.as_ref().zip(window_s).is_some_and(|(o, w)| o.total.least_s > w);
            if let Some(outline) = outline.filter(|_| !alone) {
                print(&outline_text(&outline));
                if let Some(window_s) = window_s {
                    print(&window_text(&outline, window_s));
                }
            }
            eprintln!("{}", closing_line(&checked, too_long, alone));
        }
        Ok(if failed { super::EXIT_REJECTED } else { 0 })
    }
}

/// How long a hold waits on this bench.
fn hold_text(bench: &Bench) -> String {
    let patience = in_words(bench.hold_patience_s);
    format!("a hold waits {patience} for what does not clear; then the bench is parked, and the run ends\n")
}

fn closing_line(checked: &Checked, too_long: bool, alone: bool) -> String {
    let errors = checked.diagnostics.iter().filter(|d| d.severity == Severity::Error).count();
    let warnings = checked.diagnostics.len() - errors;
    match (errors, warnings) {
        (0, 0) if too_long => "nothing wrong was found but the window: it is too short".to_owned(),
        (0, 0) if alone => "nothing wrong was found in this bench".to_owned(),
        (0, 0) => "nothing wrong was found; now rehearse it".to_owned(),
        (0, w) => format!("no error, warnings: {w}; `noctule guide CODE` explains each"),
        (e, w) => format!("errors: {e}, warnings: {w}; `noctule guide CODE` explains each"),
    }
}

/// What the sequence would cost, step by step: at least and at most, by the branches taken.
fn outline_text(outline: &Outline) -> String {
    let mut text = String::new();
    for step in &outline.steps {
        // A name that is put together while it runs is not known yet; the line is.
        let name = if step.name.is_empty() { "the step of this line" } else { step.name.as_str() };
        text.push_str(&format!("{:>5}  {name:<36} {}\n", step.line, cost_text(&step.cost)));
    }
    text.push_str(&format!("{:>5}  {:<36} {}\n", "", "all of it", cost_text(&outline.total)));
    text
}

/// Whether it can fit at all.
fn window_text(outline: &Outline, window_s: f64) -> String {
    let (least_s, window) = (outline.total.least_s, in_words(window_s));
    let words = match outline.total.most_s {
        _ if least_s > window_s => format!("too short: it takes {} at least", in_words(least_s)),
        Some(most_s) if most_s > window_s => {
            "perhaps too short: steps that no longer fit are skipped; a rehearsal with --until tells which"
                .to_owned()
        }
        Some(_) if outline.total.untimed == 0 => "long enough".to_owned(),
        _ => "long enough for what can be counted; a rehearsal tells the rest".to_owned(),
    };
    format!("{:>5}  {:<36} {window}: {words}\n", "", "the window")
}

/// Below this share of the most, the least says nothing that anybody plans by.
const WORTH_SAYING: f64 = 0.02;

fn cost_text(cost: &Cost) -> String {
    let mut text = match cost.most_s {
        Some(most) if in_words(most) == in_words(cost.least_s) => in_words(most),
        Some(most) if cost.least_s < WORTH_SAYING * most => format!("up to {}", in_words(most)),
        Some(most) => format!("{} to {}", in_words(cost.least_s), in_words(most)),
        None => format!("{} or more", in_words(cost.least_s)),
    };
    match cost.most_points {
        Some(0.0) => {}
        Some(most) if most == cost.least_points => text.push_str(&format!(", {most} points")),
        Some(most) if cost.least_points < WORTH_SAYING * most => {
            text.push_str(&format!(", up to {most} points"));
        }
        Some(most) => text.push_str(&format!(", {} to {most} points", cost.least_points)),
        None => text.push_str(&format!(", {} points or more", cost.least_points)),
    }
    if cost.untimed > 0 {
        let calls = count(u64::from(cost.untimed), "call");
        let take = if cost.untimed == 1 { "takes" } else { "take" };
        text.push_str(&format!(", and {calls} that {take} as long as the microscope needs"));
    }
    text
}
