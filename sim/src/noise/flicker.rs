//! 1/f noise as a sum of relaxations, one for each decade of frequency.

use super::{Driven, Stream};

/// Corner frequencies, Hz. Between the first and the last the sum follows 1/f within a few per cent.
const CORNERS_HZ: [f64; 5] = [1e-4, 1e-3, 1e-2, 1e-1, 1.0];

/// 1/f noise read at arbitrary times: each relaxation is sampled exactly.
///
/// A Lorentzian with variance v and corner c has the one-sided density
/// `(2v/πc)/(1+(f/c)²)`. With one per decade and equal variance the sum is
/// `v/(ln 10)/f`; so `v = ln 10 · d²` gives the density `d²/f` (own derivation).
#[derive(Debug, Clone, Default)]
pub struct Flicker {
    parts: [Driven; CORNERS_HZ.len()],
}

impl Flicker {
    /// Lets so much time pass, s, infinity at first, in front of a loop of some bandwidth (0: none) that keeps a part
    /// of it.
    pub fn advance(&mut self, elapsed_s: f64, of_loop: (f64, f64), stream: &mut Stream) {
        for (part, corner_hz) in self.parts.iter_mut().zip(CORNERS_HZ) {
            part.advance(elapsed_s, corner_hz, of_loop, stream);
        }
    }

    /// Value for a density of 1/√Hz at 1 Hz; scale it by the true one.
    pub fn whole(&self) -> f64 {
        std::f64::consts::LN_10.sqrt() * self.parts.iter().map(Driven::whole).sum::<f64>()
    }

    /// The same as the loop leaves it while it is closed.
    pub fn left(&self, loop_hz: f64) -> f64 {
        let left = |(part, corner_hz): (&Driven, f64)| part.left_of_slow(corner_hz, loop_hz);
        std::f64::consts::LN_10.sqrt() * self.parts.iter().zip(CORNERS_HZ).map(left).sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::Source;

    /// Variance of the difference over a lag, for 1/f noise, against the sum of relaxations.
    #[test]
    fn differences_have_their_variance() {
        let mut stream = Stream::new(3, Source::Landing);
        let lag = 3.0;
        let expected: f64 = CORNERS_HZ
            .iter()
            .map(|c| 2.0 * std::f64::consts::LN_10 * (1.0 - (-2.0 * std::f64::consts::PI * c * lag).exp()))
            .sum();
        let (mut sum, count) = (0.0, 20_000);
        for _ in 0..count {
            let mut noise = Flicker::default();
            noise.advance(f64::INFINITY, (0.0, 0.0), &mut stream);
            let first = noise.whole();
            noise.advance(lag, (0.0, 0.0), &mut stream);
            sum += (noise.whole() - first).powi(2);
        }
        let measured = sum / f64::from(count);
        // Relative error of a variance from n draws is √(2/n) = 1 %; four of them.
        assert!((measured / expected - 1.0).abs() < 0.04, "{measured} {expected}");
    }
}
