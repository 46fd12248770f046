//! Times of the spin and resonance rooms.
//!
//! `cargo bench -p noctule-sim --bench spin` measures with criterion. With the
//! argument `eigh-times` the same binary reads Hermitian matrices from its
//! standard input and prints plain times instead: `tests/outside/eigh_beside_numpy.py`
//! uses that to time a general-purpose library beside it in one run.

use criterion::{BenchmarkId, Criterion};
use nalgebra::{Complex, DMatrix, Vector3};
use noctule_sim::resonance::{Driving, Homodyne, Junction, Resonances};
use noctule_sim::spin::eigen::eigh;
use noctule_sim::spin::{Coupling, Site, SpinSystem};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::hint::black_box;
use std::time::{Duration, Instant};

fn main() {
    if std::env::args().any(|argument| argument == "eigh-times") {
        eigh_times();
        return;
    }
    let mut criterion = Criterion::default().configure_from_args();
    hermitian(&mut criterion);
    systems(&mut criterion);
    spectra(&mut criterion);
    criterion.final_summary();
}

fn random_hermitian(n: usize) -> DMatrix<Complex<f64>> {
    let mut rng = ChaCha8Rng::seed_from_u64(n as u64);
    let raw =
        DMatrix::from_fn(n, n, |_, _| Complex::new(rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0)));
    (&raw + raw.adjoint()) * Complex::new(0.5, 0.0)
}

fn hermitian(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("hermitian");
    for n in [2, 3, 4, 5, 6, 7, 8, 16, 32, 64] {
        let matrix = random_hermitian(n);
        group.bench_function(BenchmarkId::new("own", n), |b| b.iter(|| eigh(black_box(&matrix))));
        // The library's solver, for comparison.
        group.bench_function(BenchmarkId::new("nalgebra", n), |b| {
            b.iter(|| black_box(&matrix).clone().symmetric_eigen());
        });
    }
    group.finish();
}

fn systems(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("system");
    let molecule = || {
        let sites = vec![Site::electron(0.5).g_values([1.92, 1.92, 1.67]), Site::nucleus(3.5, -0.315343)];
        SpinSystem::new(sites, vec![Coupling::values([0, 1], [0.018, 0.018, 0.13])]).unwrap()
    };
    group.bench_function("build I=7/2", |b| b.iter(molecule));
    let system = molecule();
    group.bench_function("levels I=7/2", |b| b.iter(|| system.levels(black_box([0.1, 0.0, 1.35]))));
    let levels = system.levels([0.1, 0.0, 1.35]).unwrap();
    group.bench_function("transitions I=7/2", |b| b.iter(|| levels.transitions()));
    group.finish();
}

fn spectra(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("spectrum");
    let sites = vec![Site::electron(0.5).g_values([1.92, 1.92, 1.67]), Site::nucleus(3.5, -0.315343)];
    let system = SpinSystem::new(sites, vec![Coupling::values([0, 1], [0.018, 0.018, 0.13])]).unwrap();
    let lines = |field_t: f64| {
        let levels = system.levels_with_site_field([0.1, 0.0, field_t], 0, [0.0, 0.0, 0.01]).unwrap();
        Resonances::of(&system, &levels, 0, Vector3::z(), 0.4).unwrap()
    };
    group.bench_function("eight lines from nothing", |b| b.iter(|| lines(black_box(1.35))));
    let junction = Junction {
        current_a: 10e-12,
        polarisation: 0.2,
        tip_direction: [0.0, 0.0, 1.0],
        homodyne: Homodyne::default(),
    };
    let driving = Driving { rabi_rad_s: 5e6, t1_s: 100e-9, t2_s: 100e-9, asymmetry: 0.1 };
    let kept = lines(1.35);
    group.bench_function("one point, nothing changed, eight lines", |b| {
        b.iter(|| kept.current_change_a(black_box(31.4e9), &[[0.0; 3]; 2], &driving, &junction));
    });
    group.finish();
}

/// Reads `[[n, [re, im, …]], …]` (row by row) and prints `[{"n", "time_us", "values"}, …]`.
///
/// The time of one call is the median over batches of about a millisecond.
fn eigh_times() {
    let input = std::io::read_to_string(std::io::stdin()).expect("matrices on the standard input");
    let matrices: Vec<(usize, Vec<f64>)> = serde_json::from_str(&input).expect("a list of matrices");
    let mut answers = Vec::new();
    for (n, numbers) in matrices {
        let matrix = DMatrix::from_fn(n, n, |i, j| {
            Complex::new(numbers[2 * (i * n + j)], numbers[2 * (i * n + j) + 1])
        });
        let values = eigh(&matrix).expect("a Hermitian matrix").values;
        let mut calls = 1_u32;
        while batch(&matrix, calls) < Duration::from_millis(1) {
            calls *= 2;
        }
        let mut times_us: Vec<f64> =
            (0..101).map(|_| batch(&matrix, calls).as_secs_f64() * 1e6 / f64::from(calls)).collect();
        times_us.sort_by(f64::total_cmp);
        answers.push(serde_json::json!({ "n": n, "time_us": times_us[50], "values": values }));
    }
    println!("{}", serde_json::Value::from(answers));
}

fn batch(matrix: &DMatrix<Complex<f64>>, calls: u32) -> Duration {
    let start = Instant::now();
    for _ in 0..calls {
        let _ = black_box(eigh(black_box(matrix)));
    }
    start.elapsed()
}
