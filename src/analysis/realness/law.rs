//! Which features of different spectra lie on one field line.

use super::field_line::{FieldLine, MU_B_PER_H_HZ_PER_T, field_line};
use super::scan::{Feature, Trace, features, shape_ratio};
use super::spectrum::{Prepared, Settings};

/// One look at the spectra: their features, and what other spectra show in the same places.
pub(super) struct View<'a> {
    pub spectra: &'a [Prepared],
    /// What the other spectra have in common at every point, where it is to be allowed for.
    pub common: Option<Vec<Vec<f64>>>,
    pub features: Vec<Vec<Feature>>,
    /// For each spectrum, feature and other spectrum: share of the feature's shape seen there, with its error.
    pub shared: Vec<Vec<Vec<Option<(f64, f64)>>>>,
    /// Independent places and widths tried.
    pub trials: f64,
}

impl<'a> View<'a> {
    pub fn new(spectra: &'a [Prepared], common: Option<Vec<Vec<f64>>>) -> View<'a> {
        let mut trials = 0.0;
        let found: Vec<Vec<Feature>> = spectra
            .iter()
            .enumerate()
            .map(|(i, sp)| {
                let (list, tried) =
                    features(i, Trace { sp, common: common.as_ref().map(|c| c[i].as_slice()) });
                trials += tried;
                list
            })
            .collect();
        let shared = found
            .iter()
            .map(|list| {
                list.iter()
                    .map(|f| {
                        (0..spectra.len())
                            .map(|j| {
                                let told = j != f.spectrum && spectra[j].covers(f.centre_hz, f.width_hz);
                                let common = common.as_ref().map(|c| c[j].as_slice());
                                let trace = Trace { sp: &spectra[j], common };
                                told.then(|| shape_ratio(trace, f.centre_hz, f)).flatten()
                            })
                            .collect()
                    })
                    .collect()
            })
            .collect();
        View { spectra, common, features: found, shared, trials }
    }

    fn trace(&self, index: usize) -> Trace<'_> {
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
}

/// A share of this much, three errors from nothing, is the same feature.
pub(super) fn shown(share: (f64, f64)) -> bool {
    share.0.abs() > 0.25 && share.0.abs() > 3.0 * share.1
}

/// A share that is both small and certainly not the whole.
pub(super) fn missing(share: (f64, f64)) -> bool {
    share.0.abs() < 0.4 && (1.0 - share.0) > 4.0 * share.1
}

/// A feature on a law.
#[derive(Debug, Clone)]
pub(super) struct Member {
    pub feature: Feature,
    pub company: Company,
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
    /// Expected number of such alignments by chance.
    pub chance: f64,
    /// Agreement of the line's asymmetry between spectra, 0 to 1.
    pub coherence: f64,
    /// Typical width, Hz.
    pub width_hz: f64,
}

impl Law {
    pub fn believed(&self) -> impl Iterator<Item = &Member> {
        self.members.iter().filter(|m| m.company != Company::InPlace)
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
    fn score(&self) -> f64 {
        let typical = self.total / self.believed().count().max(1) as f64;
        self.total - 0.5 * typical * self.absent.len() as f64
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

/// The best law through the features of the spectra listed in `among`.
pub(super) fn best_law(view: &View, among: &[usize], settings: &Settings) -> Option<Law> {
    let mut best: Option<Law> = None;
    let mut reach = 0.0f64;
    for (n, &i) in among.iter().enumerate() {
        for &j in &among[n + 1..] {
            let (bi, bj) = (view.spectra[i].field_t, view.spectra[j].field_t);
            if bi == bj {
                continue;
            }
            for a in &view.features[i] {
                for b in &view.features[j] {
                    let ratio = (a.width_hz / b.width_hz).ln().abs();
                    let slope = (signed(b, bj) - signed(a, bi)) / (bj - bi);
                    let trial = Trial { slope, tip_field: signed(a, bi) / slope - bi };
                    // A law better than the best has its two strongest members at or above the mean share,
                    // so weaker pairs need no look.
                    if ratio > 0.92
                        || !(slope > 0.0)
                        || !trial.admissible(settings)
                        || a.gain + b.gain < reach
                    {
                        continue;
                    }
                    let width = (a.width_hz * b.width_hz).sqrt();
                    if let Some(law) = follow(view, among, trial, (a, b), width, settings) {
                        if best.as_ref().is_none_or(|l| law.score() > l.score()) {
                            reach = 2.0 * law.score() / among.len() as f64;
                            best = Some(law);
                        }
                    }
                }
            }
        }
    }
    best
}

fn signed(feature: &Feature, field_t: f64) -> f64 {
    if field_t < 0.0 { -feature.centre_hz } else { feature.centre_hz }
}

/// Gathers the features along a law, fits it, gathers once more.
fn follow(
    view: &View,
    among: &[usize],
    trial: Trial,
    pair: (&Feature, &Feature),
    width: f64,
    settings: &Settings,
) -> Option<Law> {
    let (ba, bb) = (view.spectra[pair.0.spectrum].field_t, view.spectra[pair.1.spectrum].field_t);
    let by_pair = |b: f64| {
        let t = (b - ba) / (bb - ba);
        (trial.at(b), ((1.0 - t) * pair.0.error_hz).hypot(t * pair.1.error_hz))
    };
    let first = gather(view, among, width, by_pair);
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
    field_line(&fields, &centres, &errors).ok()
}

/// The nearest fitting feature of every spectrum.
fn gather(view: &View, among: &[usize], width: f64, predict: impl Fn(f64) -> (f64, f64)) -> Vec<Feature> {
    among
        .iter()
        .filter_map(|&k| {
            let (place, error) = predict(view.spectra[k].field_t);
            view.features[k]
                .iter()
                .filter(|f| (f.width_hz / width).ln().abs() < 0.92)
                .map(|f| ((f.centre_hz - place).abs(), f))
                .filter(|(off, f)| *off <= (3.0 * error.hypot(f.error_hz) + 0.3 * width).min(1.2 * width))
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .map(|(_, f)| f.clone())
        })
        .collect()
}

/// Judges the company of every member and counts what speaks against the law.
fn weigh(view: &View, among: &[usize], line: FieldLine, found: Vec<Feature>, width_hz: f64) -> Law {
    let members: Vec<Member> = found
        .into_iter()
        .map(|feature| {
            let company = company(view, &feature, Some(&line));
            Member { feature, company }
        })
        .collect();
    let believed: Vec<&Member> = members.iter().filter(|m| m.company != Company::InPlace).collect();
    let total = believed.iter().map(|m| m.feature.gain).sum();
    let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
    for m in &believed {
        let f = &m.feature;
        let weight = f.gain.sqrt() / f.amplitude().max(f64::MIN_POSITIVE);
        re += weight * f.absorptive;
        im += weight * f.dispersive;
        sum += f.gain.sqrt();
    }
    let coherence = if sum > 0.0 { re.hypot(im) / sum } else { 0.0 };
    let strongest = believed.iter().max_by(|a, b| a.feature.gain.total_cmp(&b.feature.gain));
    let absent = strongest.map_or(Vec::new(), |s| {
        among
            .iter()
            .copied()
            .filter(|&k| !members.iter().any(|m| m.feature.spectrum == k))
            .filter(|&k| lacks(view, k, line.predict(view.spectra[k].field_t).0, &s.feature))
            .collect()
    });
    let chance = chance(view, &line, &believed, width_hz);
    Law { line, absent, total, chance, coherence, width_hz, members }
}

/// Whether a spectrum covers a place and certainly shows less than half of a feature there.
pub(super) fn lacks(view: &View, spectrum: usize, place_hz: f64, like: &Feature) -> bool {
    let sp = &view.spectra[spectrum];
    sp.covers(place_hz, like.width_hz)
        && shape_ratio(view.trace(spectrum), place_hz, like).is_some_and(|(r, e)| r + 3.0 * e < 0.5)
}

/// What the other spectra say about a feature; those that the law itself passes there are not asked.
pub(super) fn company(view: &View, feature: &Feature, law: Option<&FieldLine>) -> Company {
    let Some(index) = view.features[feature.spectrum].iter().position(|f| f == feature) else {
        return Company::Untold;
    };
    let (mut with, mut without) = (0, 0);
    for (j, share) in view.shared[feature.spectrum][index].iter().enumerate() {
        let Some(share) = *share else { continue };
        let passes = law.is_some_and(|l| {
            (l.predict(view.spectra[j].field_t).0 - feature.centre_hz).abs() < 1.5 * feature.width_hz
        });
        if passes {
            continue;
        }
        with += usize::from(shown(share));
        without += usize::from(missing(share));
    }
    match (with, without) {
        (0, 0) => Company::Untold,
        (w, o) if 2 * w > o => Company::InPlace,
        _ => Company::Alone,
    }
}

/// Expected number of alignments as good as this among unrelated features.
///
/// Any two features make a law, so the two strongest cost only their number of rivals. Every further spectrum has
/// to hit by chance. A feature that others would show if it stayed in place and do not is rare by itself: one in
/// ten is allowed for.
fn chance(view: &View, line: &FieldLine, members: &[&Member], width_hz: f64) -> f64 {
    let mut order: Vec<&&Member> = members.iter().collect();
    order.sort_by(|a, b| b.feature.gain.total_cmp(&a.feature.gain));
    let mut expected = 1.0;
    for (rank, m) in order.iter().enumerate() {
        let f = &m.feature;
        let rivals =
            view.features[f.spectrum].iter().filter(|r| r.gain >= 0.5 * f.gain).count().max(1) as f64;
        let (place, error) = line.predict(view.spectra[f.spectrum].field_t);
        let off = (f.centre_hz - place).abs().max(2.0 * error.hypot(f.error_hz) + 0.1 * width_hz);
        let hit =
            if rank < 2 { rivals } else { (rivals * 2.0 * off / view.spectra[f.spectrum].span()).min(1.0) };
        expected *= hit * if m.company == Company::Alone { 0.1 } else { 1.0 };
    }
    expected
}

/// Whether any admissible law through a feature is not ruled out by the spectra that should show it elsewhere.
pub(super) fn still_possible(view: &View, feature: &Feature, settings: &Settings) -> bool {
    let field = view.spectra[feature.spectrum].field_t;
    let centre = signed(feature, field);
    let (low, high) = (settings.smallest_moment_mu_b, settings.largest_moment_mu_b);
    (0..200).any(|k| {
        let slope = 2.0 * MU_B_PER_H_HZ_PER_T * low * (high / low).powf(k as f64 / 199.0);
        let trial = Trial { slope, tip_field: centre / slope - field };
        if trial.tip_field.abs() > settings.largest_tip_field_t {
            return false;
        }
        let (mut covered, mut lacking) = (0, 0);
        for (j, sp) in view.spectra.iter().enumerate() {
            let place = trial.at(sp.field_t);
            if sp.field_t != field && sp.covers(place, feature.width_hz) {
                covered += 1;
                // A slope of the grid may pass beside the line, so any feature close by counts as seen.
                let near = view.features[j].iter().any(|f| {
                    (f.centre_hz - place).abs() < 3.0 * feature.width_hz && f.gain > 0.2 * feature.gain
                });
                lacking += usize::from(!near && lacks(view, j, place, feature));
            }
        }
        4 * lacking <= covered
    })
}
