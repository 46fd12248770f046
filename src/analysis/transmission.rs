//! How much of the RF comes through a line, against frequency, from the current that it rectifies.
//!
//! A junction with a curved characteristic turns RF into direct current in proportion to the square of its amplitude
//! (`ΔI = V₀²/4 · d²I/dV²`, common practice), so the ratio of two such currents is a ratio of powers:
//! `10 log₁₀(ratio)` dB. That holds where nothing else answers the RF, and where the level was the same.

use super::realness::{Unusable, at_least, finite, same_length};
use crate::analysis::order::middle;
use serde::Serialize;

/// Scatter of a normal distribution in units of its median absolute value.
const NORMAL_PER_MEDIAN: f64 = 1.4826;
/// A point says something if it stands so many errors above nothing.
const LEAST_SIGNAL: f64 = 3.0;
/// Decibel for a relative error of one.
const DB_PER_UNIT: f64 = 10.0 / std::f64::consts::LN_10;

/// Transmission relative to its mean over the range.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Transmission {
    /// Frequencies, Hz, rising.
    pub f_hz: Vec<f64>,
    /// Transmission there, dB, zero on average.
    pub db: Vec<f64>,
    /// Typical standard error of one point, dB.
    pub error_db: f64,
}

impl Transmission {
    /// From rectified signals at rising frequencies, all measured with one level. The sign is that of most of them.
    ///
    /// # Errors
    /// Refuses fewer than five points, unusable numbers, frequencies that do not rise, and signals that are lost in
    /// their noise at any point: there the transmission would be made up.
    ///
    /// ```
    /// use noctule::analysis::transmission::Transmission;
    /// let f_hz: Vec<f64> = (1..=8).map(|f| f64::from(f) * 1e9).collect();
    /// let line = Transmission::from_rectified(&f_hz, &[1.0, 1.0, 1.0, 1.0, 10.0, 10.0, 10.0, 10.0]).unwrap();
    /// // Ten times the rectified current is ten times the power.
    /// assert!((line.at(8e9).unwrap() - line.at(1e9).unwrap() - 10.0).abs() < 1e-9);
    /// // Where 10 dB more come through, the source gives 10 dB less.
    /// let levels = [1e9, 8e9].map(|f| line.level_dbm(f, -14.0).unwrap());
    /// assert!((levels[0] - levels[1] - 10.0).abs() < 1e-9);
    /// assert_eq!(line.at(9e9), None);
    /// ```
    pub fn from_rectified(f_hz: &[f64], signal: &[f64]) -> Result<Self, Unusable> {
        same_length(("frequencies", f_hz), ("signals", signal))?;
        at_least(f_hz.len(), 5, "points")?;
        finite(f_hz, "frequencies")?;
        finite(signal, "signals")?;
        if let Some(pair) = f_hz.windows(2).find(|pair| pair[1] <= pair[0]) {
            return Err(Unusable::OutOfRange {
                what: "A frequency",
                value: pair[1],
                range: "above the one before",
            });
        }
        let sign = if middle(signal.to_vec()) < 0.0 { -1.0 } else { 1.0 };
        let bends = signal.windows(3).map(|y| (y[0] - 2.0 * y[1] + y[2]).abs()).collect();
        // A second difference has six times the variance of a point. What it takes for noise may be ripple, so the
        // error is rather too large than too small.
        let noise = NORMAL_PER_MEDIAN * middle(bends) / 6.0_f64.sqrt();
        if let Some(value) = signal.iter().map(|y| y * sign).find(|y| *y <= LEAST_SIGNAL * noise) {
            let range = "above three times its noise; measure with more level, current or dwell";
            return Err(Unusable::OutOfRange { what: "A rectified signal", value, range });
        }
        let mut db: Vec<f64> = signal.iter().map(|y| 10.0 * (y * sign).log10()).collect();
        let mean = db.iter().sum::<f64>() / db.len() as f64;
        db.iter_mut().for_each(|db| *db -= mean);
        let error_db = DB_PER_UNIT * noise / middle(signal.iter().map(|y| y.abs()).collect());
        Ok(Self { f_hz: f_hz.to_vec(), db, error_db })
    }

    /// Transmission at a frequency, dB, straight between the points; none outside their range.
    pub fn at(&self, f_hz: f64) -> Option<f64> {
        let (first, last) = (*self.f_hz.first()?, *self.f_hz.last()?);
        // Ends of a range that were worked out differ in the last digit.
        let slack = 1e-9 * last.abs();
        if !(first - slack..=last + slack).contains(&f_hz) {
            return None;
        }
        let right = self.f_hz.partition_point(|f| *f < f_hz).clamp(1, self.f_hz.len() - 1);
        let (left_hz, right_hz) = (self.f_hz[right - 1], self.f_hz[right]);
        let part = ((f_hz - left_hz) / (right_hz - left_hz)).clamp(0.0, 1.0);
        Some(self.db[right - 1] * (1.0 - part) + self.db[right] * part)
    }

    /// The level at the source, dBm, that brings to the junction what `wanted_dbm` brings there at a frequency of mean
    /// transmission; none outside the range.
    pub fn level_dbm(&self, f_hz: f64, wanted_dbm: f64) -> Option<f64> {
        self.at(f_hz).map(|db| wanted_dbm - db)
    }

    /// Largest less smallest transmission, dB.
    pub fn spread_db(&self) -> f64 {
        let most = self.db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        most - self.db.iter().copied().fold(f64::INFINITY, f64::min)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_lost_in_noise_is_refused() {
        let f_hz: Vec<f64> = (0..20).map(|i| 1e9 + 1e6 * f64::from(i)).collect();
        let noisy: Vec<f64> = (0..20).map(|i| 1.0 + if i % 2 == 0 { 0.9 } else { -0.9 }).collect();
        assert!(Transmission::from_rectified(&f_hz, &noisy).is_err());
        assert!(Transmission::from_rectified(&f_hz, &[f64::NAN; 20]).is_err());
        assert!(Transmission::from_rectified(&f_hz, &[0.0; 20]).is_err());
        assert!(Transmission::from_rectified(&[1e9; 5], &[1.0; 5]).is_err());
        assert!(Transmission::from_rectified(&f_hz[..3], &[1.0; 3]).is_err());
    }

    #[test]
    fn the_sign_of_the_signal_does_not_matter() {
        let f_hz = [1e9, 2e9, 3e9, 4e9, 5e9];
        let up = [1.0, 1.1, 1.2, 1.3, 1.4];
        let one = Transmission::from_rectified(&f_hz, &up).unwrap();
        let other = Transmission::from_rectified(&f_hz, &up.map(|y| -y)).unwrap();
        assert_eq!(one, other);
        assert!((one.spread_db() - 10.0 * 1.4_f64.log10()).abs() < 1e-12);
    }
}
