//! Pure functions on slices of numbers: fits, peaks, verdicts, forecasts.

pub mod areas;
pub mod contrast;
pub mod field_law;
pub mod fit;
pub mod forecast;
pub mod formula;
pub mod identify;
pub mod information;
pub mod joint;
pub mod model;
pub mod noise;
pub(crate) mod order;
pub mod peaks;
pub mod realness;
pub mod register;
pub mod search;
pub mod spots;
pub mod transmission;
