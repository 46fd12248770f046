//! What a run adds up to, kept as it happens: for the closing report and its JSON.

use crate::analysis::forecast::{LevelUse, level_use};
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
    /// Name of the channel of the level, and what counts as a transfer, m³.
    gauge: Option<(String, f64)>,
    /// The level as it was recorded: s, m³.
    levels: Vec<(f64, f64)>,
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
            gauge: bench.helium.map(|h| (bench.channel(h.channel).name.clone(), h.transfer_m3())),
            levels: Vec::new(),
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
            let (first, _) = self.helium.unwrap_or((value, value));
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
            Entry::Monitor { channel, value }
                if self.gauge.as_ref().is_some_and(|(gauge, _)| gauge == channel) =>
            {
                self.levels.push((at.s(), *value));
            }
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

    /// What the recorded readings of the level add up to, m³; what was filled in does not count against it.
    fn helium_use(&self) -> Option<LevelUse> {
        self.gauge.as_ref().map(|(_, transfer_m3)| level_use(&self.levels, *transfer_m3))
    }

    /// Helium used, litres; 0 if the level was not recorded twice. Transfers are not counted against it.
    pub fn helium_used_l(&self) -> f64 {
        self.helium_use().map_or(0.0, |found| found.used * 1e3)
    }

    /// Helium used in words. The error of a difference of two readings comes from how readings scatter that follow
    /// each other; what is not above twice that was not measured.
    pub fn helium_used_words(&self) -> String {
        let Some(found) = self.helium_use() else { return String::new() };
        let (used_l, filled_l) = (found.used * 1e3, found.filled * 1e3);
        let steps = self.levels.windows(2).map(|pair| (pair[1].1 - pair[0].1) * 1e3);
        // A litre at once is a transfer, not the scatter of a gauge.
        let steps: Vec<f64> = steps.filter(|step| step.abs() < 1.0).collect();
        let squares: f64 = steps.iter().map(|step| step * step).sum();
        let error_l = if steps.len() < 3 { 0.0 } else { (squares / steps.len() as f64).sqrt() };
        let mut words = if used_l > 2.0 * error_l {
            format!("{used_l:.2} L used")
        } else {
            "no use that could be measured".to_owned()
        };
        if filled_l > 0.0 {
            words += &format!(", {filled_l:.1} L filled in");
        }
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn helium_below_its_error_is_no_use() {
        let bench = crate::bench::builtin();
        let channel = bench.channel(bench.helium.unwrap().channel).name.clone();
        let used = |readings: &[f64]| {
            let mut tally = RunTally::new(&bench);
            for (minute, litres) in readings.iter().enumerate() {
                let entry = Entry::Monitor { channel: channel.clone(), value: litres * 1e-3 };
                tally.entry(Moment::from_s(60.0 * minute as f64), &entry);
            }
            tally.helium_used_words()
        };
        let nothing = "no use that could be measured";
        assert_eq!(used(&[58.0, 58.1]), nothing);
        assert_eq!(used(&[58.1, 58.0, 58.1, 58.0, 58.1, 58.0]), nothing);
        assert_eq!(used(&[58.1, 57.9, 58.0, 57.6, 57.5, 57.1]), "1.00 L used");
        assert_eq!(used(&[58.1, 58.0, 78.0, 77.9, 77.9]), "0.20 L used, 20.0 L filled in");
    }
}
