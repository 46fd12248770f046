//! Nuclei that stay in one state for seconds.

use super::effects::Effects;
use crate::noise::{Source, Stream};

/// The state of the nucleus under the tip as a telegraph with exponential dwell times.
#[derive(Debug, Clone)]
pub(super) struct Nuclei {
    stream: Stream,
    lifetime_s: f64,
    pumping: f64,
    part: f64,
    next_s: f64,
}

impl Nuclei {
    pub(super) fn new(effects: &Effects, seed: u64) -> Self {
        let mut stream = Stream::new(seed, Source::Nuclei);
        let lifetime_s = effects.nuclear_lifetime_s;
        let part = stream.uniform();
        let next_s = if lifetime_s > 0.0 { lifetime_s * stream.exponential() } else { f64::INFINITY };
        Self { stream, lifetime_s, pumping: effects.nuclear_pumping, part, next_s }
    }

    /// Where the nucleus is among its states, 0 to 1; `None` if it is averaged over.
    pub(super) fn state(&self) -> Option<f64> {
        (self.lifetime_s > 0.0).then_some(self.part)
    }

    /// When it flips next, s; infinite if it never does.
    pub(super) fn next_s(&self) -> f64 {
        self.next_s
    }

    /// It flips, at [`Self::next_s`].
    pub(super) fn flip(&mut self) {
        let pumped = self.stream.chance(self.pumping);
        let part = self.stream.uniform();
        self.part = if pumped { 0.0 } else { part };
        self.next_s += self.lifetime_s * self.stream.exponential();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Dwell times have their mean (5.3 s: Nat. Commun. 16 (2025), 10.1038/s41467-025-63232-5), and pumping
    /// empties all states but one: it is found in the lowest of 8 with the chance p + (1−p)/8.
    #[test]
    fn dwell_and_pumping_have_their_sizes() {
        let effects = Effects { nuclear_lifetime_s: 5.3, nuclear_pumping: 0.6, ..Effects::default() };
        let mut nuclei = Nuclei::new(&effects, 3);
        let (count, mut lowest) = (20_000, 0);
        for _ in 0..count {
            nuclei.flip();
            lowest += u32::from(nuclei.state().unwrap() * 8.0 < 1.0);
        }
        // Mean of 20 000 exponentials to 0.7 %, a share of 0.65 to 0.0034; four of each.
        assert!((nuclei.next_s() / f64::from(count) / 5.3 - 1.0).abs() < 0.028);
        assert!((f64::from(lowest) / f64::from(count) - 0.65).abs() < 0.0135);
        assert_eq!(Nuclei::new(&Effects::default(), 3).state(), None);
    }
}
