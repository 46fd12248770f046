//! Values with units: `50.mT` in a sequence, `"3 mT/min"` in a bench file.
//!
//! ```
//! use noctule_ground::quantity::{Dimension, Quantity};
//!
//! let field: Quantity = "50 mT".parse().unwrap();
//! assert_eq!(field.si, 0.05);
//! assert_eq!(field.dimension, Dimension::FIELD);
//! assert_eq!(field.to_string(), "50 mT");
//! assert!("50 mX".parse::<Quantity>().is_err());
//! ```

mod dimension;
mod duration;
mod print;
mod time_point;
mod unit;

pub use dimension::Dimension;
pub use duration::in_words;
pub use print::{in_unit, rounded, significant, value_in};
pub use time_point::TimePoint;
pub use unit::{Unit, known_symbols};

use std::str::FromStr;

/// A value with its dimension; the number is in SI units (dBm for levels).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// The number in SI units.
    pub si: f64,
    /// What kind of thing it is.
    pub dimension: Dimension,
}

/// Why a text or an operation gives no quantity.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum QuantityError {
    /// There is no number at the start.
    #[error("`{0}` does not begin with a number")]
    NotANumber(String),
    /// The number is too large, or not a number.
    #[error("`{0}` is not a finite number")]
    NotFinite(String),
    /// The unit is not known.
    #[error("there is no unit `{unit}`{}", .nearest.as_ref().map(|n| format!("; did you mean `{n}`?")).unwrap_or_default())]
    UnknownUnit {
        /// As written.
        unit: String,
        /// A known one that looks alike.
        nearest: Option<String>,
    },
    /// One kind was needed, another was given.
    #[error("{wanted} is needed here, but `{given}` is {found}")]
    WrongDimension {
        /// What was needed.
        wanted: Dimension,
        /// What the value is.
        found: Dimension,
        /// The value as written or printed.
        given: String,
    },
    /// Two kinds that don't mix in a sum or comparison.
    #[error("{0} and {1} can't be {2}")]
    Mixed(Dimension, Dimension, &'static str),
    /// Two levels in a sum.
    #[error("two levels in dBm can't be added; what is added to a level is written in dB: -12.dBm + 3.dB")]
    LevelsAdded,
    /// A level in a product or a quotient.
    #[error(
        "a level in dBm can't be multiplied or divided; add decibels instead, 3.dB for twice the power, or take its plain number, `level.dBm`"
    )]
    LevelScaled,
}

impl Quantity {
    /// A quantity from a value in SI units.
    pub const fn new(si: f64, dimension: Dimension) -> Self {
        Self { si, dimension }
    }

    /// A plain number.
    pub const fn number(value: f64) -> Self {
        Self::new(value, Dimension::NONE)
    }

    /// The SI value if the dimension is the wanted one.
    pub fn expect(&self, wanted: Dimension) -> Result<f64, QuantityError> {
        if self.dimension == wanted {
            return Ok(self.si);
        }
        Err(QuantityError::WrongDimension { wanted, found: self.dimension, given: self.to_string() })
    }

    /// Sum; both must be of one kind. A level in dBm takes decibels, and no other level.
    pub fn plus(self, other: Self) -> Result<Self, QuantityError> {
        let (a, b) = (self.dimension, other.dimension);
        match a.sum(b) {
            Some(dimension) => Ok(Self::new(self.si + other.si, dimension)),
            None if a == b => Err(QuantityError::LevelsAdded),
            None => Err(QuantityError::Mixed(a, b, "added")),
        }
    }

    /// Difference; both must be of one kind. That of two levels in dBm is in dB.
    pub fn minus(self, other: Self) -> Result<Self, QuantityError> {
        let (a, b) = (self.dimension, other.dimension);
        let dimension = a.difference(b).ok_or(QuantityError::Mixed(a, b, "subtracted"))?;
        Ok(Self::new(self.si - other.si, dimension))
    }

    /// Product; a level in dBm has none.
    pub fn times(self, other: Self) -> Result<Self, QuantityError> {
        self.scaled(other)?;
        Ok(Self::new(self.si * other.si, self.dimension.times(other.dimension)))
    }

    /// Quotient; a level in dBm has none.
    pub fn over(self, other: Self) -> Result<Self, QuantityError> {
        self.scaled(other)?;
        Ok(Self::new(self.si / other.si, self.dimension.over(other.dimension)))
    }

    fn scaled(self, other: Self) -> Result<(), QuantityError> {
        let scales = self.dimension.scales() && other.dimension.scales();
        if scales { Ok(()) } else { Err(QuantityError::LevelScaled) }
    }

    /// Order of two quantities of one kind.
    pub fn compare(self, other: Self) -> Result<Option<std::cmp::Ordering>, QuantityError> {
        self.same(other, "compared").map(|()| self.si.partial_cmp(&other.si))
    }

    fn same(self, other: Self, verb: &'static str) -> Result<(), QuantityError> {
        if self.dimension == other.dimension {
            return Ok(());
        }
        Err(QuantityError::Mixed(self.dimension, other.dimension, verb))
    }
}

impl FromStr for Quantity {
    type Err = QuantityError;

    /// Reads a number, an optional space and a unit: `50 mT`, `5e-10 mbar`, `-12 dBm`, `40 %`.
    fn from_str(text: &str) -> Result<Self, QuantityError> {
        let text = text.trim();
        let (mantissa, exponent, rest) = split_number(text);
        if mantissa.is_empty() {
            return Err(QuantityError::NotANumber(text.to_owned()));
        }
        let unit = Unit::parse(rest).ok_or_else(|| unknown_unit(rest.trim()))?;
        let si = unit
            .decimal_to_si(mantissa, exponent)
            .filter(|si| si.is_finite())
            .ok_or_else(|| QuantityError::NotFinite(text.to_owned()))?;
        Ok(Self::new(si, unit.dimension))
    }
}

/// The error for a unit that is not known, with the nearest that is.
pub fn unknown_unit(unit: &str) -> QuantityError {
    let nearest = crate::document::nearest(unit, known_symbols())
        .or_else(|| known_symbols().find(|symbol| symbol.eq_ignore_ascii_case(unit)));
    QuantityError::UnknownUnit { unit: unit.to_owned(), nearest: nearest.map(str::to_owned) }
}

/// Splits a decimal number from what follows it. An `e` belongs to the number
/// only if digits follow, so that `3 eV` keeps its unit.
fn split_number(text: &str) -> (&str, i32, &str) {
    let bytes = text.as_bytes();
    let mut at = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let digits_from = at;
    while at < bytes.len() && (bytes[at].is_ascii_digit() || bytes[at] == b'.') {
        at += 1;
    }
    let mantissa = &text[..at];
    let valid = mantissa[digits_from..].bytes().any(|b| b.is_ascii_digit())
        && mantissa.bytes().filter(|b| *b == b'.').count() <= 1;
    if !valid {
        return ("", 0, text);
    }
    if matches!(bytes.get(at), Some(b'e' | b'E')) {
        let mut end = at + 1;
        if matches!(bytes.get(end), Some(b'+' | b'-')) {
            end += 1;
        }
        let from = end;
        while end < bytes.len() && bytes[end].is_ascii_digit() {
            end += 1;
        }
        if end > from {
            let exponent = text[at + 1..end].parse().unwrap_or(9999);
            return (mantissa, exponent, &text[end..]);
        }
    }
    (mantissa, 0, &text[at..])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn si(text: &str) -> f64 {
        text.parse::<Quantity>().unwrap_or_else(|e| panic!("{text}: {e}")).si
    }

    #[test]
    fn written_values_are_rounded_once() {
        assert_eq!(si("50 nm"), 50e-9);
        assert_eq!(si("3 mT/min"), 3e-3 / 60.0);
        assert_eq!(si("14.2GHz"), 14.2e9);
        assert_eq!(si("5e-10 mbar"), 5e-8);
        assert_eq!(si("-12 dBm"), -12.0);
        assert_eq!(si("40 %"), 0.4);
        assert_eq!(si("90 min"), 5400.0);
        assert_eq!(si("1.2 L/h"), 1.2e-3 / 3600.0);
        assert_eq!(si("0.3"), 0.3);
        assert_eq!(si("5 G"), 5e-4);
        assert_eq!(si("3 eV"), 4.806_529_902e-19);
    }

    #[test]
    fn dimensions_follow_the_units() {
        let density: Quantity = "2 fA/rtHz".parse().unwrap();
        assert_eq!(density.dimension, Dimension::CURRENT.over(Dimension::FREQUENCY.root()));
        let error = "3 mT".parse::<Quantity>().unwrap().expect(Dimension::VOLTAGE).unwrap_err();
        assert_eq!(error.to_string(), "a voltage is needed here, but `3 mT` is a magnetic field");
    }

    #[test]
    fn bad_texts_are_named() {
        for (text, message) in [
            ("fast", "`fast` does not begin with a number"),
            ("3 mTT", "there is no unit `mTT`"),
            ("3 GHZ", "there is no unit `GHZ`"),
            ("1e999 V", "`1e999 V` is not a finite number"),
            ("", "`` does not begin with a number"),
        ] {
            let error = text.parse::<Quantity>().unwrap_err().to_string();
            assert!(error.starts_with(message), "{text}: {error}");
        }
    }

    #[test]
    fn sums_of_unlike_kinds_are_refused() {
        let field = Quantity::new(1.0, Dimension::FIELD);
        let frequency = Quantity::new(1.0, Dimension::FREQUENCY);
        assert_eq!(
            field.plus(frequency).unwrap_err().to_string(),
            "a magnetic field and a frequency can't be added"
        );
        let back = frequency.over(field).unwrap().times(field).unwrap();
        assert_eq!(back.dimension, Dimension::FREQUENCY);
    }

    #[test]
    fn levels_have_differences_but_neither_sums_nor_multiples() {
        let read = |text: &str| text.parse::<Quantity>().unwrap();
        let (level, other, gain) = (read("-12 dBm"), read("3 dBm"), read("3 dB"));
        assert_eq!(level.plus(gain).unwrap().to_string(), "-9 dBm");
        assert_eq!(gain.plus(level).unwrap().to_string(), "-9 dBm");
        assert_eq!(level.minus(gain).unwrap().to_string(), "-15 dBm");
        assert_eq!(level.minus(other).unwrap().to_string(), "-15 dB");
        assert_eq!(gain.plus(gain).unwrap().to_string(), "6 dB");
        assert_eq!(gain.minus(gain).unwrap().to_string(), "0 dB");
        assert_eq!(gain.times(Quantity::number(2.0)).unwrap().to_string(), "6 dB");
        assert_eq!(level.plus(other), Err(QuantityError::LevelsAdded));
        assert!(matches!(gain.minus(level), Err(QuantityError::Mixed(..))));
        assert_eq!(level.times(Quantity::number(2.0)), Err(QuantityError::LevelScaled));
        assert_eq!(Quantity::number(2.0).times(level), Err(QuantityError::LevelScaled));
        assert_eq!(level.over(other), Err(QuantityError::LevelScaled));
        assert!(level.compare(gain).is_err() && level.compare(other).is_ok());
    }
}
