//! Progress: bars where there is a terminal, a plain line now and then where there is none.

use crate::bench::{Bench, Role};
use crate::drive::virtual_time::{Nobody, Onlooker};
use crate::drive::{Outlook, RunTally};
use crate::quantity::{Moment, in_words};
use crate::record::Entry;
use crate::report::words::value_in;
use crate::run::Setup;
use crate::run::onlookers::{Prospect, Several, SharedProspect};
use crate::supervisor::Notice;
use indicatif::{MultiProgress, ProgressBar, ProgressStyle};
use std::io::IsTerminal;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Wall time between two updates of the bars.
const BAR_EVERY: Duration = Duration::from_millis(120);
/// Wall time between two plain lines of a rehearsal.
const REHEARSAL_LINE_EVERY: Duration = Duration::from_secs(2);
/// The same of a run.
const RUN_LINE_EVERY: Duration = Duration::from_secs(60);
/// What is shown of the bench where no sweep says what matters.
const SHOWN: [Role; 4] = [Role::FieldZ, Role::Bias, Role::Current, Role::StageTemperature];
/// Digits of a present value; a frequency needs more than a glance at a current does.
const DIGITS: usize = 5;
/// Values that fit into a line.
const MOST_VALUES: usize = 4;

/// Tells on stderr how far a run has come.
#[derive(Debug)]
pub struct Progress {
    bench: Arc<Bench>,
    prospect: SharedProspect,
    rehearsal: bool,
    bars: Option<Bars>,
    last: Option<Instant>,
    /// Channels that the sweep in hand sets and reads.
    watched: Vec<String>,
    sweep: String,
    events: u32,
}

impl Progress {
    /// Of a rehearsal (`true`) or of a run.
    pub fn new(bench: Arc<Bench>, prospect: SharedProspect, rehearsal: bool) -> Self {
        let bars = std::io::stderr().is_terminal().then(Bars::new);
        let (watched, sweep) = (Vec::new(), String::new());
        Self { bench, prospect, rehearsal, bars, last: None, watched, sweep, events: 0 }
    }

    fn say(&self, line: &str) {
        match &self.bars {
            // Where the bars can't make room the words still count.
            Some(bars) if bars.all.println(line).is_ok() => {}
            _ => eprintln!("{line}"),
        }
    }

    /// Present values: of the sweep in hand, else of what matters most.
    fn values(&self, tally: &RunTally) -> String {
        let of_sweep = self.watched.iter().filter_map(|name| self.bench.find(name));
        let of_bench = SHOWN.iter().filter_map(|role| self.bench.by_role(*role));
        let mut shown = Vec::new();
        for id in of_sweep.chain(of_bench).filter(|id| tally.latest(*id).is_finite()) {
            let channel = self.bench.channel(id);
            let text = format!("{} {}", channel.name, value_in(tally.latest(id), &channel.unit, DIGITS));
            if shown.len() < MOST_VALUES && !shown.contains(&text) {
                shown.push(text);
            }
        }
        shown.join("   ")
    }

    fn plain_line(&self, at: Moment, tally: &RunTally, ahead: &Outlook) -> String {
        let mut line = if self.rehearsal { format!("{at} of virtual time") } else { format!("{at}") };
        if let Some(step) = tally.steps.iter().rev().find(|step| step.to_s.is_none()) {
            line += &format!("  {} (for {})", step.name, in_words(at.s() - step.from_s));
        }
        match ahead.sweep_points {
            Some((done, planned)) => line += &format!(", {}{done} of {planned} points", self.sweep_name()),
            None => line += &format!(", {} points", tally.points),
        }
        let values = self.values(tally);
        if !values.is_empty() {
            line += &format!("; {}", values.replace("   ", ", "));
        }
        let parts = ahead_words(ahead);
        if parts.is_empty() { line } else { format!("{line}; {}", parts.join("; ")) }
    }

    fn sweep_name(&self) -> String {
        if self.sweep.is_empty() { String::new() } else { format!("{} ", self.sweep) }
    }
}

/// Who looks on at a rehearsal: nobody where its answer is JSON.
pub fn rehearsal_onlooker(setup: &Setup, json: bool) -> Box<dyn Onlooker> {
    if json {
        return Box::new(Nobody);
    }
    let prospect = SharedProspect::new(Prospect::new(&setup.bench, setup.window, None));
    let progress = Progress::new(Arc::clone(&setup.bench), prospect.clone(), true);
    Box::new(Several(vec![Box::new(prospect), Box::new(progress)]))
}

/// Time left, helium, window: each in a few words.
pub fn ahead_words(ahead: &Outlook) -> Vec<String> {
    let mut parts = Vec::new();
    if ahead.left.is_some() {
        parts.push(format!("left in all {}", ahead.left_words()));
    } else if !ahead.basis.is_empty() {
        parts.push(format!("time left not known: {}", ahead.basis));
    }
    parts.extend(ahead.helium_words().map(|words| format!("helium {words}")));
    if let Some(window_s) = ahead.window_left_s {
        let short = if ahead.is_too_long() { " (shorter than what is left)" } else { "" };
        parts.push(format!("window {} left{short}", in_words(window_s)));
    }
    parts
}

impl Onlooker for Progress {
    fn entry(&mut self, at: Moment, entry: &Entry) {
        match entry {
            Entry::StepBegin { name, .. } if self.bars.is_none() => eprintln!("{at}  {name}"),
            Entry::StepEnd { left_out: Some(why), .. } => self.say(&format!("{at}    left out: {why}")),
            Entry::SweepBegin { plan, .. } => {
                self.sweep.clone_from(&plan.name);
                let columns = plan.moved().chain(&plan.read);
                self.watched = columns.map(|column| column.channel.clone()).collect();
            }
            Entry::SweepEnd { .. } => self.watched.clear(),
            _ => {}
        }
    }

    fn notice(&mut self, at: Moment, notice: &Notice) {
        if !matches!(notice.topic, "ending" | "park") {
            // A text that begins with its topic needs it no second time.
            let topic = if notice.text.starts_with(notice.topic) {
                String::new()
            } else {
                format!("{}: ", notice.topic)
            };
            self.say(&format!("{at}  {topic}{}", notice.text));
        }
    }

    fn moment(&mut self, at: Moment, tally: &RunTally) {
        self.events = self.events.wrapping_add(1);
        // In a rehearsal, asking the clock at every event would cost more than the event.
        if self.rehearsal && !self.events.is_multiple_of(512) {
            return;
        }
        let every = match (&self.bars, self.rehearsal) {
            (Some(_), _) => BAR_EVERY,
            (None, true) => REHEARSAL_LINE_EVERY,
            (None, false) => RUN_LINE_EVERY,
        };
        // The first line comes when there is something to tell.
        let last = *self.last.get_or_insert_with(Instant::now);
        if last.elapsed() < every {
            return;
        }
        self.last = Some(Instant::now());
        let ahead = self.prospect.ahead(at, tally);
        match &self.bars {
            Some(bars) => {
                bars.show_step(at, tally);
                bars.show_sweep(&self.sweep_name(), &self.values(tally), tally.points, &ahead);
                bars.show_ahead(&ahead);
            }
            None => eprintln!("{}", self.plain_line(at, tally, &ahead)),
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

    fn show_step(&self, at: Moment, tally: &RunTally) {
        let step = tally.steps.iter().rev().find(|step| step.to_s.is_none());
        let words = match step {
            Some(step) => format!("{at}  {}, for {}", step.name, in_words(at.s() - step.from_s)),
            None => format!("{at}"),
        };
        self.step.set_message(words);
        self.step.tick();
    }

    fn show_sweep(&self, name: &str, values: &str, points: u64, ahead: &Outlook) {
        let Some((done, planned)) = ahead.sweep_points else {
            self.sweep.set_style(style("  {wide_msg}"));
            self.sweep.set_message(format!("{points} points   {values}"));
            return;
        };
        self.sweep.set_style(style("  {prefix}{bar:24} {pos}/{len}  {wide_msg}"));
        self.sweep.set_prefix(name.to_owned());
        self.sweep.set_length(planned);
        self.sweep.set_position(done);
        let left = ahead.sweep_left_s.map(|s| format!("{} left   ", in_words(s))).unwrap_or_default();
        self.sweep.set_message(format!("{left}{values}"));
    }

    fn show_ahead(&self, ahead: &Outlook) {
        self.ahead.set_message(ahead_words(ahead).join("   "));
    }
}

impl Drop for Bars {
    fn drop(&mut self) {
        for bar in [&self.step, &self.sweep, &self.ahead] {
            bar.finish_and_clear();
        }
    }
}
