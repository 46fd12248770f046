//! The user's own models: frequencies in hertz, currents in ampere, parameters of any size and at zero; by closure and by
//! formula, which have to agree.

use noctule::analysis::fit::{self, Fit, Options};
use noctule::analysis::formula::Formula;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// The same model as a formula and as a closure that can only be called.
fn both(formula: &str, start: &[(&str, f64)], x: &[f64], y: &[f64]) -> (Fit, Fit) {
    let names: Vec<&str> = start.iter().map(|s| s.0).collect();
    let read = Formula::parse(formula, &["x"], &names).unwrap();
    let closure =
        fit::closure(|row: &[f64], p: &[f64]| read.value(row, p), start, &[x], y, &Options::new()).unwrap();
    (fit::formula(formula, start, &[("x", x)], y).unwrap(), closure)
}

/// Largest difference of two fits in standard errors.
fn apart(a: &Fit, b: &Fit) -> f64 {
    let each = a.parameters.iter().zip(&b.parameters);
    each.map(|(a, b)| ((a.value - b.value) / a.standard_error).abs()).fold(0.0, f64::max)
}

#[test]
fn a_resonance_in_hertz_and_ampere_is_fitted_by_an_own_closure() {
    let formula = "o+s*(x-14.2e9)+h*(1+q*2*(x-c)/w)/(1+(2*(x-c)/w)^2)";
    let x: Vec<f64> = (0..401).map(|i| 14.0e9 + 1e6 * f64::from(i)).collect();
    for seed in 0..16 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (c, w) = (14.2e9 + rng.random_range(-80e6..80e6), rng.random_range(10e6..40e6));
        let q = rng.random_range(-0.8..0.8);
        let line = |x: f64| {
            let d = 2.0 * (x - c) / w;
            8e-13 + 3e-14 * (1.0 + q * d) / (1.0 + d * d)
        };
        let y: Vec<f64> = x.iter().map(|x| line(*x) + 3e-15 * normal(&mut rng)).collect();
        // Asymmetry and slope begin, and the slope ends, at nothing.
        let start = [("c", c + 0.3 * w), ("w", 1.4 * w), ("h", 2e-14), ("q", 0.0), ("o", 8e-13), ("s", 0.0)];
        let (formula, closure) = both(formula, &start, &x, &y);
        let built_in = fit::resonance(&x, &y, &Options::new()).unwrap();
        assert!(formula.trusted() && closure.trusted(), "{seed}: {:?} {:?}", formula.doubts, closure.doubts);
        assert!(apart(&formula, &closure) < 1e-6, "{seed}: {:e}", apart(&formula, &closure));
        for (own, name) in [("c", "centre"), ("w", "width"), ("h", "height"), ("q", "asymmetry")] {
            let off = (closure.value(own) - built_in.value(name)) / closure.error(own);
            assert!(off.abs() < 1e-6, "{seed}: {name} differs by {off:e} errors");
        }
    }
}

/// Shapes with their parameters in units of the ranges of x and y, as a formula.
fn model(which: u64, sx: f64, sy: f64, rng: &mut ChaCha8Rng) -> (&'static str, Vec<f64>) {
    let mut within = |low: f64, high: f64| rng.random_range(low..high);
    match which {
        0 => ("a*exp(-x/b)+c", vec![sy, sx * within(0.2, 0.6), sy * within(-1.0, 1.0)]),
        1 => (
            "a*exp(-((x-b)/c)^2/2)+d",
            vec![sy, sx * within(0.3, 0.7), sx * within(0.05, 0.2), sy * within(-0.5, 0.5)],
        ),
        2 => (
            "a/(1+((x-b)/c)^2)+d+e*x",
            vec![sy, sx * within(0.3, 0.7), sx * within(0.05, 0.2), 0.3 * sy, sy / sx * within(-0.3, 0.3)],
        ),
        3 => ("a*sin(b*x+c)+d", vec![sy, within(5.0, 12.0) / sx, within(-1.0, 1.0), sy * within(-1.0, 1.0)]),
        4 => ("a*x/(b+x)", vec![sy, sx * within(0.1, 0.8)]),
        5 => ("a+b*x+c*x^2", vec![sy, sy / sx * within(-2.0, 2.0), sy / sx / sx * within(-2.0, 2.0)]),
        6 => (
            "a*tanh((x-b)/c)+d",
            vec![sy, sx * within(0.3, 0.7), sx * within(0.05, 0.2), sy * within(-1.0, 1.0)],
        ),
        _ => (
            "a*exp(-x/b)+c*exp(-x/d)",
            vec![sy, sx * within(0.05, 0.1), sy * within(0.5, 1.0), sx * within(0.4, 0.9)],
        ),
    }
}

#[test]
fn two_hundred_models_with_parameters_of_every_size() {
    let (mut trusted, mut worst) = (0, 0.0_f64);
    for seed in 0..200 {
        let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed);
        let size = |rng: &mut ChaCha8Rng| 10_f64.powf(rng.random_range(-12.0..12.0));
        let (sx, sy) = (size(&mut rng), size(&mut rng));
        let points = rng.random_range(30..120);
        let (formula, truth) = model(seed % 8, sx, sy, &mut rng);
        let names = ["a", "b", "c", "d", "e"];
        let read = Formula::parse(formula, &["x"], &names[..truth.len()]).unwrap();
        let x: Vec<f64> = (1..=points).map(|i| sx * f64::from(i) / f64::from(points)).collect();
        let y: Vec<f64> =
            x.iter().map(|x| read.value(&[*x], &truth) + 0.02 * sy * normal(&mut rng)).collect();
        let start: Vec<(&str, f64)> =
            names.iter().zip(&truth).map(|(n, t)| (*n, t * rng.random_range(0.85..1.15))).collect();
        let (formula, closure) = both(formula, &start, &x, &y);
        trusted += usize::from(formula.trusted() && closure.trusted());
        worst = worst.max(apart(&formula, &closure));
    }
    println!("{trusted} of 200 fitted both ways, which differ by {worst:.1e} errors at most");
    assert!(trusted >= 198 && worst < 1e-6, "{trusted}, {worst:e}");
}

#[test]
fn a_parameter_that_is_zero_is_no_reason_for_distrust() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let x: Vec<f64> = (0..100).map(f64::from).collect();
    let y: Vec<f64> = x.iter().map(|x| 3.0 + 0.5 * x + 0.1 * normal(&mut rng)).collect();
    let (formula, closure) = both("a+b*x+c*x^2", &[("a", 1.0), ("b", 1.0), ("c", 0.0)], &x, &y);
    assert!(formula.trusted() && closure.trusted(), "{:?} {:?}", formula.doubts, closure.doubts);
    assert!(formula.value("c").abs() < 4.0 * formula.error("c"));
}
