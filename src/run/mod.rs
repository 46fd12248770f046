//! Whole runs: a sequence, a bench and a driver put together, from the first entry to the digest.

pub mod campaign;
mod ended_by;
pub mod faults;
mod folder;
pub mod hooks;
pub mod keeper;
pub mod keeper_process;
pub mod lock;
mod measure;
pub mod nights;
pub mod observers;
pub mod odds;
mod post;
mod rehearse;
pub mod resume;
pub mod resumed_rehearsal;
mod setup;
pub mod shards;
mod signals;
pub mod stricter;
mod summary;
mod terms;
mod truth;
pub mod what_if;
mod window;

pub use folder::{RUN_FILE_NAME, RunFolder, locate};
pub use measure::{
    MakeRecorder, Measured, Measurement, NotBegun, Observers, Resumed, measure, meet_instruments, paced,
};
pub use rehearse::{Rehearsed, rehearse, rehearse_with, rehearse_with_faults, resume_rehearsal};
pub use setup::{BenchSource, Setup, SetupError};
pub use summary::Summary;
pub use truth::{Span, Truth};
pub use window::{latest_window, new_window, parse_time, seconds_until, withdrawal_s, zone};
