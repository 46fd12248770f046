//! Progress: a bar where there is a terminal, a plain line now and then where there is none.

use crate::drive::RunTally;
use crate::drive::virtual_time::Onlooker;
use crate::quantity::{Moment, in_words};
use crate::record::Entry;
use crate::supervisor::Notice;
use indicatif::{ProgressBar, ProgressStyle};
use std::io::IsTerminal;
use std::time::{Duration, Instant};

/// Wall time between two updates of the bar.
const BAR_EVERY: Duration = Duration::from_millis(80);
/// Wall time between two plain lines.
const LINE_EVERY: Duration = Duration::from_secs(2);

/// Tells on stderr how far a rehearsal has come.
#[derive(Debug)]
pub struct Progress {
    bar: Option<ProgressBar>,
    quiet: bool,
    last: Instant,
    step: String,
    events: u32,
}

impl Progress {
    /// `quiet` says nothing but notices.
    pub fn new(quiet: bool) -> Self {
        let bar = (!quiet && std::io::stderr().is_terminal()).then(|| {
            let bar = ProgressBar::new_spinner();
            let style = ProgressStyle::with_template("{spinner} {msg}")
                .unwrap_or_else(|_| ProgressStyle::default_spinner());
            bar.set_style(style);
            bar
        });
        Self { bar, quiet, last: Instant::now(), step: String::new(), events: 0 }
    }

    fn say(&self, line: &str) {
        match &self.bar {
            Some(bar) => bar.println(line),
            None => eprintln!("{line}"),
        }
    }
}

impl Onlooker for Progress {
    fn entry(&mut self, at: Moment, entry: &Entry) {
        match entry {
            Entry::StepBegin { name, .. } => {
                self.step.clone_from(name);
                if self.bar.is_none() && !self.quiet {
                    eprintln!("{at}  {name}");
                }
            }
            Entry::StepEnd { left_out: Some(why), .. } if !self.quiet => {
                self.say(&format!("{at}    left out: {why}"));
            }
            _ => {}
        }
    }

    fn notice(&mut self, at: Moment, notice: &Notice) {
        if !self.quiet && !matches!(notice.topic, "ending" | "park") {
            self.say(&format!("{at}  {}: {}", notice.topic, notice.text));
        }
    }

    fn moment(&mut self, at: Moment, tally: &RunTally) {
        self.events = self.events.wrapping_add(1);
        // Asking the clock at every event would cost more than the event.
        if self.quiet || !self.events.is_multiple_of(512) {
            return;
        }
        let every = if self.bar.is_some() { BAR_EVERY } else { LINE_EVERY };
        if self.last.elapsed() < every {
            return;
        }
        self.last = Instant::now();
        let helium =
            tally.helium.map(|(_, last)| format!(", helium {:.1} L", last * 1e3)).unwrap_or_default();
        let line = format!(
            "{at} of virtual time ({}), {} points{helium}  {}",
            in_words(at.s()),
            tally.points,
            self.step
        );
        match &self.bar {
            Some(bar) => bar.set_message(line),
            None => eprintln!("{line}"),
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
