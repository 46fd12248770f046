//! Conditions over channels, as permits and interlocks are written:
//! `helium_level < 6 L or rate(stage_temperature) > 50 mK/min`.
//!
//! Names are channels or roles. Numbers carry units; every comparison and sum
//! is checked for dimension when the bench is read. Functions of a channel:
//! `rate(c)` change per second, `age(c)` time since it was last read, `frozen(c)`
//! time for which it has shown one and the same value, `unreadable(c)` true after
//! repeated failures, `abs(…)`; and `clock_jump()`, the size of the last jump of the clock.
//!
//! A channel that was never read makes a condition *unknown*: a permit is then waited
//! for and refused after a while, an interlock does not trip (its `age` or `unreadable` does).

mod parse;
#[cfg(test)]
mod tests;

pub use parse::{ExpressionError, parse};

use super::ChannelId;
use std::collections::BTreeSet;

/// What a condition is worked out from.
pub trait Readings {
    /// Last good value in SI.
    fn latest(&self, channel: ChannelId) -> Option<f64>;
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

/// A condition: true, false, or unknown.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// As written.
    pub text: String,
    root: Truth,
    channels: BTreeSet<ChannelId>,
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

    /// For conditions of one comparison: the value now and the mark it is compared with.
    /// Interlocks show with these how far they are from tripping.
    pub fn distance(&self, readings: &impl Readings) -> Option<(f64, f64)> {
        match &self.root {
            Truth::Compare(_, left, right) => Some((left.eval(readings)?, right.eval(readings)?)),
            _ => None,
        }
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
    /// A number that is written out.
    fn mark(&self) -> Option<f64> {
        match self {
            Number::Literal(value) => Some(*value),
            Number::Negative(inner) => inner.mark().map(|value| -value),
            _ => None,
        }
    }

    fn eval(&self, readings: &impl Readings) -> Option<f64> {
        let value = match self {
            Number::Literal(value) => *value,
            Number::Latest(channel) => readings.latest(*channel)?,
            Number::Rate(channel) => readings.rate_per_s(*channel)?,
            Number::Age(channel) => return Some(readings.age_s(*channel)),
            Number::Frozen(channel) => readings.frozen_s(*channel),
            Number::ClockJump => readings.clock_jump_s(),
            Number::Negative(inner) => -inner.eval(readings)?,
            Number::Absolute(inner) => inner.eval(readings)?.abs(),
            Number::Sum(a, b) => a.eval(readings)? + b.eval(readings)?,
            Number::Difference(a, b) => a.eval(readings)? - b.eval(readings)?,
            Number::Product(a, b) => a.eval(readings)? * b.eval(readings)?,
            Number::Quotient(a, b) => a.eval(readings)? / b.eval(readings)?,
        };
        value.is_finite().then_some(value)
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
