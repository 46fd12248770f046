//! The RF source and its line to the junction.
//!
//! [`RfSource`] has settings, limits and faults; [`RfLine`] the transmission in dB against
//! frequency, without the doubling at the open end; the free functions turn levels into
//! amplitudes at the junction and amplitudes into rectified current. [`Compensation`] holds a
//! measured transmission and gives the levels of a flat sweep. A line that isn't compensated
//! makes false peaks that don't move with the field.

mod compensation;
mod level;
mod line;
mod source;

pub use compensation::Compensation;
pub use level::{
    LINE_OHM, amplitude_from_rectified_v, dbm_to_volts, dissipated_w, junction_volts, level_for_junction_dbm,
    rectified_a, rectified_exact_a, transmission_from_rectified_db, volts_to_dbm,
};
pub use line::{LineResonance, RfLine, StandingWave};
pub use source::{RfSource, RfSourceParams};

/// Something the source or a table of its line can't do.
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
    /// A transmission table that is none.
    #[error("row {row} of the transmission table: {reason}")]
    Table {
        /// Row, counted from 0.
        row: usize,
        /// What is wrong with it.
        reason: &'static str,
    },
}
