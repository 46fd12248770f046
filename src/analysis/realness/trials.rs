//! Every pair of features at two fields is a law to try; here the trials are made and ranked.
//!
//! There are many: 38 spectra with 8 features each make 45,000 pairs, and each is compared with every feature. So the
//! features stand in a table of plain numbers, and what costs a root or a logarithm is asked last.

use super::law::{ALIKE, Company, Trial, View, allowed, signed};
use super::scan::Feature;
use super::spectrum::Settings;
use super::weigh::company_of;

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
    shares: &'v [Option<(f64, f64)>],
    centre: f64,
    variance: f64,
    ln_width: f64,
    overlaid: bool,
}

/// The features of one spectrum.
struct Shelf<'v> {
    field_t: f64,
    entries: Vec<Entry<'v>>,
}

fn shelves<'v>(view: &'v View, among: &[usize]) -> Vec<Shelf<'v>> {
    let entry = |k: usize, index: usize| {
        let feature = &view.features[k][index];
        Entry {
            feature,
            shares: &view.shared[k][index],
            centre: feature.centre_hz,
            variance: feature.error_hz * feature.error_hz,
            ln_width: feature.width_hz.ln(),
            overlaid: view.overlaid(feature),
        }
    };
    among
        .iter()
        .map(|&k| Shelf {
            field_t: view.spectra[k].field_t,
            entries: (0..view.features[k].len()).map(|index| entry(k, index)).collect(),
        })
        .collect()
}

/// All admissible laws through two features of the spectra listed, the one with most along it first.
pub(super) fn ranked<'v>(view: &'v View, among: &[usize], settings: &Settings) -> Vec<Ranked<'v>> {
    let shelves = shelves(view, among);
    let mut trials = Vec::new();
    for (n, one) in shelves.iter().enumerate() {
        for other in &shelves[n + 1..] {
            if one.field_t == other.field_t {
                continue;
            }
            for a in &one.entries {
                for b in &other.entries {
                    if (a.ln_width - b.ln_width).abs() > ALIKE {
                        continue;
                    }
                    let (ba, bb) = (one.field_t, other.field_t);
                    let slope = (signed(b.feature, bb) - signed(a.feature, ba)) / (bb - ba);
                    let trial = Trial { slope, tip_field: signed(a.feature, ba) / slope - ba };
                    if slope > 0.0 && trial.admissible(settings) {
                        let width_hz = (0.5 * (a.ln_width + b.ln_width)).exp();
                        let sum = sum_along(view, &shelves, trial, [(ba, a), (bb, b)], width_hz);
                        trials.push(Ranked { sum, trial, pair: [a.feature, b.feature], width_hz });
                    }
                }
            }
        }
    }
    trials.sort_by(|a, b| b.sum.total_cmp(&a.sum));
    trials.dedup_by(|a, b| a.sum == b.sum);
    trials
}

/// Summed gain of the features nearest to a trial that are not seen in place elsewhere.
fn sum_along(
    view: &View,
    shelves: &[Shelf],
    trial: Trial,
    [(ba, a), (bb, b)]: [(f64, &Entry); 2],
    width: f64,
) -> f64 {
    let ln_width = 0.5 * (a.ln_width + b.ln_width);
    let mut sum = 0.0;
    for shelf in shelves {
        let place = trial.at(shelf.field_t);
        let mut nearest: Option<(f64, &Entry)> = None;
        for entry in &shelf.entries {
            let off = (entry.centre - place).abs();
            // The furthest that is ever allowed; most features fail here.
            if off > 1.2 * width || nearest.is_some_and(|(least, _)| off >= least) {
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
            let passes =
                |j: usize| (trial.at(view.spectra[j].field_t) - f.centre_hz).abs() < 1.5 * f.width_hz;
            if company_of(entry.shares, passes) != Company::InPlace {
                sum += f.gain;
            }
        }
    }
    sum
}
