//! Levels and amplitudes.
//!
//! Levels are in dBm into 50 Ω, amplitudes zero-to-peak. A tunnel junction is an open end
//! for the line, so the voltage there is twice that of the arriving wave.

/// Wave resistance of source and line, Ω.
pub const LINE_OHM: f64 = 50.0;

/// Zero-to-peak voltage of a wave of `level_dbm` in 50 Ω, V.
///
/// ```
/// use noctule_sim::rf::dbm_to_volts;
/// assert!((dbm_to_volts(-30.0) - 0.010).abs() < 1e-12);
/// ```
pub fn dbm_to_volts(level_dbm: f64) -> f64 {
    (2.0 * LINE_OHM * 1e-3).sqrt() * 10.0_f64.powf(level_dbm / 20.0)
}

/// Zero-to-peak voltage at the junction, V: `level_dbm` at the source, `transmission_db`
/// (negative for a loss) along the line, doubled at the open end.
///
/// ```
/// use noctule_sim::rf::junction_volts;
/// assert!((junction_volts(-10.0, -30.0) - 6.32456e-3).abs() < 1e-8);
/// ```
pub fn junction_volts(level_dbm: f64, transmission_db: f64) -> f64 {
    2.0 * dbm_to_volts(level_dbm + transmission_db)
}

/// Power in W a line loses on its way if `level_dbm` goes in and `transmission_db` of it arrives.
/// A transmission above zero dB (which no passive line has) loses nothing.
pub fn dissipated_w(level_dbm: f64, transmission_db: f64) -> f64 {
    let input_w = 1e-3 * 10.0_f64.powf(level_dbm / 10.0);
    input_w * (1.0 - 10.0_f64.powf(transmission_db.min(0.0) / 10.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lossless_line_stays_cold() {
        assert_eq!(dissipated_w(0.0, 0.0), 0.0);
        assert!((dissipated_w(0.0, -10.0) - 0.9e-3).abs() < 1e-15);
    }
}
