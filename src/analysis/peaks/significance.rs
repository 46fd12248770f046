//! From the evidence of the best window to the chance that noise alone shows as much anywhere.

/// The number of places searched and how well the noise is known.
#[derive(Debug, Clone, Copy)]
pub(super) struct Chance {
    /// Sum over the window lengths of the number of lengths that fit in the data.
    pub(super) places: f64,
    /// Degrees of freedom of the noise estimate; infinite if it was given.
    pub(super) freedom: f64,
}

/// Factor between the number of separate windows and the number of independent chances, and how it grows with the
/// evidence, because windows that overlap are less alike the higher the level. Both from simulation of
/// pure noise with this search (see `tests/judge/search_peaks.rs`, which checks them).
const SEPARATE: f64 = 0.5;
const GROWTH: f64 = 0.25;

impl Chance {
    /// Probability that noise alone reaches this evidence at a given place.
    fn local_ln(&self, evidence: f64) -> f64 {
        // Two squared scores over an estimated variance: an F distribution, whose tail has this closed form for two
        // degrees of freedom in the numerator; exp(-evidence/2) if the variance is known.
        if self.freedom.is_finite() {
            -0.5 * self.freedom * (evidence / self.freedom).ln_1p()
        } else {
            -0.5 * evidence
        }
    }

    /// Probability that noise alone reaches this evidence anywhere.
    pub(super) fn anywhere(&self, evidence: f64) -> f64 {
        let chances = SEPARATE * self.places * (1.0 + GROWTH * evidence);
        let expected = (self.local_ln(evidence) + chances.ln()).exp();
        // 1 - exp(-expected), exact for small numbers.
        -(-expected).exp_m1()
    }

    /// Evidence at which the chance is the given one, for leaving out what cannot matter.
    pub(super) fn level(&self, false_alarm: f64) -> f64 {
        let (mut low, mut high) = (0.0, 1e4);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.anywhere(middle) > false_alarm { low = middle } else { high = middle }
        }
        high
    }
}

/// Root of the evidence: the height of a line over its own error, both parts together.
pub(super) fn score_of(evidence: f64) -> f64 {
    evidence.max(0.0).sqrt()
}
