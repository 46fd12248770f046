//! Noise in front of a loop that takes away what is slow: one white noise drives two relaxations.

use super::Stream;
use std::f64::consts::PI;

/// Corners nearer to each other than this part would cancel all digits.
const APART: f64 = 1e-4;

/// A relaxation of variance 1 with a corner, and what a first-order loop leaves of it, read at arbitrary times: each
/// is sampled exactly.
///
/// The loop lets s/(s+β) through. Behind a relaxation 1/(s+α) that is `[α/(s+α) − β/(s+β)]/(α−β)`: two relaxations of
/// the same white noise. Their variances being 1, they go together by `2√(αβ)/(α+β)` (own derivation).
#[derive(Debug, Clone, Copy, Default)]
pub struct Driven {
    /// The relaxation itself, and one with the corner of the loop.
    parts: [f64; 2],
}

impl Driven {
    /// Lets time pass, of which a relaxation with the corner of the loop keeps the part `kept_by_loop`; from infinity on
    /// it has been running for ever. Without a loop, `loop_hz` 0, one number is drawn, else two.
    pub fn advance(
        &mut self,
        elapsed_s: f64,
        corner_hz: f64,
        (loop_hz, kept_by_loop): (f64, f64),
        stream: &mut Stream,
    ) {
        let a = kept(corner_hz, elapsed_s);
        let fresh = (1.0 - a * a).max(0.0).sqrt();
        let first = stream.normal();
        self.parts[0] = a * self.parts[0] + fresh * first;
        if loop_hz <= 0.0 {
            return;
        }
        let near_hz = apart(corner_hz, loop_hz);
        let b = if near_hz == loop_hz { kept_by_loop } else { kept(near_hz, elapsed_s) };
        let loop_hz = near_hz;
        let together = 2.0 * (corner_hz * loop_hz).sqrt() / (corner_hz + loop_hz) * (1.0 - a * b);
        let common = if fresh > 0.0 { together / fresh } else { 0.0 };
        let own = (1.0 - b * b - common * common).max(0.0).sqrt();
        self.parts[1] = b * self.parts[1] + common * first + own * stream.normal();
    }

    /// The relaxation itself.
    pub fn whole(&self) -> f64 {
        self.parts[0]
    }

    /// What a loop leaves of a relaxation of noise, in front of it.
    pub fn left_of_slow(&self, corner_hz: f64, loop_hz: f64) -> f64 {
        let loop_hz = apart(corner_hz, loop_hz);
        ((corner_hz * loop_hz).sqrt() * self.parts[1] - corner_hz * self.parts[0]) / (loop_hz - corner_hz)
    }

    /// What a loop leaves of white noise that is seen through a filter.
    pub fn left_of_white(&self, filter_hz: f64, loop_hz: f64) -> f64 {
        let loop_hz = apart(filter_hz, loop_hz);
        (filter_hz * self.parts[0] - (filter_hz * loop_hz).sqrt() * self.parts[1]) / (filter_hz - loop_hz)
    }
}

/// Part of a relaxation that is left after a time.
pub fn kept(corner_hz: f64, elapsed_s: f64) -> f64 {
    let decays = 2.0 * PI * corner_hz * elapsed_s;
    // Beyond this nothing is left, and a number below all numbers takes long to find.
    if decays < 100.0 { (-decays).exp() } else { 0.0 }
}

fn apart(corner_hz: f64, loop_hz: f64) -> f64 {
    let near = (loop_hz - corner_hz).abs() < APART * corner_hz;
    if near { corner_hz * (1.0 + APART) } else { loop_hz }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::Source;

    /// Covariance over a lag, of 200 000 pairs, each begun anew.
    fn covariance(corner_hz: f64, loop_hz: f64, lag_s: f64, of: impl Fn(&Driven) -> f64) -> f64 {
        let mut stream = Stream::new(5, Source::Landing);
        let count = 200_000;
        let product = |_| {
            let mut noise = Driven::default();
            noise.advance(f64::INFINITY, corner_hz, (loop_hz, 0.0), &mut stream);
            let first = of(&noise);
            noise.advance(lag_s, corner_hz, (loop_hz, kept(loop_hz, lag_s)), &mut stream);
            first * of(&noise)
        };
        (0..count).map(product).sum::<f64>() / f64::from(count)
    }

    /// ∫ of the filter's Lorentzian times f²/(f²+fb²) times cos 2πfτ, for a variance of 1 without a loop: B/(B²−fb²)·
    /// (B·e^(−2πBτ) − fb·e^(−2πfbτ)) (textbook integral).
    #[test]
    fn white_noise_under_a_loop_is_correlated_as_its_bandwidth_says() {
        for (filter_hz, loop_hz) in [(1000.0, 40.0), (200.0, 150.0), (60.0, 60.0)] {
            for lag_s in [0.0, 2e-4, 1e-3, 4e-3] {
                let near = 1.0001_f64 * loop_hz;
                let fade = |hz: f64| hz * (-2.0 * PI * hz * lag_s).exp();
                let expected =
                    filter_hz / (filter_hz * filter_hz - near * near) * (fade(filter_hz) - fade(near));
                let found = covariance(filter_hz, loop_hz, lag_s, |n| n.left_of_white(filter_hz, loop_hz));
                // The product of two normals of variance v is known to v·√(2/n): five of them.
                let bound = 5.0 * (2.0_f64 / 200_000.0).sqrt() * filter_hz / (filter_hz + loop_hz);
                assert!(
                    (found - expected).abs() < bound,
                    "{filter_hz} {loop_hz} {lag_s}: {found} {expected}"
                );
            }
        }
    }

    /// The same for slow noise: c/(fb²−c²)·(fb·e^(−2πfbτ) − c·e^(−2πcτ)).
    #[test]
    fn slow_noise_under_a_loop_is_forgotten_as_fast_as_the_loop_acts() {
        let (corner_hz, loop_hz) = (1.0, 40.0);
        for lag_s in [0.0, 1e-3, 4e-3, 0.1] {
            let fade = |hz: f64| hz * (-2.0 * PI * hz * lag_s).exp();
            let expected =
                corner_hz / (loop_hz * loop_hz - corner_hz * corner_hz) * (fade(loop_hz) - fade(corner_hz));
            let found = covariance(corner_hz, loop_hz, lag_s, |n| n.left_of_slow(corner_hz, loop_hz));
            let bound = 5.0 * (2.0_f64 / 200_000.0).sqrt() * corner_hz / (corner_hz + loop_hz);
            assert!((found - expected).abs() < bound, "{lag_s}: {found} {expected}");
        }
        let whole = covariance(corner_hz, loop_hz, 0.1, Driven::whole);
        assert!((whole - (-0.2 * PI).exp()).abs() < 5.0 * (2.0_f64 / 200_000.0).sqrt(), "{whole}");
    }
}
