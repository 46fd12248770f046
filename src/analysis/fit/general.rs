//! Damped least squares for any model: Levenberg-Marquardt with bounds, then a check of its own that the place
//! it ended at is a minimum.

use nalgebra::{DMatrix, DVector};
use rmpfit::{MPConfig, MPFitter, MPPar, MPResult, MPSide, MPSuccess};

use super::{FitError, Options, covariance, prepare};

/// A model over all points of a fit at once.
pub(crate) trait Curves {
    /// Writes the model value of each point.
    fn values(&mut self, p: &[f64], out: &mut [f64]);

    /// Writes the derivative by each parameter wanted, as columns over the points.
    fn derivatives(&mut self, p: &[f64], wanted: &[bool], precision: Precision, columns: &mut [Vec<f64>]);
}

/// How good derivatives have to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Precision {
    /// Good enough to find the way.
    Rough,
    /// For the last steps and the errors.
    Good,
    /// The best there are, for residuals at the level of rounding.
    Best,
}

/// What the minimisation found.
pub(crate) struct Minimum {
    pub(crate) values: Vec<f64>,
    pub(crate) inverse: Option<DMatrix<f64>>,
    pub(crate) converged: bool,
    pub(crate) iterations: usize,
    pub(crate) deviations: Vec<f64>,
    /// Derivatives by the free parameters over the sigmas.
    pub(crate) columns: Vec<Vec<f64>>,
    /// Weighted sum of squares.
    pub(crate) sum: f64,
}

/// A residual this large stands for a model value that is not finite: the step is refused, not the fit.
const REFUSED: f64 = 1e140;

struct Problem<'a> {
    curves: &'a mut dyn Curves,
    y: &'a [f64],
    /// One over sigma, times a factor that keeps squares in range.
    weights: Vec<f64>,
    wanted: Vec<bool>,
    limits: Vec<MPPar>,
    bounds: Vec<(f64, f64)>,
    config: MPConfig,
    columns: Vec<Vec<f64>>,
}

impl Problem<'_> {
    fn residuals(&mut self, p: &[f64], out: &mut [f64]) {
        self.curves.values(p, out);
        for ((out, y), weight) in out.iter_mut().zip(self.y).zip(&self.weights) {
            let r = (y - *out) * weight;
            *out = if r.is_finite() { r.clamp(-REFUSED, REFUSED) } else { REFUSED };
        }
    }

    /// Weighted derivatives of the model; `false` if one is not finite.
    fn jacobian(&mut self, p: &[f64], precision: Precision) -> bool {
        self.curves.derivatives(p, &self.wanted, precision, &mut self.columns);
        let mut finite = true;
        for j in (0..p.len()).filter(|j| self.wanted[*j]) {
            for (entry, weight) in self.columns[j].iter_mut().zip(&self.weights) {
                *entry *= weight;
                if !entry.is_finite() {
                    *entry = 0.0;
                    finite = false;
                }
            }
        }
        finite
    }

    fn sum(&mut self, p: &[f64]) -> f64 {
        let mut r = vec![0.0; self.y.len()];
        self.residuals(p, &mut r);
        r.iter().map(|r| r * r).sum()
    }

    fn at_bound(&self, j: usize, value: f64) -> bool {
        value <= self.bounds[j].0 || value >= self.bounds[j].1
    }
}

impl MPFitter for Problem<'_> {
    fn eval(&mut self, params: &[f64], deviates: &mut [f64]) -> MPResult<()> {
        self.residuals(params, deviates);
        Ok(())
    }

    fn number_of_points(&self) -> usize {
        self.y.len()
    }

    fn config(&self) -> &MPConfig {
        &self.config
    }

    fn parameters(&self) -> &[MPPar] {
        &self.limits
    }

    fn jacobian(
        &mut self,
        params: &[f64],
        deviates: &mut [f64],
        derivs: &mut [Option<Vec<f64>>],
    ) -> MPResult<()> {
        self.residuals(params, deviates);
        Problem::jacobian(self, params, Precision::Rough);
        for (wanted, column) in derivs.iter_mut().zip(&self.columns) {
            if let Some(out) = wanted {
                for (out, d) in out.iter_mut().zip(column) {
                    *out = -d;
                }
            }
        }
        Ok(())
    }
}

/// How far a place is from the minimum of the linearised problem.
struct Offset {
    step: Vec<f64>,
    /// Root mean square of the step in standard errors.
    relative: f64,
    /// Largest change of the curve by one step, root mean square over its magnitude.
    change: f64,
}

/// How long to look for a minimum from one start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Effort {
    /// For starts found from the data: a start that does not lead anywhere is given up soon for the next one.
    Brief,
    /// For the one start that a user gave.
    Patient,
}

/// Minimises the weighted sum of squares from a starting point.
pub(crate) fn minimise(
    curves: &mut dyn Curves,
    y: &[f64],
    names: &[String],
    start: &[f64],
    options: &Options,
    effort: Effort,
) -> Result<Minimum, FitError> {
    options.check(names)?;
    assert!(names.len() == start.len(), "each parameter has a starting value");
    let wanted: Vec<bool> = names.iter().map(|n| !options.is_fixed(n)).collect();
    let free = wanted.iter().filter(|w| **w).count();
    if free == 0 {
        return Err(FitError::NothingFree);
    }
    if y.len() <= free {
        return Err(FitError::TooFewPoints { points: y.len(), parameters: free });
    }
    let bounds: Vec<(f64, f64)> = names.iter().map(|n| options.bounds_of(n)).collect();
    let start: Vec<f64> = start
        .iter()
        .zip(names)
        .zip(&bounds)
        .map(|((s, name), (low, high))| options.given(name).unwrap_or(s.clamp(*low, *high)))
        .collect();
    let mut first = vec![0.0; y.len()];
    curves.values(&start, &mut first);
    if let Some(index) = first.iter().position(|v| !v.is_finite()) {
        return Err(FitError::ModelNotFinite { index });
    }
    let unit = largest_weighted(y, &first, &options.sigmas);
    let weights =
        (0..y.len()).map(|i| 1.0 / (unit * options.sigmas.get(i).copied().unwrap_or(1.0))).collect();
    let limits = wanted.iter().zip(&bounds).map(|(w, b)| limit(*w, *b)).collect();
    let columns = vec![vec![0.0; y.len()]; names.len()];
    let max_iter = if effort == Effort::Patient { 400 } else { 60 };
    let config = MPConfig { ftol: 1e-11, xtol: 1e-9, gtol: 1e-13, max_iter, ..MPConfig::new() };
    let mut problem = Problem { curves, y, weights, wanted, limits, bounds, config, columns };
    Ok(conclude(&mut problem, &start, unit, effort))
}

fn largest_weighted(y: &[f64], first: &[f64], sigmas: &[f64]) -> f64 {
    let mut unit = 0.0_f64;
    for (i, (y, f)) in y.iter().zip(first).enumerate() {
        let sigma = sigmas.get(i).copied().unwrap_or(1.0);
        unit = unit.max(y.abs() / sigma).max((y - f).abs().min(1e100) / sigma);
    }
    if unit > 0.0 { unit } else { 1.0 }
}

fn limit(free: bool, (low, high): (f64, f64)) -> MPPar {
    MPPar {
        fixed: !free,
        limited_low: low.is_finite(),
        limited_up: high.is_finite(),
        limit_low: if low.is_finite() { low } else { 0.0 },
        limit_up: if high.is_finite() { high } else { 0.0 },
        side: MPSide::User,
        ..MPPar::new()
    }
}

/// Runs the solver with its usual first step; where that does not end at a sound minimum, again with shorter
/// first steps and from where it stopped, and keeps the best.
fn conclude(problem: &mut Problem<'_>, start: &[f64], unit: f64, effort: Effort) -> Minimum {
    let mut best: Option<Minimum> = None;
    let mut iterations = 0;
    let (first_steps, rounds): (&[f64], usize) = match effort {
        Effort::Patient => (&[100.0, 1.0, 0.1, 0.01], 3),
        Effort::Brief => (&[100.0, 0.1], 1),
    };
    for &step_factor in first_steps {
        problem.config.step_factor = step_factor;
        let mut p = start.to_vec();
        let mut found = None;
        // A second round from the end of the first starts with fresh damping.
        for _ in 0..rounds {
            iterations += descend(problem, &mut p);
            let minimum = polish(problem, &mut p, unit);
            let sound = minimum.converged;
            found = Some(minimum);
            if sound {
                break;
            }
        }
        let Some(found) = found else { continue };
        let better = |old: &Minimum| {
            let rank = |m: &Minimum| (m.converged && m.inverse.is_some(), m.inverse.is_some());
            rank(&found) > rank(old) || (rank(&found) == rank(old) && found.sum < old.sum)
        };
        if best.as_ref().is_none_or(better) {
            best = Some(found);
        }
        if best.as_ref().is_some_and(|b| b.converged && b.inverse.is_some()) {
            break;
        }
    }
    let mut best = best.expect("at least one round was run");
    best.iterations = iterations;
    best
}

/// One run of the solver; the point moves only if it ends with finite numbers.
fn descend(problem: &mut Problem<'_>, p: &mut Vec<f64>) -> usize {
    let mut moved = p.clone();
    match problem.mpfit(&mut moved) {
        Ok(status) if moved.iter().all(|v| v.is_finite()) => {
            debug_assert!(status.success != MPSuccess::NotDone, "the solver has ended");
            *p = moved;
            status.n_iter
        }
        _ => 0,
    }
}

/// Undamped steps on the best derivatives, as long as they help, and the judgement whether this is a minimum.
fn polish(problem: &mut Problem<'_>, p: &mut Vec<f64>, unit: f64) -> Minimum {
    let mut sum = problem.sum(p);
    let mut converged = false;
    let mut precision = Precision::Good;
    // Whether the derivatives at hand are those at this place.
    let mut fresh = false;
    for _ in 0..12 {
        if sum < 1e-12 * problem.y.len() as f64 {
            precision = Precision::Best;
        }
        fresh = false;
        let Some(offset) = offset(problem, p, precision) else { break };
        fresh = true;
        // Within a thousandth of a standard error, or with nothing left to gain in the digits of the curve.
        converged = offset.relative < 1e-3 || offset.change < 1e-9;
        if offset.relative < 1e-7 || offset.change < 1e-15 {
            break;
        }
        let trial: Vec<f64> = p
            .iter()
            .zip(&offset.step)
            .zip(&problem.bounds)
            .map(|((p, s), (low, high))| (p + s).clamp(*low, *high))
            .collect();
        let trial_sum = problem.sum(&trial);
        let improves = trial_sum < sum || (converged && trial_sum < sum * (1.0 + 1e-13));
        if !improves {
            break;
        }
        (*p, sum) = (trial, trial_sum);
        fresh = false;
    }
    let finite = fresh || problem.jacobian(p, precision);
    let used: Vec<Vec<f64>> =
        (0..p.len()).filter(|j| problem.wanted[*j]).map(|j| problem.columns[j].clone()).collect();
    let inverse = covariance::of_columns(&used).filter(|_| finite).map(|c| c / (unit * unit));
    let mut fitted = vec![0.0; problem.y.len()];
    problem.curves.values(p, &mut fitted);
    let deviations = problem.y.iter().zip(&fitted).map(|(y, f)| y - f).collect();
    // The solver's own weights hold a unit that keeps squares in range.
    let columns = used.into_iter().map(|column| column.into_iter().map(|v| v * unit).collect()).collect();
    let (values, sum) = (p.clone(), sum * unit * unit);
    Minimum { values, inverse, converged, iterations: 0, deviations, columns, sum }
}

/// The step to the minimum of the linearised problem, in all parameters that are free and not at a bound.
fn offset(problem: &mut Problem<'_>, p: &[f64], precision: Precision) -> Option<Offset> {
    if !problem.jacobian(p, precision) {
        return None;
    }
    let loose: Vec<usize> =
        (0..p.len()).filter(|j| problem.wanted[*j] && !problem.at_bound(*j, p[*j])).collect();
    let n = problem.y.len();
    if loose.is_empty() {
        return Some(Offset { step: vec![0.0; p.len()], relative: 0.0, change: 0.0 });
    }
    let lengths: Vec<f64> =
        loose.iter().map(|j| problem.columns[*j].iter().map(|v| v * v).sum::<f64>().sqrt()).collect();
    if lengths.iter().any(|l| !(l.is_finite() && *l > 0.0)) {
        return None;
    }
    let matrix = DMatrix::from_fn(n, loose.len(), |i, a| problem.columns[loose[a]][i] / lengths[a]);
    let mut r = vec![0.0; n];
    problem.residuals(p, &mut r);
    let r = DVector::from_vec(r);
    let qr = matrix.qr();
    let along = qr.q().transpose() * &r;
    let solved = qr.r().solve_upper_triangular(&along)?;
    let mut step = vec![0.0; p.len()];
    let mut change = 0.0_f64;
    for (a, j) in loose.iter().enumerate() {
        step[*j] = solved[a] / lengths[a];
        change = change.max(solved[a].abs() / (n as f64).sqrt());
    }
    let freedom = (n - loose.len()).max(1) as f64;
    let across = (r.norm_squared() - along.norm_squared()).max(0.0) / freedom;
    let relative = (along.norm_squared() / loose.len() as f64 / across.max(f64::MIN_POSITIVE)).sqrt();
    step.iter().all(|s| s.is_finite()).then_some(Offset { step, relative, change })
}

/// Sorting of points by x for diagnostics; `None` if they are in order.
pub(crate) fn rising(x: &[f64]) -> Option<Vec<usize>> {
    if x.is_sorted() {
        return None;
    }
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_by(|a, b| x[*a].total_cmp(&x[*b]));
    Some(order)
}

/// Largest |y|.
pub(crate) fn magnitude(y: &[f64]) -> f64 {
    let (low, high) = prepare::range(y);
    low.abs().max(high.abs())
}
