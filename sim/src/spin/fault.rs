//! What can be wrong with a spin system.

use super::eigen::EigenError;
use std::fmt;

/// One thing that is wrong with the description of a spin system.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Fault {
    /// There is no site at all.
    Empty,
    /// A spin that nature does not have: S must be 1/2, 1, 3/2, …
    ImpossibleSpin {
        /// Which site.
        site: String,
        /// What was given.
        spin: f64,
    },
    /// A value is NaN or infinite.
    NotFinite {
        /// Which value.
        what: String,
    },
    /// Two sites have the same name.
    NameTwice {
        /// The name.
        name: String,
    },
    /// A coupling names a site that does not exist.
    UnknownSite {
        /// Which coupling, from 0.
        coupling: usize,
        /// The site it names, from 0.
        site: usize,
        /// How many sites there are.
        sites: usize,
    },
    /// A coupling leads from a site back to itself.
    CoupledToItself {
        /// Which coupling, from 0.
        coupling: usize,
        /// The site.
        site: String,
    },
    /// A dipolar coupling over no distance.
    NoDistance {
        /// Which coupling, from 0.
        coupling: usize,
    },
    /// A tensor I·Q·I whose matrix is not symmetric.
    NotSymmetric {
        /// Which value.
        what: String,
    },
    /// More levels than can be diagonalised exactly in reasonable time.
    TooLarge {
        /// Dimension of the Hilbert space.
        dimension: u64,
        /// The largest that is taken.
        limit: usize,
    },
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::Empty => f.write_str("a spin system needs at least one spin"),
            Fault::ImpossibleSpin { site, spin } => {
                write!(
                    f,
                    "{site} can't have spin {spin}: it must be 1/2, 1, 3/2, … (a positive multiple of 1/2)"
                )
            }
            Fault::NotFinite { what } => write!(f, "{what} is not a finite number"),
            Fault::NameTwice { name } => write!(f, "two spins are named `{name}`"),
            Fault::UnknownSite { coupling, site, sites } => {
                write!(
                    f,
                    "coupling {coupling} names spin {site}, but there are only {sites} (counted from 0)"
                )
            }
            Fault::CoupledToItself { coupling, site } => {
                write!(f, "coupling {coupling} leads from {site} back to itself")
            }
            Fault::NoDistance { coupling } => {
                write!(f, "coupling {coupling} is dipolar over no distance: r must not be zero")
            }
            Fault::NotSymmetric { what } => write!(f, "the matrix of {what} is not symmetric"),
            Fault::TooLarge { dimension, limit } => write!(
                f,
                "these spins have {dimension} levels together, exact diagonalisation takes at most {limit}"
            ),
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
