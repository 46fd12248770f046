//! Kinds of spins that a laboratory knows.

/// A number with its spread from one spin of a kind to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownValue {
    /// The number.
    pub value: f64,
    /// Its spread (one standard deviation), larger than zero.
    pub spread: f64,
}

/// A kind of spin. Whatever is not known says nothing.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownSpin {
    /// Its name.
    pub name: String,
    /// How common it is relative to the other kinds.
    pub abundance: f64,
    /// Biases of its inelastic steps, V.
    pub steps_v: Vec<KnownValue>,
    /// Apparent height, m.
    pub height_m: Option<KnownValue>,
    /// Magnetic moment of its resonance lines, Bohr magnetons.
    pub moment_mu_b: Option<KnownValue>,
}
