//! Fits of a built-in model of one variable by the general solver.

use super::finish::Solution;
use super::general::{self, Curves, Minimum};
use super::{Doubt, Fit, FitError, Options, prepare};
use crate::analysis::model::Model;

/// A built-in model at given x.
pub(crate) struct ModelCurve<'a> {
    pub(crate) model: &'a Model,
    pub(crate) x: &'a [f64],
    gradient: Vec<f64>,
}

impl<'a> ModelCurve<'a> {
    pub(crate) fn new(model: &'a Model, x: &'a [f64]) -> Self {
        Self { model, x, gradient: vec![0.0; model.names().len()] }
    }
}

impl Curves for ModelCurve<'_> {
    fn values(&mut self, p: &[f64], out: &mut [f64]) {
        for (out, x) in out.iter_mut().zip(self.x) {
            *out = self.model.at(*x, p).unwrap_or(f64::NAN);
        }
    }

    fn derivatives(&mut self, p: &[f64], _wanted: &[bool], _fine: bool, columns: &mut [Vec<f64>]) {
        for (i, x) in self.x.iter().enumerate() {
            self.model.with_gradient(*x, p, &mut self.gradient);
            for (column, g) in columns.iter_mut().zip(&self.gradient) {
                column[i] = *g;
            }
        }
    }
}

/// Fits a model from the given starting points and keeps the best result.
pub(crate) fn from_starts(
    model: Model,
    x: &[f64],
    y: &[f64],
    starts: &[Vec<f64>],
    options: &Options,
) -> Result<Fit, FitError> {
    let names = model.names();
    let mut best: Option<Minimum> = None;
    let mut refusal =
        FitError::BadSetting { message: "no starting point was found for this model".to_owned() };
    for start in starts {
        match general::minimise(&mut ModelCurve::new(&model, x), y, &names, start, options) {
            Ok(found) => {
                if best.as_ref().is_none_or(|b| found.sum < b.sum) {
                    best = Some(found);
                }
            }
            Err(error) => refusal = error,
        }
    }
    let best = best.ok_or(refusal)?;
    let doubts = place_doubts(&model, x, &best.values);
    let solution = Solution {
        model,
        values: best.values,
        inverse: best.inverse,
        converged: best.converged,
        iterations: best.iterations,
        deviations: best.deviations,
        order: general::rising(x),
        magnitude: general::magnitude(y),
        doubts,
    };
    Ok(solution.finish(options))
}

/// Doubts about places and widths that the data do not reach.
fn place_doubts(model: &Model, x: &[f64], values: &[f64]) -> Vec<Doubt> {
    let (low, high) = prepare::range(x);
    let spacing = (high - low) / (x.len() - 1) as f64;
    let mut doubts = Vec::new();
    for (name, value) in model.names().iter().zip(values) {
        if model.places(name) && !(low..=high).contains(value) {
            doubts.push(Doubt::OutsideData(name.clone()));
        }
        if model.widths(name) && value.abs() < spacing {
            doubts.push(Doubt::TooNarrow);
        }
        if model.widths(name) && value.abs() > high - low {
            doubts.push(Doubt::TooWide);
        }
    }
    doubts
}

/// The checks every fit of a shape begins with: usable columns, spread in x and y, enough different x.
pub(crate) fn check_shape(x: &[f64], y: &[f64], model: &Model, options: &Options) -> Result<(), FitError> {
    prepare::check_columns(x, y, &options.sigmas)?;
    let names = model.names();
    options.check(&names)?;
    let free = names.iter().filter(|n| !options.is_fixed(n)).count();
    if free == 0 {
        return Err(FitError::NothingFree);
    }
    if prepare::degenerate(prepare::range(x)) {
        return Err(FitError::EqualX);
    }
    let points = prepare::distinct(x, free + 1);
    if points <= free {
        return Err(FitError::TooFewPoints { points, parameters: free });
    }
    if prepare::degenerate(prepare::range(y)) {
        return Err(FitError::ConstantY);
    }
    Ok(())
}
