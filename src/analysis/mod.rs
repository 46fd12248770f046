//! Pure functions on slices of numbers: fits, peaks, verdicts, forecasts.

pub mod fit;
pub mod formula;
pub mod model;
pub mod peaks;
pub mod realness;
pub mod search;
pub mod spots;
