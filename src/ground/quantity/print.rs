//! Printing quantities with a prefix that suits them.

use super::{Dimension, Quantity, Unit};
use std::fmt;

const PREFIXES: [(i32, &str); 11] = [
    (-18, "a"),
    (-15, "f"),
    (-12, "p"),
    (-9, "n"),
    (-6, "µ"),
    (-3, "m"),
    (0, ""),
    (3, "k"),
    (6, "M"),
    (9, "G"),
    (12, "T"),
];

impl fmt::Display for Quantity {
    /// Up to seven significant digits, or as many as the precision says, trailing zeros removed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = f.precision().unwrap_or(7);
        let symbol = self.dimension.symbol();
        let value = if self.dimension == Dimension::VOLUME { self.si * 1e3 } else { self.si };
        if symbol.is_empty() {
            return f.write_str(&significant(value, digits));
        }
        if !takes_prefix(self.dimension) || value == 0.0 || !value.is_finite() {
            return write!(f, "{} {symbol}", significant(value, digits));
        }
        let decade = (value.abs().log10() + 1e-9).floor();
        let step = ((decade / 3.0).floor() as i32 * 3).clamp(-18, 12);
        let prefix = PREFIXES.iter().find(|(power, _)| *power == step).map_or("", |(_, name)| name);
        write!(f, "{} {prefix}{symbol}", significant(value / 10_f64.powi(step), digits))
    }
}

/// A number with so many significant digits, without trailing zeros.
///
/// ```
/// use noctule_ground::quantity::significant;
/// assert_eq!(significant(0.125, 3), "0.125");
/// assert_eq!(significant(1234567.0, 3), "1.23e6");
/// ```
pub fn significant(value: f64, digits: usize) -> String {
    if value == 0.0 || !value.is_finite() {
        return if value.is_nan() { "not a number".to_owned() } else { format!("{value}") };
    }
    let scientific = format!("{value:.*e}", digits.saturating_sub(1));
    let (mantissa, exponent) = scientific.split_once('e').unwrap_or((&scientific, "0"));
    let exponent: i32 = exponent.parse().unwrap_or(0);
    if (-5..i32::try_from(digits).unwrap_or(0).max(4)).contains(&exponent) {
        let decimals = (i32::try_from(digits).unwrap_or(1) - 1 - exponent).max(0);
        let fixed = format!("{value:.*}", usize::try_from(decimals).unwrap_or(0));
        return trim_zeros(&fixed);
    }
    format!("{}e{exponent}", trim_zeros(mantissa))
}

/// A plain number with its error, to two digits of the error; alone to six digits, if the error says nothing.
pub fn rounded(value: f64, error: f64) -> String {
    if !(error.is_finite() && error > 0.0) {
        return significant(value, 6);
    }
    let places = 1 - error.log10().floor() as i32;
    if (-9..0).contains(&places) && value.abs() < 1e9 {
        let step = 10_f64.powi(-places);
        return format!("{:.0} ± {:.0}", (value / step).round() * step, (error / step).round() * step);
    }
    if !(0..=9).contains(&places) || value.abs() >= 1e9 {
        return format!("{} ± {}", significant(value, 6), significant(error, 2));
    }
    let places = places.unsigned_abs() as usize;
    format!("{value:.places$} ± {error:.places$}")
}

impl Quantity {
    /// With its standard error, SI, in the prefix that suits the value: `14.20312 ± 0.00042 GHz`.
    ///
    /// ```
    /// use noctule_ground::quantity::{Dimension, Quantity};
    /// let line = Quantity::new(14.203_123_45e9, Dimension::FREQUENCY);
    /// assert_eq!(line.with_error(0.42e6), "14.20312 ± 0.00042 GHz");
    /// assert_eq!(Quantity::number(0.894_321_7).with_error(8.2e-4), "0.89432 ± 0.00082");
    /// assert_eq!(line.with_error(0.0), "14.2031 GHz");
    /// ```
    pub fn with_error(self, error_si: f64) -> String {
        if !(error_si.is_finite() && error_si > 0.0 && self.si.is_finite()) {
            return format!("{self:.6}");
        }
        // The unit is that of the larger of the two: an error of a value near zero is no string of digits.
        let larger = Self::new(self.si.abs().max(error_si), self.dimension);
        let text = format!("{larger:.6}");
        let Some(unit) = text.split_once(' ').and_then(|(_, unit)| Unit::parse(unit)) else {
            return rounded(self.si, error_si);
        };
        format!("{} {}", rounded(unit.from_si(self.si), unit.from_si(error_si)), unit.text)
    }
}

/// A value in SI printed in a given unit: `0.05` in `mT` gives `50 mT`.
pub fn in_unit(si: f64, unit: &Unit) -> String {
    value_in(si, unit, 6)
}

/// The same to so many digits: `41.2 L`.
pub fn value_in(si: f64, unit: &Unit, digits: usize) -> String {
    let number = significant(unit.from_si(si), digits);
    if unit.text.is_empty() { number } else { format!("{number} {}", unit.text) }
}

fn takes_prefix(dimension: Dimension) -> bool {
    ![Dimension::LEVEL, Dimension::DECIBEL].contains(&dimension) && dimension.word().is_some()
}

fn trim_zeros(number: &str) -> String {
    if !number.contains('.') {
        return number.to_owned();
    }
    number.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use crate::quantity::{Dimension, Quantity};

    #[test]
    fn the_prefix_suits_the_value() {
        for (si, dimension, text) in [
            (0.05, Dimension::FIELD, "50 mT"),
            (1.0, Dimension::FIELD, "1 T"),
            (14.2e9, Dimension::FREQUENCY, "14.2 GHz"),
            (2e-11, Dimension::CURRENT, "20 pA"),
            (-12.0, Dimension::LEVEL, "-12 dBm"),
            (0.05, Dimension::DECIBEL, "0.05 dB"),
            (0.06, Dimension::VOLUME, "60 L"),
            (3e-3 / 60.0, Dimension::FIELD.over(Dimension::TIME), "0.00005 T/s"),
            (0.0, Dimension::VOLTAGE, "0 V"),
            (999.9996e-3, Dimension::VOLTAGE, "999.9996 mV"),
        ] {
            assert_eq!(Quantity::new(si, dimension).to_string(), text);
        }
    }
}
