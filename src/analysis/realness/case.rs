//! The explanations weighed, and the doubts about a moving line.

use super::background::Ripple;
use super::doubt::Standing;
use super::in_place::{FixedFeature, fixed_features};
use super::law::{Law, View, best_laws};
use super::spectrum::{Prepared, Settings};

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
        let plain = self.best(&self.raw);
        let cleaned = self.difference.as_ref().and_then(|v| self.best(v));
        let rank = |l: &Option<Law>| l.as_ref().map(|l| (self.standing(l), self.evidence(l)));
        let use_cleaned = match (rank(&plain), rank(&cleaned)) {
            (Some((a, x)), Some((b, y))) => b > a || (b == a && y > x),
            (plain, _) => plain.is_none(),
        };
        let first = if use_cleaned { cleaned } else { plain };
        let Some(first) = first else { return self };
        self.laws.push(first);
        self.further_lines(use_cleaned);
        self
    }

    /// The law of a view that stands best; among equals the likeliest.
    fn best(&self, view: &View) -> Option<Law> {
        let mut laws = best_laws(view, &self.among, self.settings);
        laws.sort_by(|a, b| b.likelihood.total_cmp(&a.likelihood));
        let mut best: Option<(Standing, usize)> = None;
        for (index, law) in laws.iter().enumerate() {
            let standing = self.standing(law);
            if best.is_none_or(|(most, _)| standing > most) {
                best = Some((standing, index));
            }
            if standing == Standing::Believed {
                break;
            }
        }
        best.map(|(_, index)| laws.swap_remove(index))
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
            let Some(law) = self.best(&view) else { return };
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
}
