//! Fits of user formulas against the certified values of the NIST Statistical Reference Datasets for nonlinear
//! regression, from both official starting points of each data set. The files in `tests/data/nist` hold the
//! certified numbers and the data; run with `--nocapture` for the table of digits reached.
//!
//! Wanted are six significant digits in every parameter and five in every standard deviation. One exception:
//! the residuals of Lanczos1 are rounding of its data in the fourteenth digit, so its certified sum of squares
//! and standard deviations lie below what double precision resolves from eleven-digit parameters; it is compared by
//! its parameters.

use noctule::analysis::fit::{self, Fit};

struct Certified {
    name: String,
    formula: String,
    columns: Vec<(String, Vec<f64>)>,
    y: Vec<f64>,
    /// Name, two starts, value, standard deviation.
    parameters: Vec<(String, [f64; 4])>,
    residual_sum_of_squares: f64,
    residual_standard_deviation: f64,
    degrees_of_freedom: usize,
}

fn number(text: &str) -> f64 {
    text.parse().unwrap_or_else(|_| panic!("{text} is not a number"))
}

fn read(name: &str) -> Certified {
    let path = format!("{}/tests/data/nist/{name}.dat", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap();
    let (head, data) = text.split_once("\ndata\n").unwrap();
    let field = |key: &str| {
        head.lines().find_map(|l| l.strip_prefix(key)).unwrap_or_else(|| panic!("{key} in {name}")).trim()
    };
    let names: Vec<&str> = field("columns ").split_whitespace().collect();
    let rows: Vec<Vec<f64>> = data.lines().map(|l| l.split_whitespace().map(number).collect()).collect();
    let column = |k: usize| rows.iter().map(|r| r[k]).collect::<Vec<f64>>();
    let y = column(0);
    let y = if field("response ") == "ln y" { y.iter().map(|v| v.ln()).collect() } else { y };
    let parameters = head
        .lines()
        .filter_map(|l| l.strip_prefix("parameter "))
        .map(|l| {
            let words: Vec<&str> = l.split_whitespace().collect();
            (words[0].to_owned(), [1, 2, 3, 4].map(|k| number(words[k])))
        })
        .collect();
    Certified {
        name: name.to_owned(),
        formula: field("formula ").to_owned(),
        columns: (1..names.len()).map(|k| (names[k].to_owned(), column(k))).collect(),
        y,
        parameters,
        residual_sum_of_squares: number(field("residual_sum_of_squares ")),
        residual_standard_deviation: number(field("residual_standard_deviation ")),
        degrees_of_freedom: number(field("degrees_of_freedom ")) as usize,
    }
}

impl Certified {
    fn fit(&self, start: usize, closure: bool) -> Fit {
        let starts: Vec<(&str, f64)> = self.parameters.iter().map(|(n, v)| (n.as_str(), v[start])).collect();
        let columns: Vec<(&str, &[f64])> =
            self.columns.iter().map(|(n, v)| (n.as_str(), v.as_slice())).collect();
        if !closure {
            return fit::formula(&self.formula, &starts, &columns, &self.y).unwrap();
        }
        // The same model as a function that can only be called.
        let names: Vec<&str> = columns.iter().map(|(n, _)| *n).collect();
        let own: Vec<&str> = starts.iter().map(|(n, _)| *n).collect();
        let formula = noctule::analysis::formula::Formula::parse(&self.formula, &names, &own).unwrap();
        let slices: Vec<&[f64]> = columns.iter().map(|(_, v)| *v).collect();
        let model = |row: &[f64], p: &[f64]| formula.value(row, p);
        fit::closure(model, &starts, &slices, &self.y, &fit::Options::new()).unwrap()
    }
}

/// Significant digits in which a value agrees with the certified one, which has eleven.
fn digits(value: f64, certified: f64) -> f64 {
    let off = ((value - certified) / certified).abs();
    if off == 0.0 { 11.0 } else { (-off.log10()).clamp(0.0, 11.0) }
}

const SETS: [&str; 27] = [
    "Misra1a", "Chwirut2", "Chwirut1", "Lanczos3", "Gauss1", "Gauss2", "DanWood", "Misra1b", "Kirby2",
    "Hahn1", "Nelson", "MGH17", "Lanczos1", "Lanczos2", "Gauss3", "Misra1c", "Misra1d", "Roszman1", "ENSO",
    "MGH09", "Thurber", "BoxBOD", "Rat42", "MGH10", "Eckerle4", "Rat43", "Bennett5",
];

fn compare(closure: bool) {
    let mut short = Vec::new();
    println!(
        "{:<10} {:>5} {:>10} {:>8} {:>8} {:>8} {:>10}",
        "set", "start", "parameters", "errors", "sum", "sd", "iterations"
    );
    for name in SETS {
        let set = read(name);
        assert_eq!(set.y.len(), set.degrees_of_freedom + set.parameters.len(), "{name} is whole");
        for start in 0..2 {
            let fit = set.fit(start, closure);
            let least = |f: &dyn Fn(usize) -> f64| (0..set.parameters.len()).map(f).fold(11.0, f64::min);
            let values = least(&|j| digits(fit.parameters[j].value, set.parameters[j].1[2]));
            let errors = least(&|j| digits(fit.parameters[j].standard_error, set.parameters[j].1[3]));
            let sum = digits(fit.residual_sum_of_squares, set.residual_sum_of_squares);
            let sd = digits(fit.residual_standard_deviation, set.residual_standard_deviation);
            println!(
                "{:<10} {:>5} {values:>10.1} {errors:>8.1} {sum:>8.1} {sd:>8.1} {:>10} {}",
                set.name,
                start + 1,
                fit.iterations,
                if fit.converged { "" } else { "not converged" }
            );
            assert_eq!(fit.degrees_of_freedom, set.degrees_of_freedom, "{name}");
            let exempt = name == "Lanczos1";
            if values < 6.0 || (!exempt && (errors < 5.0 || sd < 5.0 || sum < 5.0)) || !fit.converged {
                short.push(format!("{name} from start {}", start + 1));
            }
        }
    }
    assert!(short.is_empty(), "below six digits in parameters or five in standard deviations: {short:?}");
}

#[test]
fn formulas_reach_the_certified_values() {
    compare(false);
}

#[test]
fn closures_reach_the_certified_values_with_derivatives_by_differences() {
    compare(true);
}
