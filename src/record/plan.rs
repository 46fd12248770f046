//! Plans of sweeps: where they go, what is moved along, what is read.

use super::{Column, Doubtful};
use crate::bench::{Bench, ChannelId};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// A sweep over one or two channels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SweepPlan<C = ChannelId> {
    /// A word for it; sweeps of one name make one table.
    pub name: String,
    /// The axis that is run through for each value of the slow one.
    pub fast: Axis<C>,
    /// The slow axis of a map.
    pub slow: Option<Axis<C>>,
    /// Values of the fast axis in the order of measurement, SI, where they are not evenly spaced or go in passes;
    /// `fast.points` of them.
    #[serde(default, skip_serializing_if = "none_of")]
    pub places: Arc<[f64]>,
    /// How often the fast axis is run through within one line of `places`; 1 where nothing is said.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub passes: u64,
    /// Channels read at each point; the last ones, as many as there are in `along` and `slow_along`, are not read but set.
    pub read: Vec<C>,
    /// Values to which these channels are set at each point of the line, SI, channel by channel.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub along: Vec<Arc<[f64]>>,
    /// Values of the slow axis, SI, where they are not evenly spaced; `slow.points` of them.
    #[serde(default, skip_serializing_if = "none_of")]
    pub slow_places: Arc<[f64]>,
    /// Values to which channels are set at each value of the slow axis, SI, channel by channel; these channels stand
    /// behind those that are moved along the line.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub slow_along: Vec<Arc<[f64]>>,
    /// Samples averaged at each point, at least 1.
    pub samples: u32,
    /// When a point is read often enough, where it is not read once.
    #[serde(default = "nothing", skip_serializing_if = "Option::is_none")]
    pub again: Option<Again<C>>,
    /// Time over which the samples are spread, s.
    pub dwell_s: f64,
    /// Wait before reading, s; none takes it from the channels and the lock-in.
    pub settle_s: Option<f64>,
    /// Whether each line is run back as well.
    pub both_ways: bool,
    /// Number of the sweep that this one goes on with, in a resumed run.
    #[serde(skip)]
    pub continues: Option<u64>,
    /// Readings of the points that are measured already, in a resumed run.
    #[serde(skip)]
    pub done: Vec<f64>,
    /// Which of these points are doubtful.
    #[serde(skip)]
    pub doubtful: Doubtful,
    /// The first point of the stretch that this call measures.
    #[serde(skip)]
    pub first: u64,
    /// The call ends before this point, and the sweep goes on in another call.
    #[serde(skip)]
    pub until: Option<u64>,
}

fn none_of(places: &Arc<[f64]>) -> bool {
    places.is_empty()
}

fn nothing<C>() -> Option<Again<C>> {
    None
}

fn one() -> u64 {
    1
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for it")]
fn is_one(passes: &u64) -> bool {
    *passes == 1
}

/// Values of one channel, evenly spaced.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Axis<C = ChannelId> {
    /// The channel.
    pub channel: C,
    /// First value, SI.
    pub from: f64,
    /// Last value, SI.
    pub to: f64,
    /// Number of values, at least 1.
    pub points: u64,
}

/// A point is read again, settled each time, until the mean of its readings is known well enough.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Again<C = ChannelId> {
    /// The channel that counts.
    pub channel: C,
    /// The standard error of the mean at which it is enough, SI.
    pub error: f64,
    /// Readings at most.
    pub at_most: u32,
}

impl Again {
    /// So many readings at least say enough of how they scatter.
    pub const FEWEST: u32 = 4;
}

impl<C> Axis<C> {
    /// The i-th value.
    pub fn at(&self, i: u64) -> f64 {
        if self.points <= 1 || i == 0 {
            return self.from;
        }
        if i + 1 >= self.points {
            return self.to;
        }
        self.from + (self.to - self.from) * (i as f64 / (self.points - 1) as f64)
    }
}

impl<C> SweepPlan<C> {
    /// Along one axis, one way, one sample at each point, settled as the channels ask for.
    pub fn plain(name: &str, fast: Axis<C>, read: Vec<C>) -> Self {
        Self {
            name: name.to_owned(),
            fast,
            slow: None,
            places: Arc::default(),
            passes: 1,
            read,
            along: Vec::new(),
            slow_places: Arc::default(),
            slow_along: Vec::new(),
            samples: 1,
            again: None,
            dwell_s: 0.0,
            settle_s: None,
            both_ways: false,
            continues: None,
            done: Vec::new(),
            doubtful: Doubtful::default(),
            first: 0,
            until: None,
        }
    }

    /// Points in all.
    pub fn total(&self) -> u64 {
        self.line() * self.slow.as_ref().map_or(1, |axis| axis.points)
    }

    /// Points in one run of the fast axis, both ways counted.
    pub fn line(&self) -> u64 {
        self.fast.points * if self.both_ways { 2 } else { 1 }
    }

    /// Values of the fast and slow axis at the i-th point.
    pub fn at(&self, i: u64) -> (f64, f64) {
        let line = i / self.line();
        let listed = self.slow_places.get(line as usize).copied();
        let slow = listed.unwrap_or_else(|| self.slow.as_ref().map_or(0.0, |axis| axis.at(line)));
        let place = self.place(i);
        (self.places.get(place as usize).copied().unwrap_or_else(|| self.fast.at(place)), slow)
    }

    /// The place on the fast axis of the i-th point.
    fn place(&self, i: u64) -> u64 {
        let along = i % self.line();
        if along < self.fast.points { along } else { self.line() - 1 - along }
    }

    /// What the channels that are moved along are set to at the i-th point, SI.
    pub fn along_at(&self, i: u64) -> impl Iterator<Item = f64> {
        let (place, line) = (self.place(i) as usize, (i / self.line()) as usize);
        let fast = self.along.iter().map(move |values| values[place]);
        fast.chain(self.slow_along.iter().map(move |values| values[line]))
    }

    /// Channels that are read at each point.
    pub fn gauges(&self) -> &[C] {
        &self.read[..self.read.len() - self.along.len() - self.slow_along.len()]
    }

    /// Channels that are moved along.
    pub fn companions(&self) -> &[C] {
        &self.read[self.gauges().len()..]
    }

    /// The call ends before this point.
    pub fn ends_before(&self) -> u64 {
        self.until.unwrap_or(u64::MAX).min(self.total())
    }
}

impl<C> Axis<C> {
    fn renamed<D>(&self, name: &mut impl FnMut(&C) -> Option<D>) -> Option<Axis<D>> {
        Some(Axis { channel: name(&self.channel)?, from: self.from, to: self.to, points: self.points })
    }
}

impl<C> SweepPlan<C> {
    /// The same plan on channels that go by other names; nothing if one of them has none.
    pub fn renamed<D>(&self, name: &mut impl FnMut(&C) -> Option<D>) -> Option<SweepPlan<D>> {
        Some(SweepPlan {
            name: self.name.clone(),
            fast: self.fast.renamed(name)?,
            slow: match &self.slow {
                Some(axis) => Some(axis.renamed(name)?),
                None => None,
            },
            places: Arc::clone(&self.places),
            passes: self.passes,
            read: self.read.iter().map(&mut *name).collect::<Option<_>>()?,
            along: self.along.clone(),
            slow_places: Arc::clone(&self.slow_places),
            slow_along: self.slow_along.clone(),
            samples: self.samples,
            again: match &self.again {
                Some(again) => {
                    Some(Again { channel: name(&again.channel)?, error: again.error, at_most: again.at_most })
                }
                None => None,
            },
            dwell_s: self.dwell_s,
            settle_s: self.settle_s,
            both_ways: self.both_ways,
            continues: self.continues,
            done: self.done.clone(),
            doubtful: self.doubtful.clone(),
            // Where it pauses is told by the entries behind it, and differs from nothing that was recorded.
            first: 0,
            until: None,
        })
    }

    /// The channels that it moves.
    pub fn moved(&self) -> impl Iterator<Item = &C> {
        let axes = std::iter::once(&self.fast.channel).chain(self.slow.iter().map(|axis| &axis.channel));
        axes.chain(self.companions())
    }
}

impl SweepPlan {
    /// With names and units, as it is recorded.
    ///
    /// # Panics
    /// Never: places on a bench are given out by the bench.
    pub fn in_columns(&self, bench: &Bench) -> SweepPlan<Column> {
        let columns = self.renamed(&mut |id| Some(Column::of(bench, *id)));
        columns.expect("every channel of a bench has a name")
    }
}
