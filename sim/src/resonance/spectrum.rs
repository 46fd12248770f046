//! A sum of lines as a function of frequency.

use super::fault::{ResonanceError, check};
use super::line::Line;

/// A sum of lines.
///
/// ```
/// use noctule_sim::resonance::{Line, Spectrum};
///
/// let line = Line { f0_hz: 20.55e9, width_hz: 12e6, height_a: 25e-15, asymmetry: 0.3 };
/// let spectrum = Spectrum::new(vec![line])?;
/// assert!((spectrum.at(20.55e9) - 25e-15).abs() < 1e-24);
/// assert!(Spectrum::new(vec![Line { width_hz: -1.0, ..line }]).is_err());
/// # Ok::<(), noctule_sim::resonance::ResonanceError>(())
/// ```
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Spectrum {
    lines: Vec<Line>,
    terms: Vec<Term>,
}

/// A line prepared for evaluation without a division by its width.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Term {
    f0_hz: f64,
    per_half_width: f64,
    even_a: f64,
    odd_a: f64,
}

impl Spectrum {
    /// Checks all lines and reports every fault.
    pub fn new(lines: Vec<Line>) -> Result<Self, ResonanceError> {
        let mut faults = Vec::new();
        for line in &lines {
            check(&mut faults, line.f0_hz.is_finite(), "f0_hz", line.f0_hz, "a finite number");
            let width = line.width_hz;
            check(&mut faults, width > 0.0 && width.is_finite(), "width_hz", width, "above 0");
            check(&mut faults, line.height_a.is_finite(), "height_a", line.height_a, "a finite number");
            check(&mut faults, line.asymmetry.is_finite(), "asymmetry", line.asymmetry, "a finite number");
        }
        if faults.is_empty() { Ok(Self::of_checked(lines)) } else { Err(ResonanceError::Faults(faults)) }
    }

    fn of_checked(lines: Vec<Line>) -> Self {
        let term = |line: &Line| Term {
            f0_hz: line.f0_hz,
            per_half_width: 2.0 / line.width_hz,
            even_a: line.height_a,
            odd_a: line.height_a * line.asymmetry,
        };
        Self { terms: lines.iter().map(term).collect(), lines }
    }

    /// A weighted sum of spectra: a molecule averaged over its nuclear states, say.
    pub fn weighted<'s>(
        parts: impl IntoIterator<Item = (f64, &'s Spectrum)>,
    ) -> Result<Self, ResonanceError> {
        let lines = parts.into_iter().flat_map(|(weight, spectrum)| {
            spectrum.lines.iter().map(move |line| Line { height_a: line.height_a * weight, ..*line })
        });
        Self::new(lines.collect())
    }

    /// The lines, as given.
    pub fn lines(&self) -> &[Line] {
        &self.lines
    }

    /// Value at a frequency, A.
    pub fn at(&self, f_hz: f64) -> f64 {
        let mut sum = 0.0;
        for term in &self.terms {
            let delta = (f_hz - term.f0_hz) * term.per_half_width;
            sum += (term.even_a + term.odd_a * delta) / (1.0 + delta * delta);
        }
        sum
    }

    /// Values at many frequencies, A.
    pub fn sampled(&self, f_hz: impl IntoIterator<Item = f64>) -> Vec<f64> {
        f_hz.into_iter().map(|f| self.at(f)).collect()
    }
}
