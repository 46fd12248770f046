//! The lock-in's short cuts against a plain one that multiplies a sampled current with a sine.
//!
//! This ties the conventions together: a reading is an rms value, the noise density is one-sided at
//! the reference frequency, and chopping with 50 % duty reads (√2/π)ΔI.

mod lockin_common;

use lockin_common::{PARAMS, enbw_hz, settled_fraction};
use noctule_sim::lockin::{Lockin, LockinInput, chopped_rms_a};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::{SQRT_2, TAU};

const REFERENCE_HZ: f64 = 95.0;
const PER_PERIOD: u32 = 64;
const TAU_S: f64 = 0.1;

/// Multiplies with √2 sin and √2 cos and sends both through two discrete RC stages.
struct Plain {
    sample: u64,
    x: [f64; 2],
    y: [f64; 2],
}

impl Plain {
    fn new() -> Self {
        Self { sample: 0, x: [0.0; 2], y: [0.0; 2] }
    }

    fn phase(&self) -> f64 {
        (self.sample % u64::from(PER_PERIOD)) as f64 / f64::from(PER_PERIOD) + 0.5 / f64::from(PER_PERIOD)
    }

    fn take(&mut self, current: f64) {
        let part = 1.0 - (-1.0 / (REFERENCE_HZ * f64::from(PER_PERIOD)) / TAU_S).exp();
        let (sin, cos) = (TAU * self.phase()).sin_cos();
        for (stages, product) in [(&mut self.x, SQRT_2 * sin), (&mut self.y, SQRT_2 * cos)] {
            let mut input = product * current;
            for stage in stages {
                *stage += part * (input - *stage);
                input = *stage;
            }
        }
        self.sample += 1;
    }
}

#[test]
fn a_chopped_current_reads_as_the_formula_says_while_it_settles() {
    let mut plain = Plain::new();
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut lockin = Lockin::new(PARAMS);
    lockin.set_time_constant(TAU_S).unwrap();
    let level = chopped_rms_a(20.0, 0.5);
    // The steady current was there before: its ripple has lost the memory of its beginning.
    for _ in 0..400 * PER_PERIOD {
        plain.take(100.0);
    }
    // Samples of a chopped wave have the fundamental of a rectangle but for 1/sinc(π/64) = 1 + 4.0e-4.
    for period in 1..=300 {
        for _ in 0..PER_PERIOD {
            let on = plain.phase() < 0.5;
            plain.take(if on { 110.0 } else { 90.0 });
        }
        let t_s = f64::from(period) / REFERENCE_HZ;
        lockin.advance(
            1.0 / REFERENCE_HZ,
            LockinInput { level_a: level, density_a_rthz: 0.0, peak_a: 0.0 },
            &mut rng,
        );
        let expected = level * settled_fraction(2, TAU_S, t_s);
        assert!((lockin.output_a() - expected).abs() < 1e-12);
        // The plain lock-in also has ripple at the reference from the steady current,
        // 100·√2/(2π·95·0.1)² = 0.04, and a start that sees half periods: 9/(2·60·e) = 0.03.
        assert!(
            (plain.x[1] - lockin.output_a()).abs() < 0.07,
            "after {t_s} s: {} and {}",
            plain.x[1],
            lockin.output_a()
        );
    }
    // Over whole periods the ripple is the same each time; its mean over one is left out of the end value.
    let mut mean = 0.0;
    for _ in 0..PER_PERIOD {
        let on = plain.phase() < 0.5;
        plain.take(if on { 110.0 } else { 90.0 });
        mean += plain.x[1] / f64::from(PER_PERIOD);
    }
    assert!((mean / level - 1.0).abs() < 5e-4, "{mean} instead of {level}");
}

#[test]
fn white_noise_leaves_the_rms_of_the_bandwidth() {
    let density = 1.7;
    let mut plain = Plain::new();
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    let rate_hz = REFERENCE_HZ * f64::from(PER_PERIOD);
    let sigma = density * (rate_hz / 2.0).sqrt();
    let (readings, apart) = (3000_u32, (0.8 * rate_hz) as u32);
    let (mut xx, mut yy) = (0.0, 0.0);
    for _ in 0..readings {
        for _ in 0..apart {
            let deviate: f64 = StandardNormal.sample(&mut rng);
            plain.take(sigma * deviate);
        }
        xx += plain.x[1] * plain.x[1];
        yy += plain.y[1] * plain.y[1];
    }
    let expected = f64::from(readings) * density * density * enbw_hz(2, TAU_S);
    // Readings 8 τ apart at order 2 are correlated by (1+8)e⁻⁸ = 0.3 %: as good as independent.
    let error = (2.0 / f64::from(readings)).sqrt();
    assert!((xx / expected - 1.0).abs() < 4.0 * error, "X: {}", xx / expected);
    assert!((yy / expected - 1.0).abs() < 4.0 * error, "Y: {}", yy / expected);
}
