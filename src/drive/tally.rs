//! What a run adds up to, kept as it happens: for the closing report and its JSON.

use crate::bench::{Bench, ChannelId};
use crate::quantity::Moment;
use crate::record::{Ending, Entry};
use serde::Serialize;

/// An interlock that tripped.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trip {
    /// Its name.
    pub name: String,
    /// When, s.
    pub at_s: f64,
    /// What it did.
    pub action: String,
    /// Line of the sequence that was at work.
    pub line: u32,
}

/// A step of the sequence.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepSpan {
    /// Its name.
    pub name: String,
    /// How deep it is nested.
    pub depth: usize,
    /// When it began, s.
    pub from_s: f64,
    /// When it ended, s.
    pub to_s: Option<f64>,
    /// Why it was left out.
    pub left_out: Option<String>,
    #[serde(skip)]
    step: u64,
}

/// Smallest and largest value of a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extremes {
    /// Smallest.
    pub least: f64,
    /// Largest.
    pub most: f64,
    /// How many values.
    pub count: u64,
}

impl Extremes {
    const NONE: Self = Self { least: f64::INFINITY, most: f64::NEG_INFINITY, count: 0 };

    fn take_in(&mut self, value: f64) {
        self.least = self.least.min(value);
        self.most = self.most.max(value);
        self.count += 1;
    }
}

/// What a run adds up to.
#[derive(Debug, Clone)]
pub struct RunTally {
    /// Points of sweeps.
    pub points: u64,
    /// Sweeps that ended.
    pub sweeps: u64,
    /// Interlocks that tripped.
    pub trips: Vec<Trip>,
    /// Steps of the sequence.
    pub steps: Vec<StepSpan>,
    /// One line for each judgement: fits, verdicts, contrast.
    pub results: Vec<String>,
    /// What was sent to each channel.
    pub sent: Vec<Extremes>,
    /// What was read from each channel.
    pub read: Vec<Extremes>,
    /// First and last helium level, m³.
    pub helium: Option<(f64, f64)>,
    /// Times the sequence was held.
    pub holds: u64,
    /// How it ended.
    pub ending: Option<Ending>,
    /// Whether the bench was parked.
    pub parked: bool,
    /// The end, s.
    pub end_s: f64,
    helium_channel: Option<ChannelId>,
    /// What was sent or read last, for each channel.
    latest: Vec<f64>,
}

impl RunTally {
    /// For a bench.
    pub fn new(bench: &Bench) -> Self {
        Self {
            points: 0,
            sweeps: 0,
            trips: Vec::new(),
            steps: Vec::new(),
            results: Vec::new(),
            sent: vec![Extremes::NONE; bench.channels.len()],
            read: vec![Extremes::NONE; bench.channels.len()],
            helium: None,
            holds: 0,
            ending: None,
            parked: false,
            end_s: 0.0,
            helium_channel: bench.helium.map(|h| h.channel),
            latest: vec![f64::NAN; bench.channels.len()],
        }
    }

    /// A value was sent.
    pub fn sent(&mut self, channel: ChannelId, value: f64) {
        self.sent[channel.index()].take_in(value);
        self.latest[channel.index()] = value;
    }

    /// A value was read.
    pub fn read(&mut self, channel: ChannelId, value: f64) {
        self.read[channel.index()].take_in(value);
        self.latest[channel.index()] = value;
        if self.helium_channel == Some(channel) {
            let first = self.helium.map_or(value, |(first, _)| first);
            self.helium = Some((first, value));
        }
    }

    /// An entry was recorded.
    pub fn entry(&mut self, at: Moment, entry: &Entry) {
        match entry {
            Entry::SweepEnd { .. } => self.sweeps += 1,
            Entry::Interlock { name, action, place, .. } => self.trips.push(Trip {
                name: name.clone(),
                at_s: at.s(),
                action: action.clone(),
                line: place.line,
            }),
            Entry::StepBegin { step, name, parent, .. } => {
                let depth =
                    parent.and_then(|p| self.steps.iter().find(|s| s.step == p)).map_or(0, |s| s.depth + 1);
                self.steps.push(StepSpan {
                    name: name.clone(),
                    depth,
                    from_s: at.s(),
                    to_s: None,
                    left_out: None,
                    step: *step,
                });
            }
            Entry::StepEnd { step, left_out, .. } => {
                if let Some(span) = self.steps.iter_mut().rev().find(|s| s.step == *step) {
                    span.to_s = Some(at.s());
                    span.left_out.clone_from(left_out);
                }
            }
            Entry::Judgement { title, .. } => self.results.push(title.clone()),
            Entry::Held { .. } => self.holds += 1,
            Entry::End { ending, parked, elapsed_s } => {
                self.ending = Some(ending.clone());
                self.parked = *parked;
                self.end_s = *elapsed_s;
            }
            _ => {}
        }
    }

    /// The last value of a channel, sent or read; not a number if there was none.
    pub fn latest(&self, channel: ChannelId) -> f64 {
        self.latest[channel.index()]
    }

    /// Helium used, litres; 0 if the level was not read twice.
    pub fn helium_used_l(&self) -> f64 {
        self.helium.map_or(0.0, |(first, last)| (first - last) * 1e3)
    }
}
