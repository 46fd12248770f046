//! Power spectral density by averaging over windowed stretches.

use rustfft::{FftPlanner, num_complex::Complex};
use serde::Serialize;

use crate::analysis::realness::{Unusable, at_least, finite};

/// A one-sided power spectral density.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Psd {
    /// Frequencies, Hz, from zero to half the sampling rate.
    pub f_hz: Vec<f64>,
    /// Density, square of the signal's unit per Hz.
    pub density: Vec<f64>,
    /// Number of stretches averaged.
    pub stretches: usize,
    /// Standard error of a density as a share of itself: half-overlapping Hann stretches count for about
    /// 0.95 each beyond the first (√(1.056/n), common practice).
    pub relative_error: f64,
}

/// Density from half-overlapping stretches of `length` points under a Hann window, each less its mean.
///
/// `rate_hz` is the sampling rate. The sum of the density times the distance of frequencies is the variance of what is
/// left after the mean of each stretch is taken away.
///
/// # Errors
/// Refuses unusable numbers, a rate that is not positive, stretches below 8 points or longer than the series.
///
/// ```
/// use noctule::analysis::noise::welch;
/// // A sine of amplitude 2 at 5 Hz has its power, 2, around 5 Hz.
/// let y: Vec<f64> = (0..1000).map(|i| 2.0 * (std::f64::consts::TAU * 5.0 * i as f64 / 100.0).sin()).collect();
/// let psd = welch(&y, 100.0, 200).unwrap();
/// let power: f64 = psd.density.iter().sum::<f64>() * psd.f_hz[1];
/// assert!((power - 2.0).abs() < 0.02);
/// ```
pub fn welch(values: &[f64], rate_hz: f64, length: usize) -> Result<Psd, Unusable> {
    at_least(values.len(), 8, "values")?;
    finite(values, "values")?;
    if !(rate_hz > 0.0 && rate_hz < 1e100) {
        let value = rate_hz;
        return Err(Unusable::OutOfRange {
            what: "The sampling rate",
            value,
            range: "the numbers above zero",
        });
    }
    if length < 8 || length > values.len() {
        let value = length as f64;
        return Err(Unusable::OutOfRange {
            what: "The stretch length",
            value,
            range: "8 to the number of values",
        });
    }
    let window: Vec<f64> = (0..length)
        .map(|i| 0.5 - 0.5 * (2.0 * std::f64::consts::PI * i as f64 / length as f64).cos())
        .collect();
    let power: f64 = window.iter().map(|w| w * w).sum();
    let fft = FftPlanner::new().plan_fft_forward(length);
    let mut sums = vec![0.0; length / 2 + 1];
    let mut stretches = 0;
    let mut start = 0;
    while start + length <= values.len() {
        let part = &values[start..start + length];
        let mean = part.iter().sum::<f64>() / length as f64;
        let mut buffer: Vec<Complex<f64>> =
            part.iter().zip(&window).map(|(v, w)| Complex::new((v - mean) * w, 0.0)).collect();
        fft.process(&mut buffer);
        for (s, c) in sums.iter_mut().zip(&buffer) {
            *s += c.norm_sqr();
        }
        stretches += 1;
        start += length - length / 2;
    }
    let last = sums.len() - 1;
    let density: Vec<f64> = sums
        .iter()
        .enumerate()
        .map(|(k, s)| {
            // Zero and, for even lengths, half the rate have no mirror image to be folded in.
            let fold = if k == 0 || (k == last && length.is_multiple_of(2)) { 1.0 } else { 2.0 };
            fold * s / (rate_hz * power * stretches as f64)
        })
        .collect();
    if density.iter().any(|d| !d.is_finite()) {
        return Err(Unusable::NotDetermined { what: "The density" });
    }
    let f_hz = (0..=last).map(|k| k as f64 * rate_hz / length as f64).collect();
    let relative_error = if stretches == 1 { 1.0 } else { (1.056 / stretches as f64).sqrt() };
    Ok(Psd { f_hz, density, stretches, relative_error })
}
