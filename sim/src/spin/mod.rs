//! Spin Hamiltonians: levels, lines, strengths.
//!
//! A [`SpinSystem`] is made of [`Site`]s (electron or nuclear spins) and
//! [`Coupling`]s. All energies are cyclic frequencies E/h in GHz:
//!
//! H = Σ electrons \[μB (B + Bsite)·g·S + D Sz² + E (Sx² − Sy²) + F (S₊⁴ + S₋⁴)\]
//!   + Σ nuclei \[−μN gN (B + Bsite)·I + I·Q·I\] + Σ pairs Sa·T·Sb + Σ pairs dipole,
//!
//! with the dipole term (μ0/4πr³)\[ma·mb − 3(ma·u)(mb·u)\] of the moments
//! m = −μB g·S and m = μN gN I. The anisotropy terms are meant in the axes of
//! the site, which [`Site::turned`] turns against the laboratory; couplings and
//! fields are given in the axes of the laboratory. There is no shift by
//! S(S+1)/3. Standard form of the spin Hamiltonian; the product basis runs from
//! the highest projection down, the first site slowest.
//!
//! ```
//! use noctule_sim::spin::{Coupling, Site, SpinSystem};
//!
//! // A spin 1/2 on a titanium-like nucleus with I = 7/2: eight lines, 130 MHz apart.
//! let system = SpinSystem::new(
//!     vec![Site::electron(0.5).g_values([1.92, 1.92, 1.67]), Site::nucleus(3.5, -0.315343)],
//!     vec![Coupling::values([0, 1], [0.018, 0.018, 0.13])],
//! )?;
//! let levels = system.levels([0.0, 0.0, 1.35])?;
//! let lines: Vec<f64> = levels.transitions().iter()
//!     .filter(|line| line.electron_transverse > 0.1).map(|line| line.f_ghz).collect();
//! assert_eq!(lines.len(), 8);
//! # Ok::<(), noctule_sim::spin::SpinError>(())
//! ```

pub mod case;
pub mod constants;
pub mod eigen;

mod coupling;
mod fault;
mod levels;
mod operators;
mod site;
mod system;

pub use coupling::{Coupling, Interaction};
pub use fault::{Fault, FaultKind, SpinError, Subject};
pub use levels::{DEGENERATE_GHZ, Level, Levels, STRENGTH_MIN, SiteElements, Transition};
pub use site::{Site, SiteKind, turn_about, turn_zyz};
pub use system::{DIMENSION_MAX, SpinSystem};
