//! One model over one or several sets of data: the engine behind global fits, formulas, and models that are called.

use super::differences::Differences;
use super::finish::Solution;
use super::general::{self, Curves, Precision};
use super::{Fit, FitError, Options, noise, prepare};
use crate::analysis::model::Model;

/// A model of one row of predictors and its parameters.
pub trait Function {
    /// Its value in a set of data, counted from 0; not a number where it has none.
    fn value(&mut self, set: usize, row: &[f64], p: &[f64]) -> f64;

    /// The value with the exact derivative by each parameter; none where the model can only be called. Derivatives are
    /// then taken by differences.
    fn with_gradient(&mut self, _set: usize, _row: &[f64], _p: &[f64], _gradient: &mut [f64]) -> Option<f64> {
        None
    }
}

/// One set of data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Set<'a> {
    /// Predictors, a slice for each.
    pub columns: &'a [&'a [f64]],
    /// What is to be described.
    pub y: &'a [f64],
    /// Standard deviation of each y; empty if not known (then for all sets).
    pub sigmas: &'a [f64],
}

/// A model in sets of data, with the place of each of its parameters among all.
pub(super) struct Joined<'a> {
    pub(super) function: &'a mut dyn Function,
    pub(super) sets: &'a [Set<'a>],
    /// For each set, the place of each parameter of the model among all parameters.
    pub(super) places: Vec<Vec<usize>>,
}

impl Joined<'_> {
    /// Fits it from a start. The doubts of this model are found by the caller.
    pub(super) fn fit(mut self, model: Model, start: &[f64], options: &Options) -> Result<Fit, FitError> {
        let names = model.names();
        let mut options = options.spread(&names);
        options.sigmas = self.sets.iter().flat_map(|set| set.sigmas.iter().copied()).collect();
        let points = self.sets.iter().map(|set| set.y.len()).sum();
        noise::robustly(points, &options, start, |options, start| {
            self.once(model.clone(), &names, start, options)
        })
    }

    fn once(
        &mut self,
        model: Model,
        names: &[String],
        start: &[f64],
        options: &Options,
    ) -> Result<Fit, FitError> {
        let y: Vec<f64> = self.sets.iter().flat_map(|set| set.y.iter().copied()).collect();
        let mut curve = SetsCurve::new(self);
        let found = general::minimise(&mut curve, &y, names, start, options, general::Effort::Patient)?;
        let order = in_order(self.sets);
        let columns = found.columns;
        let solution = Solution {
            model,
            values: found.values,
            inverse: found.inverse,
            converged: found.converged,
            iterations: found.iterations,
            deviations: found.deviations,
            order: order.clone(),
            magnitude: general::magnitude(&y),
            doubts: Vec::new(),
        };
        let mut fit = solution.finish(options);
        if options.noise == super::Noise::Slow {
            let lengths: Vec<usize> = self.sets.iter().map(|set| set.y.len()).collect();
            noise::allow_for_memory(&mut fit, &columns, order.as_deref(), &lengths, options);
        }
        Ok(fit)
    }
}

/// Checks the sets of a fit: usable columns, sigmas for all or for none.
pub(super) fn check_sets(sets: &[Set<'_>]) -> Result<(), FitError> {
    if sets.is_empty() {
        return Err(FitError::Empty);
    }
    let weighted = sets.iter().filter(|set| !set.sigmas.is_empty()).count();
    if weighted != 0 && weighted != sets.len() {
        let message = "either all spectra of a fit have errors or none".to_owned();
        return Err(FitError::BadSetting { message });
    }
    for set in sets {
        if set.y.is_empty() {
            return Err(FitError::Empty);
        }
        prepare::check_values(set.y)?;
        for column in set.columns {
            prepare::check_columns(column, set.y, &[])?;
        }
        prepare::check_sigmas(set.y.len(), set.sigmas)?;
    }
    Ok(())
}

/// Checks the names of parameters that are common to all sets.
pub(super) fn check_shared(own: &[String], shared: &[&str]) -> Result<(), FitError> {
    for (i, name) in shared.iter().enumerate() {
        if !own.iter().any(|n| n == name) {
            return Err(FitError::UnknownParameter { name: (*name).to_owned() });
        }
        if shared[..i].contains(name) {
            let message = format!("the parameter `{name}` is shared twice");
            return Err(FitError::BadSetting { message });
        }
    }
    Ok(())
}

/// All points, set after set, each in the order of its x; none where they came so. With several predictors there is no one
/// order; the points are then taken as they came.
fn in_order(sets: &[Set<'_>]) -> Option<Vec<usize>> {
    let sorted = |set: &Set<'_>| set.columns.len() != 1 || set.columns[0].is_sorted();
    if sets.iter().all(sorted) {
        return None;
    }
    let mut order = Vec::new();
    for set in sets {
        let first = order.len();
        let own = match set.columns {
            [x] => general::rising(x),
            _ => None,
        };
        let own = own.unwrap_or_else(|| (0..set.y.len()).collect());
        order.extend(own.iter().map(|i| first + i));
    }
    Some(order)
}

/// All sets as one curve for the solver.
struct SetsCurve<'j, 'a> {
    joined: &'j mut Joined<'a>,
    /// Where derivatives are taken by differences, how far each parameter of a set moves.
    differences: Vec<Differences>,
    row: Vec<f64>,
    own: Vec<f64>,
    gradient: Vec<f64>,
}

impl<'j, 'a> SetsCurve<'j, 'a> {
    fn new(joined: &'j mut Joined<'a>) -> Self {
        let differences = vec![Differences::default(); joined.sets.len()];
        Self { joined, differences, row: Vec::new(), own: Vec::new(), gradient: Vec::new() }
    }

    fn take_own(&mut self, set: usize, p: &[f64]) {
        self.own.clear();
        self.own.extend(self.joined.places[set].iter().map(|place| p[*place]));
    }

    fn take_row(&mut self, set: usize, i: usize) {
        self.row.clear();
        self.row.extend(self.joined.sets[set].columns.iter().map(|column| column[i]));
    }

    /// Exact derivatives of one set, written behind `first`; `false` where the model gives none.
    fn exact(&mut self, set: usize, first: usize, columns: &mut [Vec<f64>]) -> bool {
        self.gradient.resize(self.own.len(), 0.0);
        for i in 0..self.joined.sets[set].y.len() {
            self.take_row(set, i);
            let known = self.joined.function.with_gradient(set, &self.row, &self.own, &mut self.gradient);
            if known.is_none() {
                return false;
            }
            for (place, slope) in self.joined.places[set].iter().zip(&self.gradient) {
                columns[*place][first + i] = *slope;
            }
        }
        true
    }

    /// Derivatives of one set by differences.
    fn by_differences(
        &mut self,
        set: usize,
        first: usize,
        wanted: &[bool],
        precision: Precision,
        columns: &mut [Vec<f64>],
    ) {
        let n = self.joined.sets[set].y.len();
        let places = self.joined.places[set].clone();
        let wanted: Vec<bool> = places.iter().map(|place| wanted[*place]).collect();
        let mut scratch = vec![vec![0.0; n]; places.len()];
        let (own, mut differences) = (self.own.clone(), std::mem::take(&mut self.differences[set]));
        differences.derivatives(&own, &wanted, precision, &mut scratch, |p, out| {
            for (i, out) in out.iter_mut().enumerate() {
                self.take_row(set, i);
                *out = self.joined.function.value(set, &self.row, p);
            }
        });
        self.differences[set] = differences;
        for (place, column) in places.iter().zip(&scratch) {
            columns[*place][first..first + n].copy_from_slice(column);
        }
    }
}

impl Curves for SetsCurve<'_, '_> {
    fn values(&mut self, p: &[f64], out: &mut [f64]) {
        let mut first = 0;
        for set in 0..self.joined.sets.len() {
            self.take_own(set, p);
            let n = self.joined.sets[set].y.len();
            for i in 0..n {
                self.take_row(set, i);
                out[first + i] = self.joined.function.value(set, &self.row, &self.own);
            }
            first += n;
        }
        assert!(first == out.len(), "one value for each point");
    }

    fn derivatives(&mut self, p: &[f64], wanted: &[bool], precision: Precision, columns: &mut [Vec<f64>]) {
        columns.iter_mut().for_each(|column| column.fill(0.0));
        let mut first = 0;
        for set in 0..self.joined.sets.len() {
            self.take_own(set, p);
            if !self.exact(set, first, columns) {
                self.by_differences(set, first, wanted, precision, columns);
            }
            first += self.joined.sets[set].y.len();
        }
    }
}
