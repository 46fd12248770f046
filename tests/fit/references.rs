//! Own models beside scipy 1.x (`least_squares`) and statsmodels (`RLM`): `tests/data/make_fit_references.py` made the
//! reference values.

use noctule::analysis::fit::{self, Fit, Function, Noise, Options, Set, Shape, Spectrum};
use noctule::analysis::formula::{Formula, Path};
use serde_json::Value;

fn references() -> Value {
    let path = format!("{}/tests/data/fit_references.json", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

const NAMES: [&str; 5] = ["a", "b", "c", "d", "e"];

/// Largest difference of values in errors, and of errors in parts of them.
fn apart(fit: &Fit, values: &[f64], errors: &[f64], names: &[String]) -> (f64, f64) {
    let mut worst = (0.0_f64, 0.0_f64);
    for ((name, value), error) in names.iter().zip(values).zip(errors) {
        worst.0 = worst.0.max(((fit.value(name) - value) / error).abs());
        worst.1 = worst.1.max((fit.error(name) / error - 1.0).abs());
    }
    worst
}

#[test]
fn models_of_every_size_agree_with_scipy() {
    let all = references();
    for (k, model) in all["models"].as_array().unwrap().iter().enumerate() {
        let [x, y, start, values, errors] =
            ["x", "y", "start", "values", "errors"].map(|n| numbers(&model[n]));
        let formula = model["formula"].as_str().unwrap();
        let start: Vec<(&str, f64)> = NAMES.into_iter().zip(start).collect();
        let own: Vec<&str> = start.iter().map(|(n, _)| *n).collect();
        let read = Formula::parse(formula, &["x"], &own).unwrap();
        let by_formula = fit::formula(formula, &start, &[("x", &x)], &y).unwrap();
        let called = |row: &[f64], p: &[f64]| read.value(row, p);
        let by_call = fit::closure(called, &start, &[&x], &y, &Options::new()).unwrap();
        let names: Vec<String> = own.iter().map(|n| (*n).to_owned()).collect();
        for fitted in [by_formula, by_call] {
            assert!(fitted.trusted(), "{k} {formula}: {:?}", fitted.doubts);
            let (value, error) = apart(&fitted, &values, &errors, &names);
            assert!(value < 1e-4 && error < 1e-3, "{k} {formula}: {value:e} errors, errors by {error:e}");
        }
    }
}

#[test]
fn eight_spectra_with_a_common_width_agree_with_scipy() {
    let all = references();
    let eight = &all["eight"];
    let x: Vec<f64> = numbers(&eight["x_mhz"]).iter().map(|x| 1e6 * x).collect();
    let spectra: Vec<Vec<f64>> = eight["y_fa"]
        .as_array()
        .unwrap()
        .iter()
        .map(|y| numbers(y).iter().map(|y| 1e-15 * y).collect())
        .collect();
    let columns = [x.as_slice()];
    let sets: Vec<Set<'_>> = spectra.iter().map(|y| Set { columns: &columns, y, sigmas: &[] }).collect();
    let own = ["w", "q", "c", "h", "o"];
    let formula = Formula::parse("o+h*(1+q*2*(x-c)/w)/(1+(2*(x-c)/w)^2)", &["x"], &own).unwrap();
    let start: Vec<(&str, f64)> = own.into_iter().zip([12e6, 0.0, 0.0, 80e-15, 0.0]).collect();
    let mut options = Options::new();
    for (k, centre) in numbers(&eight["starts_mhz"]).iter().enumerate() {
        options = options.start(&format!("c@{}", k + 1), 1e6 * centre);
    }
    let each = (1..=8).flat_map(|k| ["c", "h", "o"].map(|n| format!("{n}@{k}")));
    let names: Vec<String> = ["w", "q"].map(str::to_owned).into_iter().chain(each).collect();
    let (values, errors) = (numbers(&eight["values"]), numbers(&eight["errors"]));
    struct Called(Formula);
    impl Function for Called {
        fn value(&mut self, _: usize, row: &[f64], p: &[f64]) -> f64 {
            self.0.value(row, p)
        }
    }
    let functions: [&mut dyn Function; 2] = [&mut Path::from(&formula), &mut Called(formula.clone())];
    for function in functions {
        let fitted = fit::own(function, &start, &sets, &["w", "q"], &options).unwrap();
        assert!(fitted.trusted(), "{:?}", fitted.doubts);
        let (value, error) = apart(&fitted, &values, &errors, &names);
        println!("eight spectra: {value:.1e} errors from scipy, errors by {error:.1e}");
        assert!(value < 1e-4 && error < 1e-3, "{value:e} {error:e}");
    }
    // The built-in shape has a slope besides; held at nothing it is the same model.
    let all: Vec<Spectrum<'_>> = spectra.iter().map(|y| Spectrum { x: &x, y, sigmas: &[] }).collect();
    let built_in =
        fit::global(Shape::Fano, &all, &["width", "asymmetry"], &Options::new().fix("slope", 0.0)).unwrap();
    let names: Vec<String> = names
        .iter()
        .map(|n| n.replace('w', "width").replace('q', "asymmetry"))
        .map(|n| n.replace("c@", "centre@").replace("h@", "height@").replace("o@", "offset@"))
        .collect();
    let (value, error) = apart(&built_in, &values, &errors, &names);
    assert!(value < 1e-4 && error < 1e-3, "built in: {value:e} {error:e}");
}

#[test]
fn points_far_off_count_less_as_in_statsmodels() {
    let all = references();
    let [x, y, values, errors] = ["x", "y", "values", "errors"].map(|n| numbers(&all["outliers"][n]));
    let options = Options::new().noise(Noise::Outliers);
    let names = ["offset", "slope"].map(str::to_owned);
    let line = fit::line(&x, &y, &options).unwrap();
    let (value, error) = apart(&line, &values, &errors, &names);
    println!("outliers: {value:.1e} errors from statsmodels, errors by {error:.3}");
    // The mean of the weights stands for their places in the covariance: some per cent.
    assert!(value < 1e-5 && error < 0.1, "{value:e} {error:e}");
    let start = [("offset", 0.0), ("slope", 1.0)];
    let own = fit::formula_with("offset+slope*x", &start, &[("x", &x)], &y, &options).unwrap();
    assert!(own.trusted() && line.trusted(), "{:?} {:?}", own.doubts, line.doubts);
    let (value, error) = apart(&own, &line.values(), &errors, &names);
    assert!(
        value < 1e-6 && (own.error("slope") / line.error("slope") - 1.0).abs() < 1e-6,
        "{value:e} {error:e}"
    );
}

#[test]
fn errors_in_slow_noise_are_the_same_for_own_and_built_in_models() {
    // Noise that forgets by 0.8 from point to point, from a fixed generator.
    let mut state = 12345_u64;
    let mut uniform = || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    };
    let (mut noise, mut y) = (0.0, Vec::new());
    let x: Vec<f64> = (0..300).map(f64::from).collect();
    for x in &x {
        noise = 0.8 * noise + uniform();
        y.push(2.0 + 0.01 * x + noise);
    }
    let options = Options::new().noise(Noise::Slow);
    let line = fit::line(&x, &y, &options).unwrap();
    let start = [("offset", 1.0), ("slope", 0.0)];
    let own = fit::formula_with("offset+slope*x", &start, &[("x", &x)], &y, &options).unwrap();
    let white = fit::line(&x, &y, &Options::new()).unwrap();
    assert!(line.slow_noise && own.slow_noise);
    assert!((own.error("slope") / line.error("slope") - 1.0).abs() < 1e-6);
    // An error of independent noise would be too small by sqrt((1 + 0.8)/(1 - 0.8)) = 3.
    let ratio = line.error("slope") / white.error("slope");
    assert!((2.0..4.5).contains(&ratio), "{ratio}");
}

#[test]
fn parameters_are_held_bounded_and_shared_by_their_own_names() {
    let x: Vec<f64> = (0..60).map(|i| 0.1 * f64::from(i)).collect();
    let curve = |h: f64| -> Vec<f64> { x.iter().map(|x| h * (-x / 2.0).exp() + 0.5).collect() };
    let (a, b) = (curve(1.0), curve(3.0));
    let columns = [x.as_slice()];
    let sets = [&a, &b].map(|y| Set { columns: &columns, y, sigmas: &[] });
    let formula = Formula::parse("h*exp(-x/t)+o", &["x"], &["h", "t", "o"]).unwrap();
    let start = [("h", 2.0), ("t", 1.0), ("o", 0.0)];
    let options = Options::new().fix("o", 0.5).bound("h", 0.0, 2.5);
    let fitted = fit::own(&mut Path::from(&formula), &start, &sets, &["t"], &options).unwrap();
    assert!(fitted.parameter("o@2").unwrap().fixed && fitted.error("o@1") == 0.0);
    assert_eq!(fitted.value("h@2"), 2.5);
    assert!(
        fitted.words().iter().any(|word| word.contains("`h@2` ended at its bound")),
        "{:?}",
        fitted.words()
    );
}
