//! Fits of the user's own models: a formula given as text, a closure, or a function with derivatives.

use super::global::places;
use super::sets::{Function, Joined, Set, check_sets, check_shared};
use super::{Fit, FitError, Options};
use crate::analysis::formula::{Formula, Path};
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
    let set = Set { columns: &slices, y, sigmas: &options.sigmas };
    let mut path = Path::from(&read);
    fit_sets(Model::Formula(read), &mut path, start, &[set], &[], options)
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
/// use noctule::analysis::fit;
/// let x = [1.0, 2.0, 3.0, 4.0];
/// let y = [3.1, 4.9, 7.0, 9.1];
/// let model = |x: &[f64], p: &[f64]| p[0] + p[1] * x[0];
/// let options = fit::Options::new();
/// let fit = fit::closure(model, &[("a", 1.0), ("b", 1.0)], &[&x], &y, &options).unwrap();
/// assert!((fit.value("b") - 2.01).abs() < 1e-9);
/// ```
pub fn closure(
    model: impl Fn(&[f64], &[f64]) -> f64,
    start: &[(&str, f64)],
    columns: &[&[f64]],
    y: &[f64],
    options: &Options,
) -> Result<Fit, FitError> {
    own(&mut Called(model), start, &[Set { columns, y, sigmas: &options.sigmas }], &[], options)
}

/// Fits a function to one or several sets of data, with the named parameters common to all.
///
/// With one set the parameters have their own names. With several, those that are shared do; the others are named `centre@1`
/// for the first set and so on. What the options say of `centre` holds for `centre` of every set. Sigmas are those of the
/// sets.
///
/// # Errors
/// [`FitError`].
///
/// ```
/// use noctule::analysis::fit::{self, Function, Options, Set};
/// struct Falling;
/// impl Function for Falling {
///     fn value(&mut self, _: usize, row: &[f64], p: &[f64]) -> f64 {
///         p[0] * (-row[0] / p[1]).exp()
///     }
/// }
/// let t: Vec<f64> = (0..40).map(|i| 0.1 * f64::from(i)).collect();
/// let falling = |height: f64| -> Vec<f64> { t.iter().map(|t| height * (-t / 0.7).exp()).collect() };
/// let (a, b) = (falling(2.0), falling(5.0));
/// let columns = [t.as_slice()];
/// let sets = [&a, &b].map(|y| Set { columns: &columns, y, sigmas: &[] });
/// let start = [("height", 1.0), ("time", 1.0)];
/// let fit = fit::own(&mut Falling, &start, &sets, &["time"], &Options::new()).unwrap();
/// assert!((fit.value("time") - 0.7).abs() < 1e-9 && (fit.value("height@2") - 5.0).abs() < 1e-9);
/// ```
pub fn own(
    function: &mut dyn Function,
    start: &[(&str, f64)],
    sets: &[Set<'_>],
    shared: &[&str],
    options: &Options,
) -> Result<Fit, FitError> {
    let parameters: Vec<String> = start.iter().map(|(n, _)| (*n).to_owned()).collect();
    for (i, name) in parameters.iter().enumerate() {
        if parameters[..i].contains(name) {
            return Err(FitError::BadSetting { message: format!("the parameter `{name}` is named twice") });
        }
    }
    fit_sets(Model::Closure { parameters }, function, start, sets, shared, options)
}

fn fit_sets(
    model: Model,
    function: &mut dyn Function,
    start: &[(&str, f64)],
    sets: &[Set<'_>],
    shared: &[&str],
    options: &Options,
) -> Result<Fit, FitError> {
    check_sets(sets)?;
    if start.is_empty() {
        return Err(FitError::NothingFree);
    }
    if let Some((name, _)) = start.iter().find(|(_, v)| !v.is_finite()) {
        return Err(FitError::BadValue { name: (*name).to_owned() });
    }
    let own = model.names();
    check_shared(&own, shared)?;
    let values: Vec<f64> = start.iter().map(|(_, v)| *v).collect();
    if sets.len() == 1 {
        let joined = Joined { function, sets, places: vec![(0..own.len()).collect()] };
        return joined.fit(model, &values, options);
    }
    let shared: Vec<String> = shared.iter().map(|n| (*n).to_owned()).collect();
    let models = vec![model; sets.len()];
    let places = places(&models, &shared);
    let global = Model::Global { models, shared };
    let mut begin = vec![0.0; global.names().len()];
    for places in &places {
        for (place, value) in places.iter().zip(&values) {
            begin[*place] = *value;
        }
    }
    Joined { function, sets, places }.fit(global, &begin, options)
}

/// A model that can only be called.
struct Called<F>(F);

impl<F: Fn(&[f64], &[f64]) -> f64> Function for Called<F> {
    fn value(&mut self, _set: usize, row: &[f64], p: &[f64]) -> f64 {
        (self.0)(row, p)
    }
}

impl Function for Path {
    fn value(&mut self, _set: usize, row: &[f64], p: &[f64]) -> f64 {
        Path::value(self, row, p).unwrap_or(f64::NAN)
    }

    fn with_gradient(&mut self, _set: usize, row: &[f64], p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        Path::with_gradient(self, row, p, gradient)
    }
}
