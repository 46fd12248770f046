//! The words a fit uses for what is wrong: errors for input that cannot be fitted, doubts for a result that
//! should not be believed.

use std::fmt;

use serde::Serialize;
use thiserror::Error;

use crate::analysis::formula::FormulaError;

/// Why no fit was made at all.
#[derive(Debug, Clone, PartialEq, Error, Serialize)]
#[serde(tag = "error", content = "about", rename_all = "snake_case")]
#[non_exhaustive]
pub enum FitError {
    /// There are no points.
    #[error("there are no points to fit")]
    Empty,
    /// Two columns that belong together differ in length.
    #[error("the columns differ in length: {expected} points against {found}")]
    LengthMismatch {
        /// Length of the first column.
        expected: usize,
        /// Length of the column that differs.
        found: usize,
    },
    /// A value is not a number or is infinite.
    #[error("point {index} holds a value that is not a finite number")]
    NotFinite {
        /// Index of the point, counted from 0.
        index: usize,
    },
    /// A value is so large that its square is not a number any more.
    #[error("point {index} holds a value beyond 1e100, too large to be squared safely")]
    TooLarge {
        /// Index of the point, counted from 0.
        index: usize,
    },
    /// There are no more points than parameters.
    #[error(
        "{points} points are too few for {parameters} free parameters: at least one more point than parameters is needed"
    )]
    TooFewPoints {
        /// Number of points (of different x where that is what counts).
        points: usize,
        /// Number of free parameters.
        parameters: usize,
    },
    /// All x are equal.
    #[error("all x values are equal, so nothing can be said about the dependence on x")]
    EqualX,
    /// All y are equal, so no line shape can be told from nothing.
    #[error("all y values are equal, so there is no shape to fit")]
    ConstantY,
    /// A standard deviation is zero, negative or not finite.
    #[error("the sigma of point {index} is not a positive finite number")]
    BadSigma {
        /// Index of the point, counted from 0.
        index: usize,
    },
    /// A bound is not a range, or the start or fixed value lies outside it.
    #[error("the bounds of `{name}` do not leave room for its value")]
    BadBounds {
        /// Name of the parameter.
        name: String,
    },
    /// An option names a parameter that the model does not have.
    #[error("the model has no parameter `{name}`")]
    UnknownParameter {
        /// The name given.
        name: String,
    },
    /// A starting or fixed value is not finite.
    #[error("the value given for `{name}` is not a finite number")]
    BadValue {
        /// Name of the parameter.
        name: String,
    },
    /// Nothing is left to fit.
    #[error("every parameter is fixed, so nothing is left to fit")]
    NothingFree,
    /// The model is not finite at the starting values.
    #[error("the model is not a finite number at the starting values (first at point {index})")]
    ModelNotFinite {
        /// Index of the first such point, counted from 0.
        index: usize,
    },
    /// The text is not a formula of the given names.
    #[error("{0}")]
    Formula(FormulaError),
    /// A setting of the fit makes no sense.
    #[error("{message}")]
    BadSetting {
        /// What is wrong, as a sentence.
        message: String,
    },
}

/// Why a fit that was made should not be trusted. One plain sentence each in `Display`.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "doubt", content = "parameter", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Doubt {
    /// The iteration ended before the sum of squares settled.
    NoConvergence,
    /// The named parameter ended at one of its bounds.
    AtBound(String),
    /// The data do not determine all parameters.
    Singular,
    /// The standard error of the named parameter, which sets the size or scale of the feature, exceeds its value.
    ErrorLargerThanValue(String),
    /// The named position lies outside the measured range.
    OutsideData(String),
    /// The line is narrower than the distance of neighbouring points.
    TooNarrow,
    /// The line is wider than the measured range.
    TooWide,
    /// The residuals are not random: the model misses some of the shape.
    CorrelatedResiduals,
    /// The residuals are far larger than the given sigmas allow.
    PoorFit,
    /// One point lies far off the curve and may have pulled it.
    OutlyingPoint,
    /// Another minimum fits almost as well.
    Ambiguous,
    /// The line stands out of the noise too little to be told from chance over the searched range.
    NotSignificant,
    /// The model or the result is not finite.
    NotFinite,
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoConvergence => write!(f, "the fit did not converge"),
            Self::AtBound(name) => write!(f, "`{name}` ended at its bound"),
            Self::Singular => write!(f, "the data do not determine all parameters"),
            Self::ErrorLargerThanValue(name) => write!(f, "the error of `{name}` is larger than its value"),
            Self::OutsideData(name) => write!(f, "`{name}` lies outside the measured range"),
            Self::TooNarrow => write!(f, "the line is narrower than the distance between points"),
            Self::TooWide => write!(f, "the line is wider than the measured range"),
            Self::CorrelatedResiduals => write!(f, "the residuals follow a pattern the model does not have"),
            Self::PoorFit => write!(f, "the residuals are much larger than the given sigmas"),
            Self::OutlyingPoint => write!(f, "one point lies far off the curve and may have pulled it"),
            Self::Ambiguous => write!(f, "another solution fits almost as well"),
            Self::NotSignificant => write!(f, "the line does not stand out of the noise"),
            Self::NotFinite => write!(f, "the result is not a finite number"),
        }
    }
}
