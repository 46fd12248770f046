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
    /// Differences of readings of the level that follow each other: how many, and the sum of their squares, m⁶.
    helium_steps: (u32, f64),
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
            helium_steps: (0, 0.0),
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
            let (first, last) = self.helium.unwrap_or((value, value));
            // A litre at once is a transfer, not the scatter of a gauge.
            if self.helium.is_some() && (value - last).abs() < 1e-3 {
                self.helium_steps.0 += 1;
                self.helium_steps.1 += (value - last).powi(2);
            }
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

    /// Helium used in words. The error of a difference of two readings comes from how readings scatter that follow
    /// each other; what is not above twice that, or is below zero, was not measured.
    pub fn helium_used_words(&self) -> String {
        let used_l = self.helium_used_l();
        let (steps, squares) = self.helium_steps;
        let error_l = if steps < 3 { 0.0 } else { (squares / f64::from(steps)).sqrt() * 1e3 };
        if used_l > 2.0 * error_l {
            format!("{used_l:.2} L used")
        } else if used_l < -1.0_f64.max(2.0 * error_l) {
            format!("{:.1} L more than at the start", -used_l)
        } else {
            "no use that could be measured".to_owned()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn helium_below_its_error_is_no_use() {
        let bench = crate::bench::builtin();
        let level = bench.helium.unwrap().channel;
        let used = |readings: &[f64]| {
            let mut tally = RunTally::new(&bench);
            readings.iter().for_each(|litres| tally.read(level, litres * 1e-3));
            tally.helium_used_words()
        };
        let nothing = "no use that could be measured";
        assert_eq!(used(&[58.0, 58.1]), nothing);
        assert_eq!(used(&[58.1, 58.0, 58.1, 58.0, 58.1, 58.0]), nothing);
        assert_eq!(used(&[58.1, 57.9, 58.0, 57.6, 57.5, 57.1]), "1.00 L used");
        assert_eq!(used(&[58.1, 58.0, 78.0, 77.9, 77.9]), "19.8 L more than at the start");
    }
}
