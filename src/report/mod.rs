//! What is told of a run afterwards: the [brief], [plots](mod@plot), [exports](mod@export), the list of
//! [runs], and of many runs as one [campaign](pursuit).

pub mod account;
pub mod beside;
pub mod brief;
pub mod export;
pub mod figure;
pub mod plot;
pub mod pursuit;
pub mod rejudge;
pub mod runs;
pub mod words;
