//! Fits of a built-in model of one variable by the general solver.

use super::finish::Solution;
use super::general::{self, Curves, Effort, Precision};
use super::{Doubt, Fit, FitError, Noise, Options, evidence, noise, prepare};
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

    fn derivatives(&mut self, p: &[f64], _wanted: &[bool], _precision: Precision, columns: &mut [Vec<f64>]) {
        for (i, x) in self.x.iter().enumerate() {
            self.model.with_gradient(*x, p, &mut self.gradient);
            for (column, g) in columns.iter_mut().zip(&self.gradient) {
                column[i] = *g;
            }
        }
    }
}

/// Fits a model from the given starting points, the most promising first, until a fit is trusted; failing that,
/// the one with the smallest sum of squares is given.
pub(crate) fn from_starts(
    model: Model,
    x: &[f64],
    y: &[f64],
    starts: &[Vec<f64>],
    options: &Options,
) -> Result<Fit, FitError> {
    if options.noise == Noise::Outliers {
        return noise::robustly(x.len(), options, &[], |options, _| {
            from_starts(model.clone(), x, y, starts, options)
        });
    }
    let mut order: Vec<(f64, &Vec<f64>)> = starts.iter().map(|s| (sum_at(&model, x, y, s), s)).collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut best: Option<Fit> = None;
    let mut refusal =
        FitError::BadSetting { message: "no starting point was found for this model".to_owned() };
    for (_, start) in order {
        match from_start(&model, x, y, start, options) {
            Ok(fit) => {
                let trusted = fit.trusted();
                let sound = |f: &Fit| f.converged && !f.doubts.contains(&Doubt::Singular);
                let better = |old: &Fit| {
                    let same = sound(&fit) == sound(old);
                    if same { fit.residual_sum_of_squares < old.residual_sum_of_squares } else { sound(&fit) }
                };
                if best.as_ref().is_none_or(better) {
                    best = Some(fit);
                }
                if trusted {
                    break;
                }
            }
            Err(error) => refusal = error,
        }
    }
    best.ok_or(refusal)
}

/// Unweighted sum of squares at a start, to put starts in order.
fn sum_at(model: &Model, x: &[f64], y: &[f64], start: &[f64]) -> f64 {
    x.iter().zip(y).map(|(x, y)| y - model.at(*x, start).unwrap_or(f64::NAN)).map(|r| r * r).sum()
}

fn from_start(
    model: &Model,
    x: &[f64],
    y: &[f64],
    start: &[f64],
    options: &Options,
) -> Result<Fit, FitError> {
    let names = model.names();
    let mut curve = ModelCurve::new(model, x);
    let found = general::minimise(&mut curve, y, &names, start, options, Effort::Brief)?;
    let doubts = place_doubts(model, x, &found.values);
    let solution = Solution {
        model: model.clone(),
        values: found.values,
        inverse: found.inverse,
        converged: found.converged,
        iterations: found.iterations,
        deviations: found.deviations,
        order: general::rising(x),
        magnitude: general::magnitude(y),
        doubts,
    };
    let mut fit = solution.finish(options);
    evidence::weigh(&mut fit, x, y, options, None);
    Ok(fit)
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
