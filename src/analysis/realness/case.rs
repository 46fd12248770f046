//! The explanations weighed, and the doubts about a moving line.

use super::background::Ripple;
use super::in_place::{FixedFeature, fixed_features};
use super::law::{Law, View, best_law};
use super::power::{PowerFinding, power_test};
use super::spectrum::{Prepared, Settings};

/// Log likelihood that has to remain when the best spectrum is left out.
const ALONE_ENOUGH: f64 = 15.0;
/// Log evidence from which a line is believed.
pub(super) const ENOUGH: f64 = 10.0;
/// Lines closer than this many widths are taken for one.
const APART: f64 = 2.0;
/// Largest number of moving lines looked for.
const MOST_LINES: usize = 10;

/// Everything that the verdict rests on.
pub(super) struct Case<'a> {
    pub settings: &'a Settings,
    pub spectra: &'a [Prepared],
    pub raw: View<'a>,
    pub difference: Option<View<'a>>,
    pub among: Vec<usize>,
    pub threshold: f64,
    pub points: f64,
    pub fixed: Vec<FixedFeature>,
    pub ripples: Vec<Ripple>,
    pub laws: Vec<Law>,
}

impl Case<'_> {
    pub fn weigh(mut self) -> Self {
        self.fixed = fixed_features(&self.raw, self.settings, self.threshold);
        let stay = |f: &&FixedFeature| f.stays;
        self.raw.in_place = self.fixed.iter().filter(stay).map(|f| (f.centre_hz, f.width_hz)).collect();
        let plain = best_law(&self.raw, &self.among, self.settings);
        let cleaned = self.difference.as_ref().and_then(|v| best_law(v, &self.among, self.settings));
        let rank = |l: &Option<Law>| l.as_ref().map_or(f64::NEG_INFINITY, |l| self.evidence(l));
        let (sure_plain, sure_cleaned) =
            (self.doubts_of(&plain).is_empty(), self.doubts_of(&cleaned).is_empty());
        let use_cleaned = match (sure_plain, sure_cleaned) {
            (true, false) => false,
            (false, true) => true,
            _ => rank(&cleaned) > rank(&plain),
        };
        let first = if use_cleaned { cleaned } else { plain };
        let Some(first) = first else { return self };
        self.laws.push(first);
        self.further_lines(use_cleaned);
        self
    }

    /// Looks for more lines after subtracting those found. Features alone would not do: the valley between two
    /// lines moves with them and looks like a third.
    fn further_lines(&mut self, use_cleaned: bool) {
        if !self.doubts(&self.laws[0]).is_empty() {
            return;
        }
        let common = self.difference.as_ref().filter(|_| use_cleaned).and_then(|v| v.common.clone());
        let mut spectra = self.spectra.to_vec();
        let mut last = self.laws[0].clone();
        for _ in 1..MOST_LINES {
            for m in last.believed() {
                let sp = &mut spectra[m.feature.spectrum];
                for (y, f) in sp.y.iter_mut().zip(&sp.f_hz) {
                    *y -= m.feature.at(*f);
                }
            }
            let mut view = View::new(&spectra, common.clone());
            view.in_place = self.raw.in_place.clone();
            let Some(law) = best_law(&view, &self.among, self.settings) else { return };
            if law.fields(self.spectra) < 3 || !self.doubts(&law).is_empty() {
                return;
            }
            if self.apart(&law) {
                self.laws.push(law.clone());
            }
            last = law;
        }
    }

    /// Whether a law keeps its distance from the lines found before.
    fn apart(&self, law: &Law) -> bool {
        let near = law
            .believed()
            .filter(|m| {
                let field = self.spectra[m.feature.spectrum].field_t;
                self.laws.iter().any(|l| {
                    (l.line.predict(field).0 - m.feature.centre_hz).abs()
                        < APART * l.width_hz.max(law.width_hz)
                })
            })
            .count();
        3 * near <= law.believed().count()
    }

    /// Log evidence of a moving line against nothing.
    pub fn evidence(&self, law: &Law) -> f64 {
        // Place, slope, width and the two parts of the shape are shared by all spectra.
        law.likelihood - 0.5 * 5.0 * self.points.ln() - self.raw.trials.max(1.0).ln()
    }

    fn doubts_of(&self, law: &Option<Law>) -> Vec<Doubt> {
        law.as_ref().map_or(vec![Doubt::NoLine], |l| self.doubts(l))
    }

    /// Everything that keeps a law from being believed.
    pub fn doubts(&self, law: &Law) -> Vec<Doubt> {
        let mut doubts = Vec::new();
        let fields = law.fields(self.spectra);
        let seen = law.believed().count();
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
        if law.chance > self.settings.chance {
            doubts.push(Doubt::Chance(law.chance));
        }
        if law.moved_hz() < 2.0 * law.width_hz {
            doubts.push(Doubt::Still(law.moved_hz(), law.width_hz));
        }
        if law.line.slope_hz_per_t < 6.0 * law.line.slope_error {
            doubts.push(Doubt::Slope(law.line.moment_mu_b, law.line.moment_error));
        }
        if 3 * law.absent.len() > seen {
            doubts.push(Doubt::Absent(law.absent.len(), seen));
        }
        if law.coherence < 0.65 {
            doubts.push(Doubt::Shape(law.coherence));
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

/// A reason not to believe a line, with its numbers.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Doubt {
    NoLine,
    Weak(f64),
    OneSpectrum(f64),
    FewFields(usize),
    Chance(f64),
    Still(f64, f64),
    Slope(f64, f64),
    Absent(usize, usize),
    Shape(f64),
    FallsWithPower(f64, f64),
    NoContrast(f64, f64),
}
