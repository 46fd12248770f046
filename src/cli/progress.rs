//! Progress: bars where there is a terminal, a plain line now and then where there is none.

use super::screen::{Screen, View};
use crate::bench::{Bench, Role};
use crate::drive::virtual_time::{Nobody, Observer};
use crate::drive::{Outlook, RunTally};
use crate::quantity::{TimePoint, in_words, value_in};
use crate::record::Entry;
use crate::run::Setup;
use crate::run::observers::{Prospect, Several, SharedProspect};
use crate::supervisor::Notice;
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
    screen: Screen,
    last: Option<Instant>,
    /// Channels that the current sweep sets and reads.
    watched: Vec<String>,
    sweep: String,
    events: u32,
}

impl Progress {
    /// Of a rehearsal (`true`) or of a run.
    pub fn new(bench: Arc<Bench>, prospect: SharedProspect, rehearsal: bool) -> Self {
        let screen = Screen::start(std::io::stderr().is_terminal(), rehearsal);
        let (watched, sweep) = (Vec::new(), String::new());
        Self { bench, prospect, rehearsal, screen, last: None, watched, sweep, events: 0 }
    }

    /// Present values: of the current sweep, else of what matters most.
    fn values(&self, tally: &RunTally) -> Vec<String> {
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
        shown
    }

    fn plain_line(&self, at: TimePoint, tally: &RunTally, ahead: &Outlook) -> String {
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
            line += &format!("; {}", values.join(", "));
        }
        let parts = ahead_words(ahead);
        if parts.is_empty() { line } else { format!("{line}; {}", parts.join("; ")) }
    }

    fn sweep_name(&self) -> String {
        if self.sweep.is_empty() { String::new() } else { format!("{} ", self.sweep) }
    }
}

/// Who looks on at a rehearsal: nobody where its answer is JSON.
pub fn rehearsal_observer(setup: &Setup, json: bool) -> Box<dyn Observer> {
    if json {
        return Box::new(Nobody);
    }
    let prospect = SharedProspect::new(Prospect::new(setup.window, None));
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

impl Observer for Progress {
    fn leave_terminal(&mut self) {
        self.screen.leave();
    }

    fn entry(&mut self, at: TimePoint, entry: &Entry) {
        match entry {
            Entry::StepBegin { name, .. } if !self.screen.has_bars() => {
                self.screen.say(format!("{at}  {name}"))
            }
            Entry::StepEnd { left_out: Some(why), .. } => self.screen.say(format!("{at}    skipped: {why}")),
            Entry::SweepBegin { plan, .. } => {
                self.sweep.clone_from(&plan.name);
                let columns = plan.moved().chain(&plan.read);
                self.watched = columns.map(|column| column.channel.clone()).collect();
            }
            Entry::SweepEnd { .. } => self.watched.clear(),
            _ => {}
        }
    }

    fn notice(&mut self, at: TimePoint, notice: &Notice) {
        if !matches!(notice.topic, "ending" | "park") {
            // A text that begins with its topic needs it no second time.
            let topic = if notice.text.starts_with(notice.topic) {
                String::new()
            } else {
                format!("{}: ", notice.topic)
            };
            self.screen.say(format!("{at}  {topic}{}", notice.text));
        }
    }

    fn moment(&mut self, at: TimePoint, tally: &RunTally) {
        self.events = self.events.wrapping_add(1);
        // In a rehearsal, asking the clock at every event would cost more than the event.
        if self.rehearsal && !self.events.is_multiple_of(512) {
            return;
        }
        let every = match (self.screen.has_bars(), self.rehearsal) {
            (true, _) => BAR_EVERY,
            (false, true) => REHEARSAL_LINE_EVERY,
            (false, false) => RUN_LINE_EVERY,
        };
        // The first line comes when there is something to tell.
        let last = *self.last.get_or_insert_with(Instant::now);
        if last.elapsed() < every {
            return;
        }
        self.last = Some(Instant::now());
        let ahead = self.prospect.ahead(at, tally);
        if !self.screen.has_bars() {
            return self.screen.say(self.plain_line(at, tally, &ahead));
        }
        let step = tally.steps.iter().rev().find(|step| step.to_s.is_none());
        self.screen.show(View {
            step: match step {
                Some(step) => format!("{at}  {}, for {}", step.name, in_words(at.s() - step.from_s)),
                None => format!("{at}"),
            },
            sweep: self.sweep_name(),
            values: self.values(tally),
            points: tally.points,
            ahead,
        });
    }
}
