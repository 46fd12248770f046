//! What a trusted fit is worth: noise alone is hardly ever trusted, a line of four times the noise of a point nearly always,
//! and errors cover the truth in slow noise too. `NOCTULE_CAMPAIGN=full` makes fifty times as many.
//!
//! The 1/f noise is a sum of processes that forget, one for each octave of time constants from less than a point to four
//! times the spectrum; "equal" means the same variance within the spectrum as the white noise. The shaped one has a power of
//! 1/f at the harmonics of the record and nothing slower, as filtered noise has.

use noctule::analysis::fit::{self, Fit, FitError, Options};
use noctule::analysis::model::Model;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const POINTS: usize = 201;

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn runs(few: usize) -> usize {
    if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full") { 50 * few } else { few }
}

fn forgetting(left: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut state = normal(rng);
    let mut next = || {
        let here = state;
        state = left * state + (1.0 - left * left).sqrt() * normal(rng);
        here
    };
    (0..POINTS).map(|_| next()).collect()
}

fn flicker(rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut sum = vec![0.0; POINTS];
    let (mut time, mut octaves) = (0.7, 0.0);
    while time < 4.0 * POINTS as f64 {
        sum.iter_mut().zip(forgetting((-1.0 / time).exp(), rng)).for_each(|(s, v)| *s += v);
        (time, octaves) = (2.0 * time, octaves + 1.0);
    }
    let mean = sum.iter().sum::<f64>() / POINTS as f64;
    // The slowest octaves are mostly in the mean; six tenths of the variance are left without it.
    let spread = (0.6_f64 * octaves).sqrt();
    sum.iter().map(|v| (v - mean) / spread).collect()
}

fn shaped(points: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut sum = vec![0.0; points];
    for k in 1..=points / 2 {
        let turn = std::f64::consts::TAU * k as f64 / points as f64;
        let part = (k as f64).sqrt().recip();
        let (a, b) = (part * normal(rng), part * normal(rng));
        let wave = |i: usize| a * (turn * i as f64).cos() + b * (turn * i as f64).sin();
        sum.iter_mut().enumerate().for_each(|(i, s)| *s += wave(i));
    }
    let spread = (sum.iter().map(|v| v * v).sum::<f64>() / points as f64).sqrt();
    sum.iter().map(|v| v / spread).collect()
}

#[derive(Debug, Clone, Copy)]
enum Noise {
    White,
    WhiteAndFlicker,
    Forgetting,
}

impl Noise {
    fn draw(self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        match self {
            Noise::White => (0..POINTS).map(|_| normal(rng)).collect(),
            Noise::WhiteAndFlicker => flicker(rng).into_iter().map(|v| v + normal(rng)).collect(),
            Noise::Forgetting => forgetting(0.5, rng),
        }
    }
}

type Fitter = fn(&[f64], &[f64], &Options) -> Result<Fit, FitError>;

const FITTERS: [(&str, Fitter); 5] = [
    ("resonance", fit::resonance),
    ("lorentzian", fit::lorentzian),
    ("gaussian", fit::gaussian),
    ("decay", fit::decay),
    ("approach", fit::approach),
];

fn axis() -> Vec<f64> {
    (0..POINTS).map(|i| i as f64).collect()
}

#[test]
fn noise_alone_is_hardly_ever_trusted() {
    let (x, runs) = (axis(), runs(40));
    for noise in [Noise::White, Noise::WhiteAndFlicker, Noise::Forgetting] {
        for (name, fitter) in FITTERS {
            let mut rng = ChaCha8Rng::seed_from_u64(11);
            let trusted = (0..runs)
                .filter(|_| fitter(&x, &noise.draw(&mut rng), &Options::new()).is_ok_and(|f| f.trusted()))
                .count();
            println!("{noise:?}: {trusted} of {runs} fits of {name} are trusted");
            assert!(trusted as f64 <= 0.012 * runs as f64 + 1.0, "{noise:?} {name}: {trusted} of {runs}");
        }
    }
}

#[test]
fn shaped_noise_in_short_records_is_hardly_ever_trusted() {
    let runs = runs(40);
    for points in [41, 81, 121, 201] {
        let x: Vec<f64> = (0..points).map(|i| i as f64).collect();
        for (name, fitter) in FITTERS.into_iter().take(3) {
            let mut rng = ChaCha8Rng::seed_from_u64(14);
            let mut draw = || {
                let slow = shaped(points, &mut rng);
                slow.into_iter().map(|v| v + normal(&mut rng)).collect::<Vec<f64>>()
            };
            let trusted =
                (0..runs).filter(|_| fitter(&x, &draw(), &Options::new()).is_ok_and(|f| f.trusted())).count();
            println!("{points} points: {trusted} of {runs} fits of {name} are trusted");
            assert!(trusted as f64 <= 0.012 * runs as f64 + 1.0, "{points} {name}: {trusted} of {runs}");
        }
    }
}

/// A line at a place and of a width that differ, with its true parameters.
fn line(which: usize, height: f64, rng: &mut ChaCha8Rng) -> (Model, Vec<f64>) {
    let reference = 0.5 * (POINTS - 1) as f64;
    let (centre, width) = (rng.random_range(50.0..150.0), rng.random_range(10.0..40.0));
    let height = if rng.random_bool(0.5) { height } else { -height };
    match which {
        0 => {
            let asymmetry = rng.random_range(-0.8..0.8);
            (Model::Fano { reference }, vec![centre, width, height, asymmetry, 0.0, 0.0])
        }
        1 => (Model::Lorentzian { reference }, vec![centre, width, height, 0.0, 0.0]),
        _ => (Model::Gaussian { reference }, vec![centre, width, height, 0.0, 0.0]),
    }
}

#[test]
fn a_line_of_four_times_the_noise_is_trusted() {
    let (x, runs) = (axis(), runs(40));
    for (which, (name, fitter)) in FITTERS.into_iter().take(3).enumerate() {
        let mut rng = ChaCha8Rng::seed_from_u64(12);
        let mut trusted = 0;
        for _ in 0..runs {
            let (model, truth) = line(which, 4.0, &mut rng);
            let noise = Noise::White.draw(&mut rng);
            let y: Vec<f64> = x.iter().zip(noise).map(|(x, e)| model.at(*x, &truth).unwrap() + e).collect();
            trusted += usize::from(fitter(&x, &y, &Options::new()).unwrap().trusted());
        }
        println!("{trusted} of {runs} fits of {name} are trusted at four times the noise");
        assert!(trusted as f64 >= 0.95 * runs as f64, "{name}: {trusted} of {runs}");
    }
}

#[test]
fn errors_cover_in_slow_noise() {
    let (x, runs) = (axis(), runs(200));
    for noise in [Noise::White, Noise::WhiteAndFlicker, Noise::Forgetting] {
        let mut rng = ChaCha8Rng::seed_from_u64(13);
        let (mut used, mut one, mut two) = (0, 0, 0);
        for _ in 0..runs {
            let (model, truth) = line(0, 12.0, &mut rng);
            let y: Vec<f64> =
                x.iter().zip(noise.draw(&mut rng)).map(|(x, e)| model.at(*x, &truth).unwrap() + e).collect();
            let fit = fit::resonance(&x, &y, &Options::new()).unwrap();
            if !fit.trusted() {
                continue;
            }
            for (p, t) in fit.parameters.iter().zip(&truth).take(2) {
                let off = ((p.value - t) / p.standard_error).abs();
                used += 1;
                one += usize::from(off < 1.0);
                two += usize::from(off < 1.96);
            }
        }
        let share = |n: usize| 100.0 * n as f64 / f64::from(used);
        println!(
            "{noise:?}: {used} errors, truth within one {:.1} %, within 1.96 {:.1} %",
            share(one),
            share(two)
        );
        // The spread of a share of four hundred is 2.3 and 1.1 %.
        assert!((share(one) - 68.3).abs() < 7.0 && (share(two) - 95.0).abs() < 4.0, "{noise:?}");
    }
}
