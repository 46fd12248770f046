//! Features that stay where they are whatever the field does.

use serde::Serialize;

use super::field_line::MU_B_PER_H_HZ_PER_T;
use super::law::View;
use super::scan::Feature;
use super::spectrum::Settings;
use super::weigh::shown;

/// A feature seen at one frequency at several fields.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FixedFeature {
    /// Where it is, Hz.
    pub centre_hz: f64,
    /// Full width at half maximum, Hz.
    pub width_hz: f64,
    /// Number of spectra that show it there.
    pub seen_in: usize,
    /// Number of spectra that cover the place.
    pub covered_by: usize,
    /// Its motion with field, Hz/T, with one standard error; absent with a single field.
    pub slope_hz_per_t: Option<(f64, f64)>,
    /// Whether its motion is certainly less than any admissible moment asks for.
    pub stays: bool,
    /// Summed fall of chi-square.
    pub gain: f64,
}

/// Gathers the features that several spectra show in one place, strongest first.
pub(super) fn fixed_features(view: &View, settings: &Settings, threshold: f64) -> Vec<FixedFeature> {
    let slowest = 2.0 * MU_B_PER_H_HZ_PER_T * settings.smallest_moment_mu_b;
    let mut all: Vec<(usize, usize)> =
        (0..view.features.len()).flat_map(|i| (0..view.features[i].len()).map(move |k| (i, k))).collect();
    all.sort_by(|a, b| view.features[b.0][b.1].gain.total_cmp(&view.features[a.0][a.1].gain));
    let mut list: Vec<FixedFeature> = Vec::new();
    for (i, k) in all {
        let f = &view.features[i][k];
        let known = list.iter().any(|l| (l.centre_hz - f.centre_hz).abs() < 0.8 * l.width_hz.max(f.width_hz));
        if f.gain < threshold || known {
            continue;
        }
        let (mut seen, mut told, mut gain) = (1, 1, f.gain);
        for (j, share) in view.shared[i][k].iter().enumerate() {
            let Some(share) = *share else { continue };
            told += 1;
            if shown(share) {
                seen += 1;
                gain += (share.0 / share.1).powi(2);
            }
            debug_assert!(j != i);
        }
        // Two spectra among many may be a line that returns; more than half of those that can tell must agree.
        if seen < 2 || 2 * seen <= told {
            continue;
        }
        // The slowest law that reaches this frequency at all within the tip field allowed.
        let largest_field = view.spectra.iter().map(|s| s.field_t.abs()).fold(0.0, f64::max);
        let needed = slowest.max(f.centre_hz / (largest_field + settings.largest_tip_field_t));
        let slope = slope(view, f);
        let slow = slope.is_some_and(|(s, e)| s.abs() + 5.0 * e < needed);
        // Seen in the same place where the slowest line would have moved off it.
        let far: Vec<bool> = view.shared[i][k]
            .iter()
            .enumerate()
            .filter(|(j, _)| {
                needed * (view.spectra[*j].field_t - view.spectra[i].field_t).abs() > 1.5 * f.width_hz
            })
            .filter_map(|(_, share)| share.map(shown))
            .collect();
        let seen_far = far.iter().filter(|s| **s).count();
        list.push(FixedFeature {
            centre_hz: f.centre_hz,
            width_hz: f.width_hz,
            seen_in: seen,
            covered_by: told,
            slope_hz_per_t: slope,
            stays: slow || 2 * seen_far > far.len(),
            gain,
        });
    }
    list
}

/// Weighted slope of the centres near one place against field.
fn slope(view: &View, like: &Feature) -> Option<(f64, f64)> {
    let near: Vec<(f64, f64, f64)> = (0..view.spectra.len())
        .filter_map(|j| {
            view.features[j]
                .iter()
                .filter(|f| (f.centre_hz - like.centre_hz).abs() < 0.8 * like.width_hz.max(f.width_hz))
                .min_by(|a, b| {
                    (a.centre_hz - like.centre_hz).abs().total_cmp(&(b.centre_hz - like.centre_hz).abs())
                })
                // A shape that a line does not describe well has a centre no better than a part of its width.
                .map(|f| (view.spectra[j].field_t.abs(), f.centre_hz, f.error_hz.hypot(0.02 * f.width_hz)))
        })
        .collect();
    let sum: f64 = near.iter().map(|p| p.2.powi(-2)).sum();
    let mean_b = near.iter().map(|p| p.0 * p.2.powi(-2)).sum::<f64>() / sum;
    let mean_f = near.iter().map(|p| p.1 * p.2.powi(-2)).sum::<f64>() / sum;
    let sbb: f64 = near.iter().map(|p| (p.0 - mean_b).powi(2) * p.2.powi(-2)).sum();
    if near.len() < 2 || sbb.is_nan() || sbb <= 0.0 {
        return None;
    }
    let slope = near.iter().map(|p| (p.0 - mean_b) * (p.1 - mean_f) * p.2.powi(-2)).sum::<f64>() / sbb;
    let chi: f64 = near.iter().map(|p| ((p.1 - mean_f - slope * (p.0 - mean_b)) / p.2).powi(2)).sum::<f64>();
    let scatter = if near.len() > 2 { (chi / (near.len() - 2) as f64).max(1.0) } else { 1.0 };
    Some((slope, (scatter / sbb).sqrt()))
}
