//! The way from spectra to a verdict.

use super::background::{common_parts, take_out_ripples};
use super::case::Case;
use super::judgement::Judgement;
use super::law::View;
use super::spectrum::{Prepared, Settings, Spectrum, prepare};
use super::unusable::{Unusable, at_least};

/// Number of bumps as high as the threshold that noise alone would make in all spectra.
const BUMP_CHANCE: f64 = 3e-4;

/// Judges whether a set of spectra shows a moment or only the apparatus.
///
/// Spectra may have different frequencies and ranges, but need the same unit of signal. Only the law in field
/// decides; power, asymmetry and contrast can take belief away.
///
/// # Errors
/// Refuses an empty set, unusable numbers, spectra of fewer than 32 points or without any variation, and
/// settings out of range.
///
/// ```
/// use noctule::analysis::realness::{Settings, Spectrum, Verdict, judge};
/// // An invented moment of 1 μB under a tip of 12 mT; a transmission line with a bump at 14.4 GHz.
/// let f_hz: Vec<f64> = (0..201).map(|i| 13.9e9 + 5e6 * i as f64).collect();
/// let bump = |f: f64, at: f64, w: f64| 1.0 / (1.0 + ((f - at) / (0.5 * w)).powi(2));
/// let wobble = |i: usize, k: usize| (((i * 7919 + k * 104_729) % 1009) as f64 / 1009.0 - 0.5) * 1.5;
/// let fields = [0.490, 0.495, 0.505, 0.510, 0.515];
/// let signals: Vec<Vec<f64>> = fields
///     .iter()
///     .enumerate()
///     .map(|(k, b)| {
///         let line = 2.0 * 13.996_244_917_1e9 * (b + 0.012);
///         let y = |(i, f): (usize, &f64)| {
///             8.0 * bump(*f, line, 30e6) + 20.0 * bump(*f, 14.4e9, 60e6) + wobble(i, k)
///         };
///         f_hz.iter().enumerate().map(y).collect()
///     })
///     .collect();
/// let spectra: Vec<Spectrum> = fields
///     .iter()
///     .zip(&signals)
///     .map(|(b, y)| Spectrum { field_t: *b, level_dbm: None, tip_height_m: None, f_hz: &f_hz, y, sigma: None })
///     .collect();
/// let said = judge(&spectra, &Settings::default()).unwrap();
/// assert_eq!(said.verdict, Verdict::Real, "{:?}", said.reasons);
/// let line = &said.lines[0].line;
/// assert!((line.moment_mu_b - 1.0).abs() < 4.0 * line.moment_error);
/// assert!((said.fixed[0].centre_hz - 14.4e9).abs() < 10e6);
/// ```
pub fn judge(spectra: &[Spectrum], settings: &Settings) -> Result<Judgement, Unusable> {
    settings.check()?;
    at_least(spectra.len(), 1, "spectra")?;
    let mut prepared = spectra.iter().map(prepare).collect::<Result<Vec<Prepared>, Unusable>>()?;
    let ripples = take_out_ripples(&mut prepared);
    let among = main_height(&prepared);
    let raw = View::new(&prepared, None);
    let difference = common_parts(&prepared).map(|c| View::new(&prepared, Some(c)));
    let case = Case {
        settings,
        spectra: &prepared,
        threshold: 2.0 * (raw.trials / BUMP_CHANCE).ln().max(1.0),
        points: prepared.iter().map(|p| p.f_hz.len()).sum::<usize>() as f64,
        fixed: Vec::new(),
        ripples,
        laws: Vec::new(),
        raw,
        difference,
        among,
    };
    Ok(case.weigh().speak())
}

/// The spectra of the tip height that has the most fields; other heights have other tip fields.
fn main_height(spectra: &[Prepared]) -> Vec<usize> {
    let mut best: Vec<usize> = Vec::new();
    let mut most = 0;
    for sp in spectra {
        let group: Vec<usize> = (0..spectra.len()).filter(|&j| same_height(sp, &spectra[j])).collect();
        let mut fields: Vec<f64> = group.iter().map(|&j| spectra[j].field_t).collect();
        fields.sort_by(f64::total_cmp);
        fields.dedup();
        if fields.len() > most {
            (best, most) = (group, fields.len());
        }
    }
    best
}

/// Heights within a picometre are one.
fn same_height(a: &Prepared, b: &Prepared) -> bool {
    match (a.tip_height_m, b.tip_height_m) {
        (Some(a), Some(b)) => (a - b).abs() < 1e-12,
        (None, None) => true,
        _ => false,
    }
}
