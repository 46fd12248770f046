//! What was found: the verdicts with their numbers, what the sequence declares, what its cards say.

use super::{Part, Weight, shown};
use crate::analysis::joint::Verdict;
use crate::history::{Claim, History, Known};
use crate::record::{Achieved, VerdictWord};
use serde::Serialize;

/// What says that something was found; a word in JSON.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SaidBy {
    /// A card.
    Shown,
    /// A verdict.
    #[serde(untagged)]
    Verdict(VerdictWord),
    /// The sequence declares it.
    #[serde(untagged)]
    Declared(Achieved),
}

impl SaidBy {
    /// The verdict, where it is one that this version knows.
    pub fn verdict(&self) -> Option<Verdict> {
        if let Self::Verdict(said) = self { said.known() } else { None }
    }
}

/// Something that was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// What says so.
    pub verdict: SaidBy,
    /// How urgent it is.
    pub weight: Weight,
    /// In a few words, with the one number.
    pub words: String,
    /// Which spin, where the steps of the sequence have a name for it.
    pub spin: String,
    /// Which state of the tip, counted from 0 in the order of the run.
    pub tip: u64,
    /// From when it holds, s.
    pub from_s: f64,
    /// Until when it holds, s.
    pub to_s: f64,
    /// Since when the line was not seen any more, s.
    pub lost_s: Option<f64>,
    /// Moment, Bohr magnetons; only with a proof.
    pub moment_mu_b: Option<Known>,
    /// Tip field, T; only with a proof.
    pub tip_field_t: Option<Known>,
    /// The spectra that it rests on.
    pub sweeps: Vec<u64>,
}

/// All findings: verdicts first.
pub(super) fn all(history: &History) -> Vec<Finding> {
    let mut found: Vec<Finding> = history.claims.iter().map(|claim| of_claim(history, claim)).collect();
    for (i, finding) in found.iter_mut().enumerate() {
        // Parts of one series are states that the tip had one after the other.
        finding.tip = (0..=i).rev().take_while(|j| history.claims[*j].segment > 0).count() as u64;
    }
    let plain = |verdict, weight, words: String, at_s| Finding {
        verdict,
        weight,
        words,
        spin: String::new(),
        tip: 0,
        from_s: 0.0,
        to_s: at_s,
        lost_s: None,
        moment_mu_b: None,
        tip_field_t: None,
        sweeps: Vec::new(),
    };
    // A proof that the sequence declares is one of the verdicts above.
    let declared = history.declared.as_ref().filter(|d| d.what != Achieved::Proved || found.is_empty());
    found.extend(declared.map(|declared| {
        let weight = if declared.what == Achieved::Nothing { Weight::Look } else { Weight::Good };
        plain(SaidBy::Declared(declared.what), weight, declared.in_words(), history.end_s)
    }));
    found.extend(history.cards.iter().filter_map(|card| {
        let words = format!("{}: {}", card.title, card.in_words()?);
        Some(plain(SaidBy::Shown, Weight::Good, words, card.at_s))
    }));
    found
}

fn of_claim(history: &History, claim: &Claim) -> Finding {
    let lost_s = claim.lost_s(&history.fits);
    let asked = claim;
    // Where a line was proved and then lost, the numbers are those of the proof: later spectra hold no line.
    let claim = claim.proof.as_deref().filter(|_| lost_s.is_some()).unwrap_or(claim);
    let clock = &history.clock;
    let after = history.claims.iter().find(|o| o.series == asked.series && o.segment > asked.segment);
    // Of two states of the tip in one series the second one may show no line at all.
    let lost_s = lost_s.or(after.filter(|after| after.verdict != Verdict::Real).map(|_| claim.to_s));
    let number = claim.moment_mu_b.as_ref().map(|moment| format!(", moment {} μB", shown(moment)));
    let (weight, words) = match claim.verdict.known() {
        Some(Verdict::Real) => {
            let until = match (lost_s, after.is_some()) {
                (Some(lost_s), _) => format!(" until {}, then the line was lost", clock.short(lost_s)),
                (None, true) => format!(" until {}, then the tip was another", clock.short(claim.to_s)),
                (None, false) => String::new(),
            };
            let weight = if until.is_empty() { Weight::Good } else { Weight::Look };
            (weight, format!("real{until}{}", number.unwrap_or_default()))
        }
        Some(Verdict::Artefact) => (Weight::Look, "an artefact: what is seen stays in place".to_owned()),
        Some(Verdict::Absent) => {
            let looked = match claim.nothing_in_g {
                Some([from, to]) if to < f64::MAX => format!(" for g {from:.2} to {to:.2}"),
                _ => String::new(),
            };
            (Weight::Look, format!("no line{looked}"))
        }
        Some(Verdict::Curved) => {
            (Weight::Look, "a line moves with field, but not as a moment does".to_owned())
        }
        Some(Verdict::Splitting) => {
            (Weight::Look, "a line moves with field, from a splitting without field".to_owned())
        }
        Some(Verdict::Undecided) => match &claim.proof {
            Some(proof) => {
                let at = clock.short(proof.at_s);
                (Weight::Look, format!("real at {at}, but undecided with the spectra after that"))
            }
            None => (Weight::Look, "undecided whether there is a line".to_owned()),
        },
        None => {
            let word = claim.verdict.word();
            (Weight::Look, format!("verdict `{word}`, which this version does not know"))
        }
    };
    let words = match after {
        Some(_) if claim.verdict != Verdict::Real => {
            format!("{words} until {}, then the tip was another", clock.short(claim.to_s))
        }
        _ if claim.segment > 0 => format!("with the next tip {words}"),
        _ => words,
    };
    Finding {
        verdict: SaidBy::Verdict(claim.verdict.clone()),
        weight,
        words,
        spin: claim.spin.clone(),
        tip: 0,
        from_s: claim.from_s,
        to_s: lost_s.unwrap_or(claim.to_s),
        lost_s,
        moment_mu_b: claim.moment_mu_b,
        tip_field_t: claim.tip_field_t,
        sweeps: claim.sweeps.clone(),
    }
}

/// What a run has made that neither judges nor says what it is about.
fn made(history: &History) -> Option<String> {
    let of = |count: u64, one: &str| {
        let many = if count == 1 { "" } else { "s" };
        (count > 0).then(|| format!("{count} {one}{many}"))
    };
    let made = [of(history.sweeps, "sweep"), of(history.images, "image"), of(history.traces, "trace")];
    let mut made: Vec<String> = made.into_iter().flatten().collect();
    // While the run goes on, the sweep may still be completed.
    let open = history.sweep.as_ref().filter(|_| history.ending.is_some());
    made.extend(open.map(|_| "1 sweep not complete".to_owned()));
    let trusted = history.fits.iter().filter(|fit| fit.trusted).count();
    let fitted = match history.fits.len() {
        0 => String::new(),
        _ => format!(" ({trusted} with a fit that is trusted)"),
    };
    (!made.is_empty()).then(|| format!("measured: {}{fitted}, not judged", made.join(", ")))
}

/// All findings as one part of the headline.
pub(super) fn part(history: &History, found: &[Finding]) -> Option<Part> {
    let weight = found.iter().map(|finding| finding.weight).max();
    // What follows a line that was lost is told with it.
    let told = |(i, finding): &(usize, &Finding)| {
        finding.tip == 0 || finding.verdict.verdict() == Some(Verdict::Real) || found[i - 1].lost_s.is_none()
    };
    let told: Vec<&Finding> = found.iter().enumerate().filter(told).map(|(_, finding)| finding).collect();
    let several = told.len() > 1;
    let words: Vec<String> = told
        .iter()
        .map(|finding| match finding.spin.as_str() {
            spin if several && !spin.is_empty() => format!("{spin}: {}", finding.words),
            _ => finding.words.clone(),
        })
        .collect();
    let (weight, words) = match weight {
        Some(weight) => (weight, words.join("; ")),
        None => (Weight::Good, made(history)?),
    };
    Some(Part { about: "science", weight, words })
}
