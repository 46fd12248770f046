//! Numbered streams of one seed.

use crate::Signal;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, StandardNormal};

/// Who draws. The number of a source never changes, so that a seed keeps its meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Switching of the tip.
    Switching,
    /// Outcome of picking up, dropping, pulsing.
    Preparation,
    /// The apex that comes out of a change of the tip.
    Apex,
    /// Changes of the tip that nobody asked for.
    Spontaneous,
    /// Wander of the drift velocity, one coordinate each.
    Drift(u8),
    /// Where the tip lands after an approach.
    Landing,
    /// Drop-outs of the RF source.
    DropOuts,
    /// Bursts of gas, one chamber each.
    Bursts(u8),
    /// Flips of the nucleus under the tip.
    Nuclei,
    /// Wander of the tip's field.
    TipField,
    /// Wander of the warm part of the RF line.
    LineWarmth,
    /// Flaws of the apex that comes out of a change of the tip.
    Flaws,
    /// What lies in an area that nobody has seen, and how far the coarse motor goes.
    Areas,
    /// Noise of one readable signal.
    Gauge(Signal),
}

impl Source {
    fn number(self) -> u64 {
        match self {
            Source::Switching => 1,
            Source::Preparation => 2,
            Source::Apex => 3,
            Source::Spontaneous => 4,
            Source::Drift(coordinate) => 16 + u64::from(coordinate),
            Source::Landing => 32,
            Source::DropOuts => 33,
            Source::Bursts(chamber) => 40 + u64::from(chamber),
            Source::Nuclei => 48,
            Source::TipField => 49,
            Source::LineWarmth => 50,
            Source::Flaws => 51,
            Source::Areas => 52,
            Source::Gauge(signal) => 256 + signal as u64,
        }
    }
}

/// The random numbers of one source.
#[derive(Debug, Clone)]
pub struct Stream(ChaCha8Rng);

impl Stream {
    /// The stream of `source` under `seed`.
    pub fn new(seed: u64, source: Source) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(source.number());
        Self(rng)
    }

    /// The generator itself, for rooms that draw on their own.
    pub fn rng(&mut self) -> &mut ChaCha8Rng {
        &mut self.0
    }

    /// Normal with mean 0 and standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// Exponential with mean 1.
    pub fn exponential(&mut self) -> f64 {
        Exp1.sample(&mut self.0)
    }

    /// Uniform in [0, 1).
    pub fn uniform(&mut self) -> f64 {
        self.0.random::<f64>()
    }

    /// True with the given probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_source_has_its_own_number() {
        let mut numbers = BTreeSet::new();
        let mut sources = vec![
            Source::Switching,
            Source::Preparation,
            Source::Apex,
            Source::Spontaneous,
            Source::Drift(0),
            Source::Drift(1),
            Source::Drift(2),
            Source::Landing,
            Source::DropOuts,
            Source::Bursts(0),
            Source::Bursts(1),
            Source::Nuclei,
            Source::TipField,
            Source::LineWarmth,
        ];
        sources.extend(Signal::ALL.map(Source::Gauge));
        for source in sources {
            assert!(numbers.insert(source.number()), "{source:?}");
        }
    }

    #[test]
    fn streams_of_one_seed_differ_and_repeat() {
        let draw = |seed, source| {
            let mut stream = Stream::new(seed, source);
            [stream.uniform(), stream.uniform()]
        };
        assert_eq!(draw(1, Source::Landing), draw(1, Source::Landing));
        assert_ne!(draw(1, Source::Landing), draw(1, Source::Apex));
        assert_ne!(draw(1, Source::Landing), draw(2, Source::Landing));
    }
}
