//! Pure functions on slices of numbers: fits, peaks, verdicts, forecasts.

pub mod contrast;
pub mod fit;
pub mod formula;
pub mod model;
pub mod realness;
pub mod spots;
