//! Conditions over channels, as permits and interlocks are written:
//! `helium_level < 6 L or rate(stage_temperature) > 50 mK/min`.
//!
//! Names are channels or roles. Numbers carry units; every comparison and sum
//! is checked for dimension when the bench is read. Functions of a channel:
//! `rate(c)` change per second, `age(c)` time since it was last read, `frozen(c)`
//! time for which it has shown one and the same value, `unreadable(c)` true after
//! repeated failures, `abs(…)`; and `clock_jump()`, the size of the last jump of the clock.
//!
//! A channel that was never read makes a condition *unknown*: a permit is then waited for and refused after a while,
//! an interlock acts after its patience. One that shows more than it can is larger than every limit.

mod parse;
#[cfg(test)]
mod tests;

pub use parse::{ExpressionError, parse};

use super::ChannelId;
use crate::quantity::Unit;
use std::collections::BTreeSet;

/// What a condition is worked out from.
pub trait Readings {
    /// Last good value in SI.
    fn latest(&self, channel: ChannelId) -> Option<f64>;
    /// Infinite, to one side, where the channel shows that its value lies beyond what it can show.
    fn beyond(&self, _channel: ChannelId) -> Option<f64> {
        None
    }
    /// Change per second.
    fn rate_per_s(&self, channel: ChannelId) -> Option<f64>;
    /// Time since the last good value, s.
    fn age_s(&self, channel: ChannelId) -> f64;
    /// Time for which the value has not changed at all, s.
    fn frozen_s(&self, channel: ChannelId) -> f64;
    /// Whether the last attempts to read it failed.
    fn unreadable(&self, channel: ChannelId) -> bool;
    /// Size of the last jump of the clock, s.
    fn clock_jump_s(&self) -> f64;
}

/// Channels that were read just now, and of whose past nothing is known.
#[derive(Debug, Clone, Copy)]
pub struct JustRead<F>(pub F);

impl<F: Fn(ChannelId) -> Option<f64>> Readings for JustRead<F> {
    fn latest(&self, channel: ChannelId) -> Option<f64> {
        (self.0)(channel)
    }

    fn rate_per_s(&self, _: ChannelId) -> Option<f64> {
        None
    }

    fn age_s(&self, _: ChannelId) -> f64 {
        0.0
    }

    fn frozen_s(&self, _: ChannelId) -> f64 {
        0.0
    }

    fn unreadable(&self, _: ChannelId) -> bool {
        false
    }

    fn clock_jump_s(&self) -> f64 {
        0.0
    }
}

/// A condition: true, false, or unknown.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// As written.
    pub text: String,
    root: Truth,
    channels: BTreeSet<ChannelId>,
    written: Option<Written>,
}

/// A comparison with a limit, as it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    /// What is compared: `rate(stage)`.
    pub what: String,
    /// The unit of the limit.
    pub unit: Unit,
}

impl Condition {
    /// Its truth; none if a channel it needs was never read.
    pub fn holds(&self, readings: &impl Readings) -> Option<bool> {
        self.root.eval(readings)
    }

    /// The channels it looks at.
    pub fn channels(&self) -> impl Iterator<Item = ChannelId> {
        self.channels.iter().copied()
    }

    /// Whether one channel that is stuck at some value could keep it from ever being true, whatever the others show.
    pub fn is_disarmed_by(&self, channel: ChannelId) -> bool {
        self.root.can_be_forced(channel, false)
    }

    /// Whether it would notice that a channel is stuck: by how long it has been frozen, or by another channel beside it.
    pub fn notices_stuck(&self, channel: ChannelId) -> bool {
        self.root.mentions(&|n| *n == Number::Frozen(channel), channel)
            || (self.channels.contains(&channel) && self.channels.len() > 1 && self.is_disarmed_by(channel))
    }

    /// Whether it asks how long a channel has been silent.
    pub fn asks_silence(&self, channel: ChannelId) -> bool {
        self.root.mentions(&|n| *n == Number::Age(channel), channel)
    }

    /// For conditions of one comparison: the value now and the mark it is compared with.
    /// Interlocks show with these how far they are from tripping.
    pub fn distance(&self, readings: &impl Readings) -> Option<(f64, f64)> {
        let (thing, mark) = self.root.sides()?;
        let sides = (thing.eval(readings)?, mark.eval(readings)?);
        // Sums of the largest numbers run over; how far such a one is away is no number.
        (sides.0.is_finite() && sides.1.is_finite()).then_some(sides)
    }

    /// For conditions of one comparison: the channel whose reading is compared as it is.
    pub fn compared(&self) -> Option<ChannelId> {
        match self.root.sides()? {
            (Number::Latest(channel), _) => Some(*channel),
            _ => None,
        }
    }

    /// For conditions of one comparison with a number: how that is written.
    pub fn written(&self) -> Option<&Written> {
        self.written.as_ref()
    }

    /// The value at which a channel has to stand for it to hold, where it names one.
    pub fn wants(&self, channel: ChannelId) -> Option<f64> {
        self.root.wants(channel)
    }
}

impl Condition {
    /// Whether two conditions that each compare one and the same thing with a mark can hold at once;
    /// false where one of them is not as simple as that.
    pub fn may_hold_with(&self, other: &Condition) -> bool {
        let (Some((a, mine)), Some((b, theirs))) = (self.root.range(), other.root.range()) else {
            return false;
        };
        // The larger of the lower ends, the smaller of the upper ones; an open end is stricter.
        let low =
            if mine.0.0 > theirs.0.0 || (mine.0.0 == theirs.0.0 && !mine.0.1) { mine.0 } else { theirs.0 };
        let high =
            if mine.1.0 < theirs.1.0 || (mine.1.0 == theirs.1.0 && !mine.1.1) { mine.1 } else { theirs.1 };
        a == b && (low.0 < high.0 || (low.0 == high.0 && low.1 && high.1))
    }
}

impl Condition {
    /// Whether it asks one channel to stand where it can't be, by the ends between which it may be set.
    pub fn lies_beyond(&self, ends: impl Fn(ChannelId) -> [f64; 2]) -> bool {
        let Some((Number::Latest(channel), (low, high))) = self.root.range() else { return false };
        let [least, most] = ends(*channel);
        low.0 > most || high.0 < least
    }
}

impl Truth {
    /// Whether some value of this channel alone settles it to be so.
    fn can_be_forced(&self, channel: ChannelId, truth: bool) -> bool {
        match self {
            Truth::Compare(_, left, right) => left.shows(channel) || right.shows(channel),
            Truth::Unreadable(_) => false,
            Truth::Not(inner) => inner.can_be_forced(channel, !truth),
            Truth::And(a, b) if truth => a.can_be_forced(channel, true) && b.can_be_forced(channel, true),
            Truth::Or(a, b) if !truth => a.can_be_forced(channel, false) && b.can_be_forced(channel, false),
            Truth::And(a, b) | Truth::Or(a, b) => {
                a.can_be_forced(channel, truth) || b.can_be_forced(channel, truth)
            }
        }
    }

    /// Whether a number in it is so, or it asks whether the channel can be read.
    fn mentions(&self, is: &dyn Fn(&Number) -> bool, unreadable: ChannelId) -> bool {
        match self {
            Truth::Compare(_, left, right) => left.any(is) || right.any(is),
            Truth::Unreadable(channel) => *channel == unreadable,
            Truth::Not(inner) => inner.mentions(is, unreadable),
            Truth::And(a, b) | Truth::Or(a, b) => a.mentions(is, unreadable) || b.mentions(is, unreadable),
        }
    }
}

impl Truth {
    /// Of one comparison: what is compared, and with what. A number that is written out stands behind.
    fn sides(&self) -> Option<(&Number, &Number)> {
        match self {
            Truth::Compare(_, mark, thing) if mark.mark().is_some() && thing.mark().is_none() => {
                Some((thing, mark))
            }
            Truth::Compare(_, left, right) => Some((left, right)),
            _ => None,
        }
    }

    fn wants(&self, channel: ChannelId) -> Option<f64> {
        match self {
            Truth::Compare(Relation::Equal, ..) => match self.sides()? {
                (Number::Latest(id), value) if *id == channel => value.mark(),
                _ => None,
            },
            Truth::And(a, b) => a.wants(channel).or_else(|| b.wants(channel)),
            _ => None,
        }
    }
}

/// One end of a range, and whether it belongs to it.
type End = (f64, bool);

impl Truth {
    /// For one comparison with a mark: what is compared, and where it must lie.
    fn range(&self) -> Option<(&Number, (End, End))> {
        let Truth::Compare(relation, left, right) = self else { return None };
        let (thing, mark, relation) = match (left.mark(), right.mark()) {
            (None, Some(mark)) => (left, mark, *relation),
            (Some(mark), None) => (right, mark, relation.turned()),
            _ => return None,
        };
        let (below, above) = ((f64::NEG_INFINITY, false), (f64::INFINITY, false));
        let range = match relation {
            Relation::Less => (below, (mark, false)),
            Relation::LessOrEqual => (below, (mark, true)),
            Relation::Greater => ((mark, false), above),
            Relation::GreaterOrEqual => ((mark, true), above),
            Relation::Equal => ((mark, true), (mark, true)),
            Relation::Unequal => return None,
        };
        Some((thing, range))
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Number {
    Literal(f64),
    Latest(ChannelId),
    Rate(ChannelId),
    Age(ChannelId),
    Frozen(ChannelId),
    ClockJump,
    Negative(Box<Number>),
    Absolute(Box<Number>),
    Sum(Box<Number>, Box<Number>),
    Difference(Box<Number>, Box<Number>),
    Product(Box<Number>, Box<Number>),
    Quotient(Box<Number>, Box<Number>),
}

impl Number {
    /// Whether a part of it is so.
    fn any(&self, is: &dyn Fn(&Number) -> bool) -> bool {
        is(self)
            || match self {
                Number::Negative(a) | Number::Absolute(a) => a.any(is),
                Number::Sum(a, b)
                | Number::Difference(a, b)
                | Number::Product(a, b)
                | Number::Quotient(a, b) => a.any(is) || b.any(is),
                _ => false,
            }
    }

    /// Whether it rests on the value of a channel.
    fn shows(&self, channel: ChannelId) -> bool {
        self.any(&|n| matches!(n, Number::Latest(id) | Number::Rate(id) if *id == channel))
    }

    /// A number that is written out.
    fn mark(&self) -> Option<f64> {
        match self {
            Number::Literal(value) => Some(*value),
            Number::Negative(inner) => inner.mark().map(|value| -value),
            _ => None,
        }
    }

    fn eval(&self, readings: &impl Readings) -> Option<f64> {
        let both = |a: &Number, b: &Number, join: fn(f64, f64) -> f64| {
            let (a, b) = (a.eval(readings)?, b.eval(readings)?);
            let joined = join(a, b);
            // Only a value that lies beyond its range is larger than every limit; a sum that overflows is nothing.
            let known = joined.is_finite() || (joined.is_infinite() && (a.is_infinite() || b.is_infinite()));
            known.then_some(joined)
        };
        match self {
            Number::Literal(value) => Some(*value),
            Number::Latest(channel) => readings.beyond(*channel).or_else(|| readings.latest(*channel)),
            Number::Rate(channel) => readings.rate_per_s(*channel),
            Number::Age(channel) => Some(readings.age_s(*channel)),
            Number::Frozen(channel) => Some(readings.frozen_s(*channel)),
            Number::ClockJump => Some(readings.clock_jump_s()),
            Number::Negative(inner) => inner.eval(readings).map(|value| -value),
            Number::Absolute(inner) => inner.eval(readings).map(f64::abs),
            Number::Sum(a, b) => both(a, b, |a, b| a + b),
            Number::Difference(a, b) => both(a, b, |a, b| a - b),
            Number::Product(a, b) => both(a, b, |a, b| a * b),
            Number::Quotient(a, b) => both(a, b, |a, b| a / b),
        }
        .filter(|value| !value.is_nan())
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Relation {
    Less,
    LessOrEqual,
    Greater,
    GreaterOrEqual,
    Equal,
    Unequal,
}

impl Relation {
    /// The same with both sides exchanged.
    fn turned(self) -> Self {
        match self {
            Relation::Less => Relation::Greater,
            Relation::LessOrEqual => Relation::GreaterOrEqual,
            Relation::Greater => Relation::Less,
            Relation::GreaterOrEqual => Relation::LessOrEqual,
            same => same,
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Truth {
    Compare(Relation, Number, Number),
    Unreadable(ChannelId),
    And(Box<Truth>, Box<Truth>),
    Or(Box<Truth>, Box<Truth>),
    Not(Box<Truth>),
}

impl Truth {
    fn eval(&self, readings: &impl Readings) -> Option<bool> {
        match self {
            Truth::Compare(relation, left, right) => {
                let (left, right) = (left.eval(readings)?, right.eval(readings)?);
                Some(match relation {
                    Relation::Less => left < right,
                    Relation::LessOrEqual => left <= right,
                    Relation::Greater => left > right,
                    Relation::GreaterOrEqual => left >= right,
                    Relation::Equal => left == right,
                    Relation::Unequal => left != right,
                })
            }
            Truth::Unreadable(channel) => Some(readings.unreadable(*channel)),
            // Unknown and false is false, unknown or true is true: one side can settle it.
            Truth::And(a, b) => match (a.eval(readings), b.eval(readings)) {
                (Some(false), _) | (_, Some(false)) => Some(false),
                (Some(true), Some(true)) => Some(true),
                _ => None,
            },
            Truth::Or(a, b) => match (a.eval(readings), b.eval(readings)) {
                (Some(true), _) | (_, Some(true)) => Some(true),
                (Some(false), Some(false)) => Some(false),
                _ => None,
            },
            Truth::Not(inner) => inner.eval(readings).map(|truth| !truth),
        }
    }
}
