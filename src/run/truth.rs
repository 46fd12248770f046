//! What was really there in a rehearsal: for whoever judges the night afterwards, never for the sequence.
//!
//! It is taken from the simulated microscope when the run is over, and goes into the summary alone. The run file,
//! the verbs, the verdicts and the brief know nothing of it.

use crate::history::{Claim, Known};
use crate::instrument::simulated::{Chronicle, ColdTruth, SpinStay, TipStay, tip_field_within_t};
use serde::Serialize;

/// A claim held against the truth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HeldAgainst {
    /// The claim.
    #[serde(flatten)]
    pub claim: Claim,
    /// Whether it was right; nothing where it leaves the question open.
    pub right: Option<bool>,
}

/// A moment is that of a spin within so many of its errors, or within this part of itself.
const RIGHT_ERRORS: f64 = 5.0;
const RIGHT_PART: f64 = 0.01;

/// A stay shorter than this shows no resonance: moves and images pass over spins all the time, s.
const STAY_MIN_S: f64 = 60.0;

/// From when to when, s since the start.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Span {
    /// From when, s.
    pub from_s: f64,
    /// To when, s.
    pub to_s: f64,
}

/// The truth of one rehearsal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// Whether a spin was in reach of a polarised tip for a minute or more: whether there was anything to find.
    pub spin_in_reach: bool,
    /// Site of the one that was longest in reach of a polarised tip.
    pub site: Option<String>,
    /// Its moment with the field along z, in Bohr magnetons.
    pub moment_mub: Option<f64>,
    /// Its g along z.
    pub g: Option<f64>,
    /// Mean field of the tip on it along z, over its longest stay, T.
    pub tip_field_t: Option<f64>,
    /// What became of the helium.
    pub cold: ColdTruth,
    /// When the tip was polarised.
    pub polarised: Vec<Span>,
    /// Every apex of the tip, in order.
    pub tips: Vec<TipStay>,
    /// Every stay of a minute or more of a spin in reach of an apex, in order.
    pub stays: Vec<SpinStay>,
    /// Sites whose atoms were lifted or moved, in order.
    pub lifted: Vec<String>,
    /// Every verdict and field line of the sequence, and whether it was right.
    pub claims: Vec<HeldAgainst>,
}

impl Truth {
    /// From what the microscope wrote down.
    pub fn new(chronicle: Chronicle) -> Self {
        let Chronicle { cold, tips, mut stays, lifted } = chronicle;
        stays.retain(|stay| stay.to_s - stay.from_s >= STAY_MIN_S);
        let mut polarised: Vec<Span> = Vec::new();
        for tip in tips.iter().filter(|tip| tip.polarised) {
            match polarised.last_mut().filter(|last| last.to_s == tip.from_s) {
                Some(last) => last.to_s = tip.to_s,
                None => polarised.push(Span { from_s: tip.from_s, to_s: tip.to_s }),
            }
        }
        let mut truth = Self {
            spin_in_reach: false,
            site: None,
            moment_mub: None,
            g: None,
            tip_field_t: None,
            cold,
            polarised,
            tips,
            stays,
            lifted,
            claims: Vec::new(),
        };
        let length = |stay: &&SpinStay| stay.to_s - stay.from_s;
        let seen = truth.stays.iter().filter(|stay| truth.can_show(stay));
        if let Some(longest) = seen.max_by(|a, b| length(a).total_cmp(&length(b))).cloned() {
            truth.spin_in_reach = true;
            truth.moment_mub = Some(longest.moment_mub[2]);
            truth.g = Some(longest.g[2]);
            truth.tip_field_t = Some(longest.tip_field_t[2]);
            truth.site = Some(longest.site);
        }
        truth
    }

    /// The spin that could be seen for most of a span: the longest stay in it under a polarised tip. `None` if
    /// there was none, so that whatever was found then is no resonance.
    pub fn between(&self, from_s: f64, to_s: f64) -> Option<&SpinStay> {
        let shared = |stay: &&SpinStay| stay.to_s.min(to_s) - stay.from_s.max(from_s);
        self.seen(from_s, to_s).max_by(|a, b| shared(a).total_cmp(&shared(b)))
    }

    /// Every stay under a polarised tip within a span.
    pub fn seen(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = &SpinStay> {
        let within = move |stay: &&SpinStay| stay.to_s.min(to_s) > stay.from_s.max(from_s);
        self.stays.iter().filter(|stay| self.can_show(stay)).filter(within)
    }

    /// With what the sequence claimed.
    pub(super) fn with_claims(mut self, claims: &[Claim]) -> Self {
        let held =
            claims.iter().map(|claim| HeldAgainst { claim: claim.clone(), right: self.bears_out(claim) });
        self.claims = held.collect();
        self
    }

    /// The spin that a claim of a moment is about, if one with that moment could be seen while it was measured: of several
    /// stays the one that lasted longest then, since the tip may have changed on the way.
    pub(super) fn meant_by(&self, claim: &Claim) -> Option<&SpinStay> {
        let moment = claim.moment_mu_b?;
        let shared = |stay: &&SpinStay| stay.to_s.min(claim.to_s) - stay.from_s.max(claim.from_s);
        let such = self.seen(claim.from_s, claim.to_s).filter(|stay| is_moment(moment, stay.moment_mub[2]));
        such.max_by(|a, b| shared(a).total_cmp(&shared(b)))
    }

    /// Mean field along z, T, of the tip of a stay on its spin while some spans were measured. A tip that is tested elsewhere
    /// comes back to a spin many times; what its field was between the spans, at other setpoints and in other fields, is not
    /// what was measured.
    pub(super) fn tip_field_within_t(&self, stay: &SpinStay, spans_s: &[(f64, f64)]) -> f64 {
        let same = self.stays.iter().filter(|one| (&one.site, one.tip) == (&stay.site, stay.tip));
        let [.., there_t] = tip_field_within_t(same, spans_s).unwrap_or(stay.tip_field_t);
        there_t
    }

    /// Whether a claim was right; nothing for a verdict that leaves the question open. That nothing is there is right
    /// if no spin with such a g could be seen.
    pub fn bears_out(&self, claim: &Claim) -> Option<bool> {
        if claim.moment_mu_b.is_some() {
            return Some(self.meant_by(claim).is_some());
        }
        let [low, high] = claim.nothing_in_g?;
        Some(!self.seen(claim.from_s, claim.to_s).any(|stay| (low..=high).contains(&stay.g[2])))
    }

    fn can_show(&self, stay: &SpinStay) -> bool {
        self.tips.get(stay.tip).is_some_and(|tip| tip.polarised)
    }
}

/// Whether a moment is that of a spin: beyond, another thing was seen.
fn is_moment(found: Known, truth_mub: f64) -> bool {
    (found.value - truth_mub).abs() < (RIGHT_ERRORS * found.error).max(RIGHT_PART * truth_mub)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::joint::Verdict;

    fn tip(from_s: f64, to_s: f64, polarised: bool) -> TipStay {
        TipStay { from_s, to_s, polarised, polarisation: 0.3, moment_mub: 5.0, double: false }
    }

    fn stay(site: &str, from_s: f64, to_s: f64, tip: usize) -> SpinStay {
        SpinStay {
            from_s,
            to_s,
            site: site.to_owned(),
            species: "adatom".to_owned(),
            g: [2.0, 2.0, 1.8],
            moment_mub: [1.0, 1.0, 0.9],
            tip,
            overlap: 0.9,
            tip_field_t: [0.0, 0.0, 4e-3],
            parts: Vec::new(),
            switches: 0,
        }
    }

    #[test]
    fn only_a_spin_under_a_polarised_tip_can_be_seen() {
        let tips = vec![tip(0.0, 100.0, true), tip(100.0, 2000.0, true), tip(2000.0, 9000.0, false)];
        let stays = vec![
            stay("A1", 10.0, 90.0, 0),
            stay("A2", 200.0, 1000.0, 1),
            stay("A3", 1000.0, 1030.0, 1),
            stay("A4", 2000.0, 9000.0, 2),
        ];
        let truth = Truth::new(Chronicle { tips, stays, ..Chronicle::default() });
        assert!(truth.spin_in_reach);
        assert_eq!((truth.site.as_deref(), truth.moment_mub, truth.g), (Some("A2"), Some(0.9), Some(1.8)));
        assert_eq!(truth.polarised, [Span { from_s: 0.0, to_s: 2000.0 }]);
        assert_eq!(truth.stays.len(), 3, "half a minute is no stay");
        assert_eq!(truth.between(0.0, 400.0).unwrap().site, "A2");
        assert!(truth.between(3000.0, 4000.0).is_none(), "the tip was blind");
        let blind = Truth::new(Chronicle { tips: vec![tip(0.0, 9000.0, false)], ..Chronicle::default() });
        assert!(!blind.spin_in_reach && blind.polarised.is_empty() && blind.site.is_none());
    }

    #[test]
    fn claims_are_right_when_the_truth_says_so() {
        let truth = |polarised| {
            let stays = vec![stay("A1", 100.0, 5000.0, 0)];
            Truth::new(Chronicle { tips: vec![tip(0.0, 5000.0, polarised)], stays, ..Chronicle::default() })
        };
        let claim = |verdict: Verdict, moment: Option<f64>, g_to: Option<f64>| Claim {
            from_s: 200.0,
            to_s: 4000.0,
            at_s: 4000.0,
            verdict: verdict.into(),
            nothing_in_g: g_to.map(|to| [1.4, to]),
            moment_mu_b: moment.map(|value| Known { value, error: 1e-4 }),
            ..Claim::default()
        };
        for (claim, seen, blind) in [
            (claim(Verdict::Real, Some(0.9001), None), Some(true), Some(false)),
            (claim(Verdict::Real, Some(0.92), None), Some(false), Some(false)),
            (claim(Verdict::Absent, None, Some(2.3)), Some(false), Some(true)),
            (claim(Verdict::Artefact, None, Some(2.3)), Some(false), Some(true)),
            (claim(Verdict::Absent, None, Some(1.6)), Some(true), Some(true)),
            (claim(Verdict::Undecided, None, None), None, None),
        ] {
            assert_eq!(truth(true).bears_out(&claim), seen, "{claim:?}");
            assert_eq!(truth(false).bears_out(&claim), blind, "{claim:?}");
        }
    }
}
