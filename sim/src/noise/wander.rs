//! A slowly wandering value on a fixed grid of time.

use super::{Source, Stream};

/// Relaxing random walk, stepped once a grid period.
///
/// Exact on its grid: `x ← x·e^{−Δ/τ} + σ√(1−e^{−2Δ/τ})·n`.
#[derive(Debug, Clone)]
pub struct Wander {
    stream: Stream,
    value: f64,
    kept: f64,
    fresh: f64,
}

impl Wander {
    /// Starts from its stationary distribution of deviation `deviation`, with the
    /// correlation time `correlation_s`, stepped every `period_s`.
    pub fn new(seed: u64, source: Source, deviation: f64, correlation_s: f64, period_s: f64) -> Self {
        assert!(correlation_s > 0.0 && period_s > 0.0, "times are positive");
        let mut stream = Stream::new(seed, source);
        let kept = (-period_s / correlation_s).exp();
        let fresh = deviation * (1.0 - kept * kept).sqrt();
        let value = deviation * stream.normal();
        Self { stream, value, kept, fresh }
    }

    /// Value until the next step.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// One grid period later.
    pub fn step(&mut self) {
        self.value = self.value * self.kept + self.fresh * self.stream.normal();
    }
}
