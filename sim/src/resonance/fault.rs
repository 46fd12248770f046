//! What can be wrong with the parameters of a resonance.

use crate::spin::{Fault, SpinError};

/// One parameter that makes no sense.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ResonanceFault {
    /// A number outside what the parameter may be.
    #[error("{what} must be {needed}, not {value}")]
    Parameter {
        /// Which parameter, by its name in [`super::SpinParameters`] or [`super::Line`].
        what: &'static str,
        /// What was given.
        value: f64,
        /// What would make sense.
        needed: &'static str,
    },
    /// T2 is longer than relaxation allows.
    #[error("t2_s is {t2_s}, but coherence can't outlive twice t1_s = {t1_s}")]
    CoherenceTooLong {
        /// Given T1, s.
        t1_s: f64,
        /// Given T2, s.
        t2_s: f64,
    },
    /// A fault of the spins themselves.
    #[error("{0}")]
    Spin(Fault),
}

/// Everything that is wrong, at once.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ResonanceError {
    /// Parameters that make no sense.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Faults(Vec<ResonanceFault>),
    /// The diagonalisation or its conditions.
    #[error(transparent)]
    Spin(#[from] SpinError),
}

/// Collects a fault unless `fine`.
pub(super) fn check(
    faults: &mut Vec<ResonanceFault>,
    fine: bool,
    what: &'static str,
    value: f64,
    needed: &'static str,
) {
    if !fine {
        faults.push(ResonanceFault::Parameter { what, value, needed });
    }
}
