//! Units as they are written: `mT`, `GHz`, `L/h`, `fA/rtHz`.

use super::Dimension;

/// A unit with its size in SI.
///
/// The size is `factor × 10^decade`; the two are kept apart so that `50 nm`
/// becomes the number nearest to 5e-8 and not a rounding error away from it.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    /// As it was written.
    pub text: String,
    /// Dimension of quantities in this unit.
    pub dimension: Dimension,
    decade: i32,
    factor: f64,
}

/// Symbol, factor, decade, dimension, and whether it takes prefixes.
struct Symbol(&'static str, f64, i32, Dimension, bool);

const SYMBOLS: [Symbol; 33] = [
    Symbol("V", 1.0, 0, Dimension::VOLTAGE, true),
    Symbol("A", 1.0, 0, Dimension::CURRENT, true),
    Symbol("T", 1.0, 0, Dimension::FIELD, true),
    Symbol("G", 1.0, -4, Dimension::FIELD, false),
    Symbol("Hz", 1.0, 0, Dimension::FREQUENCY, true),
    Symbol("s", 1.0, 0, Dimension::TIME, true),
    Symbol("min", 60.0, 0, Dimension::TIME, false),
    Symbol("h", 3600.0, 0, Dimension::TIME, false),
    Symbol("day", 86400.0, 0, Dimension::TIME, false),
    Symbol("m", 1.0, 0, Dimension::LENGTH, true),
    Symbol("K", 1.0, 0, Dimension::TEMPERATURE, true),
    Symbol("Pa", 1.0, 0, Dimension::PRESSURE, true),
    Symbol("bar", 1.0, 5, Dimension::PRESSURE, true),
    Symbol("Torr", 101_325.0 / 760.0, 0, Dimension::PRESSURE, true),
    Symbol("L", 1.0, -3, Dimension::VOLUME, true),
    Symbol("l", 1.0, -3, Dimension::VOLUME, true),
    Symbol("W", 1.0, 0, Dimension::POWER, true),
    Symbol("J", 1.0, 0, Dimension::ENERGY, true),
    Symbol("eV", 1.602_176_634, -19, Dimension::ENERGY, true),
    Symbol("Ohm", 1.0, 0, Dimension::of([2, 1, -3, -2, 0, 0]), true),
    Symbol("Ω", 1.0, 0, Dimension::of([2, 1, -3, -2, 0, 0]), true),
    Symbol("S", 1.0, 0, Dimension::of([-2, -1, 3, 2, 0, 0]), true),
    Symbol("H", 1.0, 0, Dimension::of([2, 1, -2, -2, 0, 0]), true),
    Symbol("C", 1.0, 0, Dimension::of([0, 0, 1, 1, 0, 0]), true),
    Symbol("g", 1.0, -3, Dimension::of([0, 1, 0, 0, 0, 0]), true),
    Symbol("dBm", 1.0, 0, Dimension::LEVEL, false),
    Symbol("dB", 1.0, 0, Dimension::DECIBEL, false),
    Symbol("%", 1.0, -2, Dimension::NONE, false),
    Symbol("percent", 1.0, -2, Dimension::NONE, false),
    Symbol("deg", std::f64::consts::PI / 180.0, 0, Dimension::NONE, false),
    Symbol("rad", 1.0, 0, Dimension::NONE, false),
    Symbol("pm", 1.0, -12, Dimension::LENGTH, false),
    Symbol("1", 1.0, 0, Dimension::NONE, false),
];

const PREFIXES: [(&str, i32); 14] = [
    ("a", -18),
    ("f", -15),
    ("p", -12),
    ("n", -9),
    ("u", -6),
    ("µ", -6),
    ("μ", -6),
    ("m", -3),
    ("c", -2),
    ("d", -1),
    ("k", 3),
    ("M", 6),
    ("G", 9),
    ("T", 12),
];

impl Unit {
    /// The unit of a plain number.
    pub fn plain() -> Self {
        Self { text: String::new(), dimension: Dimension::NONE, decade: 0, factor: 1.0 }
    }

    /// Reads a unit such as `mT/min`. Empty text is a plain number. `None` if it is not known.
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let mut unit = Self { text: text.to_owned(), ..Self::plain() };
        if text.is_empty() {
            return Some(unit);
        }
        let mut sign = 1_i8;
        for piece in text.split_inclusive(['*', '·', '/']) {
            let divides_next = piece.ends_with('/');
            unit.include(piece.trim_end_matches(['*', '·', '/']).trim(), sign)?;
            sign = if divides_next { -1 } else { 1 };
        }
        Some(unit)
    }

    /// Value in SI of a number in this unit.
    pub fn to_si(&self, value: f64) -> f64 {
        self.factor * scale_decade(value, self.decade)
    }

    /// Number in this unit of a value in SI.
    pub fn from_si(&self, si: f64) -> f64 {
        scale_decade(si / self.factor, -self.decade)
    }

    /// Value in SI of a decimal number as it was written, rounded only once
    /// where the unit is a power of ten of its SI unit.
    pub(super) fn decimal_to_si(&self, mantissa: &str, exponent: i32) -> Option<f64> {
        let exact: f64 = format!("{mantissa}e{}", exponent + self.decade).parse().ok()?;
        Some(self.factor * exact)
    }

    fn include(&mut self, piece: &str, sign: i8) -> Option<()> {
        if let Some(rest) = piece.strip_prefix("rt") {
            let (factor, decade, dimension) = lookup(rest)?;
            // A root of a factor would need a root of its decade; only whole hertz are in use.
            if factor != 1.0 || decade % 2 != 0 {
                return None;
            }
            self.decade += i32::from(sign) * decade / 2;
            self.dimension = self.dimension.times(dimension.root().power(sign));
            return Some(());
        }
        let (symbol, power) = match piece.split_once('^') {
            Some((symbol, power)) => (symbol, power.parse::<i8>().ok().filter(|p| p.abs() <= 9)?),
            None => (piece, 1),
        };
        let (factor, decade, dimension) = lookup(symbol)?;
        let exponent = sign * power;
        self.factor *= factor.powi(i32::from(exponent));
        self.decade += decade * i32::from(exponent);
        self.dimension = self.dimension.times(dimension.power(exponent));
        Some(())
    }
}

/// Every unit symbol that stands alone or takes a prefix, for suggestions.
pub fn known_symbols() -> impl Iterator<Item = &'static str> {
    SYMBOLS.iter().map(|symbol| symbol.0)
}

fn lookup(symbol: &str) -> Option<(f64, i32, Dimension)> {
    let plain = SYMBOLS.iter().find(|s| s.0 == symbol);
    if let Some(Symbol(_, factor, decade, dimension, _)) = plain {
        return Some((*factor, *decade, *dimension));
    }
    PREFIXES.iter().find_map(|(prefix, power)| {
        let rest = symbol.strip_prefix(prefix)?;
        let Symbol(_, factor, decade, dimension, _) = SYMBOLS.iter().find(|s| s.4 && s.0 == rest)?;
        Some((*factor, decade + power, *dimension))
    })
}

/// Multiplies by a power of ten; dividing for negative powers keeps halves exact.
fn scale_decade(value: f64, decade: i32) -> f64 {
    if decade >= 0 { value * 10_f64.powi(decade) } else { value / 10_f64.powi(-decade) }
}
