//! One model in several spectra, some parameters shared among them.

use super::sets::{Function, Joined, Set, check_sets, check_shared};
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
    if !options.sigmas.is_empty() {
        let message = "give sigmas with the spectra of a global fit, not with the options".to_owned();
        return Err(FitError::BadSetting { message });
    }
    let columns: Vec<[&[f64]; 1]> = spectra.iter().map(|s| [s.x]).collect();
    let sets: Vec<Set<'_>> =
        spectra.iter().zip(&columns).map(|(s, columns)| Set { columns, y: s.y, sigmas: s.sigmas }).collect();
    check_sets(&sets)?;
    let alone: Vec<Fit> = spectra.iter().map(|s| single(shape, s)).collect::<Result<_, _>>()?;
    check_shared(&alone[0].model.names(), shared)?;
    let shared: Vec<String> = shared.iter().map(|n| (*n).to_owned()).collect();
    let model = Model::Global { models: alone.iter().map(|f| f.model.clone()).collect(), shared };
    together(model, &alone, &sets, options)
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

fn together(model: Model, alone: &[Fit], sets: &[Set<'_>], options: &Options) -> Result<Fit, FitError> {
    let names = model.names();
    let Model::Global { models, shared } = &model else { unreachable!("built as a global model") };
    let start: Vec<f64> = names
        .iter()
        .map(|name| match name.split_once('@') {
            Some((own, k)) => alone[k.parse::<usize>().expect("numbered by the model") - 1].value(own),
            None => middle(alone.iter().map(|f| f.value(name)).collect()),
        })
        .collect();
    let places = places(models, shared);
    let mut function = Models(models);
    let joined = Joined { function: &mut function, sets, places: places.clone() };
    let mut fit = joined.fit(model.clone(), &start, options)?;
    for ((own, places), set) in models.iter().zip(&places).zip(sets) {
        let (low, high) = prepare::range(set.columns[0]);
        for (name, place) in own.names().iter().zip(places) {
            let found = &fit.parameters[*place];
            if own.places(name) && !(low..=high).contains(&found.value) {
                fit.doubts.push(Doubt::OutsideData(found.name.clone()));
            }
        }
    }
    Ok(fit)
}

/// A built-in model for each set.
struct Models<'a>(&'a [Model]);

impl Function for Models<'_> {
    fn value(&mut self, set: usize, row: &[f64], p: &[f64]) -> f64 {
        self.0[set].at(row[0], p).unwrap_or(f64::NAN)
    }

    fn with_gradient(&mut self, set: usize, row: &[f64], p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        Some(self.0[set].with_gradient(row[0], p, gradient))
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
