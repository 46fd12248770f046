//! What is told of a run afterwards: the [brief], [plots](mod@plot), [exports](mod@export), the list of
//! [runs].

pub mod account;
pub mod brief;
pub mod export;
pub mod figure;
pub mod plot;
pub mod runs;
pub mod words;
