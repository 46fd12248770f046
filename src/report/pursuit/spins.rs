//! Proofs across the runs: which spin, with which moment, under which tip.

use super::{Days, Logged, PursuedTip, RunPart, When};
use crate::history::Known;
use crate::history::result::Finding;
use crate::quantity::rounded;
use serde::Serialize;

/// A spin that was proved.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ProvedSpin {
    /// Its id in the logbook, with the names that sequences gave it; what the steps call it where the logbook knows none.
    pub name: String,
    /// The tip that it was proved with, in words; empty where nobody knows.
    pub tip: String,
    /// When its first spectrum began, and in which run.
    #[serde(flatten)]
    pub when: When,
    /// Its moment, Bohr magnetons.
    pub moment_mu_b: Known,
    /// The field of the tip, T.
    pub tip_field_t: Option<Known>,
    /// Spectra that it rests on.
    pub spectra: u64,
    /// When the line was lost, s from the beginning of the first run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lost: Option<When>,
    /// Moment and field of the tip with their errors, in words.
    pub words: String,
}

impl ProvedSpin {
    fn in_words(&self) -> String {
        let moment = format!("moment {} μB", rounded(self.moment_mu_b.value, self.moment_mu_b.error));
        let field =
            self.tip_field_t.map(|t| format!(", tip field {} mT", rounded(t.value * 1e3, t.error * 1e3)));
        let lost = self.lost.as_ref().map(|lost| format!(", lost {}", lost.at));
        format!("{moment}{}{}", field.unwrap_or_default(), lost.unwrap_or_default())
    }
}

/// All proofs, in order of time.
pub(super) fn all(
    parts: &[&RunPart],
    tips: &[PursuedTip],
    logged: Option<&Logged>,
    days: &Days,
) -> Vec<ProvedSpin> {
    let mut spins: Vec<ProvedSpin> = Vec::new();
    for part in parts {
        let proofs = part.result.found.iter().filter_map(|finding| Some((finding, finding.moment_mu_b?)));
        spins.extend(proofs.map(|(finding, moment_mu_b)| {
            let when = days.of(part, finding.from_s);
            let tip =
                tips.iter().find(|tip| tip.spans.iter().any(|span| (span[0]..=span[1]).contains(&when.at_s)));
            ProvedSpin {
                name: name_of(part, finding, logged),
                tip: tip.map(|tip| tip.name_at(when.at_s)).unwrap_or_default(),
                moment_mu_b,
                tip_field_t: finding.tip_field_t,
                spectra: finding.sweeps.len() as u64,
                lost: finding.lost_s.map(|lost_s| days.of(part, lost_s)),
                words: String::new(),
                when,
            }
        }));
    }
    spins.iter_mut().for_each(|spin| spin.words = spin.in_words());
    spins.sort_by(|a, b| a.when.at_s.total_cmp(&b.when.at_s));
    spins
}

/// The one spin on which all spectra of a finding were taken.
fn name_of(part: &RunPart, finding: &Finding, logged: Option<&Logged>) -> String {
    let whole = logged.map(|logged| &logged.whole);
    let own = whole
        .into_iter()
        .flat_map(|whole| &whole.spectra)
        .filter(|spectrum| spectrum.run == part.name && finding.sweeps.contains(&spectrum.sweep));
    let mut ids: Vec<&str> = own.filter_map(|spectrum| spectrum.spin.as_deref()).collect();
    ids.sort_unstable();
    ids.dedup();
    let [id] = ids.as_slice() else {
        return if finding.spin.is_empty() { "a spin".to_owned() } else { finding.spin.clone() };
    };
    let names = whole.and_then(|whole| whole.spins.get(*id)).map_or(&[][..], |spin| &spin.names);
    if names.is_empty() { format!("spin {id}") } else { format!("spin {id} ({})", names.join(", ")) }
}
