//! Formulas given as text: read, checked by name, and evaluated with exact derivatives by each parameter.
//!
//! A formula is made of numbers, named columns, named parameters, `pi`, the operators `+ - * / ^` (`**` is the
//! same as `^`; powers bind from the right and stronger than a leading minus), parentheses, and the functions
//! `exp ln log10 sqrt abs sin cos tan asin acos atan sinh cosh tanh`.
//!
//! ```
//! use noctule::analysis::formula::Formula;
//! let formula = Formula::parse("b1*(1-exp(-b2*x))", &["x"], &["b1", "b2"]).unwrap();
//! assert_eq!(formula.at(0.0, &[3.0, 1.0]), Some(0.0));
//! let error = Formula::parse("b1*(1-exp(-b2*x)", &["x"], &["b1", "b2"]).unwrap_err();
//! assert_eq!(error.to_string(), "at character 17 of the formula: `)` is missing");
//! ```

mod parse;
mod path;
mod tape;
mod token;

pub use path::{Comparison, Path, Recorder};
pub use tape::{Binary, Unary};

use serde::Serialize;
use thiserror::Error;

use tape::{Scratch, Tape};

/// What is wrong with a formula, and where.
#[derive(Debug, Clone, PartialEq, Eq, Error, Serialize)]
#[error("at character {position} of the formula: {message}")]
pub struct FormulaError {
    /// Place in the text, counted in characters from 1.
    pub position: usize,
    /// What is wrong there.
    pub message: String,
}

/// A formula that has been read and whose names are all known.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Formula {
    text: String,
    columns: Vec<String>,
    parameters: Vec<String>,
    #[serde(skip)]
    tape: Tape,
}

impl Formula {
    /// Reads a formula of named columns (predictors) and named parameters.
    ///
    /// # Errors
    /// [`FormulaError`] for text that is not a formula, unknown names, and names given twice.
    pub fn parse(text: &str, columns: &[&str], parameters: &[&str]) -> Result<Self, FormulaError> {
        let names: Vec<&str> = columns.iter().chain(parameters).copied().collect();
        for (i, name) in names.iter().enumerate() {
            if *name == "pi" || parse::function(name).is_some() || names[..i].contains(name) {
                let message = format!("`{name}` cannot be the name of a column or parameter: it is taken");
                return Err(FormulaError { position: 1, message });
            }
        }
        let tape = parse::parse(text, columns, parameters)?;
        let owned = |names: &[&str]| names.iter().map(|n| (*n).to_owned()).collect();
        Ok(Self { text: text.to_owned(), columns: owned(columns), parameters: owned(parameters), tape })
    }

    /// The text it was read from.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Names of the columns.
    pub fn columns(&self) -> &[String] {
        &self.columns
    }

    /// Names of the parameters.
    pub fn parameters(&self) -> &[String] {
        &self.parameters
    }

    /// Parameters that the formula does not use, which no fit can determine.
    pub fn unused(&self) -> Vec<&str> {
        let used = |j: usize| self.tape.uses_parameter(j);
        self.parameters.iter().enumerate().filter(|(j, _)| !used(*j)).map(|(_, n)| n.as_str()).collect()
    }

    /// Value for one row of columns.
    ///
    /// # Panics
    /// If the row or the parameters are not as many as the formula has.
    pub fn value(&self, row: &[f64], parameters: &[f64]) -> f64 {
        assert!(row.len() == self.columns.len(), "one value for each column");
        assert!(parameters.len() == self.parameters.len(), "one value for each parameter");
        let mut scratch = Scratch::default();
        self.tape.forward(row, parameters, &mut scratch);
        scratch.results.last().copied().unwrap_or(f64::NAN)
    }

    /// Value of a formula of one column; `None` if it has more.
    pub fn at(&self, x: f64, parameters: &[f64]) -> Option<f64> {
        (self.columns.len() <= 1).then(|| self.value(&[x][..self.columns.len()], parameters))
    }

    /// Value for one row, with the exact derivative by each parameter written to `gradient`.
    ///
    /// # Panics
    /// If the row, the parameters or the gradient are not as many as the formula has.
    pub fn with_gradient(&self, row: &[f64], parameters: &[f64], gradient: &mut [f64]) -> f64 {
        assert!(row.len() == self.columns.len(), "one value for each column");
        assert!(parameters.len() == self.parameters.len(), "one value for each parameter");
        assert!(gradient.len() == parameters.len(), "one derivative for each parameter");
        let mut scratch = Scratch::default();
        self.tape.forward(row, parameters, &mut scratch);
        self.tape.backward(self.tape.last(), &mut scratch, gradient);
        scratch.results.last().copied().unwrap_or(f64::NAN)
    }
}

impl From<&Formula> for Path {
    /// The formula as a way that hangs on no comparison.
    fn from(formula: &Formula) -> Self {
        Path::straight(formula.tape.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> f64 {
        Formula::parse(text, &["x"], &["b1"]).unwrap().value(&[2.0], &[3.0])
    }

    #[test]
    fn operators_bind_as_on_paper() {
        assert_eq!(value("1+2*3^2"), 19.0);
        assert_eq!(value("-x^2"), -4.0);
        assert_eq!(value("2^-x"), 0.25);
        assert_eq!(value("2^3^2"), 512.0);
        assert_eq!(value("2**3"), 8.0);
        assert_eq!(value("8/2/2"), 2.0);
        assert_eq!(value("1-2-3"), -4.0);
        assert_eq!(value("--1"), 1.0);
        assert_eq!(value("(1+b1)*x"), 8.0);
        assert_eq!(value("1.5e1 + .5 + 2."), 17.5);
        assert_eq!(value("cos(pi)"), -1.0);
    }

    #[test]
    fn mistakes_are_named_with_their_place() {
        let message = |text: &str| Formula::parse(text, &["x"], &["b1"]).unwrap_err().to_string();
        assert_eq!(
            message("b1*q"),
            "at character 4 of the formula: `q` is not known here; columns and parameters are x, b1"
        );
        assert_eq!(message("2x"), "at character 2 of the formula: an operator is missing here");
        assert_eq!(message("x)"), "at character 2 of the formula: this `)` closes nothing");
        assert_eq!(message("exp x"), "at character 5 of the formula: `(` is missing");
        assert_eq!(message(""), "at character 1 of the formula: the formula ends where a value is expected");
        assert_eq!(message("x*/2"), "at character 3 of the formula: a value is missing here");
        assert_eq!(
            message("log(x)"),
            "at character 1 of the formula: `log` is ambiguous: write `ln` or `log10`"
        );
        assert_eq!(message("x§"), "at character 2 of the formula: `§` has no meaning in a formula");
        assert!(message(&"(".repeat(5000)).contains("nested too deeply"));
        assert!(message(&"-".repeat(5000)).contains("nested too deeply"));
        assert!(Formula::parse("x", &["x"], &["x"]).is_err());
        assert!(Formula::parse("x", &["x"], &["exp"]).is_err());
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let texts = [
            "a*exp(-b*x) + c",
            "a^b*x",
            "x^(a/b)",
            "ln(a*x)/log10(b+x)",
            "sqrt(a+x)*abs(b-c)",
            "sin(a*x)*cos(b)-tan(c*0.1)",
            "asin(a/9)+acos(b/9)*atan(c)",
            "sinh(a/x)-cosh(b/3)*tanh(c)",
            "(a-x)^2/(b+c^3)",
            "-(a*b)^-1.5",
        ];
        for text in texts {
            let formula = Formula::parse(text, &["x"], &["a", "b", "c"]).unwrap();
            let p = [1.7, 2.3, 0.6];
            let mut gradient = [0.0; 3];
            formula.with_gradient(&[1.3], &p, &mut gradient);
            for j in 0..3 {
                let (mut low, mut high) = (p, p);
                low[j] -= 1e-6;
                high[j] += 1e-6;
                let slope = (formula.value(&[1.3], &high) - formula.value(&[1.3], &low)) / 2e-6;
                assert!((slope - gradient[j]).abs() < 1e-7, "{text} by {j}");
            }
        }
    }

    #[test]
    fn unused_parameters_are_found() {
        assert_eq!(Formula::parse("a*x", &["x"], &["a", "b"]).unwrap().unused(), ["b"]);
    }
}
