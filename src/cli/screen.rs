//! What is written to the terminal while a run goes on, by a thread of its own: a terminal that was stopped, or is
//! reached over a line that stalls, costs lines and no time of the run.

use super::common::columns;
use super::progress::ahead_words;
use crate::drive::Outlook;
use crate::quantity::in_words;
use indicatif::{MultiProgress, ProgressBar, ProgressStyle};
use std::sync::mpsc::{Receiver, SyncSender, channel, sync_channel};
use std::time::Duration;

/// Lines and views that may wait for the terminal.
const MOST_WAITING: usize = 256;
/// How long the end of a run waits for the last of them.
const END_PATIENCE: Duration = Duration::from_secs(1);

/// What the bars show at one moment.
#[derive(Debug)]
pub struct View {
    /// The moment and the current step.
    pub step: String,
    /// Name of the current sweep, with a space behind it.
    pub sweep: String,
    /// Present values.
    pub values: Vec<String>,
    /// Points in all.
    pub points: u64,
    /// What lies ahead.
    pub ahead: Outlook,
}

#[derive(Debug)]
enum Shown {
    Line(String),
    View(Box<View>),
}

/// The terminal, as the loop of a run knows it.
#[derive(Debug)]
pub struct Screen {
    shown: Option<SyncSender<Shown>>,
    done: Receiver<()>,
    bars: bool,
    rehearsal: bool,
}

impl Screen {
    /// Begins to write. A rehearsal waits for its terminal, as nothing is harmed by that.
    pub fn start(bars: bool, rehearsal: bool) -> Self {
        let (sender, receiver) = sync_channel(MOST_WAITING);
        let (over, done) = channel();
        let started = std::thread::Builder::new().name("screen".to_owned()).spawn(move || {
            write(bars.then(Bars::new), &receiver);
            // If nobody waits for the end, nobody needs to know.
            let _ = over.send(());
        });
        Self { shown: started.is_ok().then_some(sender), done, bars, rehearsal }
    }

    /// Whether there are bars, which tell of steps by themselves.
    pub fn has_bars(&self) -> bool {
        self.bars
    }

    /// Writes a line.
    pub fn say(&self, line: String) {
        self.send(Shown::Line(line));
    }

    /// Shows the bars as they are now.
    pub fn show(&self, view: View) {
        self.send(Shown::View(Box::new(view)));
    }

    fn send(&self, shown: Shown) {
        let Some(sender) = &self.shown else { return };
        if self.rehearsal {
            let _ = sender.send(shown);
        } else {
            // What finds no place is not shown; it is in the run file.
            let _ = sender.try_send(shown);
        }
    }
}

impl Screen {
    /// Writes the last of what is there, and takes the bars away.
    pub fn leave(&mut self) {
        if self.shown.take().is_none() {
            return;
        }
        if self.rehearsal {
            let _ = self.done.recv();
        } else {
            let _ = self.done.recv_timeout(END_PATIENCE);
        }
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        self.leave();
    }
}

fn write(bars: Option<Bars>, shown: &Receiver<Shown>) {
    for shown in shown {
        match (shown, &bars) {
            (Shown::View(view), Some(bars)) => bars.show(*view),
            (Shown::View(_), None) => {}
            // Where the bars can't make room the words still count.
            (Shown::Line(line), Some(bars)) if bars.all.println(&line).is_ok() => {}
            (Shown::Line(line), _) => {
                use std::io::Write as _;
                let _ = writeln!(std::io::stderr(), "{line}");
            }
        }
    }
}

/// Four lines at the foot of the terminal: the step, the current sweep, present values, what lies ahead.
///
/// No line is padded or longer than [`WIDEST`]: a window that is made narrower would wrap it, and leave debris.
#[derive(Debug)]
struct Bars {
    all: MultiProgress,
    step: ProgressBar,
    sweep: ProgressBar,
    values: ProgressBar,
    ahead: ProgressBar,
}

/// Columns that a line takes at most.
const WIDEST: usize = 78;

fn style(template: &str) -> ProgressStyle {
    let made = ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_spinner());
    made.progress_chars("━╸·")
}

/// As many of the parts as fit whole into so many columns; of a first one that does not, its beginning.
fn fitting(parts: &[String], columns: usize) -> String {
    let mut line = String::new();
    for part in parts {
        let gap = if line.is_empty() { "" } else { "   " };
        if line.chars().count() + gap.len() + part.chars().count() > columns {
            break;
        }
        line = format!("{line}{gap}{part}");
    }
    match parts.first() {
        Some(first) if line.is_empty() => {
            first.chars().take(columns.saturating_sub(1)).chain(std::iter::once('…')).collect()
        }
        _ => line,
    }
}

impl Bars {
    fn new() -> Self {
        let all = MultiProgress::new();
        let line = |template: &str| {
            let bar = all.add(ProgressBar::no_length());
            bar.set_style(style(template));
            bar
        };
        let step = line("{spinner} {msg}");
        let [sweep, values, ahead] = ["  {msg}"; 3].map(line);
        Self { step, sweep, values, ahead, all }
    }

    fn show(&self, view: View) {
        let columns = columns().min(WIDEST + 2) - 2;
        self.show_sweep(&view, columns);
        self.values.set_message(fitting(&view.values, columns));
        self.ahead.set_message(fitting(&ahead_words(&view.ahead), columns));
        self.step.set_message(fitting(&[view.step], columns));
        self.step.tick();
    }

    fn show_sweep(&self, view: &View, columns: usize) {
        let View { sweep: name, points, ahead, .. } = view;
        let Some((done, planned)) = ahead.sweep_points else {
            self.sweep.set_style(style("  {msg}"));
            self.sweep.set_message(format!("{points} points"));
            return;
        };
        let left = ahead.sweep_left_s.map(|s| format!("{} left", in_words(s))).unwrap_or_default();
        let words = format!(" {done}/{planned}  {left}");
        // Name, bar, numbers: the bar gets what the others leave.
        let bar = columns.saturating_sub(words.chars().count()).min(24);
        let name: String = name.chars().take(columns.saturating_sub(words.chars().count() + bar)).collect();
        self.sweep.set_style(style(&format!("  {{prefix}}{{bar:{bar}}}{{msg}}")));
        self.sweep.set_prefix(name);
        self.sweep.set_length(planned);
        self.sweep.set_position(done);
        self.sweep.set_message(words);
    }
}

impl Drop for Bars {
    fn drop(&mut self) {
        for bar in [&self.step, &self.sweep, &self.values, &self.ahead] {
            bar.finish_and_clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_shown_whole_or_not_at_all() {
        let parts = ["field_z 0.5 T", "bias 60 mV", "current 10.1 pA"].map(str::to_owned);
        assert_eq!(fitting(&parts, 30), "field_z 0.5 T   bias 60 mV");
        assert_eq!(fitting(&parts, 8), "field_z…");
        assert_eq!(fitting(&[], 8), "");
    }
}
