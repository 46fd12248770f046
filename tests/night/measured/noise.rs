//! Noise of the current: its spectrum and its Allan deviation, from traces.

use super::closed_form::{BOLTZMANN, ELEMENTARY};
use super::{World, mean};
use rustfft::{FftPlanner, num_complex::Complex};
use std::f64::consts::{FRAC_PI_2, LN_2, TAU};

/// One-sided density against frequency: Hann window, segments of `length` that overlap by half, their means taken off
/// (IEEE Trans. Audio Electroacoust. 15, 70 (1967), 10.1109/TAU.1967.1161901, from memory).
pub fn spectrum(values: &[f64], interval_s: f64, length: usize) -> Vec<(f64, f64)> {
    let window: Vec<f64> =
        (0..length).map(|i| (0.5 * TAU * i as f64 / length as f64).sin().powi(2)).collect();
    let weight: f64 = window.iter().map(|w| w * w).sum();
    let fourier = FftPlanner::new().plan_fft_forward(length);
    let mut density = vec![0.0; length / 2];
    let starts: Vec<usize> = (0..=values.len() - length).step_by(length / 2).collect();
    for &start in &starts {
        let segment = &values[start..start + length];
        let middle = mean(segment);
        let mut buffer: Vec<Complex<f64>> =
            segment.iter().zip(&window).map(|(v, w)| Complex::new((v - middle) * w, 0.0)).collect();
        fourier.process(&mut buffer);
        for (sum, bin) in density.iter_mut().zip(&buffer) {
            *sum += 2.0 * interval_s * bin.norm_sqr() / weight / starts.len() as f64;
        }
    }
    let step_hz = 1.0 / (interval_s * length as f64);
    density.into_iter().enumerate().map(|(k, s)| (k as f64 * step_hz, s)).skip(2).collect()
}

/// Allan variance over `length` readings, all pairs of neighbouring means (IEEE 1139, textbook).
fn allan(values: &[f64], length: usize) -> f64 {
    let mut sums = vec![0.0];
    for value in values {
        sums.push(sums[sums.len() - 1] + value);
    }
    let pairs: Vec<f64> =
        sums.windows(2 * length + 1).map(|w| (w[2 * length] - 2.0 * w[length] + w[0]).powi(2)).collect();
    0.5 * mean(&pairs) / (length * length) as f64
}

/// Density of shot and Johnson noise in squares, A²/Hz: 2eI + 4kT/R (Phys. Rev. 32, 97 and 110 (1928), from memory).
pub fn white_a2_hz(world: &World, current_a: f64) -> f64 {
    let johnson = 4.0 * BOLTZMANN * world.number("feedback_k") / world.number("feedback_ohm");
    2.0 * ELEMENTARY * current_a + johnson
}

/// Variance of a reading, A²: white noise through a filter of the first order has the bandwidth π/2·B; of that a loop
/// of the first order leaves B/(B + fb) (textbook: ∫ f²/(f²+fb²)/(1+f²/B²) df = π/2·B·B/(B+fb)).
fn reading_a2(world: &World, current_a: f64, loop_hz: f64) -> f64 {
    let filter_hz = world.number("amplifier_bandwidth_hz");
    white_a2_hz(world, current_a) * FRAC_PI_2 * filter_hz * filter_hz / (filter_hz + loop_hz)
}

/// Readings 20 ms apart know nothing of each other: what a loop of 40 Hz keeps in mind is e⁻⁵ by then, and a twentieth
/// of the variance. So their spectrum is flat, 2σ²Δt, and their Allan variance σ²Δt/τ. 65 536 of them know a variance
/// to √(2/65536) = 0.55 %; an octave of the spectrum, and a long τ, to what its degrees of freedom say.
#[test]
fn current_under_the_loop_has_the_white_noise_of_shot_and_johnson() {
    let world = World::quiet(&[("feedback_k: 4.2", "feedback_k: 300.0")]);
    let sequence = r#"
set("Bias", 60.mV);
approach();
for current in [10.pA, 100.pA] {
    set("Setpoint", current);
    wait(5.s);
    trace("Current", 65536, 20.ms);
}
park();
"#;
    let run = world.rehearse(sequence);
    let loop_hz = world.number("loop_bandwidth_hz");
    let mut found_a2 = Vec::new();
    for (n, current_a) in [10e-12, 100e-12].into_iter().enumerate() {
        let values = run.column("trace", n, "current");
        let expected_a2 = reading_a2(&world, current_a, loop_hz);
        let spectrum = spectrum(&values, 0.02, 1024);
        for band in spectrum.chunks(64) {
            let off =
                mean(&band.iter().map(|(_, s)| *s).collect::<Vec<_>>()) / (2.0 * 0.02 * expected_a2) - 1.0;
            // 64 bins of 127 segments: a Hann window with half overlap leaves 0.53 of the bins times segments.
            let bound = 4.0 / (0.5 * (band.len() * 127) as f64).sqrt();
            println!("{current_a:e} A, {:.1} Hz: spectrum {off:+.4} within {bound:.4}", band[0].0);
            assert!(off.abs() < bound, "{current_a} A at {} Hz: {off} of {bound}", band[0].0);
        }
        for length in [1, 4, 16, 64, 256] {
            let off = (allan(&values, length) / (expected_a2 / length as f64)).sqrt() - 1.0;
            // White noise: 3N/2m·4m²/(4m²+5) degrees of freedom (NIST Special Publication 1065 (2008), from memory).
            let (all, m) = (values.len() as f64, length as f64);
            let bound = 4.0 / (2.0 * 1.5 * all / m * 4.0 * m * m / (4.0 * m * m + 5.0)).sqrt();
            println!("{current_a:e} A, {:.2} s: Allan deviation {off:+.4} within {bound:.4}", 0.02 * m);
            assert!(off.abs() < bound, "{current_a} A over {length}: {off} of {bound}");
        }
        found_a2.push(allan(&values, 1));
    }
    // What the current adds is shot noise alone, 2e·90 pA: both variances are known to √(3/65536).
    let shot_a2 = found_a2[1] - found_a2[0];
    let expected_a2 = reading_a2(&world, 100e-12, loop_hz) - reading_a2(&world, 10e-12, loop_hz);
    let bound = 4.0 * (3.0 / 65536.0_f64).sqrt() * found_a2[0].hypot(found_a2[1]) / expected_a2;
    println!("shot noise {:+.4} within {bound:.4}", shot_a2 / expected_a2 - 1.0);
    assert!((shot_a2 / expected_a2 - 1.0).abs() < bound, "{shot_a2} {expected_a2}");
}

/// Readings 1 ms apart under a loop of 40 Hz go together as its bandwidth says: the covariance over a lag τ is
/// B/(B²−fb²)·(B·e^(−2πBτ) − fb·e^(−2πfbτ)) of the variance without a loop (textbook: the integral of
/// f²/(f²+fb²)/(1+f²/B²)·cos 2πfτ). That of n readings is known to the variance over √n.
#[test]
fn current_read_fast_under_the_loop_goes_together_as_the_loop_lets_it() {
    let world = World::quiet(&[]);
    let run = world.rehearse(
        "set(\"Bias\", 60.mV); set(\"Setpoint\", 10.pA); approach(); wait(5.s); trace(\"Current\", 200000, 1.ms); park();",
    );
    let values = run.column("trace", 0, "current");
    let middle = mean(&values);
    let [filter_hz, loop_hz] = ["amplifier_bandwidth_hz", "loop_bandwidth_hz"].map(|name| world.number(name));
    let open_a2 = reading_a2(&world, 10e-12, 0.0);
    for lag in [0_usize, 1, 2, 4, 8, 20] {
        let products: Vec<f64> =
            values.windows(lag + 1).map(|w| (w[0] - middle) * (w[lag] - middle)).collect();
        let fade = |hz: f64| hz * (-TAU * hz * 1e-3 * lag as f64).exp();
        let part =
            filter_hz / (filter_hz * filter_hz - loop_hz * loop_hz) * (fade(filter_hz) - fade(loop_hz));
        let off = mean(&products) / open_a2 - part;
        let bound = 4.0 * (if lag == 0 { 2.0_f64 } else { 1.0 } / values.len() as f64).sqrt();
        println!("{lag} ms: covariance {part:+.4} of the variance, {off:+.4} off within {bound:.4}");
        assert!(off.abs() < bound, "{lag} ms: {off} of {part}");
    }
}

/// Beyond its statistics, how near to 1/f a sum of relaxations comes that has one in each decade up to 1 Hz: its ripple
/// is 6 % of the density ((2/π)·ln 10·Σ x/(1+x²) over the decades is 0.94 between two of them and 1.04 at one), and half of
/// that in the Allan deviation. What 1/f noise above the rate of reading would be folded in (Δt·2·ln of the filter over
/// that rate) is below 4 % in these bands.
const RIPPLE: f64 = 0.06;

/// With the loop open the current has the density h₋₁/f with √h₋₁ = `flicker_relative`·I, and its Allan deviation stops
/// falling at √(2 ln 2·h₋₁) (IEEE 1139, textbook).
#[test]
fn current_with_the_loop_open_has_flicker_and_its_floor() {
    let world = World::quiet(&[("flicker_relative: 0.0", "flicker_relative: 0.05")]);
    let sequence = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
wait(5.s);
set("Feedback", 0);
trace("Current", 131072, 250.ms);
trace("Current", 131072, 50.ms);
set("Feedback", 1);
park();
"#;
    let run = world.rehearse(sequence);
    let flicker_a2 = (world.number("flicker_relative") * 10e-12).powi(2);
    let white_a2 = reading_a2(&world, 10e-12, 0.0);
    for (n, interval_s, from_hz) in [(0, 0.25, 1e-3), (1, 0.05, 1e-2)] {
        let values = run.column("trace", n, "current");
        let length = 16_384;
        let band: Vec<f64> = spectrum(&values, interval_s, length)
            .into_iter()
            .filter(|(f_hz, _)| (from_hz..10.0 * from_hz).contains(f_hz))
            .map(|(f_hz, s)| s / (flicker_a2 / f_hz + 2.0 * interval_s * white_a2))
            .collect();
        let off = mean(&band) - 1.0;
        let segments = 2 * values.len() / length - 1;
        let bound = 4.0 / (0.5 * (band.len() * segments) as f64).sqrt() + RIPPLE;
        println!("from {from_hz} Hz on: density {off:+.4} within {bound:.4}");
        assert!(off.abs() < bound, "from {from_hz} Hz on: {off} of {bound}");
    }
    let values = run.column("trace", 0, "current");
    for length in [32, 128, 512, 2048] {
        let expected_a2 = 2.0 * LN_2 * flicker_a2 + white_a2 / f64::from(length);
        let off = (allan(&values, length as usize) / expected_a2).sqrt() - 1.0;
        // Flicker: 5N²/4m(N+3m) degrees of freedom (NIST Special Publication 1065 (2008), from memory).
        let (all, m) = (values.len() as f64, f64::from(length));
        let bound = 4.0 / (2.0 * 1.25 * all * all / (m * (all + 3.0 * m))).sqrt() + 0.5 * RIPPLE;
        println!("{} s: Allan deviation {off:+.4} within {bound:.4}", 0.25 * m);
        assert!(off.abs() < bound, "over {length}: {off} of {bound}");
    }
}
