//! Least-squares fits with honest errors, and a plain word when a fit is not to be trusted.
//!
//! Every fit takes slices of numbers and gives a [`Fit`]: parameters with standard errors, their covariance,
//! reduced chi-square, residual diagnostics, and a list of [`Doubt`]s. A fit without doubts is
//! [`trusted`](Fit::trusted). Input that no fit can be made of is a [`FitError`], never a made-up number.
//!
//! - [`resonance`]: an asymmetric line on a sloping background, the everyday case, solved by a fast separable
//!   scheme;
//! - [`line`](fn@line): a weighted straight line in closed form;
//! - [`lorentzian`], [`gaussian`], [`decay`], [`approach`], [`steps`]: other single features;
//! - [`lines`]: several lines at once, with one width or equal spacing;
//! - [`global`](fn@global): one shape in several spectra with shared parameters;
//! - [`formula`](fn@formula), [`closure`] and [`own`](fn@own): the user's own models, in one or several sets of data.
//!
//! [`Options`] fix, bound and start parameters, and say what is taken of the noise.
//!
//! ```
//! use noctule::analysis::fit::{self, Options};
//! let f_hz: Vec<f64> = (0..201).map(|i| 14.0e9 + 1.0e6 * i as f64).collect();
//! let y: Vec<f64> = f_hz.iter().map(|f| {
//!     let delta = (f - 14.08e9) / 10.0e6;
//!     3.0 + (1.0 + 0.4 * delta) / (1.0 + delta * delta)
//! }).collect();
//! let fit = fit::resonance(&f_hz, &y, &Options::new()).unwrap();
//! assert!(fit.trusted());
//! assert!((fit.value("centre") - 14.08e9).abs() < 1.0);
//! assert!((fit.value("width") - 20.0e6).abs() < 1.0);
//! ```

mod candidates;
mod colour;
mod cosines;
mod covariance;
mod differences;
mod doubt;
mod evidence;
mod finish;
mod general;
mod global;
mod line;
pub(crate) mod linear;
mod lines;
mod noise;
mod options;
mod outcome;
mod own;
mod prepare;
mod residuals;
mod resonance;
pub(crate) mod separable;
mod sets;
mod shape;
mod simple;
mod steps;

pub(crate) use colour::slow_noise_gain;
pub use doubt::{Doubt, FitError};
pub use global::{Shape, Spectrum, global};
pub use line::{line, line_about};
pub use lines::{Together, lines};
pub use options::{Bound, Noise, Options};
pub use outcome::{Fit, Parameter};
pub use own::{closure, formula, formula_with, own};
pub(crate) use prepare::{check_columns, check_values, degenerate, range};
pub use residuals::Residuals;
pub use resonance::resonance;
pub use sets::{Function, Set};
pub use simple::{approach, decay, gaussian, lorentzian};
pub use steps::steps;
