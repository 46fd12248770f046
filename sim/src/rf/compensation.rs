//! A measured transmission, and the source levels that flatten it.

use super::RfError;

/// Transmission of a line at measured frequencies, linear between them.
///
/// ```
/// use noctule_sim::rf::Compensation;
///
/// let table = Compensation::new(vec![(10e9, -26.0), (11e9, -30.0)]).unwrap();
/// // Level at the source that sends a wave of −40 dBm to the end of the line:
/// assert_eq!(table.level_dbm(10.5e9, -40.0).unwrap(), -12.0);
/// assert!(table.level_dbm(12e9, -40.0).is_err());
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Compensation {
    points: Vec<(f64, f64)>,
}

impl Compensation {
    /// A table of (frequency in Hz, transmission in dB), frequencies growing.
    ///
    /// # Errors
    /// [`RfError::Table`] if it is empty, not growing, or holds something that is no number.
    pub fn new(points: Vec<(f64, f64)>) -> Result<Self, RfError> {
        if points.is_empty() {
            return Err(RfError::Table { row: 0, reason: "the table is empty" });
        }
        for (row, &(frequency_hz, transmission_db)) in points.iter().enumerate() {
            if !(frequency_hz.is_finite() && transmission_db.is_finite()) {
                return Err(RfError::Table { row, reason: "the entry is not a number" });
            }
            if row > 0 && frequency_hz <= points[row - 1].0 {
                return Err(RfError::Table { row, reason: "frequencies must grow" });
            }
        }
        Ok(Self { points })
    }

    /// Transmission in dB at `frequency_hz`.
    ///
    /// # Errors
    /// [`RfError::Frequency`] outside the measured range: a guess there would be made up.
    pub fn transmission_db(&self, frequency_hz: f64) -> Result<f64, RfError> {
        let (low_hz, high_hz) = (self.points[0].0, self.points[self.points.len() - 1].0);
        if !(low_hz..=high_hz).contains(&frequency_hz) {
            return Err(RfError::Frequency { frequency_hz, low_hz, high_hz });
        }
        let above = self.points.partition_point(|point| point.0 < frequency_hz);
        if above == 0 {
            return Ok(self.points[0].1);
        }
        let ((f0, t0), (f1, t1)) = (self.points[above - 1], self.points[above]);
        Ok(t0 + (t1 - t0) * (frequency_hz - f0) / (f1 - f0))
    }

    /// Level in dBm at the source that sends a wave of `wanted_dbm` to the end of the line:
    /// wanted − transmission.
    ///
    /// # Errors
    /// As [`transmission_db`](Self::transmission_db).
    pub fn level_dbm(&self, frequency_hz: f64, wanted_dbm: f64) -> Result<f64, RfError> {
        Ok(wanted_dbm - self.transmission_db(frequency_hz)?)
    }

    /// The highest wave in dBm that a source of at most `level_max_dbm` can send to the end at
    /// every measured frequency: what a flat sweep can ask for.
    pub fn flat_limit_dbm(&self, level_max_dbm: f64) -> f64 {
        level_max_dbm + self.points.iter().map(|point| point.1).fold(f64::INFINITY, f64::min)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_that_are_none_are_refused() {
        assert!(Compensation::new(Vec::new()).is_err());
        assert!(matches!(Compensation::new(vec![(1.0, f64::NAN)]), Err(RfError::Table { row: 0, .. })));
        assert!(matches!(
            Compensation::new(vec![(1.0, 0.0), (1.0, 0.0)]),
            Err(RfError::Table { row: 1, .. })
        ));
    }

    #[test]
    fn the_table_is_kept_at_its_points_and_linear_between() {
        let table = Compensation::new(vec![(1e9, -20.0), (2e9, -30.0), (4e9, -28.0)]).unwrap();
        for (f, t) in [(1e9, -20.0), (1.25e9, -22.5), (2e9, -30.0), (3e9, -29.0), (4e9, -28.0)] {
            assert!((table.transmission_db(f).unwrap() - t).abs() < 1e-12);
        }
        assert!(table.transmission_db(f64::NAN).is_err());
        assert!((table.flat_limit_dbm(10.0) + 20.0).abs() < 1e-12);
        let single = Compensation::new(vec![(1e9, -20.0)]).unwrap();
        assert_eq!(single.transmission_db(1e9), Ok(-20.0));
    }
}
