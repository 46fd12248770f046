//! What a run claims: the last verdict on each series of spectra, as numbers.

use crate::analysis::joint::Verdict;
use crate::record::{FitFound, VerdictFound, VerdictWord};
use serde::Serialize;

/// A number with its standard error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Known {
    /// The number.
    pub value: f64,
    /// Its standard error.
    pub error: f64,
}

/// The verdict on one series of spectra under one state of the tip.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Claim {
    /// First sweep of the series, and number of the tip state.
    pub series: (u64, u64),
    /// Which of the states in a row that the tip was found to have had on the way, from 0.
    pub segment: u64,
    /// When the first sweep of that state began, s.
    pub from_s: f64,
    /// Up to when it is about what was measured, s.
    pub to_s: f64,
    /// When the verdict was given, s.
    pub at_s: f64,
    /// When the series was called real for the first time, s.
    pub proved_s: Option<f64>,
    /// What the sequence calls the spin; empty where it says nothing.
    pub spin: String,
    /// The verdict.
    pub verdict: VerdictWord,
    /// Its words.
    pub said: String,
    /// The g factors in which it found nothing, if it says that nothing is there.
    pub nothing_in_g: Option<[f64; 2]>,
    /// What would settle it, in words.
    pub next: Option<String>,
    /// The last proof on the same series, where later spectra have taken it back.
    pub proof: Option<Box<Claim>>,
    /// The spectra it is about.
    pub sweeps: Vec<u64>,
    /// Slope of the law, Hz/T; only with a proof.
    pub slope_hz_per_t: Option<f64>,
    /// Full width at half height of the line, Hz; only with a proof.
    pub width_hz: Option<f64>,
    /// Height of the line, SI; only with a proof.
    pub height: Option<Known>,
    /// g factor of a spin one half with this moment; only with a proof.
    pub g: Option<Known>,
    /// Moment, Bohr magnetons; only with a proof.
    pub moment_mu_b: Option<Known>,
    /// Tip field, T; only with a proof.
    pub tip_field_t: Option<Known>,
}

/// Takes in a verdict with its title: it takes the place of an earlier one on the same series. `began` are the moments when
/// the sweeps began, by their number.
pub(super) fn take(claims: &mut Vec<Claim>, at_s: f64, (title, found): (&str, &VerdictFound), began: &[f64]) {
    let (Some(part), Some(first)) = (found.part, found.sweeps.first()) else { return };
    let replaced = claims.extract_if(.., |claim| part.replaces(claim.series, claim.segment));
    let replaced: Vec<Claim> = replaced.collect();
    let old = replaced.into_iter().find(|claim| claim.segment == part.segment);
    let before = old.as_ref().and_then(|claim| claim.proved_s);
    let real = found.verdict == Verdict::Real;
    let proof = old.filter(|_| !real).and_then(|old| match old.verdict.known() {
        Some(Verdict::Real) => Some(Box::new(old)),
        _ => old.proof,
    });
    let [low, high] = found.looked_at_g;
    let nothing = matches!(found.verdict.known(), Some(Verdict::Artefact | Verdict::Absent));
    let begin = |sweep: u64| began.get(usize::try_from(sweep).unwrap_or(usize::MAX)).copied();
    let closed = found.sweeps.last().filter(|_| part.is_over());
    let law = found.law.unwrap_or_default();
    let known = |number: Option<(f64, f64)>| number.map(|(value, error)| Known { value, error });
    claims.push(Claim {
        series: part.series,
        segment: part.segment,
        from_s: begin(*first).unwrap_or(0.0),
        to_s: closed.and_then(|last| begin(last + 1)).unwrap_or(at_s),
        at_s,
        proved_s: before.or(real.then_some(at_s)),
        spin: found.spin.clone(),
        verdict: found.verdict.clone(),
        said: title.to_owned(),
        // All of them where it does not say which it looked at.
        nothing_in_g: nothing.then(|| [low.unwrap_or(0.0), high.unwrap_or(f64::MAX)]),
        proof,
        next: found.next.clone(),
        sweeps: found.sweeps.clone(),
        slope_hz_per_t: law.slope_hz_per_t,
        width_hz: law.width_hz,
        height: known(law.height),
        g: known(law.g),
        moment_mu_b: known(law.moment_mu_b),
        tip_field_t: known(law.tip_field_t),
    });
}

/// The last fit of a sweep, as far as it tells whether the line is still there.
#[derive(Debug, Clone, PartialEq)]
pub struct FitLine {
    /// The sweep.
    pub sweep: u64,
    /// When it began, s.
    pub began_s: f64,
    /// Field at its beginning, T, where the record shows it.
    pub field_t: Option<f64>,
    /// Whether nothing speaks against the fit.
    pub trusted: bool,
    /// Where the line is, Hz.
    pub centre_hz: Option<f64>,
}

pub(super) fn take_fit(
    fits: &mut Vec<FitLine>,
    sweep: u64,
    field_t: Option<f64>,
    fit: &FitFound,
    began: &[f64],
) {
    let began_s = began.get(usize::try_from(sweep).unwrap_or(usize::MAX)).copied().unwrap_or(0.0);
    fits.retain(|fit| fit.sweep != sweep);
    fits.push(FitLine {
        sweep,
        began_s,
        field_t,
        trusted: fit.trusted,
        centre_hz: fit.parameter("centre").and_then(|centre| centre.value),
    });
}

/// So improbable must it be that a line that is there was missed in all of the last spectra.
const LOST: f64 = 0.01;

impl Claim {
    /// Where the law puts the line, Hz.
    fn expected_hz(&self, field_t: f64) -> Option<f64> {
        Some((self.slope_hz_per_t? * (field_t.abs() + self.tip_field_t?.value)).abs())
    }

    /// Since when a proved line is not seen any more, s: the beginning of the first of the last spectra that all miss
    /// it. A few misses among many hits tell little, so it counts how many of the spectra before had shown it.
    pub fn lost_s(&self, fits: &[FitLine]) -> Option<f64> {
        let proved = self.proof.as_deref().unwrap_or(self);
        let width_hz = proved.width_hz?;
        let on_law = |fit: &FitLine| {
            let off_hz = fit.field_t.and_then(|field| proved.expected_hz(field)).zip(fit.centre_hz);
            fit.trusted && off_hz.is_none_or(|(expected, centre)| (centre - expected).abs() < width_hz)
        };
        let mut own: Vec<&FitLine> = fits.iter().filter(|fit| self.sweeps.contains(&fit.sweep)).collect();
        own.sort_by_key(|fit| fit.sweep);
        let last_hit = own.iter().rposition(|fit| on_law(fit))?;
        let (before, after) = own.split_at(last_hit + 1);
        let hits = before.iter().filter(|fit| on_law(fit)).count() as f64;
        let miss = 1.0 - (hits + 1.0) / (before.len() as f64 + 2.0);
        let count = i32::try_from(after.len()).unwrap_or(i32::MAX);
        (miss.powi(count) < LOST).then(|| after.first().map(|fit| fit.began_s)).flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    #[test]
    fn a_later_verdict_takes_the_place_of_an_earlier_one_of_its_series() {
        let mut claims = Vec::new();
        let take = |claims: &mut Vec<Claim>, at_s: f64, (title, body): (&str, &Value), began: &[f64]| {
            take(claims, at_s, (title, &VerdictFound::read(body)), began);
        };
        let law =
            json!({ "moment_mu_b": 0.9, "moment_error": 0.01, "tip_field_t": 3e-3, "tip_field_error": 1e-4 });
        let body = |verdict: &str, first: u64, law: &Value| json!({ "verdict": verdict, "tip": 0, "sweeps": [first], "law": law });
        take(&mut claims, 10.0, ("", &body("undecided", 1, &Value::Null)), &[0.0, 4.0]);
        take(&mut claims, 20.0, ("", &body("real", 1, &law)), &[0.0, 4.0]);
        take(&mut claims, 30.0, ("moves", &body("real", 1, &law)), &[0.0, 4.0]);
        take(&mut claims, 40.0, ("", &body("absent", 5, &Value::Null)), &[0.0, 4.0]);
        assert_eq!(claims.len(), 2);
        assert_eq!((claims[0].from_s, claims[0].at_s, claims[0].proved_s), (4.0, 30.0, Some(20.0)));
        assert_eq!(claims[0].moment_mu_b, Some(Known { value: 0.9, error: 0.01 }));
        assert_eq!((claims[0].said.as_str(), claims[0].nothing_in_g), ("moves", None));
        assert_eq!((claims[1].proved_s, claims[1].moment_mu_b), (None, None));
        assert_eq!(claims[1].nothing_in_g, Some([0.0, f64::MAX]));
        // The tip has changed before the third sweep of the series.
        let part = |segment: u64, segments: u64, sweeps: &[u64]| json!({ "verdict": "real", "tip": 0, "series": 1, "sweeps": sweeps, "segment": segment, "segments": segments, "law": law });
        let began = [0.0, 4.0, 8.0, 12.0];
        take(&mut claims, 50.0, ("", &part(0, 2, &[1, 2])), &began);
        take(&mut claims, 50.0, ("", &part(1, 2, &[3])), &began);
        let spans: Vec<(f64, f64)> = claims.iter().skip(1).map(|c| (c.from_s, c.to_s)).collect();
        assert_eq!((claims.len(), spans), (3, vec![(4.0, 12.0), (12.0, 50.0)]));
        assert_eq!(claims[1].proved_s, Some(20.0), "the first state was proved before");
        take(&mut claims, 60.0, ("", &part(0, 1, &[1, 2, 3])), &began);
        assert_eq!(claims.len(), 2, "it had not changed after all");
        take(&mut claims, 50.0, ("", &json!({})), &[]);
        assert_eq!(claims.len(), 2, "a verdict of a form that is not known says nothing");
    }
}
