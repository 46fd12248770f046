//! Which measurement would settle an undecided case most cheaply.

use super::case::Case;
use super::doubt::{Doubt, ENOUGH};
use super::field_line::MU_B_PER_H_HZ_PER_T;
use super::judgement::NextMeasurement;
use super::law::Law;
use super::scan::Feature;

impl Case<'_> {
    /// The cheapest measurement that settles a suspected line.
    pub(super) fn settle(&self, law: &Law, doubt: &Doubt) -> NextMeasurement {
        match doubt {
            Doubt::Weak(evidence) => {
                let lacking = ENOUGH - evidence;
                NextMeasurement::AverageLonger { times: 1.0 + lacking / law.likelihood.max(1.0) }
            }
            Doubt::NoContrast(..) => NextMeasurement::TipContrast,
            Doubt::FallsWithPower(..) => {
                let levels = self.spectra.iter().filter_map(|s| s.level_dbm).reduce(f64::min);
                NextMeasurement::AnotherLevel { level_dbm: levels.map(|l| l - 6.0) }
            }
            _ => self.another_field(law),
        }
    }

    /// The nearest field where the line would stand three widths from every place it was seen and still inside
    /// the ranges measured.
    fn another_field(&self, law: &Law) -> NextMeasurement {
        let now = self.last_field();
        let step = law.width_hz / law.line.slope_hz_per_t;
        let free = |b: f64| {
            let place = law.line.predict(b).0;
            law.members.iter().all(|m| (m.feature.centre_hz - place).abs() > 3.0 * law.width_hz)
                && self.fixed.iter().all(|f| (f.centre_hz - place).abs() > f.width_hz + law.width_hz)
        };
        let inside =
            |b: f64| self.spectra.iter().any(|s| s.covers(law.line.predict(b).0, 2.0 * law.width_hz));
        let field_t = (1..400)
            .flat_map(|k| [now + k as f64 * step, now - k as f64 * step])
            .find(|&b| free(b) && inside(b))
            .unwrap_or(now + 4.0 * step);
        NextMeasurement::AnotherField {
            field_t,
            expected_hz: Some(law.line.predict(field_t).0),
            otherwise_hz: None,
        }
    }

    pub(super) fn settle_stray(&self, stray: &Feature) -> NextMeasurement {
        let covered = self
            .spectra
            .iter()
            .enumerate()
            .any(|(j, s)| j != stray.spectrum && s.covers(stray.centre_hz, stray.width_hz));
        if !covered && self.spectra.len() > 1 {
            let half = 10.0 * stray.width_hz;
            return NextMeasurement::SameRange {
                from_hz: stray.centre_hz - half,
                to_hz: stray.centre_hz + half,
            };
        }
        let step = 3.0 * stray.width_hz / (2.0 * MU_B_PER_H_HZ_PER_T * self.settings.smallest_moment_mu_b);
        NextMeasurement::AnotherField {
            field_t: self.spectra[stray.spectrum].field_t + step,
            expected_hz: None,
            otherwise_hz: Some(stray.centre_hz),
        }
    }
}
