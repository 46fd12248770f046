//! Turning the numbers of a solver into a [`Fit`], with every doubt that is common to all models.

use nalgebra::DMatrix;

use super::{Doubt, Fit, Options, Parameter, Residuals};
use crate::analysis::model::Model;

/// What a solver found.
pub(crate) struct Solution {
    pub(crate) model: Model,
    pub(crate) values: Vec<f64>,
    /// Inverse of JᵀJ over the free parameters in order, from the weighted Jacobian; `None` if singular.
    pub(crate) inverse: Option<DMatrix<f64>>,
    pub(crate) converged: bool,
    pub(crate) iterations: usize,
    /// Data minus model, in the unit of y.
    pub(crate) deviations: Vec<f64>,
    /// The place of each point in the order of x; `None` if the points came in order.
    pub(crate) order: Option<Vec<usize>>,
    /// Largest |y|, below whose rounding residuals mean nothing.
    pub(crate) magnitude: f64,
    /// Doubts the solver or the model has found itself.
    pub(crate) doubts: Vec<Doubt>,
}

impl Solution {
    /// Scales the covariance, looks at the residuals and lists the doubts.
    pub(crate) fn finish(self, options: &Options) -> Fit {
        let names = self.model.names();
        self.finish_named(names, options)
    }

    /// As [`finish`](Self::finish), for a model whose parameters are named elsewhere.
    pub(crate) fn finish_named(mut self, names: Vec<String>, options: &Options) -> Fit {
        let n = self.deviations.len();
        let fixed: Vec<bool> = names.iter().map(|name| options.is_fixed(name)).collect();
        let free = fixed.iter().filter(|f| !**f).count();
        assert!(names.len() == self.values.len(), "each parameter has a name");
        assert!(n > free, "solvers refuse data without degrees of freedom");
        let weighted: Vec<f64> = if options.sigmas.is_empty() {
            Vec::new()
        } else {
            self.deviations.iter().zip(&options.sigmas).map(|(d, s)| d / s).collect()
        };
        let used: &[f64] = if options.sigmas.is_empty() { &self.deviations } else { &weighted };
        let sum: f64 = used.iter().map(|r| r * r).sum();
        let degrees_of_freedom = n - free;
        let reduced = sum / degrees_of_freedom as f64;
        let scale = if options.scaled_by_residuals() { reduced } else { 1.0 };
        let residuals = Residuals::of(used, self.order.as_deref());
        let covariance = spread(&fixed, self.inverse.as_ref(), scale);
        let parameters: Vec<Parameter> = names
            .into_iter()
            .zip(&self.values)
            .enumerate()
            .map(|(i, (name, value))| Parameter {
                name,
                value: *value,
                standard_error: covariance[i][i].sqrt(),
                fixed: fixed[i],
            })
            .collect();
        let mut doubts = std::mem::take(&mut self.doubts);
        // A covariance beyond the range of numbers is as little an answer as a parameter beyond it.
        let errors = self.inverse.is_none() || parameters.iter().all(|p| p.standard_error.is_finite());
        let finite = errors && sum.is_finite() && self.values.iter().all(|v| v.is_finite());
        if !finite {
            doubts.push(Doubt::NotFinite);
        }
        if !self.converged {
            doubts.push(Doubt::NoConvergence);
        }
        if self.inverse.is_none() {
            doubts.push(Doubt::Singular);
        }
        common_doubts(&mut doubts, &self.model, &parameters, options);
        // Residuals at the level of rounding carry the pattern of the arithmetic, not of the model.
        let mean_square = self.deviations.iter().map(|d| d * d).sum::<f64>() / n as f64;
        if mean_square.sqrt() > 1e-12 * self.magnitude {
            residual_doubts(&mut doubts, &residuals, reduced, n, degrees_of_freedom, options);
        }
        Fit {
            model: self.model,
            parameters,
            covariance,
            reduced_chi_square: reduced,
            residual_sum_of_squares: sum,
            residual_standard_deviation: reduced.sqrt(),
            degrees_of_freedom,
            weighted: !options.sigmas.is_empty(),
            slow_noise: false,
            converged: self.converged && finite,
            iterations: self.iterations,
            doubts,
            residuals,
            deviations: self.deviations,
        }
    }
}

/// Spreads the covariance of the free parameters over all of them; infinite variances if it is not known.
fn spread(fixed: &[bool], inverse: Option<&DMatrix<f64>>, scale: f64) -> Vec<Vec<f64>> {
    let m = fixed.len();
    let free: Vec<usize> = (0..m).filter(|i| !fixed[*i]).collect();
    let mut covariance = vec![vec![0.0; m]; m];
    for (a, &i) in free.iter().enumerate() {
        for (b, &j) in free.iter().enumerate() {
            covariance[i][j] = match inverse {
                Some(c) => c[(a, b)] * scale,
                None if i == j => f64::INFINITY,
                None => 0.0,
            };
        }
    }
    covariance
}

/// Doubts about single parameters.
fn common_doubts(doubts: &mut Vec<Doubt>, model: &Model, parameters: &[Parameter], options: &Options) {
    for parameter in parameters.iter().filter(|p| !p.fixed) {
        let (low, high) = options.bounds_of(&parameter.name);
        let slack = 1e-9 * if (high - low).is_finite() { high - low } else { parameter.value.abs() };
        if parameter.value <= low + slack || parameter.value >= high - slack {
            doubts.push(Doubt::AtBound(parameter.name.clone()));
        }
        // `<=` turned round, so that an error that is not a number is a doubt too.
        let determined = parameter.standard_error < parameter.value.abs();
        if model.scales(&parameter.name) && !determined && parameter.standard_error != 0.0 {
            doubts.push(Doubt::ErrorLargerThanValue(parameter.name.clone()));
        }
    }
}

/// Doubts that come from what the model left over.
fn residual_doubts(
    doubts: &mut Vec<Doubt>,
    residuals: &Residuals,
    reduced: f64,
    points: usize,
    degrees_of_freedom: usize,
    options: &Options,
) {
    if residuals.patterned(points) {
        doubts.push(Doubt::CorrelatedResiduals);
    }
    if residuals.outlying(points) {
        doubts.push(Doubt::OutlyingPoint);
    }
    if !options.scaled_by_residuals() {
        // Cube-root transform of chi-square to a normal score (common practice); 5 is one chance in 3 million.
        let spread = 2.0 / (9.0 * degrees_of_freedom as f64);
        if (reduced.cbrt() - (1.0 - spread)) / spread.sqrt() > 5.0 {
            doubts.push(Doubt::PoorFit);
        }
    }
}
