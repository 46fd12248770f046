//! Times of the judges: `cargo bench --bench bench_judge`.

use criterion::{Criterion, criterion_group, criterion_main};
use noctule::analysis::contrast::contrast_of_trace;
use noctule::analysis::joint::{Prior, SpectrumAt, judge};
use noctule::analysis::register::{Image, register};

fn wobble(i: usize) -> f64 {
    ((i * 7919 % 10_007) as f64 + (i * 104_729 % 9973) as f64 + (i * 1_299_709 % 9967) as f64) / 5000.0 - 3.0
}

fn image(n: usize, dx: f64, dy: f64, seed: usize) -> Vec<f64> {
    (0..n * n)
        .map(|i| {
            let (x, y) = ((i % n) as f64 - dx, (i / n) as f64 - dy);
            let hill = |a: f64, b: f64| (-((x - a).powi(2) + (y - b).powi(2)) / 60.0).exp();
            hill(80.0, 120.0) + hill(170.0, 60.0) + 0.6 * hill(140.0, 190.0) + 0.05 * wobble(i + seed)
        })
        .collect()
}

fn benches(c: &mut Criterion) {
    let n = 256;
    let (a, b) = (image(n, 0.0, 0.0, 1), image(n, 7.3, -4.6, 77_777));
    c.bench_function("register 256 x 256", |bench| {
        let (a, b) = (Image::new(n, n, &a).expect("good"), Image::new(n, n, &b).expect("good"));
        bench.iter(|| register(a, b).expect("found"));
    });
    let trace: Vec<f64> = (0..2000).map(|i| if (i / 40) % 2 == 0 { 4.0 } else { 0.0 } + wobble(i)).collect();
    c.bench_function("contrast of 2000 currents", |bench| {
        bench.iter(|| contrast_of_trace(&trace, 1e-3).expect("good"));
    });
    let f: Vec<f64> = (0..301).map(|i| 14e9 + 2e6 * f64::from(i)).collect();
    let fields: Vec<f64> = (0..8).map(|k| 0.503 + 0.002 * f64::from(k)).collect();
    let signals: Vec<Vec<f64>> = fields
        .iter()
        .enumerate()
        .map(|(k, field)| {
            let line = 27.992_489_834e9 * field;
            f.iter()
                .enumerate()
                .map(|(i, f)| 8.0 / (1.0 + ((f - line) / 8e6).powi(2)) + wobble(i + 1000 * k))
                .collect()
        })
        .collect();
    let spectra: Vec<SpectrumAt> = fields
        .iter()
        .zip(&signals)
        .map(|(b, y)| SpectrumAt {
            field_t: *b,
            start_s: *b,
            upward: true,
            tip: 0,
            setpoint_a: None,
            f_hz: &f,
            y,
        })
        .collect();
    c.bench_function("verdict on 8 spectra of 301 points", |bench| {
        bench.iter(|| judge(&spectra, &Prior::default()).expect("good"));
    });
    night(c);
}

/// As the shipped night takes them: 19 fields, up and down, each spectrum about the place where the line is expected.
fn night(c: &mut Criterion) {
    let fields: Vec<f64> = (0..38).map(|k| 0.45 + 0.02 * f64::from(k / 2)).collect();
    let axes: Vec<Vec<f64>> = fields
        .iter()
        .map(|field| (0..201).map(|i| 25.2e9 * field + 1.6e6 * (f64::from(i) - 100.0)).collect())
        .collect();
    let signals: Vec<Vec<f64>> = (0..38)
        .map(|k| {
            let line = 0.895 * 27.992_489_834e9 * (fields[k] + 0.002);
            let at = |(i, f): (usize, &f64)| {
                let d = (f - line) / 8e6;
                let ripple = 2.0 * (f / 15.4e6).sin() + (f / 6.5e6).sin();
                30.0 * (1.0 + 0.4 * d) / (1.0 + d * d) + ripple + wobble(i + 1000 * k)
            };
            axes[k].iter().enumerate().map(at).collect()
        })
        .collect();
    let spectra: Vec<SpectrumAt> = (0..38)
        .map(|k| SpectrumAt {
            field_t: fields[k],
            start_s: k as f64,
            upward: k % 2 == 0,
            tip: 0,
            setpoint_a: None,
            f_hz: &axes[k],
            y: &signals[k],
        })
        .collect();
    c.bench_function("verdict on a night of 38 spectra of 201 points", |bench| {
        bench.iter(|| judge(&spectra, &Prior::default()).expect("good"));
    });
}

criterion_group!(judges, benches);
criterion_main!(judges);
