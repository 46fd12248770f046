//! The RF source and its line to the junction.
//!
//! [`RfSource`] has settings, limits and faults; [`RfLine`] the transmission in dB against
//! frequency, without the doubling at the open end; the free functions turn levels into
//! amplitudes at the junction. A line that isn't made up for makes false peaks that don't move with the field.

mod level;
mod line;
mod source;

pub use level::{dbm_to_volts, dissipated_w, junction_volts};
pub use line::{LineDrift, LineResonance, Rf, RfLine, StandingWave};
pub use source::{RfSource, RfSourceParams};

/// Something the source can't do.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum RfError {
    /// Outside the frequency range.
    #[error("{frequency_hz} Hz is outside the range of {low_hz} to {high_hz} Hz")]
    Frequency {
        /// What was asked for, Hz.
        frequency_hz: f64,
        /// Lower end, Hz.
        low_hz: f64,
        /// Upper end, Hz.
        high_hz: f64,
    },
    /// Outside the level range.
    #[error("{level_dbm} dBm is outside the range of {low_dbm} to {high_dbm} dBm")]
    Level {
        /// What was asked for, dBm.
        level_dbm: f64,
        /// Lower end, dBm.
        low_dbm: f64,
        /// Upper end, dBm.
        high_dbm: f64,
    },
}
