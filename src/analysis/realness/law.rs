//! Which features of different spectra lie on one field line.

use super::field_line::{FieldLine, MU_B_PER_H_HZ_PER_T, field_line, plain_line};
use super::scan::{Feature, Trace, features, refine, shape_ratio};
use super::spectrum::{Prepared, Settings};
use super::trials::{Ranked, ranked};
use super::weigh::weigh;

/// What each spectrum shows of a feature in its place: share of the shape and error, where it can tell.
pub(super) type Shares = Vec<Option<(f64, f64)>>;

/// One look at the spectra: their features, and what other spectra show in the same places.
pub(super) struct View<'a> {
    pub spectra: &'a [Prepared],
    /// What the other spectra have in common at every point, where it is to be allowed for.
    pub common: Option<Vec<Vec<f64>>>,
    pub features: Vec<Vec<Feature>>,
    /// Gains of weaker bumps, which count as rivals only.
    pub lesser: Vec<Vec<f64>>,
    /// For each spectrum, feature and other spectrum: share of the feature's shape seen there, with its error.
    pub shared: Vec<Vec<Shares>>,
    /// Independent places and widths tried.
    pub trials: f64,
    /// For each spectrum every width tried, Hz, and by how much the noise there exceeds white noise.
    pub excess: Vec<Vec<(f64, f64)>>,
    /// Centres and widths of features known to stay in place.
    pub in_place: Vec<(f64, f64)>,
}

impl<'a> View<'a> {
    pub fn new(spectra: &'a [Prepared], common: Option<Vec<Vec<f64>>>) -> View<'a> {
        let mut view = View {
            spectra,
            common,
            features: Vec::new(),
            lesser: Vec::new(),
            shared: Vec::new(),
            trials: 0.0,
            excess: Vec::new(),
            in_place: Vec::new(),
        };
        for i in 0..spectra.len() {
            let scan = features(i, view.trace(i));
            view.features.push(scan.features);
            view.lesser.push(scan.lesser);
            view.trials += scan.trials;
            view.excess.push(scan.excess);
        }
        view.shared = view
            .features
            .iter()
            .map(|list| list.iter().map(|f| (0..spectra.len()).map(|j| view.share(f, j)).collect()).collect())
            .collect();
        view
    }

    /// Whether a feature lies on one that is known to stay in place.
    pub fn overlaid(&self, feature: &Feature) -> bool {
        self.in_place.iter().any(|(f, w)| (f - feature.centre_hz).abs() < w.max(feature.width_hz))
    }

    /// Share of a feature's shape that another spectrum shows in the same place.
    ///
    /// It can tell if it covers as much of the place as the spectrum in which the feature was found: at the end of a
    /// range that both have they see the same part of it.
    pub fn share(&self, feature: &Feature, other: usize) -> Option<(f64, f64)> {
        let (own, others) = (&self.spectra[feature.spectrum], &self.spectra[other]);
        let from = (feature.centre_hz - feature.width_hz).max(own.low());
        let to = (feature.centre_hz + feature.width_hz).min(own.high());
        let told = other != feature.spectrum && others.low() <= from && to <= others.high();
        told.then(|| shape_ratio(self.trace(other), feature.centre_hz, feature)).flatten()
    }

    pub fn trace(&self, index: usize) -> Trace<'_> {
        Trace { sp: &self.spectra[index], common: self.common.as_ref().map(|c| c[index].as_slice()) }
    }
}

/// Whether other spectra show a feature in the same place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Company {
    /// Others cover the place and do not show it: it is not part of the transmission line.
    Alone,
    /// No other spectrum can tell.
    Untold,
    /// Others show it too.
    InPlace,
    /// It lies on a law but its height or asymmetry is not that of the other members.
    Unlike,
}

/// A feature on a law.
#[derive(Debug, Clone)]
pub(super) struct Member {
    pub feature: Feature,
    pub company: Company,
}

impl Member {
    /// Whether it speaks for the law.
    pub fn counts(&self) -> bool {
        matches!(self.company, Company::Alone | Company::Untold)
    }
}

/// Features of several spectra that lie on one field line.
#[derive(Debug, Clone)]
pub(super) struct Law {
    pub line: FieldLine,
    pub members: Vec<Member>,
    /// Spectra whose range holds the place and that show nothing there.
    pub absent: Vec<usize>,
    /// Summed gain of the members that are not in place.
    pub total: f64,
    /// Log likelihood of one common shape along the law against none, over all spectra that cover it.
    pub likelihood: f64,
    /// The same without the spectrum that speaks for it most.
    pub without_best: f64,
    /// Expected number of such alignments by chance.
    pub chance: f64,
    /// Agreement of the line's asymmetry between spectra, 0 to 1.
    pub coherence: f64,
    /// Typical width, Hz.
    pub width_hz: f64,
}

impl Law {
    pub fn believed(&self) -> impl Iterator<Item = &Member> {
        self.members.iter().filter(|m| m.counts())
    }
    /// The field line through the members that speak for it, with errors that allow for wandering between spectra.
    pub fn stated(&self, spectra: &[Prepared]) -> FieldLine {
        let list: Vec<&Feature> = self.believed().map(|m| &m.feature).collect();
        let fields: Vec<f64> = list.iter().map(|f| spectra[f.spectrum].field_t).collect();
        let centres: Vec<f64> = list.iter().map(|f| f.centre_hz).collect();
        let errors: Vec<f64> = list.iter().map(|f| f.error_hz).collect();
        field_line(&fields, &centres, &errors).unwrap_or_else(|_| self.line.clone())
    }
    /// Distinct fields among the members that are not in place.
    pub fn fields(&self, spectra: &[Prepared]) -> usize {
        let mut b: Vec<f64> = self.believed().map(|m| spectra[m.feature.spectrum].field_t).collect();
        b.sort_by(f64::total_cmp);
        b.dedup();
        b.len()
    }
    /// How far the members that are not in place lie apart, Hz.
    pub fn moved_hz(&self) -> f64 {
        let (low, high) = self
            .believed()
            .map(|m| m.feature.centre_hz)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), f| (l.min(f), h.max(f)));
        (high - low).max(0.0)
    }
}

/// A straight field law to try: slope in Hz/T and tip field in T.
#[derive(Clone, Copy)]
pub(super) struct Trial {
    pub slope: f64,
    pub tip_field: f64,
}

impl Trial {
    pub fn admissible(self, settings: &Settings) -> bool {
        let moment = self.slope / (2.0 * MU_B_PER_H_HZ_PER_T);
        moment >= settings.smallest_moment_mu_b
            && moment <= settings.largest_moment_mu_b
            && self.tip_field.abs() <= settings.largest_tip_field_t
    }
    pub fn at(self, field_t: f64) -> f64 {
        (self.slope * (field_t + self.tip_field)).abs()
    }
}

/// Number of alignments that are followed up in full.
const FOLLOWED: usize = 16;

/// The laws through the features of the spectra listed in `among`, those with most along them.
///
/// Every pair of features at two fields is a law to try. The listed features along it, those in place left out,
/// rank the trials; the best few are fitted and weighed with every spectrum that covers them.
pub(super) fn best_laws(view: &View, among: &[usize], settings: &Settings) -> Vec<Law> {
    ranked(view, among, settings, FOLLOWED)
        .into_iter()
        .filter_map(|r| follow(view, among, &r, settings))
        .collect()
}

/// Widths of one line agree within this (natural logarithm of the ratio).
pub(super) const ALIKE: f64 = 0.92;

/// Where a law through two features passes at a field, and how well that is known.
fn through(view: &View, trial: Trial, pair: [&Feature; 2], field_t: f64) -> (f64, f64) {
    let (ba, bb) = (view.spectra[pair[0].spectrum].field_t, view.spectra[pair[1].spectrum].field_t);
    let t = (field_t - ba) / (bb - ba);
    (trial.at(field_t), ((1.0 - t) * pair[0].error_hz).hypot(t * pair[1].error_hz))
}

/// The listed feature of a spectrum nearest to a place, if one is near enough and alike in width.
fn nearest<'v>(
    view: &'v View,
    spectrum: usize,
    (place, error): (f64, f64),
    width: f64,
) -> Option<(usize, &'v Feature)> {
    view.features[spectrum]
        .iter()
        .enumerate()
        .filter(|(_, f)| fits(f, (place, error), width))
        .min_by(|a, b| (a.1.centre_hz - place).abs().total_cmp(&(b.1.centre_hz - place).abs()))
}

fn fits(f: &Feature, (place, error): (f64, f64), width: f64) -> bool {
    (f.width_hz / width).ln().abs() < ALIKE
        && (f.centre_hz - place).abs() <= allowed(error.hypot(f.error_hz), width)
}

/// How far a feature may lie off its law, given the error of both together.
pub(super) fn allowed(error: f64, width: f64) -> f64 {
    (3.0 * error + 0.3 * width).min(1.2 * width)
}

pub(super) fn signed(feature: &Feature, field_t: f64) -> f64 {
    if field_t < 0.0 { -feature.centre_hz } else { feature.centre_hz }
}

/// Fall of chi-square (two parameters) from which a weak feature at a predicted place counts.
const WEAKEST: f64 = 9.0;

/// Gathers the features along a law, fits it, gathers once more.
fn follow(
    view: &View,
    among: &[usize],
    Ranked { trial, pair, width_hz: width, .. }: &Ranked,
    settings: &Settings,
) -> Option<Law> {
    let (trial, pair, width) = (*trial, *pair, *width);
    let first = gather(view, among, width, |b| through(view, trial, pair, b));
    if first.len() < 2 {
        return None;
    }
    let line = fit(view, &first)?;
    let members = gather(view, among, width, |b| line.predict(b));
    let line = fit(view, &members)?;
    let trial = Trial { slope: line.slope_hz_per_t, tip_field: line.tip_field_t };
    if !trial.admissible(settings) {
        return None;
    }
    Some(weigh(view, among, line, members, width))
}

fn fit(view: &View, members: &[Feature]) -> Option<FieldLine> {
    let fields: Vec<f64> = members.iter().map(|f| view.spectra[f.spectrum].field_t).collect();
    let centres: Vec<f64> = members.iter().map(|f| f.centre_hz).collect();
    let errors: Vec<f64> = members.iter().map(|f| f.error_hz).collect();
    plain_line(&fields, &centres, &errors).ok().map(|(line, _)| line)
}

/// The nearest fitting feature of every spectrum; where none is listed, a weak one at the place itself.
fn gather(view: &View, among: &[usize], width: f64, predict: impl Fn(f64) -> (f64, f64)) -> Vec<Feature> {
    among
        .iter()
        .filter_map(|&k| {
            let place = predict(view.spectra[k].field_t);
            if let Some((_, listed)) = nearest(view, k, place, width) {
                return Some(listed.clone());
            }
            if !view.spectra[k].covers(place.0, width) {
                return None;
            }
            let excess = view.features[k].first().map_or(1.0, |f| f.excess);
            refine(k, view.trace(k), place.0, width, excess)
                .filter(|f| f.gain > WEAKEST && fits(f, place, width))
        })
        .collect()
}
