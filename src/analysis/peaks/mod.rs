//! Finding lines in a noisy spectrum before any fit: how many, where, and how likely chance alone is to show
//! something as strong anywhere in the searched range.
//!
//! Windows of many lengths are moved over the spectrum. In each, an even kernel (core less flanks) and an odd one
//! (side against side) measure the two parts of an asymmetric line, blind to an offset and a slope. Their squared
//! scores add to a statistic with two degrees of freedom, so one line gives one peak whatever its asymmetry. The
//! noise comes from second differences, which no line changes much; where the spread of the kernels over the
//! spectrum is larger than white noise makes it, the score is lowered accordingly. Found lines are taken out one by
//! one, the strongest first, and the search goes on in what is left.
//!
//! Limits, measured in `tests/judge/search_peaks.rs`: rows of eight lines seven widths apart are counted right in 95 of 100
//! spectra, rows 3.4 widths apart in about half; fit [`lines`](crate::analysis::fit::lines) where the number is known.
//!
//! Points are taken as evenly spaced; a modestly uneven sweep only blurs the window lengths.
//!
//! ```
//! use noctule::analysis::peaks::{self, Search};
//! let x: Vec<f64> = (0..400).map(f64::from).collect();
//! let y: Vec<f64> = x.iter().map(|x| {
//!     let wobble = (x * 12.9898).sin() * 43758.5453;
//!     (wobble - wobble.floor() - 0.5) + 3.0 / (1.0 + ((x - 150.0) / 8.0).powi(2))
//! }).collect();
//! let found = peaks::find(&x, &y, &Search::default()).unwrap();
//! assert_eq!(found.lines.len(), 1);
//! assert!((found.lines[0].centre - 150.0).abs() < 3.0);
//! assert!(found.lines[0].false_alarm < 1e-6);
//! ```

mod clean;
mod noise;
mod profile;
mod scan;
mod significance;
mod waves;

use serde::Serialize;

use crate::analysis::fit::FitError;

pub use noise::white_noise;

/// What to look for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Search {
    /// Largest accepted probability that noise alone shows a line anywhere in the range.
    pub false_alarm: f64,
    /// Narrowest and widest full width at half maximum, in the unit of x; all that the spacing and the range
    /// allow if not given.
    pub widths: Option<(f64, f64)>,
    /// Width of the widest line on a wavy background, in the unit of x: waves twice as long are taken out first. Nothing is
    /// taken out if not given.
    pub over_waves: Option<f64>,
    /// Standard deviation of one point, in the unit of y; estimated if not given.
    pub sigma: Option<f64>,
    /// Most lines to report.
    pub most: usize,
}

impl Default for Search {
    /// One false alarm in a thousand spectra, all widths, unknown noise, at most 32 lines.
    fn default() -> Self {
        Self { false_alarm: 1e-3, widths: None, over_waves: None, sigma: None, most: 32 }
    }
}

/// One line that stands out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Peak {
    /// Place, in the unit of x.
    pub centre: f64,
    /// Rough full width at half maximum, in the unit of x.
    pub width: f64,
    /// Height of the symmetric part, in the unit of y.
    pub height: f64,
    /// Asymmetry, as in the model of a resonance; large for a line that is all dispersion.
    pub asymmetry: f64,
    /// Strength in standard deviations of the noise, both parts of the line together.
    pub score: f64,
    /// Probability that noise alone shows something as strong anywhere in the searched range.
    pub false_alarm: f64,
}

/// The outcome of a search.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Peaks {
    /// The lines, in rising order of x.
    pub lines: Vec<Peak>,
    /// Standard deviation of one point, given or estimated from second differences.
    pub noise: f64,
    /// Largest spread of a kernel over that of white noise; well above 1 for drift or slow noise.
    pub colour: f64,
    /// Probability that noise alone shows something as strong as the strongest remnant that was not accepted.
    pub next_false_alarm: f64,
    /// Points that were taken for spikes of single points and left out.
    pub spikes: usize,
}

/// Finds the lines of a spectrum.
///
/// # Errors
/// [`FitError`] for fewer than 16 points, equal x, values that are not finite, or settings that are no
/// probability, widths or noise. Constant y is no error: there are no lines in it.
pub fn find(x: &[f64], y: &[f64], search: &Search) -> Result<Peaks, FitError> {
    clean::find(x, y, search)
}
