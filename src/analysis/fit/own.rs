//! Fits of the user's own models: a formula given as text, or a closure.

use super::differences::Differences;
use super::finish::Solution;
use super::general::{self, Curves, Precision};
use super::{Fit, FitError, Options, prepare};
use crate::analysis::formula::Formula;
use crate::analysis::model::Model;

/// Fits a formula of named columns; the parameters are the names given with their starting values.
///
/// Derivatives are exact. Errors are those of independent noise, as usual for least squares; a pattern in the residuals is a
/// doubt. Fixed parameters, bounds and sigmas are taken
/// from the options of [`formula_with`].
///
/// # Errors
/// [`FitError`], with [`FitError::Formula`] for text that is not a formula of these names.
///
/// ```
/// use noctule::analysis::fit;
/// let x = [1.0, 2.0, 3.0, 4.0, 5.0];
/// let y = [2.7, 7.4, 20.1, 54.6, 148.4];
/// let fit = fit::formula("a*exp(b*x)", &[("a", 0.5), ("b", 0.8)], &[("x", &x)], &y).unwrap();
/// assert!((fit.value("b") - 1.0).abs() < 1e-3);
/// ```
pub fn formula(
    formula: &str,
    start: &[(&str, f64)],
    columns: &[(&str, &[f64])],
    y: &[f64],
) -> Result<Fit, FitError> {
    formula_with(formula, start, columns, y, &Options::new())
}

/// As [`formula`](fn@formula), with options.
///
/// # Errors
/// As [`formula`](fn@formula).
pub fn formula_with(
    formula: &str,
    start: &[(&str, f64)],
    columns: &[(&str, &[f64])],
    y: &[f64],
    options: &Options,
) -> Result<Fit, FitError> {
    let column_names: Vec<&str> = columns.iter().map(|(n, _)| *n).collect();
    let names: Vec<&str> = start.iter().map(|(n, _)| *n).collect();
    let read = Formula::parse(formula, &column_names, &names).map_err(FitError::Formula)?;
    if let Some(name) = read.unused().first() {
        return Err(FitError::BadSetting {
            message: format!("the formula does not use the parameter `{name}`"),
        });
    }
    let slices: Vec<&[f64]> = columns.iter().map(|(_, c)| *c).collect();
    let values = check(start, &slices, y, options)?;
    let mut curve = FormulaCurve { formula: &read, columns: &slices, row: Vec::new(), gradient: Vec::new() };
    let names: Vec<String> = read.parameters().to_vec();
    let found = general::minimise(&mut curve, y, &names, &values, options, general::Effort::Patient)?;
    Ok(solution(Model::Formula(read.clone()), found, &slices, y).finish(options))
}

/// Fits a closure of one row of predictors and the parameters, such as `|x, p| p[0] * (p[1] * x[0]).exp()`.
///
/// `start` names the parameters with their starting values; `columns` are the predictors. Derivatives are taken by
/// differences, with steps that are found by trying, so a parameter may have any size and may begin at zero. A closure that
/// cannot answer gives not-a-number, and the step there is refused.
///
/// # Errors
/// [`FitError`].
///
/// ```
/// use noctule::analysis::fit::{self, Options};
/// let x = [1.0, 2.0, 3.0, 4.0];
/// let y = [3.1, 4.9, 7.0, 9.1];
/// let model = |x: &[f64], p: &[f64]| p[0] + p[1] * x[0];
/// let fit = fit::closure(model, &[("a", 1.0), ("b", 1.0)], &[&x], &y, &Options::new()).unwrap();
/// assert!((fit.value("b") - 2.01).abs() < 1e-9);
/// ```
pub fn closure(
    model: impl Fn(&[f64], &[f64]) -> f64,
    start: &[(&str, f64)],
    columns: &[&[f64]],
    y: &[f64],
    options: &Options,
) -> Result<Fit, FitError> {
    let values = check(start, columns, y, options)?;
    let names: Vec<String> = start.iter().map(|(n, _)| (*n).to_owned()).collect();
    for (i, name) in names.iter().enumerate() {
        if names[..i].contains(name) {
            return Err(FitError::BadSetting { message: format!("the parameter `{name}` is named twice") });
        }
    }
    let mut curve =
        ClosureCurve { model: &model, columns, points: y.len(), differences: Differences::default() };
    let found = general::minimise(&mut curve, y, &names, &values, options, general::Effort::Patient)?;
    Ok(solution(Model::Closure { parameters: names }, found, columns, y).finish(options))
}

fn check(
    start: &[(&str, f64)],
    columns: &[&[f64]],
    y: &[f64],
    options: &Options,
) -> Result<Vec<f64>, FitError> {
    if y.is_empty() {
        return Err(FitError::Empty);
    }
    prepare::check_values(y)?;
    for column in columns {
        prepare::check_columns(column, y, &[])?;
    }
    prepare::check_sigmas(y.len(), &options.sigmas)?;
    if start.is_empty() {
        return Err(FitError::NothingFree);
    }
    match start.iter().find(|(_, v)| !v.is_finite()) {
        Some((name, _)) => Err(FitError::BadValue { name: (*name).to_owned() }),
        None => Ok(start.iter().map(|(_, v)| *v).collect()),
    }
}

fn solution(model: Model, found: general::Minimum, columns: &[&[f64]], y: &[f64]) -> Solution {
    // With several predictors there is no one order; the points are then taken as they came.
    let order = if columns.len() == 1 { general::rising(columns[0]) } else { None };
    Solution {
        model,
        values: found.values,
        inverse: found.inverse,
        converged: found.converged,
        iterations: found.iterations,
        deviations: found.deviations,
        order,
        magnitude: general::magnitude(y),
        doubts: Vec::new(),
    }
}

struct FormulaCurve<'a> {
    formula: &'a Formula,
    columns: &'a [&'a [f64]],
    row: Vec<f64>,
    gradient: Vec<f64>,
}

impl FormulaCurve<'_> {
    fn fill_row(&mut self, i: usize) {
        self.row.clear();
        self.row.extend(self.columns.iter().map(|c| c[i]));
    }
}

impl Curves for FormulaCurve<'_> {
    fn values(&mut self, p: &[f64], out: &mut [f64]) {
        for (i, out) in out.iter_mut().enumerate() {
            self.fill_row(i);
            *out = self.formula.value(&self.row, p);
        }
    }

    fn derivatives(&mut self, p: &[f64], _wanted: &[bool], _precision: Precision, columns: &mut [Vec<f64>]) {
        self.gradient.resize(p.len(), 0.0);
        let points = columns.first().map_or(0, Vec::len);
        for i in 0..points {
            self.fill_row(i);
            self.formula.with_gradient(&self.row, p, &mut self.gradient);
            for (column, g) in columns.iter_mut().zip(&self.gradient) {
                column[i] = *g;
            }
        }
    }
}

struct ClosureCurve<'a, F> {
    model: &'a F,
    columns: &'a [&'a [f64]],
    points: usize,
    differences: Differences,
}

impl<F: Fn(&[f64], &[f64]) -> f64> Curves for ClosureCurve<'_, F> {
    fn values(&mut self, p: &[f64], out: &mut [f64]) {
        assert!(out.len() == self.points, "one value for each point");
        let mut row = vec![0.0; self.columns.len()];
        for (i, out) in out.iter_mut().enumerate() {
            for (entry, column) in row.iter_mut().zip(self.columns) {
                *entry = column[i];
            }
            *out = (self.model)(&row, p);
        }
    }

    fn derivatives(&mut self, p: &[f64], wanted: &[bool], precision: Precision, columns: &mut [Vec<f64>]) {
        let mut differences = std::mem::take(&mut self.differences);
        differences.derivatives(p, wanted, precision, columns, |p, out| self.values(p, out));
        self.differences = differences;
    }
}
