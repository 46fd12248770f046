//! Noise in frequency and in averaging time, and the dwell that follows from it.

mod allan;
mod dwell;
mod psd;

pub use allan::{AllanPoint, allan_at, allan_deviation};
pub use dwell::{Dwell, DwellFinding, best_dwell};
pub use psd::{Psd, welch};
