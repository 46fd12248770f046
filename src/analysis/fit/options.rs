//! What a caller may ask of a fit: weights, bounds, fixed parameters, starting values.

use super::FitError;

/// An allowed range of one parameter; an infinite end is no limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Bound {
    /// Name of the parameter.
    pub name: String,
    /// Lowest allowed value.
    pub low: f64,
    /// Highest allowed value.
    pub high: f64,
}

/// What is taken of the noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Noise {
    /// Each point has its own, of one size or of the given sigmas. Fits of built-in lines allow for noise with memory where
    /// they see it.
    #[default]
    Independent,
    /// Some points lie far off: the further, the less they count (Huber's weights at 1.345 standard deviations, common
    /// practice; the scale is the median of the residuals).
    Outliers,
    /// Neighbouring points err together: least squares, with the errors that they have in such noise.
    Slow,
}

/// Options of a fit; [`Options::new`] lets the fit find everything itself.
///
/// ```
/// use noctule::analysis::fit::Options;
/// let options = Options::new().fix("asymmetry", 0.0).bound("width", 1.0e6, 50.0e6).start("centre", 14.2e9);
/// assert_eq!(options.fixed.len(), 1);
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Options {
    /// Standard deviation of each y, in the unit of y; empty if not known. Standard errors then follow from the
    /// sigmas alone; without sigmas they are scaled by the scatter of the residuals.
    pub sigmas: Vec<f64>,
    /// Parameters held at a value.
    pub fixed: Vec<(String, f64)>,
    /// Starting values; parameters not named get automatic ones.
    pub start: Vec<(String, f64)>,
    /// Allowed ranges.
    pub bounds: Vec<Bound>,
    /// Treat the sigmas as relative weights: errors are then scaled by the scatter of the residuals.
    pub relative_sigmas: bool,
    /// What is taken of the noise.
    pub noise: Noise,
}

impl Options {
    /// No weights, nothing fixed, no bounds, automatic start.
    pub fn new() -> Self {
        Self::default()
    }

    /// Gives each point its standard deviation, in the unit of y.
    #[must_use]
    pub fn sigmas(mut self, sigmas: &[f64]) -> Self {
        self.sigmas = sigmas.to_vec();
        self
    }

    /// Says that only the ratios of the sigmas are known.
    #[must_use]
    pub fn relative(mut self) -> Self {
        self.relative_sigmas = true;
        self
    }

    /// Says what is taken of the noise.
    #[must_use]
    pub fn noise(mut self, noise: Noise) -> Self {
        self.noise = noise;
        self
    }

    /// Holds a parameter at a value.
    #[must_use]
    pub fn fix(mut self, name: &str, value: f64) -> Self {
        self.fixed.push((name.to_owned(), value));
        self
    }

    /// Starts a parameter at a value.
    #[must_use]
    pub fn start(mut self, name: &str, value: f64) -> Self {
        self.start.push((name.to_owned(), value));
        self
    }

    /// Keeps a parameter within a range.
    #[must_use]
    pub fn bound(mut self, name: &str, low: f64, high: f64) -> Self {
        self.bounds.push(Bound { name: name.to_owned(), low, high });
        self
    }

    /// Whether standard errors are scaled by the scatter of the residuals.
    pub(crate) fn scaled_by_residuals(&self) -> bool {
        self.sigmas.is_empty() || self.relative_sigmas
    }

    /// Whether any parameter is steered by the caller.
    pub(crate) fn steered(&self) -> bool {
        !(self.fixed.is_empty() && self.start.is_empty() && self.bounds.is_empty())
    }

    /// What is said of `centre` holds for `centre@1`, `centre@2` and so on, where there is no `centre` itself.
    pub(crate) fn spread(&self, names: &[String]) -> Self {
        let all = |name: &String| -> Vec<String> {
            let of_a_set = |n: &&String| n.split_once('@').is_some_and(|(own, _)| own == name);
            let numbered: Vec<String> = names.iter().filter(of_a_set).cloned().collect();
            if names.contains(name) || numbered.is_empty() { vec![name.clone()] } else { numbered }
        };
        let values = |list: &[(String, f64)]| {
            list.iter().flat_map(|(name, v)| all(name).into_iter().map(|n| (n, *v))).collect()
        };
        let bound = |b: &Bound| {
            let (low, high) = (b.low, b.high);
            all(&b.name).into_iter().map(move |name| Bound { name, low, high })
        };
        Self {
            fixed: values(&self.fixed),
            start: values(&self.start),
            bounds: self.bounds.iter().flat_map(bound).collect(),
            ..self.clone()
        }
    }

    /// Refuses options that name parameters the model does not have or that contradict themselves.
    pub(crate) fn check(&self, names: &[String]) -> Result<(), FitError> {
        let known = |name: &str| {
            if names.iter().any(|n| n == name) {
                Ok(())
            } else {
                Err(FitError::UnknownParameter { name: name.to_owned() })
            }
        };
        for (name, value) in self.fixed.iter().chain(&self.start) {
            known(name)?;
            if !value.is_finite() {
                return Err(FitError::BadValue { name: name.clone() });
            }
        }
        for bound in &self.bounds {
            known(&bound.name)?;
            // Written so that a bound that is not a number fails as well.
            let ordered = bound.low < bound.high;
            let held = self.fixed.iter().chain(&self.start).filter(|(n, _)| *n == bound.name);
            if !ordered || held.into_iter().any(|(_, v)| *v < bound.low || *v > bound.high) {
                return Err(FitError::BadBounds { name: bound.name.clone() });
            }
        }
        Ok(())
    }

    /// The value the caller gave for a parameter, fixed before start.
    pub(crate) fn given(&self, name: &str) -> Option<f64> {
        self.fixed.iter().chain(&self.start).find(|(n, _)| n == name).map(|(_, v)| *v)
    }

    /// Whether the parameter is held.
    pub(crate) fn is_fixed(&self, name: &str) -> bool {
        self.fixed.iter().any(|(n, _)| n == name)
    }

    /// The bounds of a parameter, infinite where there are none.
    pub(crate) fn bounds_of(&self, name: &str) -> (f64, f64) {
        let mut range = (f64::NEG_INFINITY, f64::INFINITY);
        for bound in self.bounds.iter().filter(|b| b.name == name) {
            range = (range.0.max(bound.low), range.1.min(bound.high));
        }
        range
    }
}
