//! The curves a fit knows, with their parameters and derivatives.
//!
//! Positions, widths and times carry the unit of x, heights and offsets the unit of y, slopes the unit of y over
//! that of x. Where a background is sloped, `offset` is its value at the model's `reference`, the middle of the
//! fitted range, which keeps offset and slope apart.

mod fano;
mod lines;
mod names;
mod plain;
mod steps;

pub use steps::thermal_step;

use serde::Serialize;

use crate::analysis::formula::Formula;

/// A curve.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "shape", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Model {
    /// Asymmetric line on a sloping background: `offset + slope (x - reference) + height (1 + asymmetry d)/(1 + d²)`
    /// with `d = (x - centre)/(width/2)`; `width` is the full width at half maximum of the symmetric part. The
    /// form is the one of Science 350, 417 (2015), doi 10.1126/science.aac8703 (from memory, not checked). The
    /// maximum is not at the centre when the asymmetry is not zero.
    Fano {
        /// Where `offset` is the value of the background.
        reference: f64,
    },
    /// Lorentzian line on a sloping background; `width` is the full width at half maximum.
    Lorentzian {
        /// Where `offset` is the value of the background.
        reference: f64,
    },
    /// Gaussian line on a sloping background; `width` is the full width at half maximum.
    Gaussian {
        /// Where `offset` is the value of the background.
        reference: f64,
    },
    /// Exponential decay from the `reference`: `offset + height exp(-(x - reference)/time)`.
    Decay {
        /// Where `height` is taken; 0 for a decay that starts at x = 0.
        reference: f64,
    },
    /// Current against tip distance: `offset + current exp(-2 kappa (x - reference))`, `kappa` in one over the
    /// unit of x.
    Approach {
        /// Distance at which `current` is taken.
        reference: f64,
    },
    /// Straight line: `offset + slope (x - reference)`.
    Line {
        /// Where `offset` is taken; 0 for the intercept.
        reference: f64,
    },
    /// Inelastic conductance steps, symmetric about `zero`, rounded by temperature: `offset + slope (x - zero)`
    /// plus, for each step, `height_k` times [`thermal_step`] on either side. `broadening` is kT/e in the unit of x.
    Steps {
        /// Number of steps on each side.
        count: usize,
    },
    /// Several asymmetric lines on one sloping background, with one `asymmetry`.
    Lines {
        /// Number of lines.
        count: usize,
        /// One `width` for all lines instead of `width_1` and so on.
        shared_width: bool,
        /// Equal `spacing` about a common `centre` (hyperfine lines) instead of `centre_1` and so on.
        equal_spacing: bool,
        /// Where `offset` is the value of the background.
        reference: f64,
    },
    /// The same model in several spectra, some parameters shared. Shared parameters come first under their own
    /// names; those of spectrum k (from 1) follow as `centre@k` and so on.
    Global {
        /// Model of each spectrum.
        models: Vec<Model>,
        /// Names of the shared parameters.
        shared: Vec<String>,
    },
    /// A formula given as text.
    Formula(Formula),
    /// A closure of the caller, known here by its parameters only.
    Closure {
        /// Names of the parameters.
        parameters: Vec<String>,
    },
}

impl Model {
    /// Value at x for parameters in the order of [`names`](Self::names); `None` for a model that is not a
    /// function of one number.
    pub fn at(&self, x: f64, p: &[f64]) -> Option<f64> {
        match self {
            Self::Fano { reference } => Some(fano::value(x - reference, x - p[0], &p[1..])),
            Self::Lorentzian { reference } => Some(plain::lorentzian(x, *reference, p, None)),
            Self::Gaussian { reference } => Some(plain::gaussian(x, *reference, p, None)),
            Self::Decay { reference } => Some(plain::decay(x - reference, p, None)),
            Self::Approach { reference } => Some(plain::approach(x - reference, p, None)),
            Self::Line { reference } => Some(p[0] + p[1] * (x - reference)),
            Self::Steps { count } => Some(steps::value(*count, x, p, None)),
            Self::Lines { .. } => Some(lines::value(self, x, p, None)),
            Self::Formula(formula) => formula.at(x, p),
            Self::Global { .. } | Self::Closure { .. } => None,
        }
    }

    /// Value at x, with the derivative by each parameter written to `gradient`. Only for models that are
    /// functions of one number; others leave the gradient as it is and give not-a-number.
    pub fn with_gradient(&self, x: f64, p: &[f64], gradient: &mut [f64]) -> f64 {
        match self {
            Self::Fano { reference } => fano::gradient(x - reference, x - p[0], &p[1..], gradient),
            Self::Lorentzian { reference } => plain::lorentzian(x, *reference, p, Some(gradient)),
            Self::Gaussian { reference } => plain::gaussian(x, *reference, p, Some(gradient)),
            Self::Decay { reference } => plain::decay(x - reference, p, Some(gradient)),
            Self::Approach { reference } => plain::approach(x - reference, p, Some(gradient)),
            Self::Line { reference } => {
                gradient[0] = 1.0;
                gradient[1] = x - reference;
                p[0] + p[1] * (x - reference)
            }
            Self::Steps { count } => steps::value(*count, x, p, Some(gradient)),
            Self::Lines { .. } => lines::value(self, x, p, Some(gradient)),
            Self::Global { .. } | Self::Formula(_) | Self::Closure { .. } => f64::NAN,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each derivative against a central difference of the value.
    fn check(model: &Model, p: &[f64]) {
        assert_eq!(model.names().len(), p.len());
        let mut gradient = vec![0.0; p.len()];
        for i in 0..41 {
            let x = -4.0 + 0.237 * f64::from(i);
            let value = model.with_gradient(x, p, &mut gradient);
            assert!((value - model.at(x, p).unwrap()).abs() < 1e-12);
            for j in 0..p.len() {
                let h = 1e-5 * p[j].abs().max(0.1);
                let (mut low, mut high) = (p.to_vec(), p.to_vec());
                low[j] -= h;
                high[j] += h;
                let slope = (model.at(x, &high).unwrap() - model.at(x, &low).unwrap()) / (2.0 * h);
                assert!(
                    (slope - gradient[j]).abs() < 1e-7,
                    "{model:?} at {x} by {j}: {slope} {}",
                    gradient[j]
                );
            }
        }
    }

    #[test]
    fn derivatives_agree_with_differences() {
        let line = [0.4, 1.3, 2.0, -0.7, 0.5, 0.1];
        check(&Model::Fano { reference: 0.3 }, &line);
        let bell = [0.4, 1.3, 2.0, 0.5, 0.1];
        check(&Model::Lorentzian { reference: 0.3 }, &bell);
        check(&Model::Gaussian { reference: 0.3 }, &bell);
        check(&Model::Decay { reference: -4.0 }, &[1.5, 2.0, 0.3]);
        check(&Model::Approach { reference: -4.0 }, &[1.5, 0.4, 0.3]);
        check(&Model::Line { reference: 1.0 }, &[1.5, 2.0]);
        check(&Model::Steps { count: 2 }, &[1.1, 0.5, 2.9, 0.8, 0.21, 0.05, 1.0, 0.02]);
        let lines = |shared_width, equal_spacing| Model::Lines {
            count: 3,
            shared_width,
            equal_spacing,
            reference: 0.2,
        };
        check(&lines(true, true), &[0.3, 1.7, 0.8, 0.2, 1.0, 1.5, 0.7, 0.4, 0.1]);
        check(&lines(true, false), &[-1.3, 0.4, 2.7, 0.8, 0.2, 1.0, 1.5, 0.7, 0.4, 0.1]);
        check(&lines(false, false), &[-1.3, 0.4, 2.7, 0.8, 0.9, 1.1, 0.2, 1.0, 1.5, 0.7, 0.4, 0.1]);
    }
}
