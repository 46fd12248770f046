//! One model in several spectra, some parameters shared among them.

use super::finish::Solution;
use super::general::{self, Curves, Precision};
use super::shape::ModelCurve;
use super::{Doubt, Fit, FitError, Options, approach, decay, gaussian, lorentzian, prepare, resonance};
use crate::analysis::model::Model;
use crate::analysis::order::middle;

/// One spectrum of a global fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spectrum<'a> {
    /// Swept quantity.
    pub x: &'a [f64],
    /// Signal.
    pub y: &'a [f64],
    /// Standard deviation of each y; empty if not known (then for all spectra).
    pub sigmas: &'a [f64],
}

/// The model of each spectrum in a global fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Shape {
    /// [`Model::Fano`].
    Fano,
    /// [`Model::Lorentzian`].
    Lorentzian,
    /// [`Model::Gaussian`].
    Gaussian,
    /// [`Model::Decay`].
    Decay,
    /// [`Model::Approach`].
    Approach,
}

/// Fits the same shape to several spectra at once, with the named parameters shared.
///
/// Shared parameters carry their own names; the others are named `centre@1` for the first spectrum and so on. Each
/// spectrum is first fitted alone for the starting values. Sigmas are those of the spectra; the options may fix,
/// bound or start any parameter of the global fit. The fitted curve of spectrum k is [`Fit::curve_of`].
///
/// # Errors
/// [`FitError`], also if a spectrum alone cannot be fitted or only some have sigmas.
///
/// ```
/// use noctule::analysis::fit::{self, Options, Shape, Spectrum};
/// let x: Vec<f64> = (0..101).map(f64::from).collect();
/// let line = |centre: f64, height: f64| -> Vec<f64> {
///     x.iter().map(|x| height / (1.0 + ((x - centre) / 5.0).powi(2))).collect()
/// };
/// let (a, b) = (line(40.0, 1.0), line(60.0, 2.0));
/// let spectra = [Spectrum { x: &x, y: &a, sigmas: &[] }, Spectrum { x: &x, y: &b, sigmas: &[] }];
/// let fit = fit::global(Shape::Fano, &spectra, &["width"], &Options::new()).unwrap();
/// assert!((fit.value("width") - 10.0).abs() < 1e-6 && (fit.value("centre@2") - 60.0).abs() < 1e-6);
/// ```
pub fn global(
    shape: Shape,
    spectra: &[Spectrum],
    shared: &[&str],
    options: &Options,
) -> Result<Fit, FitError> {
    if spectra.is_empty() {
        return Err(FitError::Empty);
    }
    if !options.sigmas.is_empty() {
        let message = "give sigmas with the spectra of a global fit, not with the options".to_owned();
        return Err(FitError::BadSetting { message });
    }
    let weighted = spectra.iter().filter(|s| !s.sigmas.is_empty()).count();
    if weighted != 0 && weighted != spectra.len() {
        let message = "either all spectra of a global fit have sigmas or none".to_owned();
        return Err(FitError::BadSetting { message });
    }
    let alone: Vec<Fit> = spectra.iter().map(|s| single(shape, s)).collect::<Result<_, _>>()?;
    let own = alone[0].model.names();
    for (i, name) in shared.iter().enumerate() {
        if !own.iter().any(|n| n == name) {
            return Err(FitError::UnknownParameter { name: (*name).to_owned() });
        }
        if shared[..i].contains(name) {
            let message = format!("the parameter `{name}` is shared twice");
            return Err(FitError::BadSetting { message });
        }
    }
    let shared: Vec<String> = shared.iter().map(|n| (*n).to_owned()).collect();
    let model = Model::Global { models: alone.iter().map(|f| f.model.clone()).collect(), shared };
    let mut options = options.clone();
    options.sigmas = spectra.iter().flat_map(|s| s.sigmas.iter().copied()).collect();
    together(model, &alone, spectra, &options)
}

fn single(shape: Shape, spectrum: &Spectrum) -> Result<Fit, FitError> {
    let options = Options::new().sigmas(spectrum.sigmas);
    let fit = match shape {
        Shape::Fano => resonance,
        Shape::Lorentzian => lorentzian,
        Shape::Gaussian => gaussian,
        Shape::Decay => decay,
        Shape::Approach => approach,
    };
    fit(spectrum.x, spectrum.y, &options)
}

fn together(model: Model, alone: &[Fit], spectra: &[Spectrum], options: &Options) -> Result<Fit, FitError> {
    let names = model.names();
    let Model::Global { models, shared } = &model else { unreachable!("built as a global model") };
    let y: Vec<f64> = spectra.iter().flat_map(|s| s.y.iter().copied()).collect();
    let start: Vec<f64> = names
        .iter()
        .map(|name| match name.split_once('@') {
            Some((own, k)) => alone[k.parse::<usize>().expect("numbered by the model") - 1].value(own),
            None => middle(alone.iter().map(|f| f.value(name)).collect()),
        })
        .collect();
    let mut curves = GlobalCurve::new(models, shared, spectra);
    let found = general::minimise(&mut curves, &y, &names, &start, options, general::Effort::Patient)?;
    let mut doubts = Vec::new();
    for (k, spectrum) in spectra.iter().enumerate() {
        let (low, high) = prepare::range(spectrum.x);
        for name in models[k].names().iter().filter(|n| models[k].places(n)) {
            let global = if shared.contains(name) { name.clone() } else { format!("{name}@{}", k + 1) };
            let place = names.iter().position(|n| *n == global).expect("a name of the model");
            if !(low..=high).contains(&found.values[place]) {
                doubts.push(Doubt::OutsideData(global));
            }
        }
    }
    let order = in_order(spectra);
    let solution = Solution {
        model: model.clone(),
        values: found.values,
        inverse: found.inverse,
        converged: found.converged,
        iterations: found.iterations,
        deviations: found.deviations,
        order: Some(order),
        magnitude: general::magnitude(&y),
        doubts,
    };
    Ok(solution.finish(options))
}

/// All points, spectrum after spectrum, each in the order of its x.
fn in_order(spectra: &[Spectrum]) -> Vec<usize> {
    let mut order = Vec::new();
    for spectrum in spectra {
        let first = order.len();
        let mut own: Vec<usize> = (0..spectrum.x.len()).collect();
        own.sort_by(|a, b| spectrum.x[*a].total_cmp(&spectrum.x[*b]));
        order.extend(own.iter().map(|i| first + i));
    }
    order
}

struct GlobalCurve<'a> {
    curves: Vec<ModelCurve<'a>>,
    /// For each spectrum, the place of each of its parameters among all.
    places: Vec<Vec<usize>>,
    scratch: Vec<Vec<Vec<f64>>>,
}

impl<'a> GlobalCurve<'a> {
    fn new(models: &'a [Model], shared: &[String], spectra: &[Spectrum<'a>]) -> Self {
        let places = places(models, shared);
        let curves: Vec<ModelCurve> =
            models.iter().zip(spectra).map(|(m, s)| ModelCurve::new(m, s.x)).collect();
        let scratch = spectra.iter().zip(&places).map(|(s, p)| vec![vec![0.0; s.x.len()]; p.len()]).collect();
        Self { curves, places, scratch }
    }
}

/// For each spectrum, the place of each of its parameters among those of the global model.
pub(super) fn places(models: &[Model], shared: &[String]) -> Vec<Vec<usize>> {
    let mut next = shared.len();
    let place = |name: &String, next: &mut usize| {
        shared.iter().position(|s| s == name).unwrap_or_else(|| {
            *next += 1;
            *next - 1
        })
    };
    models.iter().map(|model| model.names().iter().map(|n| place(n, &mut next)).collect()).collect()
}

impl Curves for GlobalCurve<'_> {
    fn values(&mut self, p: &[f64], out: &mut [f64]) {
        let mut first = 0;
        for (curve, places) in self.curves.iter_mut().zip(&self.places) {
            let own: Vec<f64> = places.iter().map(|i| p[*i]).collect();
            let last = first + curve.x.len();
            curve.values(&own, &mut out[first..last]);
            first = last;
        }
    }

    fn derivatives(&mut self, p: &[f64], wanted: &[bool], precision: Precision, columns: &mut [Vec<f64>]) {
        columns.iter_mut().for_each(|c| c.fill(0.0));
        let mut first = 0;
        for ((curve, places), scratch) in self.curves.iter_mut().zip(&self.places).zip(&mut self.scratch) {
            let own: Vec<f64> = places.iter().map(|i| p[*i]).collect();
            curve.derivatives(&own, wanted, precision, scratch);
            let last = first + curve.x.len();
            for (place, column) in places.iter().zip(scratch.iter()) {
                columns[*place][first..last].copy_from_slice(column);
            }
            first = last;
        }
    }
}
