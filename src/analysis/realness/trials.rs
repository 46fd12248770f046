//! Every pair of features at two fields is a law to try; here the trials are made and ranked.
//!
//! There are many: 38 spectra with 8 features each make 45,000 pairs, and each is compared with every feature. So the
//! features stand in a table of plain numbers, what costs a root or a logarithm is asked last, and a trial is dropped
//! as soon as the strongest features of all spectra left could not bring it among the best.

use super::law::{ALIKE, Company, Trial, View, allowed, signed};
use super::scan::{Feature, MOST_FEATURES};
use super::spectrum::Settings;
use super::weigh::{Told, company_of, told};

/// A law through two features, and what lies along it.
pub(super) struct Ranked<'v> {
    /// Summed gain of the listed features along the law that are not seen in place elsewhere.
    pub sum: f64,
    pub trial: Trial,
    pub pair: [&'v Feature; 2],
    /// Mean width of the two, Hz.
    pub width_hz: f64,
}

/// A feature reduced to what the ranking asks.
struct Entry<'v> {
    feature: &'v Feature,
    /// Fields of the spectra that could tell, and whether they show it in the same place or lack it.
    told: Vec<(f64, Told)>,
    centre: f64,
    variance: f64,
    ln_width: f64,
    overlaid: bool,
}

/// The features of one spectrum.
struct Shelf<'v> {
    field_t: f64,
    entries: Vec<Entry<'v>>,
    /// Their centres once more, filled up with infinity: most shelves have nothing near, which these tell at once.
    centres: [f64; MOST_FEATURES],
    /// The most that this spectrum and those after it can add to a trial.
    at_most: f64,
}

fn shelves<'v>(view: &'v View, among: &[usize]) -> Vec<Shelf<'v>> {
    let entry = |k: usize, index: usize| {
        let feature = &view.features[k][index];
        Entry {
            feature,
            told: view.shared[k][index]
                .iter()
                .zip(view.spectra)
                .filter_map(|(share, sp)| Some((sp.field_t, told((*share)?)?)))
                .collect(),
            centre: feature.centre_hz,
            variance: feature.error_hz * feature.error_hz,
            ln_width: feature.width_hz.ln(),
            overlaid: view.overlaid(feature),
        }
    };
    let mut shelves: Vec<Shelf> = among
        .iter()
        .map(|&k| {
            let entries: Vec<Entry> = (0..view.features[k].len()).map(|index| entry(k, index)).collect();
            let mut centres = [f64::INFINITY; MOST_FEATURES];
            for (place, entry) in centres.iter_mut().zip(&entries) {
                *place = entry.centre;
            }
            Shelf { field_t: view.spectra[k].field_t, entries, centres, at_most: 0.0 }
        })
        .collect();
    let mut at_most = 0.0;
    for shelf in shelves.iter_mut().rev() {
        let free = shelf.entries.iter().filter(|e| !e.overlaid);
        at_most += free.map(|e| e.feature.gain).fold(0.0, f64::max);
        shelf.at_most = at_most;
    }
    shelves
}

/// The `most` best admissible laws through two features of the spectra listed, the one with most along it first.
pub(super) fn ranked<'v>(
    view: &'v View,
    among: &[usize],
    settings: &Settings,
    most: usize,
) -> Vec<Ranked<'v>> {
    let shelves = shelves(view, among);
    let mut best: Vec<Ranked> = Vec::with_capacity(most + 1);
    for (n, one) in shelves.iter().enumerate() {
        for other in &shelves[n + 1..] {
            let (ba, bb) = (one.field_t, other.field_t);
            if ba == bb {
                continue;
            }
            let pairs = one.entries.iter().flat_map(|a| other.entries.iter().map(move |b| (a, b)));
            for (a, b) in pairs.filter(|(a, b)| (a.ln_width - b.ln_width).abs() <= ALIKE) {
                let slope = (signed(b.feature, bb) - signed(a.feature, ba)) / (bb - ba);
                let trial = Trial { slope, tip_field: signed(a.feature, ba) / slope - ba };
                if slope <= 0.0 || !trial.admissible(settings) {
                    continue;
                }
                let width_hz = (0.5 * (a.ln_width + b.ln_width)).exp();
                let least = if best.len() == most { best[most - 1].sum } else { f64::NEG_INFINITY };
                let Some(sum) = sum_along(&shelves, trial, [(ba, a), (bb, b)], width_hz, least) else {
                    continue;
                };
                // The same features along another pair's law are the same law.
                let place = best.partition_point(|r| r.sum > sum);
                if best.get(place).is_none_or(|r| r.sum != sum) {
                    best.insert(place, Ranked { sum, trial, pair: [a.feature, b.feature], width_hz });
                    best.truncate(most);
                }
            }
        }
    }
    best
}

/// Summed gain of the features nearest to a trial that are not seen in place elsewhere; `None` where it can't exceed
/// `least`.
fn sum_along(
    shelves: &[Shelf],
    trial: Trial,
    [(ba, a), (bb, b)]: [(f64, &Entry); 2],
    width: f64,
    least: f64,
) -> Option<f64> {
    let ln_width = 0.5 * (a.ln_width + b.ln_width);
    let mut sum = 0.0;
    for shelf in shelves {
        // Rounding must not decide, so the bound is given a hair's breadth.
        if (sum + shelf.at_most) * (1.0 + 1e-12) <= least {
            return None;
        }
        let place = trial.at(shelf.field_t);
        // The furthest that is ever allowed.
        let reach = 1.2 * width;
        if !shelf.centres.iter().fold(false, |near, centre| near | ((centre - place).abs() <= reach)) {
            continue;
        }
        let mut nearest: Option<(f64, &Entry)> = None;
        for entry in &shelf.entries {
            let off = (entry.centre - place).abs();
            if off > reach || nearest.is_some_and(|(least, _)| off >= least) {
                continue;
            }
            let t = (shelf.field_t - ba) / (bb - ba);
            let variance = (1.0 - t).powi(2) * a.variance + t * t * b.variance + entry.variance;
            if (entry.ln_width - ln_width).abs() < ALIKE && off <= allowed(variance.sqrt(), width) {
                nearest = Some((off, entry));
            }
        }
        if let Some((_, entry)) = nearest.filter(|(_, e)| !e.overlaid) {
            let f = entry.feature;
            let others = entry
                .told
                .iter()
                .filter(|(field_t, _)| (trial.at(*field_t) - f.centre_hz).abs() >= 1.5 * f.width_hz);
            if company_of(others.map(|(_, told)| *told)) != Company::InPlace {
                sum += f.gain;
            }
        }
    }
    Some(sum)
}
