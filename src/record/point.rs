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

    /// The readings.
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
