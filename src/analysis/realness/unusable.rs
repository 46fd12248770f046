//! Why a set of numbers cannot be judged.

use serde::Serialize;
use thiserror::Error;

/// Why the numbers given cannot be analysed. Every judge refuses with one of these words instead of
/// making up a figure.
#[derive(Debug, Clone, PartialEq, Error, Serialize)]
#[serde(tag = "why", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Unusable {
    /// There is nothing to look at.
    #[error("There are no {what} to look at.")]
    Empty {
        /// What was missing.
        what: &'static str,
    },
    /// Two columns that belong together differ in length.
    #[error("{left_len} {left} do not match {right_len} {right}.")]
    LengthMismatch {
        /// First column.
        left: &'static str,
        /// Its length.
        left_len: usize,
        /// Second column.
        right: &'static str,
        /// Its length.
        right_len: usize,
    },
    /// A number is NaN, infinite, or so large that squares overflow (above 1e100).
    #[error("Number {index} of the {what} is not a usable finite number.")]
    NotFinite {
        /// Which column.
        what: &'static str,
        /// Index from zero.
        index: usize,
    },
    /// Fewer numbers than the question needs.
    #[error("{have} {what} are too few; at least {need} are needed.")]
    TooFew {
        /// What is counted.
        what: &'static str,
        /// How many there are.
        have: usize,
        /// How many are needed.
        need: usize,
    },
    /// All values are the same, so nothing can be learnt from them.
    #[error("All {what} are the same.")]
    Constant {
        /// Which column.
        what: &'static str,
    },
    /// A setting or value lies outside what makes sense.
    #[error("{what} is {}, outside {range}.", crate::quantity::significant(*value, 3))]
    OutOfRange {
        /// What was set.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The accepted range, in words.
        range: &'static str,
    },
    /// Readings over a plane that rise to one side have no highest place.
    #[error("The readings do not fall off on all sides, so they have no maximum.")]
    NoMaximum,
    /// The question has no finite answer for these numbers.
    #[error("{what} cannot be determined from these numbers.")]
    NotDetermined {
        /// The quantity asked for.
        what: &'static str,
    },
}

/// Larger magnitudes would overflow when squared and summed.
const LARGEST: f64 = 1e100;

/// Refuses NaN, infinities and numbers too large to square.
pub(crate) fn finite(values: &[f64], what: &'static str) -> Result<(), Unusable> {
    match values.iter().position(|v| !v.is_finite() || v.abs() > LARGEST) {
        Some(index) => Err(Unusable::NotFinite { what, index }),
        None => Ok(()),
    }
}

/// Refuses columns of different length.
pub(crate) fn same_length(
    left: (&'static str, &[f64]),
    right: (&'static str, &[f64]),
) -> Result<(), Unusable> {
    if left.1.len() == right.1.len() {
        return Ok(());
    }
    Err(Unusable::LengthMismatch {
        left: left.0,
        left_len: left.1.len(),
        right: right.0,
        right_len: right.1.len(),
    })
}

/// Refuses fewer than `need` numbers; none at all has its own word.
pub(crate) fn at_least(have: usize, need: usize, what: &'static str) -> Result<(), Unusable> {
    if have == 0 && need > 0 {
        return Err(Unusable::Empty { what });
    }
    if have < need {
        return Err(Unusable::TooFew { what, have, need });
    }
    Ok(())
}
