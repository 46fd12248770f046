//! What is told of a run afterwards: the [brief](brief), [plots](plot), [exports](export), the list of
//! [runs](runs).

pub mod account;
pub mod brief;
pub mod export;
pub mod figure;
pub mod plot;
pub mod runs;
pub mod words;
