//! The result of a fit.

use serde::Serialize;

use super::{Doubt, Residuals};
use crate::analysis::model::Model;

/// One fitted parameter, in the units of the data.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Parameter {
    /// Name, such as `centre`.
    pub name: String,
    /// Best value.
    pub value: f64,
    /// Standard error (one standard deviation); 0 for a fixed parameter, infinite if the data do not determine it.
    pub standard_error: f64,
    /// Whether the parameter was held by the caller.
    pub fixed: bool,
}

/// A finished fit: what came out, how sure it is, and what speaks against it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fit {
    /// The model that was fitted, with its settings.
    pub model: Model,
    /// Parameters in the order of the model.
    pub parameters: Vec<Parameter>,
    /// Covariance, row by row in the order of `parameters`; zero for fixed parameters.
    pub covariance: Vec<Vec<f64>>,
    /// Weighted sum of squared residuals over the degrees of freedom. Without sigmas this is the variance of
    /// the residuals in the squared unit of y, and no test of the model.
    pub reduced_chi_square: f64,
    /// Sum of squared residuals; each divided by its sigma where sigmas were given.
    pub residual_sum_of_squares: f64,
    /// Square root of the reduced chi-square.
    pub residual_standard_deviation: f64,
    /// Points minus free parameters.
    pub degrees_of_freedom: usize,
    /// Whether sigmas were given.
    pub weighted: bool,
    /// Whether the residuals show noise with memory, which the errors then allow for; otherwise they are those of
    /// independent noise.
    pub slow_noise: bool,
    /// Whether the iteration settled.
    pub converged: bool,
    /// Iterations used.
    pub iterations: usize,
    /// Everything that speaks against trusting this fit.
    pub doubts: Vec<Doubt>,
    /// Diagnostics of the residuals.
    pub residuals: Residuals,
    /// Data minus model at each point in the order of the input, in the unit of y.
    #[serde(skip)]
    pub deviations: Vec<f64>,
}

impl Fit {
    /// The parameter of this name.
    pub fn parameter(&self, name: &str) -> Option<&Parameter> {
        self.parameters.iter().find(|p| p.name == name)
    }

    /// The value of a parameter; not a number if the model has none of this name.
    pub fn value(&self, name: &str) -> f64 {
        self.parameter(name).map_or(f64::NAN, |p| p.value)
    }

    /// The standard error of a parameter; not a number if the model has none of this name.
    pub fn error(&self, name: &str) -> f64 {
        self.parameter(name).map_or(f64::NAN, |p| p.standard_error)
    }

    /// All values in the order of the model.
    pub fn values(&self) -> Vec<f64> {
        self.parameters.iter().map(|p| p.value).collect()
    }

    /// Correlation coefficient of two parameters; `None` if one is unknown, fixed or undetermined.
    pub fn correlation(&self, first: &str, second: &str) -> Option<f64> {
        let place = |name: &str| self.parameters.iter().position(|p| p.name == name);
        let (i, j) = (place(first)?, place(second)?);
        let r = self.covariance[i][j] / (self.covariance[i][i] * self.covariance[j][j]).sqrt();
        r.is_finite().then_some(r)
    }

    /// Whether nothing speaks against this fit.
    pub fn trusted(&self) -> bool {
        self.converged && self.doubts.is_empty()
    }

    /// The fitted curve at each x. Empty for models that take several columns or a closure, which this result
    /// cannot call again.
    pub fn curve(&self, x: &[f64]) -> Vec<f64> {
        let values = self.values();
        x.iter().map_while(|x| self.model.at(*x, &values)).collect()
    }

    /// The fitted curve of one spectrum (counted from 0) of a global fit at each x; empty if there is no such
    /// spectrum or this is no global fit.
    pub fn curve_of(&self, spectrum: usize, x: &[f64]) -> Vec<f64> {
        let Model::Global { models, shared } = &self.model else { return Vec::new() };
        let Some(model) = models.get(spectrum) else { return Vec::new() };
        let own: Vec<f64> = super::global::places(models, shared)[spectrum]
            .iter()
            .map(|place| self.parameters[*place].value)
            .collect();
        x.iter().map_while(|x| model.at(*x, &own)).collect()
    }

    /// Puts the numbers of numbered parameters in another order; the names stay where they are.
    pub(crate) fn reorder(&mut self, from: &[usize]) {
        assert!(from.len() == self.parameters.len(), "every parameter has a new place");
        let names: Vec<String> = self.parameters.iter().map(|p| p.name.clone()).collect();
        let renamed = |old: &str| {
            let place = names.iter().position(|n| n == old);
            let new = place.and_then(|place| from.iter().position(|f| *f == place));
            new.map_or_else(|| old.to_owned(), |new| names[new].clone())
        };
        for doubt in &mut self.doubts {
            if let Doubt::AtBound(name) | Doubt::ErrorLargerThanValue(name) | Doubt::OutsideData(name) = doubt
            {
                *name = renamed(name);
            }
        }
        let old = self.parameters.clone();
        for (new, from) in self.parameters.iter_mut().zip(from) {
            *new = Parameter { name: new.name.clone(), ..old[*from].clone() };
        }
        self.covariance =
            from.iter().map(|i| from.iter().map(|j| self.covariance[*i][*j]).collect()).collect();
    }

    /// Why the fit is not to be trusted, a phrase for each doubt; empty if it is.
    pub fn words(&self) -> Vec<String> {
        self.doubts.iter().map(Doubt::to_string).collect()
    }

    /// The same as one sentence; `None` if it is to be trusted.
    pub fn word(&self) -> Option<String> {
        let said = self.words();
        (!said.is_empty()).then(|| said.join("; "))
    }
}
