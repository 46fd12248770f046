//! Error rates of the contrast verdict on simulated traces of 2,000 currents.
//!
//! Half have two levels more than three widths apart with random switching; half have one: white, drifting,
//! correlated, skewed or heavy-tailed noise, some with outliers. `NOCTULE_CAMPAIGN=full` runs 4,000 traces.

use noctule::analysis::contrast::{ContrastVerdict, contrast_of_trace};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Gamma, StandardNormal, StudentT};

const SAMPLES: usize = 2000;

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Separation in widths and mean dwell of the lower and the upper level in samples.
type Levels = (f64, [f64; 2]);

/// A trace in units of its noise, its name, and the truth where there are two levels.
fn trace(seed: u64) -> (Vec<f64>, &'static str, Option<Levels>) {
    let mut rng = ChaCha8Rng::seed_from_u64(1985);
    rng.set_stream(seed);
    let rng = &mut rng;
    if seed.is_multiple_of(2) {
        let separation = rng.random_range(3.0..8.0);
        let share: f64 = rng.random_range(0.2..0.8);
        // Mean dwell of the upper level between 3 and 60 samples; the share fixes the other.
        let upper = 3.0 * 20f64.powf(rng.random::<f64>());
        let lower = upper * (1.0 - share) / share;
        let wide: f64 = rng.random_range(0.8..1.25);
        let mut high = rng.random::<f64>() < share;
        let y = (0..SAMPLES).map(|_| {
            // A process in continuous time, looked at once a sample: exp(Q) of its two rates.
            let rates = [1.0 / lower, 1.0 / upper];
            let mixed = 1.0 - (-(rates[0] + rates[1])).exp();
            let leave = rates[usize::from(high)] / (rates[0] + rates[1]) * mixed;
            high ^= rng.random::<f64>() < leave;
            // Widths differ, their mean square is one, so the separation is in the same unit.
            let w = if high { wide } else { (2.0 - wide * wide).sqrt() };
            if high { separation + w * normal(rng) } else { w * normal(rng) }
        });
        return (y.collect(), "two levels", Some((separation, [lower, upper])));
    }
    let (kind, outliers) = (rng.random_range(0..5), rng.random::<f64>() < 0.3);
    let drift = rng.random_range(0.0..2.0);
    let memory: f64 = rng.random_range(0.3..0.9);
    let gamma = Gamma::new(rng.random_range(4.0..30.0), 1.0).expect("valid shape");
    let student = StudentT::new(rng.random_range(5.0..15.0)).expect("valid freedom");
    let mut state = 0.0;
    let mut y: Vec<f64> = (0..SAMPLES)
        .map(|i| match kind {
            0 => normal(rng),
            1 => normal(rng) + drift * i as f64 / SAMPLES as f64,
            2 => {
                state = memory * state + (1.0 - memory * memory).sqrt() * normal(rng);
                state
            }
            3 => gamma.sample(rng),
            _ => student.sample(rng),
        })
        .collect();
    if outliers {
        for _ in 0..5 {
            let at = rng.random_range(0..SAMPLES);
            y[at] += rng.random_range(5.0..20.0);
        }
    }
    (y, ["white", "drifting", "correlated", "skewed", "heavy-tailed"][kind], None)
}

#[test]
fn error_rates_of_the_contrast_verdict() {
    let asked = std::env::var("NOCTULE_CAMPAIGN").unwrap_or_default();
    let full = asked == "full";
    let count = if full { 4000 } else { 24 };
    let kinds = ["two levels", "white", "drifting", "correlated", "skewed", "heavy-tailed"];
    let mut table = [[0usize; 3]; 6];
    let (mut pulls, mut near) = (Vec::new(), [0usize; 3]);
    for seed in 0..count {
        let (y, kind, truth) = trace(seed);
        // Picoamperes in ampere, on a level of 20 pA.
        let y: Vec<f64> = y.iter().map(|v| 20e-12 + 0.5e-12 * v).collect();
        let said = contrast_of_trace(&y, 1e-3).expect("good numbers are judged");
        let v = match said.verdict {
            ContrastVerdict::Contrast => 0,
            ContrastVerdict::None => 1,
            ContrastVerdict::Undecided | ContrastVerdict::Jump => 2,
        };
        table[kinds.iter().position(|k| *k == kind).expect("known kind")][v] += 1;
        if let Some((separation, dwell)) = truth {
            near[v] += usize::from(separation < 4.0);
            if let Some(s) = said.switching {
                for ((found, error), true_ms) in s.dwell_s.iter().zip(s.dwell_error_s).zip(dwell) {
                    pulls.push((found - 1e-3 * true_ms) / error);
                }
            }
        }
        if (truth.is_some() && v == 1) || (truth.is_none() && v == 0) {
            println!("trace {seed}, {kind}, {truth:?}: {:?}", said.reasons);
        }
    }
    println!("{:<24}{:>9}{:>8}{:>11}", "truth", "contrast", "none", "undecided");
    for (kind, [c, n, u]) in kinds.iter().zip(table) {
        println!("{kind:<24}{c:>9}{n:>8}{u:>11}");
    }
    println!("{:<24}{:>9}{:>8}{:>11}", "  of two, below 4 widths", near[0], near[1], near[2]);
    let within = |s: f64| {
        100.0 * pulls.iter().filter(|p: &&f64| p.abs() <= s).count() as f64 / pulls.len().max(1) as f64
    };
    println!(
        "dwell times within 1, 2, 3 errors: {:.1} %, {:.1} %, {:.1} %",
        within(1.0),
        within(2.0),
        within(3.0)
    );
    let ones: [usize; 3] = [0, 1, 2].map(|v| (1..6).map(|k| table[k][v]).sum());
    let share = |n: usize, of: [usize; 3]| n as f64 / of.iter().sum::<usize>() as f64;
    assert!(share(ones[0], ones) <= 0.001, "false contrast");
    assert!(share(table[0][1], table[0]) <= 0.01, "missed contrast");
    assert!(share(table[0][2], table[0]) <= 0.20, "two levels left undecided");
    assert!(share(ones[2], ones) <= 0.20, "one level left undecided");
    assert!(within(3.0) > 90.0, "dwell times agree with the truth within their errors");
}

/// Time between samples, s.
const STEP_S: f64 = 5e-3;

/// A sum of processes that forget, one for each octave: 1/f noise of about the variance given.
fn flicker(variance: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut sum = vec![0.0; SAMPLES];
    let (mut time, mut octaves) = (0.7, 0.0);
    while time < 4.0 * SAMPLES as f64 {
        let left = (-1.0_f64 / time).exp();
        let mut state = normal(rng);
        for value in &mut sum {
            *value += state;
            state = left * state + (1.0 - left * left).sqrt() * normal(rng);
        }
        (time, octaves) = (2.0 * time, octaves + 1.0);
    }
    let spread: f64 = (variance / octaves).sqrt();
    sum.iter().map(|v| v * spread).collect()
}

/// Two levels two widths apart, with a mean dwell of 0.05 to 5 s and twenty switches at least.
fn telegraph(rng: &mut ChaCha8Rng) -> Vec<f64> {
    loop {
        let dwell = 0.05 * 100_f64.powf(rng.random::<f64>()) / STEP_S;
        let leave = 0.5 * (1.0 - (-2.0 / dwell).exp());
        let mut high = rng.random_bool(0.5);
        let mut switches = 0;
        let levels: Vec<bool> = (0..SAMPLES)
            .map(|_| {
                let turns = rng.random::<f64>() < leave;
                switches += usize::from(turns);
                high ^= turns;
                high
            })
            .collect();
        if switches >= 20 {
            return levels.iter().map(|h| 2.0 * f64::from(u8::from(*h)) + normal(rng)).collect();
        }
    }
}

/// What one level or one jump looks like, and no switching.
fn unswitched(kind: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let white = |rng: &mut ChaCha8Rng| -> Vec<f64> { (0..SAMPLES).map(|_| normal(rng)).collect() };
    let along = |i: usize| i as f64 / SAMPLES as f64;
    match kind {
        0 => {
            let (at, by) = (rng.random_range(200..1800), rng.random_range(2.0..6.0));
            let noise = white(rng);
            noise.iter().enumerate().map(|(i, v)| v + if i >= at { by } else { 0.0 }).collect()
        }
        1 => {
            let drift = rng.random_range(0.5..6.0);
            white(rng).iter().enumerate().map(|(i, v)| v + drift * along(i)).collect()
        }
        2 => flicker(1.0, rng),
        _ => {
            let variance = rng.random_range(0.1..9.0);
            let slow = flicker(variance, rng);
            white(rng).iter().zip(slow).map(|(v, s)| v + s).collect()
        }
    }
}

#[test]
fn switching_is_told_from_jumps_drift_and_slow_noise() {
    let count = if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full") { 4000 } else { 16 };
    let kinds = ["telegraph", "one jump", "drift", "1/f", "white and 1/f"];
    let mut table = [[0_usize; 4]; 5];
    for seed in 0..count {
        let mut rng = ChaCha8Rng::seed_from_u64(77);
        rng.set_stream(seed);
        let kind = if seed % 2 == 0 { 0 } else { 1 + (seed as usize / 2) % 4 };
        let y = if kind == 0 { telegraph(&mut rng) } else { unswitched(kind - 1, &mut rng) };
        let y: Vec<f64> = y.iter().map(|v| 20e-12 + 0.5e-12 * v).collect();
        let verdict = contrast_of_trace(&y, STEP_S).expect("good numbers are judged").verdict;
        table[kind][verdict as usize] += 1;
    }
    println!("{:<16}{:>9}{:>8}{:>8}{:>11}", "truth", "contrast", "jump", "none", "undecided");
    for (name, row) in kinds.iter().zip(table) {
        println!("{name:<16}{:>9}{:>8}{:>8}{:>11}", row[0], row[1], row[2], row[3]);
    }
    let of = |verdict: ContrastVerdict, rows: std::ops::Range<usize>| -> usize {
        rows.map(|k| table[k][verdict as usize]).sum()
    };
    let half = 0.5 * count as f64;
    assert!(of(ContrastVerdict::Contrast, 1..5) as f64 <= 0.001 * half, "false contrast");
    assert!((half as usize - of(ContrastVerdict::Contrast, 0..1)) as f64 <= 0.01 * half, "missed contrast");
    let jumps: usize = table[1].iter().sum();
    assert!(of(ContrastVerdict::Jump, 1..2) * 10 >= jumps * 9, "single jumps are called so");
}
