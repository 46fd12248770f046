//! Timing of fits, peak finding and search. `cargo bench --bench bench_fit` measures; with `NOCTULE_SPECTRA` set to
//! a file of spectra (one a line: x values, `;`, y values) it fits those instead and prints one JSON object, which
//! `tests/outside/fit_beside_scipy.py` compares with another solver on the same data.

use std::hint::black_box;
use std::time::Instant;

use criterion::Criterion;
use noctule::analysis::fit::{self, Fit, Options};
use noctule::analysis::model::Model;
use noctule::analysis::peaks::{self, Search};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// Spectrum of 401 points with a line of signal-to-noise 10.
fn spectrum(seed: u64) -> (Vec<f64>, Vec<f64>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, 3.0).unwrap();
    let truth = [14.21e9, 24.0e6, 30.0, 0.5, 800.0, 1.0e-8];
    let model = Model::Fano { reference: 14.2e9 };
    let x: Vec<f64> = (0..401).map(|i| 14.0e9 + 1.0e6 * f64::from(i)).collect();
    let y = x.iter().map(|x| model.at(*x, &truth).unwrap() + noise.sample(&mut rng)).collect();
    (x, y)
}

fn measure(c: &mut Criterion) {
    let (x, y) = spectrum(1);
    c.bench_function("fano_401_points", |b| {
        b.iter(|| fit::resonance(black_box(&x), black_box(&y), &Options::new()).unwrap())
    });
    let sigmas = vec![3.0; x.len()];
    let weighted = Options::new().sigmas(&sigmas);
    c.bench_function("fano_401_points_weighted", |b| {
        b.iter(|| fit::resonance(black_box(&x), black_box(&y), &weighted).unwrap())
    });
    let bounded = Options::new().bound("width", 1.0e6, 200.0e6);
    c.bench_function("fano_401_points_bounded", |b| {
        b.iter(|| fit::resonance(black_box(&x), black_box(&y), &bounded).unwrap())
    });
}

fn measure_peaks(c: &mut Criterion) {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let noise = Normal::new(0.0, 1.0).unwrap();
    let x: Vec<f64> = (0..10_000).map(f64::from).collect();
    for lines in [0, 1, 8] {
        let centre = |k: i32| 1000.0 * f64::from(k) + 900.0;
        let line = |x: f64, k: i32| 4.0 / (1.0 + ((x - centre(k)) / 15.0).powi(2));
        let signal = |x: f64| (0..lines).map(|k| line(x, k)).sum::<f64>();
        let y: Vec<f64> = x.iter().map(|x| signal(*x) + noise.sample(&mut rng)).collect();
        let search = Search::default();
        c.bench_function(&format!("peaks_10000_points_{lines}_lines"), |b| {
            b.iter(|| peaks::find(black_box(&x), black_box(&y), &search).unwrap())
        });
    }
}

/// Fits each spectrum of a file and prints parameters, errors and the median time of 25 fits of each.
fn beside(path: &std::path::Path) {
    let text = std::fs::read_to_string(path).expect("the file of spectra can be read");
    let numbers = |text: &str| -> Vec<f64> {
        text.split_whitespace().map(|w| w.parse().expect("a spectrum holds numbers")).collect()
    };
    let mut times_us = Vec::new();
    let mut fits: Vec<Fit> = Vec::new();
    for line in text.lines() {
        let (x, y) = line.split_once(';').expect("x and y are separated by `;`");
        let (x, y) = (numbers(x), numbers(y));
        for _ in 0..25 {
            let begun = Instant::now();
            let fit = fit::resonance(black_box(&x), black_box(&y), &Options::new());
            times_us.push(begun.elapsed().as_secs_f64() * 1e6);
            black_box(&fit).as_ref().expect("the spectrum can be fitted");
        }
        fits.push(fit::resonance(&x, &y, &Options::new()).expect("the spectrum can be fitted"));
    }
    times_us.sort_by(f64::total_cmp);
    let answer = serde_json::json!({ "median_us": times_us[times_us.len() / 2], "fits": fits });
    println!("{answer}");
}

fn main() {
    if let Some(path) = std::env::var_os("NOCTULE_SPECTRA") {
        return beside(path.as_ref());
    }
    let mut criterion = Criterion::default().configure_from_args();
    measure(&mut criterion);
    measure_peaks(&mut criterion);
    criterion.final_summary();
}
