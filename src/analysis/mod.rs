//! Pure functions on slices of numbers: fits, peaks, verdicts, forecasts.

pub mod realness;
