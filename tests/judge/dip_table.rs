//! The quantile table of the dip: how it was made, and that it agrees with a published program's.
//!
//! With `NOCTULE_CAMPAIGN=full` the whole table is drawn again and printed as source text.

use noctule::analysis::contrast::dip;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1};

const LEVELS: [f64; 20] = [
    0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.998, 0.999, 0.9995,
    0.9998, 0.9999,
];

/// √n·dip of uniform samples, sorted. Partial sums of exponentials are a sorted uniform sample.
fn draw(n: usize, count: usize) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(1985);
    rng.set_stream(n as u64);
    let mut values: Vec<f64> = (0..count)
        .map(|_| {
            let mut sum = 0.0;
            let x: Vec<f64> = (0..n)
                .map(|_| {
                    let step: f64 = Exp1.sample(&mut rng);
                    sum += step;
                    sum
                })
                .collect();
            dip(&x).expect("good numbers").statistic * (n as f64).sqrt()
        })
        .collect();
    values.sort_by(f64::total_cmp);
    values
}

#[test]
fn the_table_is_drawn_again() {
    if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full") {
        for n in [4, 6, 8, 10, 15, 20, 30, 50, 100, 200, 500, 1000, 2000, 5000] {
            let count = if n > 1000 { 100_000 } else { 400_000 };
            let values = draw(n, count);
            let row: Vec<String> =
                LEVELS.iter().map(|p| format!("{:.5}", values[(p * count as f64) as usize])).collect();
            println!("    ({n}, [{}]),", row.join(", "));
        }
    }
    // Few draws, but enough to notice a table of something else: p of the drawn dips has to be uniform.
    let n = 50;
    let values = draw(n, 2000);
    for share in [0.5, 0.9] {
        let statistic = values[(share * 2000.0) as usize] / (n as f64).sqrt();
        assert!((noctule::analysis::contrast::dip_tail(statistic, n) - (1.0 - share)).abs() < 0.03);
    }
}

/// Quantiles under the uniform from the table in the Python package `diptest` 0.12.0.
const PUBLISHED: [(usize, [f64; 7]); 9] = [
    (10, [0.097782, 0.130462, 0.139611, 0.150962, 0.159684, 0.167195, 0.180611]),
    (20, [0.073344, 0.097235, 0.105130, 0.114310, 0.120624, 0.126552, 0.138570]),
    (50, [0.048851, 0.064914, 0.070274, 0.076710, 0.081200, 0.085285, 0.094093]),
    (100, [0.035462, 0.047153, 0.051128, 0.055802, 0.059024, 0.062043, 0.068448]),
    (200, [0.025584, 0.033997, 0.036842, 0.040273, 0.042686, 0.044959, 0.049720]),
    (500, [0.016452, 0.021878, 0.023729, 0.025920, 0.027452, 0.028899, 0.032017]),
    (1000, [0.011744, 0.015615, 0.016934, 0.018513, 0.019608, 0.020649, 0.022869]),
    (2000, [0.008356, 0.011102, 0.012038, 0.013172, 0.013966, 0.014689, 0.016269]),
    (5000, [0.005312, 0.007056, 0.007651, 0.008368, 0.008864, 0.009342, 0.010350]),
];

#[test]
fn p_values_agree_with_the_published_quantiles() {
    for (n, row) in PUBLISHED {
        for (statistic, p) in row.into_iter().zip([0.5, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001]) {
            let got = noctule::analysis::contrast::dip_tail(statistic, n);
            // Both tables are drawn at random: five standard errors of 100,000 draws, and 3 % for reading between rows.
            let allowed = 5.0 * (p * (1.0 - p) / 100_000.0f64).sqrt() + 0.03 * p;
            assert!((got - p).abs() < allowed, "n {n}, dip {statistic}: {got} against {p}");
        }
    }
}
