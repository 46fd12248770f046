//! What a run adds up to, kept as it happens: its history, and what went over the links.

use crate::bench::{Bench, ChannelId};
use crate::history::History;
use crate::record::{Entry, RecordError, RunFile};
use std::ops::{Deref, DerefMut};

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

/// A history with every number that was sent and read, whether it is recorded or not.
#[derive(Debug, Clone)]
pub struct RunTally {
    history: History,
    /// What was sent to each channel.
    pub sent: Vec<Extremes>,
    /// What was read from each channel.
    pub read: Vec<Extremes>,
    /// What was sent or read last, for each channel.
    latest: Vec<f64>,
}

impl Deref for RunTally {
    type Target = History;

    fn deref(&self) -> &History {
        &self.history
    }
}

impl DerefMut for RunTally {
    fn deref_mut(&mut self) -> &mut History {
        &mut self.history
    }
}

impl RunTally {
    /// For a bench.
    pub fn new(bench: &Bench) -> Self {
        Self::after(bench, History::new(Some(bench)))
    }

    fn after(bench: &Bench, history: History) -> Self {
        let count = bench.channels.len();
        let none = vec![Extremes::NONE; count];
        Self { history, sent: none.clone(), read: none, latest: vec![f64::NAN; count] }
    }

    /// Of a recorded run, so that the report of a resumed one tells of all of it.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn of(file: &RunFile, bench: &Bench) -> Result<Self, RecordError> {
        let mut tally = Self::after(bench, History::of(file, bench, u64::MAX)?);
        file.entries_of(&["monitor"], u64::MAX, |numbered| {
            if let Entry::Monitor { channel, value } = &numbered.entry
                && let Some(id) = bench.find(channel)
            {
                tally.read(id, *value);
            }
            Ok(())
        })?;
        Ok(tally)
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
    }

    /// The last value of a channel, sent or read; not a number if there was none.
    pub fn latest(&self, channel: ChannelId) -> f64 {
        self.latest[channel.index()]
    }
}
