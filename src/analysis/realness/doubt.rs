//! What keeps a moving line from being believed, and whether it might yet be one.

use super::case::Case;
use super::law::Law;
use super::power::{PowerFinding, power_test};

/// Log likelihood that has to remain when the best spectrum is left out.
const ALONE_ENOUGH: f64 = 15.0;
/// The same, below which there is no reason to suspect a line.
const LEAST_ALONE: f64 = 3.0;
/// Expected number of chance alignments above which there is none either.
const LARGEST_CHANCE: f64 = 0.3;
/// Log evidence from which a line is believed.
pub(super) const ENOUGH: f64 = 10.0;
/// Agreement of the asymmetries below which a line is never believed.
const LEAST_AGREEMENT: f64 = 0.65;
/// Angle by which the asymmetry of a line may wander from spectrum to spectrum, rad (standard deviation).
const ASYMMETRY_WANDERS: f64 = 0.3;
/// Evidence from which the usual chance of an alignment is accepted; below, it has to be this much rarer.
const PLAIN_EVIDENCE: f64 = 25.0;
const RARER: f64 = 0.01;
/// Share of a range that counts as its end.
const END: f64 = 0.2;

impl Case<'_> {
    /// How a law stands: one that is believed before one that might yet be, and that before one that is refuted.
    pub(super) fn standing(&self, law: &Law) -> Standing {
        // Most alignments are refuted, and the doubts about the others cost a fit.
        if self.refuted(law) {
            return Standing::Refuted;
        }
        let doubts = self.doubts(law);
        match doubts.is_empty() {
            true => Standing::Believed,
            false if self.explained_in_place(law, &doubts) => Standing::Refuted,
            false => Standing::Suspected,
        }
    }

    /// Whether a law that is doubted can't be a line. Whatever refutes a law is a doubt as well.
    fn refuted(&self, law: &Law) -> bool {
        let (seen, absent) = (law.believed().count(), law.absent.len());
        let (fields, evidence, alone) = (law.fields(self.spectra), self.evidence(law), law.without_best);
        let rare = if alone < 8.0 { 0.01 } else { 0.03 };
        // Unrelated features make such alignments by the dozen; one of them says nothing.
        law.chance > LARGEST_CHANCE.max(self.settings.chance)
            || alone < LEAST_ALONE
            || (alone < ALONE_ENOUGH && law.chance > rare)
            || (evidence < 0.0 && !hinted(law))
            || (absent > 0 && absent >= seen)
            // Two always fit a straight line; two that agree in shape and stand out ask for a third.
            || fields < 2
            || (fields < 3 && (evidence < 0.0 || !hinted(law)))
    }

    /// Whether a law that hardly moves runs through what is known to stay in place.
    fn explained_in_place(&self, law: &Law, doubts: &[Doubt]) -> bool {
        doubts.iter().any(|d| matches!(d, Doubt::Still(..)))
            && self.fixed.iter().any(|f| {
                f.stays && law.believed().any(|m| (m.feature.centre_hz - f.centre_hz).abs() < f.width_hz)
            })
    }

    /// Whether every sign of a law lies towards the same end of its range, and the ranges differ: what every sweep does
    /// at its beginning or end then moves with the field as a line would.
    fn keeps_to_end(&self, law: &Law) -> bool {
        let (mut low, mut high, mut all) = (0, 0, 0);
        for m in law.believed() {
            let sp = &self.spectra[m.feature.spectrum];
            let place = (m.feature.centre_hz - sp.low()) / sp.span();
            low += usize::from(place < END);
            high += usize::from(place > 1.0 - END);
            all += 1;
        }
        all > 0 && (low == all || high == all)
    }

    /// Everything that keeps a law from being believed.
    pub fn doubts(&self, law: &Law) -> Vec<Doubt> {
        let mut doubts = Vec::new();
        let fields = law.fields(self.spectra);
        let seen = law.believed().count();
        let thin = self.evidence(law) < PLAIN_EVIDENCE;
        if self.evidence(law) < ENOUGH {
            doubts.push(Doubt::Weak(self.evidence(law)));
        }
        // One strong bump with noise along a line through it is still one bump.
        if law.without_best < ALONE_ENOUGH {
            doubts.push(Doubt::OneSpectrum(law.without_best));
        }
        if fields < 3 {
            doubts.push(Doubt::FewFields(fields));
        }
        let allowed = self.settings.chance * if thin { RARER } else { 1.0 };
        if law.chance > allowed {
            doubts.push(Doubt::Chance(law.chance, allowed));
        }
        if law.moved_hz() < 2.0 * law.width_hz {
            doubts.push(Doubt::Still(law.moved_hz(), law.width_hz));
        }
        let stated = law.stated(self.spectra);
        if stated.slope_hz_per_t < 6.0 * stated.slope_error {
            doubts.push(Doubt::Slope(stated.moment_mu_b, stated.moment_error));
        }
        if stated.tip_field_t.abs() > self.settings.largest_tip_field_t {
            doubts.push(Doubt::TipField(stated.tip_field_t, stated.tip_field_error));
        }
        if 3 * law.absent.len() > seen || (thin && !law.absent.is_empty()) {
            doubts.push(Doubt::Absent(law.absent.len(), seen));
        }
        if law.coherence < least_agreement(law) {
            doubts.push(Doubt::Shape(law.coherence));
        }
        if self.keeps_to_end(law) {
            doubts.push(Doubt::AtEnd);
        }
        match power_test(law, self.spectra) {
            Some(test) if test.finding == PowerFinding::Falls => {
                doubts.push(Doubt::FallsWithPower(test.exponent, test.exponent_error));
            }
            _ => (),
        }
        match self.settings.polarisation {
            Some((p, e)) if p.abs() + 3.0 * e < 0.02 => doubts.push(Doubt::NoContrast(p, e)),
            _ => (),
        }
        doubts
    }
}

/// Agreement that the asymmetries of a line have to reach: noise turns each by 1/√gain rad, wandering by a little more,
/// and the lack of agreement is half the mean square of the angles. Three times that is allowed.
fn least_agreement(law: &Law) -> f64 {
    let (mut turned, mut count) = (0.0, 0.0);
    for m in law.believed() {
        turned += 1.0 / m.feature.gain.max(1.0) + ASYMMETRY_WANDERS * ASYMMETRY_WANDERS;
        count += 1.0;
    }
    (1.0 - 1.5 * turned / f64::max(count, 1.0)).max(LEAST_AGREEMENT)
}

/// How far a law is believed, least first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Standing {
    Refuted,
    Suspected,
    Believed,
}

/// A reason not to believe a line, with its numbers.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Doubt {
    NoLine,
    Weak(f64),
    OneSpectrum(f64),
    FewFields(usize),
    Chance(f64, f64),
    Still(f64, f64),
    Slope(f64, f64),
    Absent(usize, usize),
    Shape(f64),
    AtEnd,
    TipField(f64, f64),
    FallsWithPower(f64, f64),
    NoContrast(f64, f64),
}

/// Whether a law that is too weak to be believed shows the same in several spectra, so that averaging is worth while.
fn hinted(law: &Law) -> bool {
    law.absent.is_empty() && law.without_best > 10.0 && law.chance < 0.1
}

impl Doubt {
    pub(super) fn words(&self) -> String {
        match self {
            Doubt::NoLine => "no two features fit a moment within the limits.".into(),
            Doubt::Weak(e) => format!("its log evidence is only {e:.1}."),
            Doubt::OneSpectrum(l) => {
                format!("without its best spectrum a log likelihood of only {l:.1} remains.")
            }
            Doubt::FewFields(n) => {
                format!("it was seen at {n} different fields; two always fit a straight line.")
            }
            Doubt::Chance(c, allowed) => format!(
                "unrelated bumps align like this {c:.1e} times in such a set, and {allowed:.0e} is asked for; fields whose ranges overlap, so that one spectrum shows the place empty where another has the line, would tell."
            ),
            Doubt::Still(m, w) => {
                format!("it moved only {:.1} MHz at a width of {:.1} MHz.", m / 1e6, w / 1e6)
            }
            Doubt::Slope(m, e) => {
                format!("its moment {m:.3} ± {e:.3} μB is not certainly different from zero.")
            }
            Doubt::Absent(a, s) => {
                format!("it is seen in {s} spectra and lacking in {a} that cover its place.")
            }
            Doubt::Shape(c) => format!("its asymmetry changes from spectrum to spectrum (agreement {c:.2})."),
            Doubt::TipField(b, e) => format!(
                "the tip field it asks for, {:.0} ± {:.0} mT, is larger than is considered.",
                b * 1e3,
                e * 1e3
            ),
            Doubt::AtEnd => {
                "it keeps to the end of every range, where sweeps themselves have their beginning or end."
                    .into()
            }
            Doubt::FallsWithPower(n, e) => {
                format!("its height falls with RF power (exponent {n:.2} ± {e:.2}).")
            }
            Doubt::NoContrast(p, e) => {
                format!("the tip has no contrast (polarisation {p:.3} ± {e:.3}), so no spin should show.")
            }
        }
    }
}
