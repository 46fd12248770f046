//! What is written to the terminal while a run goes on, by a thread of its own: a terminal that was stopped, or is
//! reached over a line that stalls, costs lines and no time of the run.

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
    /// The moment and the step in hand.
    pub step: String,
    /// Name of the sweep in hand, with a space behind it.
    pub sweep: String,
    /// Present values.
    pub values: String,
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

/// Three lines at the foot of the terminal: the step, the sweep in hand, what lies ahead.
#[derive(Debug)]
struct Bars {
    all: MultiProgress,
    step: ProgressBar,
    sweep: ProgressBar,
    ahead: ProgressBar,
}

fn style(template: &str) -> ProgressStyle {
    let made = ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_spinner());
    made.progress_chars("━╸·")
}

impl Bars {
    fn new() -> Self {
        let all = MultiProgress::new();
        let line = |template: &str| {
            let bar = all.add(ProgressBar::no_length());
            bar.set_style(style(template));
            bar
        };
        let step = line("{spinner} {wide_msg}");
        let sweep = line("  {wide_msg}");
        let ahead = line("  {wide_msg}");
        Self { step, sweep, ahead, all }
    }

    fn show(&self, view: View) {
        self.show_sweep(&view);
        self.ahead.set_message(ahead_words(&view.ahead).join("   "));
        self.step.set_message(view.step);
        self.step.tick();
    }

    fn show_sweep(&self, view: &View) {
        let View { sweep: name, values, points, ahead, .. } = view;
        let Some((done, planned)) = ahead.sweep_points else {
            self.sweep.set_style(style("  {wide_msg}"));
            self.sweep.set_message(format!("{points} points   {values}"));
            return;
        };
        self.sweep.set_style(style("  {prefix}{bar:24} {pos}/{len}  {wide_msg}"));
        self.sweep.set_prefix(name.clone());
        self.sweep.set_length(planned);
        self.sweep.set_position(done);
        let left = ahead.sweep_left_s.map(|s| format!("{} left   ", in_words(s))).unwrap_or_default();
        self.sweep.set_message(format!("{left}{values}"));
    }
}

impl Drop for Bars {
    fn drop(&mut self) {
        for bar in [&self.step, &self.sweep, &self.ahead] {
            bar.finish_and_clear();
        }
    }
}
