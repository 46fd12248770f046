//! What kind of thing a quantity is: the exponents of its base units.

use std::fmt;

/// Exponents of metre, kilogram, second, ampere, kelvin, decibel-milliwatt and decibel,
/// counted in halves so that a noise density per root hertz has a dimension.
///
/// A level in dBm is a logarithm: two of them have a difference, in dB, but neither a sum nor a multiple.
/// So levels and decibels have a base each, and [`sum`](Self::sum) and [`difference`](Self::difference) know
/// what becomes of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Dimension {
    halves: [i8; 7],
}

const BASE_NAMES: [&str; 7] = ["m", "kg", "s", "A", "K", "dBm", "dB"];
/// Place of the level among the bases.
const LEVEL_AT: usize = 5;

impl Dimension {
    /// A plain number.
    pub const NONE: Self = Self::of([0, 0, 0, 0, 0, 0]);
    /// Length, m.
    pub const LENGTH: Self = Self::of([1, 0, 0, 0, 0, 0]);
    /// Time, s.
    pub const TIME: Self = Self::of([0, 0, 1, 0, 0, 0]);
    /// Frequency, Hz.
    pub const FREQUENCY: Self = Self::of([0, 0, -1, 0, 0, 0]);
    /// Electric current, A.
    pub const CURRENT: Self = Self::of([0, 0, 0, 1, 0, 0]);
    /// Voltage, V.
    pub const VOLTAGE: Self = Self::of([2, 1, -3, -1, 0, 0]);
    /// Magnetic flux density, T.
    pub const FIELD: Self = Self::of([0, 1, -2, -1, 0, 0]);
    /// Temperature, K.
    pub const TEMPERATURE: Self = Self::of([0, 0, 0, 0, 1, 0]);
    /// Pressure, Pa.
    pub const PRESSURE: Self = Self::of([-1, 1, -2, 0, 0, 0]);
    /// Volume, m³.
    pub const VOLUME: Self = Self::of([3, 0, 0, 0, 0, 0]);
    /// Power, W.
    pub const POWER: Self = Self::of([2, 1, -3, 0, 0, 0]);
    /// Energy, J.
    pub const ENERGY: Self = Self::of([2, 1, -2, 0, 0, 0]);
    /// Power level, dBm.
    pub const LEVEL: Self = Self::of([0, 0, 0, 0, 0, 1]);
    /// Difference of two power levels, dB.
    pub const DECIBEL: Self = Self { halves: [0, 0, 0, 0, 0, 0, 2] };

    /// From whole exponents of m, kg, s, A, K, dBm.
    pub const fn of(whole: [i8; 6]) -> Self {
        let [m, kg, s, a, k, level] = whole;
        Self { halves: [m * 2, kg * 2, s * 2, a * 2, k * 2, level * 2, 0] }
    }

    /// Dimension of a sum; none for kinds that don't mix.
    #[must_use]
    pub fn sum(self, other: Self) -> Option<Self> {
        match (self, other) {
            (Self::LEVEL, Self::LEVEL) => None,
            (Self::LEVEL, Self::DECIBEL) | (Self::DECIBEL, Self::LEVEL) => Some(Self::LEVEL),
            (a, b) => (a == b).then_some(a),
        }
    }

    /// Dimension of a difference; none for kinds that don't mix.
    #[must_use]
    pub fn difference(self, other: Self) -> Option<Self> {
        match (self, other) {
            (Self::LEVEL, Self::DECIBEL) => Some(Self::LEVEL),
            (a, b) => (a == b).then_some(a.change()),
        }
    }

    /// Dimension of a change of such a value: decibels for a level, else the same.
    #[must_use]
    pub fn change(self) -> Self {
        if self == Self::LEVEL { Self::DECIBEL } else { self }
    }

    /// Whether a multiple of it means something; that of a level does not.
    pub fn scales(self) -> bool {
        self.halves[LEVEL_AT] == 0
    }

    /// Dimension of a product.
    #[must_use]
    pub fn times(self, other: Self) -> Self {
        self.combine(other, 1)
    }

    /// Dimension of a quotient.
    #[must_use]
    pub fn over(self, other: Self) -> Self {
        self.combine(other, -1)
    }

    /// Dimension of a whole power.
    #[must_use]
    pub fn power(self, exponent: i8) -> Self {
        Self { halves: self.halves.map(|half| half.saturating_mul(exponent)) }
    }

    /// Dimension of the square root.
    #[must_use]
    pub fn root(self) -> Self {
        Self { halves: self.halves.map(|half| half / 2) }
    }

    /// Whether this is a plain number.
    pub fn is_none(self) -> bool {
        self == Self::NONE
    }

    fn combine(self, other: Self, sign: i8) -> Self {
        let mut halves = self.halves;
        for (mine, theirs) in halves.iter_mut().zip(other.halves) {
            *mine = mine.saturating_add(theirs.saturating_mul(sign));
        }
        Self { halves }
    }

    /// What people call it, where there is a word: `a voltage`, `a field`.
    pub fn word(self) -> Option<&'static str> {
        WORDS.iter().find(|(dimension, _, _)| *dimension == self).map(|(_, word, _)| *word)
    }

    /// The unit symbol that values of this dimension are printed with.
    pub fn symbol(self) -> String {
        match WORDS.iter().find(|(dimension, _, _)| *dimension == self) {
            Some((_, _, symbol)) => (*symbol).to_owned(),
            None => self.spelled_out(),
        }
    }

    fn spelled_out(self) -> String {
        for (dimension, _, symbol) in WORDS.iter().filter(|(d, ..)| !d.is_none()) {
            if dimension.over(Self::TIME) == self {
                return format!("{symbol}/s");
            }
            if dimension.over(Self::FREQUENCY.root()) == self {
                return format!("{symbol}/rtHz");
            }
        }
        let mut parts = Vec::new();
        for (name, half) in BASE_NAMES.iter().zip(self.halves) {
            match half {
                0 => {}
                2 => parts.push((*name).to_owned()),
                even if even % 2 == 0 => parts.push(format!("{name}^{}", even / 2)),
                odd => parts.push(format!("{name}^{}", f64::from(odd) / 2.0)),
            }
        }
        parts.join("*")
    }
}

const WORDS: [(Dimension, &str, &str); 19] = [
    (Dimension::NONE, "a plain number", ""),
    (Dimension::VOLTAGE, "a voltage", "V"),
    (Dimension::CURRENT, "a current", "A"),
    (Dimension::FIELD, "a magnetic field", "T"),
    (Dimension::FREQUENCY, "a frequency", "Hz"),
    (Dimension::TIME, "a time", "s"),
    (Dimension::LENGTH, "a length", "m"),
    (Dimension::TEMPERATURE, "a temperature", "K"),
    (Dimension::PRESSURE, "a pressure", "Pa"),
    (Dimension::VOLUME, "a volume", "L"),
    (Dimension::LEVEL, "a level in dBm", "dBm"),
    (Dimension::DECIBEL, "a difference of levels in dB", "dB"),
    (Dimension::POWER, "a power", "W"),
    (Dimension::ENERGY, "an energy", "J"),
    (Dimension::of([2, 1, -3, -2, 0, 0]), "a resistance", "Ohm"),
    (Dimension::of([-2, -1, 3, 2, 0, 0]), "a conductance", "S"),
    (Dimension::of([2, 1, -2, -2, 0, 0]), "an inductance", "H"),
    (Dimension::of([0, 0, 1, 1, 0, 0]), "a charge", "C"),
    (Dimension::of([1, 0, -1, 0, 0, 0]), "a speed", "m/s"),
];

impl fmt::Display for Dimension {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.word() {
            Some(word) => f.write_str(word),
            None => write!(f, "a quantity in {}", self.symbol()),
        }
    }
}
