//! Time since a run began, in whole nanoseconds, so that virtual time adds up exactly.

use std::fmt;

/// A moment of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct TimePoint {
    nanoseconds: u64,
}

impl TimePoint {
    /// The beginning of the run.
    pub const START: Self = Self { nanoseconds: 0 };
    /// Later than everything.
    pub const NEVER: Self = Self { nanoseconds: u64::MAX };

    /// From whole nanoseconds.
    pub const fn from_nanoseconds(nanoseconds: u64) -> Self {
        Self { nanoseconds }
    }

    /// Whole nanoseconds since the run began.
    pub const fn nanoseconds(self) -> u64 {
        self.nanoseconds
    }

    /// From seconds; negative and not-a-number give the start.
    pub fn from_s(seconds: f64) -> Self {
        // The cast saturates: too large becomes NEVER, negative and NaN become 0.
        Self { nanoseconds: (seconds * 1e9).round() as u64 }
    }

    /// Seconds since the run began.
    pub fn s(self) -> f64 {
        self.nanoseconds as f64 * 1e-9
    }

    /// So many seconds later.
    #[must_use]
    pub fn after(self, seconds: f64) -> Self {
        Self { nanoseconds: self.nanoseconds.saturating_add(Self::from_s(seconds).nanoseconds) }
    }

    /// Seconds since an earlier moment; 0 if it is not earlier.
    pub fn since(self, earlier: Self) -> f64 {
        self.nanoseconds.saturating_sub(earlier.nanoseconds) as f64 * 1e-9
    }
}

impl fmt::Display for TimePoint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let whole = self.nanoseconds / 1_000_000_000;
        write!(f, "{:02}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
    }
}
