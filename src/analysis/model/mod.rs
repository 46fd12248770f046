//! The curves a fit knows, with their parameters and derivatives.
//!
//! Positions, widths and times carry the unit of x, heights and offsets the unit of y, slopes the unit of y over
//! that of x. Where a background is sloped, `offset` is its value at the model's `reference`, the middle of the
//! fitted range, which keeps offset and slope apart.

mod fano;

use serde::Serialize;

/// A curve of one variable.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "shape", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Model {
    /// Asymmetric line on a sloping background: `offset + slope (x - reference) + height (1 + asymmetry d)/(1 + d²)`
    /// with `d = (x - centre)/(width/2)`; `width` is the full width at half maximum of the symmetric part. The
    /// form is the one of reference Science 350, 417 (2015), doi 10.1126/science.aac8703 (from memory, not checked).
    /// The maximum is not at the centre when the asymmetry is not zero.
    Fano {
        /// Where `offset` is the value of the background.
        reference: f64,
    },
    /// Straight line: `offset + slope (x - reference)`.
    Line {
        /// Where `offset` is taken; 0 for the intercept.
        reference: f64,
    },
}

impl Model {
    /// Names of the parameters, in order.
    pub fn names(&self) -> Vec<String> {
        let names: &[&str] = match self {
            Self::Fano { .. } => &["centre", "width", "height", "asymmetry", "offset", "slope"],
            Self::Line { .. } => &["offset", "slope"],
        };
        names.iter().map(|n| (*n).to_owned()).collect()
    }

    /// Whether the named parameter sets the size or scale of the feature, so that an error larger than its value
    /// means that there is no such feature. Offsets, slopes and asymmetries may well be zero.
    pub fn scales(&self, name: &str) -> bool {
        match self {
            Self::Fano { .. } => name == "width" || name == "height",
            Self::Line { .. } => false,
        }
    }

    /// Value at x for parameters in the order of [`names`](Self::names); `None` for a model that is not a
    /// function of one number.
    pub fn at(&self, x: f64, p: &[f64]) -> Option<f64> {
        match self {
            Self::Fano { reference } => Some(fano::value(x - reference, x - p[0], &p[1..])),
            Self::Line { reference } => Some(p[0] + p[1] * (x - reference)),
        }
    }

    /// Value at x, with the derivative by each parameter written to `gradient`.
    pub fn with_gradient(&self, x: f64, p: &[f64], gradient: &mut [f64]) -> f64 {
        match self {
            Self::Fano { reference } => fano::gradient(x - reference, x - p[0], &p[1..], gradient),
            Self::Line { reference } => {
                gradient[0] = 1.0;
                gradient[1] = x - reference;
                p[0] + p[1] * (x - reference)
            }
        }
    }
}
