//! Tables of a sequence beside plain loops over the same numbers, in one run: `cargo bench --bench bench_tables` prints how
//! many times as long each takes.

use noctule::quantity::{Dimension, Quantity};
use noctule::script::numbers::{Numbers, Operation};
use noctule::script::table::{Column, Table};
use std::hint::black_box;
use std::time::Instant;

const ROWS: usize = 1_000_000;
const TURNS: usize = 15;

/// Median time of a piece of work, ms.
fn median_ms<T>(mut work: impl FnMut() -> T) -> f64 {
    let one = |_| {
        let begun = Instant::now();
        black_box(work());
        begun.elapsed().as_secs_f64() * 1e3
    };
    let mut times: Vec<f64> = (0..TURNS).map(one).collect();
    times.sort_by(f64::total_cmp);
    times[TURNS / 2]
}

fn tell<A, B>(what: &str, table: impl FnMut() -> A, plain: impl FnMut() -> B) {
    let (table, plain) = (median_ms(table), median_ms(plain));
    println!("{what}, {ROWS} rows: {table:.3} ms, {:.2} times a plain loop of {plain:.3} ms", table / plain);
}

fn columns(seed: u32) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let row = |of: &dyn Fn(u32) -> f64| (0..ROWS as u32).map(of).collect::<Vec<f64>>();
    (row(&f64::from), row(&|i| f64::from(i.wrapping_mul(seed) % 1000)), row(&|i| 1.0 + f64::from(i % 7)))
}

fn table(seed: u32, errors: bool) -> Table {
    let (x, y, e) = columns(seed);
    let y = Numbers::new(y, Dimension::CURRENT);
    let y = if errors { y.with_errors(e) } else { y };
    Table::new(vec![Column::new("t", Numbers::new(x, Dimension::TIME)), Column::new("i", y)], 1).unwrap()
}

fn main() {
    let (x, y, e) = columns(7919);
    let (_, z, f) = columns(104_729);
    let pairs = || y.iter().zip(&z);
    let (bare, other) = (table(7919, false), table(104_729, false));
    let (erring, erring_other) = (table(7919, true), table(104_729, true));

    let made = || {
        let column = |name: &str, values: &[f64], of| Column::new(name, Numbers::new(values.to_vec(), of));
        Table::new(vec![column("t", &x, Dimension::TIME), column("i", &y, Dimension::CURRENT)], 1)
    };
    tell("make", made, || (x.to_vec(), y.to_vec()));

    let ends = [2e5, 8e5].map(|s| Quantity::new(s, Dimension::TIME));
    let inside = || {
        let kept = |values: &[f64]| {
            values
                .iter()
                .zip(&x)
                .filter(|(_, t)| (2e5..=8e5).contains(*t))
                .map(|(v, _)| *v)
                .collect::<Vec<f64>>()
        };
        (kept(&x), kept(&y))
    };
    tell("slice by values", || bare.within("t", ends[0], ends[1]), inside);
    tell(
        "slice by rows",
        || bare.part(200_000, 800_001),
        || (x[200_000..800_001].to_vec(), y[200_000..800_001].to_vec()),
    );

    let difference = || pairs().map(|(a, b)| a - b).collect::<Vec<f64>>();
    tell("subtract", || bare.combined(Operation::Minus, &other), difference);
    let with_errors = || (difference(), e.iter().zip(&f).map(|(a, b)| a.hypot(*b)).collect::<Vec<f64>>());
    tell("subtract with errors", || erring.combined(Operation::Minus, &erring_other), with_errors);

    let mean = || pairs().map(|(a, b)| 0.5 * (a + b)).collect::<Vec<f64>>();
    tell("average", || Table::average(&[bare.clone(), other.clone()], None), mean);
    let weighted = || {
        let one = |i: usize| {
            let (a, b) = (1.0 / (e[i] * e[i]), 1.0 / (f[i] * f[i]));
            ((a * y[i] + b * z[i]) / (a + b), (1.0 / (a + b)).sqrt())
        };
        (0..ROWS).map(one).unzip::<f64, f64, Vec<f64>, Vec<f64>>()
    };
    tell("average by errors", || Table::average(&[erring.clone(), erring_other.clone()], None), weighted);
    tell("mean of a column", || bare.column("i").unwrap().mean(), || y.iter().sum::<f64>() / ROWS as f64);
}
