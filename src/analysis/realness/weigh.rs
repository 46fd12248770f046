//! What speaks for and against a law, and the company that its features keep.

use super::field_line::{FieldLine, MU_B_PER_H_HZ_PER_T};
use super::law::{ALIKE, Company, Law, Member, Trial, View, signed};
use super::scan::{Feature, shape_ratio};
use super::spectrum::Settings;

/// A share of this much, three errors from nothing, is the same feature.
pub(super) fn shown(share: (f64, f64)) -> bool {
    share.0.abs() > 0.25 && share.0.abs() > 3.0 * share.1
}

/// A share that is both small and certainly not the whole.
pub(super) fn missing(share: (f64, f64)) -> bool {
    share.0.abs() < 0.4 && (1.0 - share.0) > 4.0 * share.1
}

/// Judges the company of every member and counts what speaks against the law.
pub(super) fn weigh(
    view: &View,
    among: &[usize],
    line: FieldLine,
    found: Vec<Feature>,
    width_hz: f64,
) -> Law {
    let mut members: Vec<Member> = found
        .into_iter()
        .map(|feature| {
            let company = company(view, &feature, Some(&line));
            Member { feature, company }
        })
        .collect();
    let (mut absent, mut likelihood, mut largest, mut coherence) = (Vec::new(), 0.0, 0.0f64, 0.0);
    let believed: Vec<&Member> = members.iter().filter(|m| m.counts()).collect();
    if let Some((shape, agreement)) = common_shape(&believed, width_hz) {
        coherence = agreement;
        for &k in among {
            let member = members.iter_mut().find(|m| m.feature.spectrum == k);
            if member.as_ref().is_some_and(|m| m.company == Company::InPlace) {
                continue;
            }
            let predicted = line.predict(view.spectra[k].field_t).0;
            let place = member.as_ref().map_or(predicted, |m| m.feature.centre_hz);
            if !view.spectra[k].covers(place, width_hz) {
                // At the end of a range a member shows only a part of its shape; that part still has to be like the rest.
                if let Some(member) = member {
                    let share = shape_ratio(view.trace(k), place, &shape);
                    if share.is_none_or(|share| !alike(share)) {
                        member.company = Company::Unlike;
                    }
                }
                continue;
            }
            let Some(share) = shape_ratio(view.trace(k), place, &shape) else { continue };
            let part = for_the_line(share);
            likelihood += part;
            largest = largest.max(part);
            match member {
                Some(member) if !alike(share) => member.company = Company::Unlike,
                None if share.0 + 3.0 * share.1 < 0.5 => absent.push(k),
                _ => (),
            }
        }
    }
    let believed: Vec<&Member> = members.iter().filter(|m| m.counts()).collect();
    let total = believed.iter().map(|m| m.feature.gain).sum();
    let chance = chance(view, &line, &believed, width_hz) * selections(among.len(), believed.len());
    Law {
        line,
        absent,
        total,
        likelihood,
        without_best: likelihood - largest,
        chance,
        coherence,
        width_hz,
        members,
    }
}

/// Whether a share of the common shape is near enough to the whole to be the same line.
fn alike((share, error): (f64, f64)) -> bool {
    share + 2.0 * error > 0.4 && share - 2.0 * error < 2.5 && share > 2.0 * error
}

/// The mean line shape of some members and how well their asymmetries agree (0 to 1).
fn common_shape(members: &[&Member], width_hz: f64) -> Option<(Feature, f64)> {
    let strongest = members.iter().max_by(|a, b| a.feature.gain.total_cmp(&b.feature.gain))?;
    let (mut re, mut im, mut sum, mut re1, mut im1, mut sum1) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for m in members {
        let f = &m.feature;
        // A height is known to its share 1/√gain, which weighs the mean; directions count by their strength.
        let weight = f.gain / f.amplitude().powi(2).max(f64::MIN_POSITIVE);
        re += weight * f.absorptive;
        im += weight * f.dispersive;
        sum += weight;
        let unit = f.gain.sqrt() / f.amplitude().max(f64::MIN_POSITIVE);
        re1 += unit * f.absorptive;
        im1 += unit * f.dispersive;
        sum1 += f.gain.sqrt();
    }
    if !(sum > 0.0 && sum1 > 0.0) {
        return None;
    }
    let mut shape = strongest.feature.clone();
    shape.width_hz = width_hz;
    shape.absorptive = re / sum;
    shape.dispersive = im / sum;
    shape.excess = members.iter().map(|m| m.feature.excess).sum::<f64>() / members.len() as f64;
    Some((shape, re1.hypot(im1) / sum1))
}

/// How far a line's height may vary between spectra (standard deviation, as a share).
pub(super) const HEIGHT_VARIES: f64 = 0.3;

/// Log likelihood ratio of a share for a line of the common shape against none.
fn for_the_line((share, error): (f64, f64)) -> f64 {
    let noise = error * error;
    let with = noise + HEIGHT_VARIES * HEIGHT_VARIES;
    0.5 * share * share / noise - 0.5 * (share - 1.0).powi(2) / with - 0.5 * (with / noise).ln()
}

/// Number of ways to choose the spectra that hit: a law that most ranges pass by had many to choose from.
fn selections(spectra: usize, hit: usize) -> f64 {
    let hit = hit.min(spectra);
    (0..hit).map(|i| (spectra - i) as f64 / (i + 1) as f64).product()
}

/// Whether a spectrum covers a place and certainly shows less than half of a feature there.
pub(super) fn lacks(view: &View, spectrum: usize, place_hz: f64, like: &Feature) -> bool {
    let sp = &view.spectra[spectrum];
    sp.covers(place_hz, like.width_hz)
        && shape_ratio(view.trace(spectrum), place_hz, like).is_some_and(|(r, e)| r + 3.0 * e < 0.5)
}

/// What the other spectra say about a feature; those that the law itself passes there are not asked.
pub(super) fn company(view: &View, feature: &Feature, law: Option<&FieldLine>) -> Company {
    if law.is_some() && view.overlaid(feature) {
        return Company::InPlace;
    }
    // Features found only along the law are not in the table and ask the others now.
    let index = view.features[feature.spectrum].iter().position(|f| f == feature);
    let share = |j: usize| match index {
        Some(index) => view.shared[feature.spectrum][index][j],
        None => view.share(feature, j),
    };
    // Those that the law itself passes there are not asked.
    let passes = |j: usize| {
        law.is_some_and(|l| {
            (l.predict(view.spectra[j].field_t).0 - feature.centre_hz).abs() < 1.5 * feature.width_hz
        })
    };
    company_of((0..view.spectra.len()).filter(|j| !passes(*j)).filter_map(|j| told(share(j)?)))
}

/// What another spectrum says of a feature in its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Told {
    Shown,
    Missing,
}

/// What a share says, if anything: one that is neither plain nor plainly too small says nothing.
pub(super) fn told(share: (f64, f64)) -> Option<Told> {
    if shown(share) {
        return Some(Told::Shown);
    }
    missing(share).then_some(Told::Missing)
}

/// The verdict of what other spectra say.
pub(super) fn company_of(told: impl Iterator<Item = Told>) -> Company {
    let (mut with, mut without) = (0, 0);
    for told in told {
        match told {
            Told::Shown => with += 1,
            Told::Missing => without += 1,
        }
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
        let listed = view.features[f.spectrum].iter().map(|r| r.gain);
        let lesser = view.lesser[f.spectrum].iter().copied();
        let rivals = listed.chain(lesser).filter(|g| *g >= 0.5 * f.gain).count().max(1) as f64;
        let (place, error) = line.predict(view.spectra[f.spectrum].field_t);
        let off = (f.centre_hz - place).abs().max(2.0 * error.hypot(f.error_hz) + 0.1 * width_hz);
        let hit =
            if rank < 2 { rivals } else { (rivals * 2.0 * off / view.spectra[f.spectrum].span()).min(1.0) };
        expected *= hit * if m.company == Company::Alone { 0.1 } else { 1.0 };
    }
    let alike =
        |of: fn(&Feature) -> f64| likeness(&members.iter().map(|m| of(&m.feature).ln()).collect::<Vec<_>>());
    expected * alike(|f| f.width_hz) * alike(Feature::amplitude)
}

/// Scatter of logarithms below which likeness counts no further: heights and widths of one line vary by a tenth.
const LIKENESS_ENDS: f64 = 0.1;

/// Chance that unrelated numbers lie as close together as these logarithms. Features along a law are gathered within a
/// factor of each other, and unrelated ones fill that factor evenly.
fn likeness(logarithms: &[f64]) -> f64 {
    let n = logarithms.len() as f64;
    if n < 2.0 {
        return 1.0;
    }
    let mean = logarithms.iter().sum::<f64>() / n;
    let scatter = (logarithms.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let of_unrelated = ALIKE / 3f64.sqrt();
    (scatter.max(LIKENESS_ENDS) / of_unrelated).min(1.0).powf(n - 1.0)
}

/// Whether any admissible law through a feature is not ruled out by the spectra that should show it elsewhere.
pub(super) fn still_possible(
    view: &View,
    feature: &Feature,
    settings: &Settings,
    in_place: &[(f64, f64)],
) -> bool {
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
                    let fixed = in_place.iter().any(|(x, w)| (x - f.centre_hz).abs() < w.max(f.width_hz));
                    !fixed
                        && (f.centre_hz - place).abs() < 3.0 * feature.width_hz
                        && f.gain > 0.2 * feature.gain
                });
                lacking += usize::from(!near && lacks(view, j, place, feature));
            }
        }
        4 * lacking <= covered
    })
}
