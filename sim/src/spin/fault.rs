//! What can be wrong with a spin system.

use super::eigen::EigenError;
use std::fmt;

/// What a fault is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Subject {
    /// The system as a whole.
    System,
    /// One site, from 0.
    Site(usize),
    /// One coupling, from 0.
    Coupling(usize),
}

/// One thing that is wrong with the description of a spin system.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// Where.
    pub at: Subject,
    /// What.
    pub kind: FaultKind,
}

/// The kinds of faults; each is one plain sentence as text.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FaultKind {
    /// There is no site at all.
    #[error("a spin system needs at least one spin")]
    Empty,
    /// A spin that nature does not have: S must be 1/2, 1, 3/2, …
    #[error("{site} can't have spin {spin}: it must be 1/2, 1, 3/2, … (a positive multiple of 1/2)")]
    ImpossibleSpin {
        /// Which site.
        site: String,
        /// What was given.
        spin: f64,
    },
    /// A value is NaN or infinite.
    #[error("{what} is not a finite number")]
    NotFinite {
        /// Which value.
        what: String,
    },
    /// Two sites have the same name.
    #[error("two spins are named `{name}`")]
    NameTwice {
        /// The name.
        name: String,
    },
    /// A coupling or question names a site that does not exist.
    #[error("there is no spin {site}: there are {sites}, counted from 0")]
    UnknownSite {
        /// The site it names, from 0.
        site: usize,
        /// How many sites there are.
        sites: usize,
    },
    /// A coupling leads from a site back to itself.
    #[error("the coupling leads from {site} back to itself")]
    CoupledToItself {
        /// The site.
        site: String,
    },
    /// A dipolar coupling over no distance.
    #[error("the coupling is dipolar over no distance: r must not be zero")]
    NoDistance,
    /// A tensor I·Q·I whose matrix is not symmetric.
    #[error("the matrix of {what} is not symmetric")]
    NotSymmetric {
        /// Which value.
        what: String,
    },
    /// More levels than can be diagonalised exactly in reasonable time.
    #[error("these spins have {dimension} levels together, exact diagonalisation takes at most {limit}")]
    TooLarge {
        /// Dimension of the Hilbert space.
        dimension: u64,
        /// The largest that is taken.
        limit: usize,
    },
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.at {
            Subject::Coupling(index) => write!(f, "coupling {index}: {}", self.kind),
            Subject::System | Subject::Site(_) => self.kind.fmt(f),
        }
    }
}

/// Why a spin system has no levels to offer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SpinError {
    /// Everything that is wrong with the description.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Faults(Vec<Fault>),
    /// A field, temperature or other condition makes no sense.
    #[error("{what} must be {needed}, not {value}")]
    Condition {
        /// Which.
        what: &'static str,
        /// What was given.
        value: f64,
        /// What would make sense.
        needed: &'static str,
    },
    /// The diagonalisation failed.
    #[error(transparent)]
    Eigen(#[from] EigenError),
}
