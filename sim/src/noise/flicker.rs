//! 1/f noise as a sum of relaxations, one for each decade of frequency.

use super::Stream;

/// Corner frequencies, Hz. Between the first and the last the sum follows 1/f within a few per cent.
const CORNERS_HZ: [f64; 5] = [1e-4, 1e-3, 1e-2, 1e-1, 1.0];

/// 1/f noise read at arbitrary times: each relaxation is sampled exactly.
///
/// A Lorentzian with variance v and corner c has the one-sided density
/// `(2v/πc)/(1+(f/c)²)`. With one per decade and equal variance the sum is
/// `v/(ln 10)/f`; so `v = ln 10 · d²` gives the density `d²/f` (own derivation).
#[derive(Debug, Clone)]
pub struct Flicker {
    parts: [f64; CORNERS_HZ.len()],
    read_s: f64,
    started: bool,
}

impl Flicker {
    /// Noise that has been running for ever.
    pub fn new() -> Self {
        Self { parts: [0.0; CORNERS_HZ.len()], read_s: 0.0, started: false }
    }

    /// Value at `now_s` for a density of 1/√Hz at 1 Hz; scale it by the true one.
    ///
    /// A loop of the bandwidth `loop_hz` (0: none) takes away what is slow: of a relaxation with the corner c it
    /// leaves the variance c/(c + fb), the integral of its Lorentzian times f²/(f²+fb²) (own derivation).
    pub fn read(&mut self, now_s: f64, stream: &mut Stream, loop_hz: f64) -> f64 {
        self.advance(now_s, stream);
        let left = |(part, corner): (&f64, f64)| part * (corner / (corner + loop_hz)).sqrt();
        self.parts.iter().zip(CORNERS_HZ).map(left).sum()
    }

    fn advance(&mut self, now_s: f64, stream: &mut Stream) {
        let deviation = std::f64::consts::LN_10.sqrt();
        let elapsed = now_s - self.read_s;
        if self.started && elapsed <= 0.0 {
            return;
        }
        for (part, corner) in self.parts.iter_mut().zip(CORNERS_HZ) {
            let kept =
                if self.started { (-2.0 * std::f64::consts::PI * corner * elapsed).exp() } else { 0.0 };
            let fresh = (1.0 - kept * kept).max(0.0).sqrt();
            *part = *part * kept + deviation * fresh * stream.normal();
        }
        self.read_s = now_s;
        self.started = true;
    }
}

impl Default for Flicker {
    fn default() -> Self {
        Self::new()
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
            let mut noise = Flicker::new();
            let first = noise.read(0.0, &mut stream, 0.0);
            let second = noise.read(lag, &mut stream, 0.0);
            sum += (second - first).powi(2);
        }
        let measured = sum / f64::from(count);
        // Relative error of a variance from n draws is √(2/n) = 1 %; four of them.
        assert!((measured / expected - 1.0).abs() < 0.04, "{measured} {expected}");
    }
}
