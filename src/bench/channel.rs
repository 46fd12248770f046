//! Channels: quantities that can be set, read, or both, with their limits.

use super::{Pattern, Ready, ReplyForm, Role, Verify};
use crate::quantity::{Dimension, Quantity, Unit};
use std::fmt;

/// A channel's place in [`Bench::channels`](super::Bench::channels).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct ChannelId(pub u16);

impl ChannelId {
    /// The index into the bench's list.
    pub fn index(self) -> usize {
        usize::from(self.0)
    }
}

/// What happens to a jump that is larger than the largest single step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum BeyondStep {
    /// It is broken into steps at the fastest slew.
    #[default]
    Ramp,
    /// It is refused.
    Refuse,
}

/// One quantity of the bench. All numbers are in SI.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Its name, unique on the bench.
    pub name: String,
    /// What it is for.
    pub role: Option<Role>,
    /// The unit it is printed in.
    pub unit: Unit,
    /// Index into [`Bench::links`](super::Bench::links).
    pub link: usize,
    /// How its link finds it.
    pub address: Address,
    /// Whether it can be set at all.
    pub settable: bool,
    /// Smallest value that may be set.
    pub min: f64,
    /// Largest value that may be set.
    pub max: f64,
    /// Largest single step; infinite where none is given.
    pub step: f64,
    /// Fastest change per second; infinite where none is given.
    pub slew_per_s: f64,
    /// What happens to a larger step.
    pub beyond_step: BeyondStep,
    /// Waiting time after each set before anything is read, s.
    pub settle_s: f64,
    /// If given, a set has arrived only when the value read back is this near.
    pub tolerance: Option<f64>,
    /// Longest wait for arrival beyond the time of the ramp, s.
    pub arrive_within_s: f64,
}

impl Channel {
    /// Dimension of its values.
    pub fn dimension(&self) -> Dimension {
        self.unit.dimension
    }

    /// The ends between which it is; infinite where it is only read.
    pub fn ends(&self) -> [f64; 2] {
        if self.settable { [self.min, self.max] } else { [f64::NEG_INFINITY, f64::INFINITY] }
    }

    /// A value of this channel, printed in its unit.
    pub fn show(&self, si: f64) -> String {
        crate::quantity::in_unit(si, &self.unit)
    }

    /// A difference of values of this channel, printed in its unit; in decibels for a level.
    pub fn show_change(&self, si: f64) -> String {
        let change = self.dimension().change();
        if change == self.dimension() { self.show(si) } else { Quantity::new(si, change).to_string() }
    }

    /// A value of this channel as a quantity.
    pub fn quantity(&self, si: f64) -> Quantity {
        Quantity::new(si, self.dimension())
    }

    /// Whether it shows if somebody else was there.
    pub fn is_looked_at(&self) -> bool {
        let can_be_read = match &self.address {
            Address::Scpi(address) => address.query.is_some(),
            Address::Signal(_) | Address::Named(_) => true,
        };
        can_be_read && (self.settable || self.role == Some(Role::Approached))
    }

    /// Whether that has to be noticed within a second: tip, RF, field. With its loop open a tip drifts into the surface
    /// within seconds.
    pub fn is_looked_at_often(&self) -> bool {
        use Role::{Approached, Feedback, FieldX, FieldZ, RfFrequency, RfLevel, RfOutput, TipX, TipY};
        let often = [TipX, TipY, Approached, Feedback, RfFrequency, RfLevel, RfOutput, FieldZ, FieldX];
        self.role.is_some_and(|role| often.contains(&role))
    }

    /// Whether a value lies within the limits.
    pub fn within(&self, si: f64) -> bool {
        si.is_finite() && si >= self.min && si <= self.max
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)
    }
}

/// How a link finds a channel.
#[derive(Debug, Clone, PartialEq)]
pub enum Address {
    /// A signal of the simulated microscope.
    Signal(noctule_ground::signal::Signal),
    /// SCPI message texts.
    Scpi(Box<ScpiAddress>),
    /// The name under which a driver process knows it.
    Named(String),
}

/// SCPI messages of one channel. In `set`, `{}` stands for the value.
#[derive(Debug, Clone, PartialEq)]
pub struct ScpiAddress {
    /// Message that sets it, `SOUR:VOLT {}`.
    pub set: Option<String>,
    /// Query that reads it, `SOUR:VOLT?`.
    pub query: Option<String>,
    /// Unit that the instrument speaks in; its numbers are converted to and from SI.
    pub unit: Unit,
    /// What the reply to the query looks like, and what it stands for.
    pub reply: ReplyForm,
    /// What the instrument answers to a set; none if it answers nothing.
    pub acknowledge: Option<Pattern>,
    /// When a set is done; none if it is as soon as it was taken.
    pub ready: Option<Ready>,
    /// How a set is read back at once; none if it is not.
    pub verify: Option<Verify>,
}

impl ScpiAddress {
    /// A channel that takes a bare number and answers with one.
    pub fn plain(set: Option<&str>, query: Option<&str>, unit: Unit) -> Self {
        let (set, query) = (set.map(str::to_owned), query.map(str::to_owned));
        Self { set, query, unit, reply: ReplyForm::PLAIN, acknowledge: None, ready: None, verify: None }
    }
}
