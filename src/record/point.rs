//! Points of sweeps.

use super::WIDEST_POINT;
use crate::quantity::TimePoint;

/// Readings of one point, kept in place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Values {
    len: u8,
    data: [f64; WIDEST_POINT],
}

impl Values {
    /// From a slice.
    ///
    /// # Panics
    /// If it is longer than [`WIDEST_POINT`]; plans are checked for that before they run.
    pub fn new(values: &[f64]) -> Self {
        assert!(values.len() <= WIDEST_POINT, "a point holds at most {WIDEST_POINT} readings");
        let mut data = [0.0; WIDEST_POINT];
        data[..values.len()].copy_from_slice(values);
        Self { len: values.len() as u8, data }
    }

    /// The readings of a point of so many channels; what the file has nothing for is a gap.
    pub fn in_columns(&self, width: usize) -> impl Iterator<Item = f64> {
        (0..width).map(|i| self.as_slice().get(i).copied().unwrap_or(f64::NAN))
    }

    /// Without the gaps at the end, which a row of the file can't tell from columns that it does not have.
    pub(super) fn without_last_gaps(&self) -> &[f64] {
        let all = self.as_slice();
        let count = all.iter().rposition(|value| !value.is_nan()).map_or(0, |last| last + 1);
        &all[..count]
    }

    /// The readings; a gap is no number.
    pub fn as_slice(&self) -> &[f64] {
        &self.data[..usize::from(self.len)]
    }
}

/// One point of a sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Which sweep.
    pub sweep: u64,
    /// Its place in the order of measurement, from 0.
    pub i: u64,
    /// When it was finished.
    pub at: TimePoint,
    /// Value of the fast axis, SI.
    pub x: f64,
    /// Value of the slow axis, SI; 0 where there is none.
    pub y: f64,
    /// Readings, SI.
    pub values: Values,
}
