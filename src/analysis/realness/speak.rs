//! The verdict put into words and numbers.

use super::case::Case;
use super::doubt::{Doubt, ENOUGH, Standing};
use super::field_line::MU_B_PER_H_HZ_PER_T;
use super::judgement::{
    Evidence, Hypothesis, Judgement, MovingLine, NextMeasurement, RippleFound, Sighting, Verdict,
};
use super::law::{Company, Law, Member, View};
use super::power::{PowerFinding, power_test};
use super::scan::{Feature, shape_ratio};
use super::tails::median;
use super::weigh::{HEIGHT_VARIES, company, still_possible};

/// Height of a stray feature over that of a line that has to show, below which it is no sign of one: heights vary by a
/// fifth from spectrum to spectrum, and a tenth is noise.
const LOWEST_STRAY: f64 = 0.7;

/// Lines just at the limit are lost now and then; a tenth above it they seldom are.
const ABOVE_LIMIT: f64 = 1.1;

/// A line narrower than this many points is not promised to be noticed.
const NARROW_POINTS: f64 = 4.0;

impl Case<'_> {
    pub(super) fn speak(self) -> Judgement {
        let law = self.laws.first();
        let doubts = law.map_or(vec![Doubt::NoLine], |l| self.doubts(l));
        let mut reasons = Vec::new();
        let mut next = None;
        let verdict = match law {
            Some(law) if doubts.is_empty() => {
                reasons.extend(self.praise(law));
                Verdict::Real
            }
            _ => self.without_line(law, &doubts, &mut reasons, &mut next),
        };
        reasons.extend(self.background_words());
        let offered = law.is_some_and(|l| self.standing(l) != Standing::Refuted);
        let evidence = self.ranking(offered);
        Judgement {
            verdict,
            leading: evidence[0].hypothesis,
            evidence,
            lines: self.laws.iter().map(|l| self.moving_line(l)).collect(),
            smallest_noticed: self.smallest_noticed(),
            ripples: self
                .ripples
                .iter()
                .map(|r| RippleFound { period_hz: r.period_hz, amplitude: r.amplitude, gain: r.gain })
                .collect(),
            fixed: self.fixed,
            reasons,
            next,
        }
    }

    /// The verdict where no line is believed: artefact if nothing is left that could be one.
    fn without_line(
        &self,
        law: Option<&Law>,
        doubts: &[Doubt],
        reasons: &mut Vec<String>,
        next: &mut Option<NextMeasurement>,
    ) -> Verdict {
        if let Some(law) = law.filter(|l| self.standing(l) == Standing::Suspected) {
            let l = law.stated(self.spectra);
            reasons.push(format!(
                "A line could move with {:.3} ± {:.3} μB, but it is not proved.",
                l.moment_mu_b, l.moment_error
            ));
            reasons.extend(doubts.iter().map(Doubt::words));
            if self.turned_back() {
                reasons.push(
                    "the field was turned back between spectra: a magnet's remanence then moves the line; fields in one order would tell.".to_owned(),
                );
            }
            *next = Some(self.settle(law, &doubts[0]));
            return Verdict::Undecided;
        }
        if let Some(stray) = self.strays().first() {
            reasons.push(format!(
                "Spectrum {} has a feature at {:.6} GHz, {:.1} MHz wide (chi-square falls by {:.0}), that no other spectrum confirms or rules out.",
                stray.spectrum,
                stray.centre_hz / 1e9,
                stray.width_hz / 1e6,
                stray.gain
            ));
            *next = Some(self.settle_stray(stray));
            return Verdict::Undecided;
        }
        // As with strays: a weak bump in few spectra is no reason to doubt, for baselines wander.
        if let Some(unsure) = self.fixed.iter().find(|f| !f.stays && f.gain > 2.5 * self.threshold) {
            reasons.push(format!(
                "The feature at {:.6} GHz was not measured at fields far enough apart to tell whether it moves.",
                unsure.centre_hz / 1e9
            ));
            let step =
                3.0 * unsure.width_hz / (2.0 * MU_B_PER_H_HZ_PER_T * self.settings.smallest_moment_mu_b);
            *next = Some(NextMeasurement::AnotherField {
                field_t: self.last_field() + step,
                expected_hz: None,
                otherwise_hz: Some(unsure.centre_hz),
            });
            return Verdict::Undecided;
        }
        let noticed = match self.noticed_well_enough() {
            Ok(noticed) => noticed,
            Err((reason, cure)) => {
                reasons.push(reason);
                *next = cure;
                return Verdict::Undecided;
            }
        };
        reasons.push(format!(
            "Nothing moves with the field: a line {:.1} times as high as the noise of one point ({noticed:.2e} in the unit of the signal) would have been noticed within the measured ranges in 19 cases of 20; a weaker one is not ruled out.",
            noticed / self.typical_noise()
        ));
        if let Some(law) = law.filter(|l| l.total > self.threshold) {
            reasons.push(format!(
                "The best alignment of features is worth nothing: {}",
                doubts.first().map_or(String::new(), Doubt::words)
            ));
            assert!(!law.members.is_empty(), "a law without members cannot have a gain");
        }
        Verdict::Artefact
    }

    /// Whether the fields both rose and fell from spectrum to spectrum.
    fn turned_back(&self) -> bool {
        let fields: Vec<f64> = self.among.iter().map(|&k| self.spectra[k].field_t).collect();
        fields.windows(2).any(|b| b[1] > b[0]) && fields.windows(2).any(|b| b[1] < b[0])
    }

    /// Height from which on a line would have shown, if that is low enough to call its absence an answer; else why
    /// not, and what would help.
    fn noticed_well_enough(&self) -> Result<f64, (String, Option<NextMeasurement>)> {
        let wanted = self.settings.trusted_signal_to_noise * self.typical_noise();
        let Some(noticed) = self.smallest_noticed() else {
            let reason =
                "The spectra have too few points, or too far apart, for a line of any width to show.";
            return Err((reason.to_owned(), None));
        };
        if noticed <= wanted {
            return Ok(noticed);
        }
        let reason = format!(
            "A line had to be {noticed:.3e} high to be noticed, more than the {wanted:.3e} asked for."
        );
        let times = (noticed / wanted).powi(2);
        Err((reason, Some(NextMeasurement::AverageLonger { times })))
    }

    /// The view in which features in place are gone as far as possible.
    fn cleanest(&self) -> &View<'_> {
        self.difference.as_ref().unwrap_or(&self.raw)
    }

    /// Strong features that are neither in place nor ruled out as part of a moving line, strongest first.
    fn strays(&self) -> Vec<&Feature> {
        let view = self.cleanest();
        let mut list: Vec<&Feature> = view
            .features
            .iter()
            .flatten()
            // A bump in one spectrum alone is the weakest hint there is, and baselines wander. One that is certainly
            // lower than the line that has to show is none of its signs.
            .filter(|f| f.gain > 2.5 * self.threshold)
            .filter(|f| {
                let wanted = self.settings.trusted_signal_to_noise * self.spectra[f.spectrum].sigma;
                f.amplitude() > LOWEST_STRAY * wanted
            })
            .filter(|f| {
                !self.fixed.iter().any(|x| (x.centre_hz - f.centre_hz).abs() < x.width_hz.max(f.width_hz))
            })
            // At the end of its range a bump may be the flank of anything.
            .filter(|f| self.spectra[f.spectrum].covers(f.centre_hz, f.width_hz))
            .filter(|f| company(view, f, None) != Company::InPlace && !flank_elsewhere(view, f))
            .filter(|f| still_possible(view, f, self.settings, &self.in_place()))
            .collect();
        list.sort_by(|a, b| b.gain.total_cmp(&a.gain));
        list
    }

    /// Centres and widths of what is known to stay in place.
    fn in_place(&self) -> Vec<(f64, f64)> {
        self.fixed.iter().filter(|f| f.stays).map(|f| (f.centre_hz, f.width_hz)).collect()
    }

    fn typical_noise(&self) -> f64 {
        median(&mut self.spectra.iter().map(|s| s.sigma).collect::<Vec<_>>())
    }

    /// Height of a line in all spectra that would have been noticed at most widths and places; none if no line would.
    fn smallest_noticed(&self) -> Option<f64> {
        let view = self.cleanest();
        let gain = self.gain_noticed();
        let mut heights: Vec<f64> = Vec::new();
        for (sp, widths) in view.spectra.iter().zip(&view.excess) {
            for (width, excess) in widths.iter().filter(|(w, _)| *w > NARROW_POINTS * sp.step()) {
                // m points across the width hold Σ 1/(1+δ²)² = m π/4; three fifths survive the local baseline.
                let held = 0.6 * width / sp.step() * std::f64::consts::FRAC_PI_4;
                heights.push(sp.sigma * (excess * gain / held).sqrt());
            }
        }
        // Spectra too short for any of these widths can't show a line.
        (!heights.is_empty()).then(|| ABOVE_LIMIT * median(&mut heights))
    }

    /// Gain in each spectrum from which a line that all spectra show equally is believed.
    fn gain_noticed(&self) -> f64 {
        let n = self.among.len().max(1) as f64;
        let trials = self.raw.trials.max(1.0);
        // As `evidence` reckons it, with the line's height known to its usual variation.
        let wanted = (ENOUGH + 0.5 * 5.0 * self.points.ln() + trials.ln()) / n;
        let worth = |g: f64| 0.5 * g - 0.5 * (1.0 + HEIGHT_VARIES * HEIGHT_VARIES * g).ln();
        let mut gain = 2.0 * wanted;
        for _ in 0..20 {
            gain += 2.0 * (wanted - worth(gain));
        }
        // It also has to stand above the highest bump of noise in its spectrum.
        gain.max(2.0 * (trials / self.spectra.len() as f64).max(1.0).ln())
    }

    pub(super) fn last_field(&self) -> f64 {
        self.spectra.last().map_or(0.0, |s| s.field_t)
    }

    fn praise(&self, law: &Law) -> Vec<String> {
        let l = &law.stated(self.spectra);
        let alone = law.believed().filter(|m| m.company == Company::Alone).count();
        let mut words = vec![
            format!(
                "A line moves with {} μB (g = {}) through {} fields, {:.1} MHz in all, under a tip field of {:.2} ± {:.2} mT.",
                with_error(l.moment_mu_b, l.moment_error),
                with_error(l.g, l.g_error),
                law.fields(self.spectra),
                law.moved_hz() / 1e6,
                l.tip_field_t * 1e3,
                l.tip_field_error * 1e3
            ),
            format!(
                "Its log evidence is {:.1}; {:.1e} such alignments are expected by chance; the centres scatter with chi-square {:.1} for {} degrees of freedom, as if they wandered by {:.2} MHz between spectra.",
                self.evidence(law),
                law.chance,
                l.chi_square,
                l.degrees_of_freedom,
                l.scatter_hz / 1e6
            ),
            format!("In {alone} spectra others cover the same place and do not show it."),
        ];
        if let Some(test) = power_test(law, self.spectra) {
            let (n, e) = (test.exponent, test.exponent_error);
            words.push(match test.finding {
                PowerFinding::Driven => {
                    format!("Its height grows as RF voltage to the power {n:.2} ± {e:.2}.")
                }
                PowerFinding::Unchanged => format!(
                    "Its height does not change with RF power (exponent {n:.2} ± {e:.2}): saturated or not driven."
                ),
                _ => format!("Its height against RF power says nothing (exponent {n:.2} ± {e:.2})."),
            });
        }
        if let Some((p, e)) = self.settings.polarisation {
            words.push(format!("The tip's polarisation is {p:.3} ± {e:.3}."));
        }
        words
    }

    fn background_words(&self) -> Vec<String> {
        let fixed = self.fixed.iter().filter(|f| f.stays).map(|f| {
            format!(
                "A feature {:.1} MHz wide stays at {:.6} GHz in {} of {} spectra.",
                f.width_hz / 1e6,
                f.centre_hz / 1e9,
                f.seen_in,
                f.covered_by
            )
        });
        let ripples = self.ripples.iter().map(|r| {
            format!(
                "A ripple of period {:.1} MHz and height {:.3e} stays in place.",
                r.period_hz / 1e6,
                r.amplitude
            )
        });
        fixed.chain(ripples).collect()
    }

    /// All explanations with their evidence, best first.
    fn ranking(&self, offered: bool) -> Vec<Evidence> {
        let ln_n = self.points.ln();
        let in_place: f64 = self
            .fixed
            .iter()
            .filter(|f| f.stays)
            .map(|f| {
                0.5 * f.gain - 0.5 * (2.0 * f.seen_in as f64 + 2.0) * ln_n - self.raw.trials.max(1.0).ln()
            })
            .chain(
                self.ripples
                    .iter()
                    .map(|r| 0.5 * r.gain - 0.5 * (2.0 * self.spectra.len() as f64 + 1.0) * ln_n),
            )
            .sum();
        let moving = self.laws.first().map_or(f64::NEG_INFINITY, |l| self.evidence(l));
        let several: f64 = self.laws.iter().map(|l| self.evidence(l)).sum();
        let mut list = vec![Evidence { hypothesis: Hypothesis::Nothing, log_evidence: 0.0 }];
        let found = !self.fixed.is_empty() || !self.ripples.is_empty();
        if found {
            list.push(Evidence { hypothesis: Hypothesis::InPlace, log_evidence: in_place });
        }
        // An alignment that is ruled out on other grounds is not offered as an explanation.
        if offered {
            list.push(Evidence { hypothesis: Hypothesis::MovingLine, log_evidence: moving });
            if found {
                let both = moving + in_place;
                list.push(Evidence { hypothesis: Hypothesis::MovingAndInPlace, log_evidence: both });
            }
            if self.laws.len() > 1 {
                let all = several + if found { in_place } else { 0.0 };
                list.push(Evidence { hypothesis: Hypothesis::SeveralLines, log_evidence: all });
            }
        }
        list.sort_by(|a, b| b.log_evidence.total_cmp(&a.log_evidence));
        list
    }

    fn moving_line(&self, law: &Law) -> MovingLine {
        MovingLine {
            line: law.stated(self.spectra),
            width_hz: law.width_hz,
            seen_in: law.believed().map(sighting).collect(),
            missing_in: law.absent.clone(),
            proved_alone: law.believed().filter(|m| m.company == Company::Alone).count(),
            fields: law.fields(self.spectra),
            chance: law.chance,
            gain: law.total,
            coherence: law.coherence,
            power: power_test(law, self.spectra),
            other_heights: self.other_heights(law),
        }
    }

    /// Tip field at tip heights outside the main group, from the strongest feature of fitting width.
    fn other_heights(&self, law: &Law) -> Vec<(f64, f64, f64)> {
        let view = self.cleanest();
        (0..self.spectra.len())
            .filter(|k| !self.among.contains(k))
            .filter_map(|k| {
                let sp = &self.spectra[k];
                let f = view.features[k]
                    .iter()
                    .filter(|f| f.gain > self.threshold && (f.width_hz / law.width_hz).ln().abs() < 0.92)
                    .find(|f| company(view, f, None) != Company::InPlace)?;
                let slope = law.line.slope_hz_per_t * if sp.field_t < 0.0 { -1.0 } else { 1.0 };
                let total = f.centre_hz / slope;
                let relative =
                    (law.line.slope_error / law.line.slope_hz_per_t).hypot(f.error_hz / f.centre_hz);
                Some((sp.tip_height_m?, total - sp.field_t, total.abs() * relative))
            })
            .collect()
    }
}

/// Whether a spectrum that ends near a feature shows its flank: then it is there at another field as well.
fn flank_elsewhere(view: &View, feature: &Feature) -> bool {
    let (centre, width) = (feature.centre_hz, feature.width_hz);
    view.spectra.iter().enumerate().any(|(j, sp)| {
        let near = sp.low() - width <= centre && centre <= sp.high() + width;
        let other_field = sp.field_t != view.spectra[feature.spectrum].field_t;
        near && other_field
            && !sp.covers(centre, width)
            && shape_ratio(view.trace(j), centre, feature)
                .is_some_and(|(share, error)| (0.5..2.0).contains(&share) && share > 4.0 * error)
    })
}

fn sighting(member: &Member) -> Sighting {
    let f = &member.feature;
    Sighting {
        spectrum: f.spectrum,
        centre_hz: f.centre_hz,
        error_hz: f.error_hz,
        width_hz: f.width_hz,
        height: [f.absorptive, f.dispersive],
        gain: f.gain,
        alone: member.company == Company::Alone,
    }
}

/// A value and its error with as many decimals as the error has two digits: `0.89495 ± 0.00004`.
fn with_error(value: f64, error: f64) -> String {
    let digits =
        if error > 0.0 && error.is_finite() { (1.0 - error.log10().floor()).clamp(1.0, 9.0) } else { 4.0 };
    let digits = digits as usize;
    format!("{value:.digits$} ± {error:.digits$}")
}
