//! Fits, laws and verdicts, as they stand in the record.

use crate::analysis::model::Model;
use crate::record::{FieldPoint, FitFound, LawFound, Parameter, SeriesPart, VerdictFound, VerdictWord};
use serde_json::Value;

/// A fit of one sweep, or of points that the sequence put together.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// Number of the entry.
    pub seq: u64,
    /// When, s.
    pub at_s: f64,
    /// The sweep; none for points that the sequence put together.
    pub sweep: Option<u64>,
    /// One line for people: what was fitted, and what came out.
    pub title: String,
    /// The channel, by the name or the role it was asked for.
    pub channel: String,
    /// Field at the time, T, where the record shows it.
    pub field_t: Option<f64>,
    /// The parameters.
    pub parameters: Vec<Parameter>,
    /// Whether nothing speaks against it.
    pub trusted: bool,
    /// What speaks against it.
    pub doubts: Vec<String>,
    /// The curve, where it can be drawn again.
    pub model: Option<Model>,
    /// The whole body.
    pub body: Value,
}

impl Fitted {
    /// Takes what a judgement `fit` says, and its body.
    pub fn of(
        seq: u64,
        at_s: f64,
        sweep: Option<u64>,
        title: &str,
        (found, body): (FitFound, &Value),
    ) -> Self {
        let doubts = if found.trusted { Vec::new() } else { doubts(&found.why) };
        Self {
            seq,
            at_s,
            sweep,
            title: title.to_owned(),
            channel: found.channel,
            field_t: None,
            parameters: found.parameters,
            trusted: found.trusted,
            doubts,
            model: found.model,
            body: body.clone(),
        }
    }

    /// The parameter of this name.
    pub fn parameter(&self, name: &str) -> Option<&Parameter> {
        self.parameters.iter().find(|p| p.name == name)
    }

    /// The fitted curve at a place.
    pub fn at(&self, x: f64) -> Option<f64> {
        let values: Option<Vec<f64>> = self.parameters.iter().map(|p| p.value).collect();
        let (model, values) = (self.model.as_ref()?, values?);
        // A record from elsewhere may name a model with the wrong number of parameters.
        (model.names().len() == values.len())
            .then(|| model.at(x, &values))
            .flatten()
            .filter(|y| y.is_finite())
    }
}

/// Why a fit is not to be trusted.
fn doubts(why: &[String]) -> Vec<String> {
    let told: Vec<String> = why.iter().map(|words| words.replace('_', " ")).collect();
    if told.is_empty() { vec!["no reason is recorded".to_owned()] } else { told }
}

/// Resonance against field: the line through fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Law {
    /// When, s.
    pub at_s: f64,
    /// One line for people.
    pub title: String,
    /// Moment in Bohr magnetons, with its error.
    pub moment: Option<(f64, f64)>,
    /// Tip field, T, with its error.
    pub tip_field_t: Option<(f64, f64)>,
    /// Slope, Hz/T.
    pub slope_hz_per_t: Option<f64>,
    /// Probability of a larger chi-square by scatter alone.
    pub p_value: Option<f64>,
    /// Field in T, centre in Hz, error in Hz.
    pub points: Vec<FieldPoint>,
    /// The spectra that it was judged with; none where it is a line through fits.
    pub sweeps: Vec<u64>,
    /// The whole body.
    pub body: Value,
}

impl Law {
    /// Takes a law, what it goes through, and the body of its judgement.
    pub fn of(at_s: f64, title: &str, law: &LawFound, points: Vec<FieldPoint>, body: &Value) -> Self {
        Self {
            at_s,
            title: title.to_owned(),
            moment: law.moment_mu_b,
            tip_field_t: law.tip_field_t,
            slope_hz_per_t: law.slope_hz_per_t,
            p_value: law.p_value,
            points,
            sweeps: Vec::new(),
            body: body.clone(),
        }
    }

    /// Whether it was judged with this spectrum.
    pub fn rests_on(&self, sweep: u64) -> bool {
        self.sweeps.contains(&sweep)
    }

    /// Where the line is expected, Hz.
    pub fn at(&self, field_t: f64) -> Option<f64> {
        Some((self.slope_hz_per_t? * (field_t + self.tip_field_t?.0)).abs())
    }
}

/// A verdict with its evidence.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// When, s.
    pub at_s: f64,
    /// The verdict.
    pub verdict: VerdictWord,
    /// Which spectra it is about, where it says so.
    pub part: Option<SeriesPart>,
    /// Reasons, the weightiest first.
    pub reasons: Vec<String>,
    /// Logarithm of the evidence for a moving line, and what a proof needs.
    pub evidence: Option<(f64, f64)>,
    /// The law, where one is proved: the only source of moment and tip field.
    pub law: Option<Law>,
    /// What would settle it, in words.
    pub next: Option<String>,
    /// The whole body.
    pub body: Value,
}

impl Judged {
    /// Takes what a judgement `verdict` says, and its body.
    pub fn of(at_s: f64, found: VerdictFound, body: &Value) -> Self {
        let title = found.reasons.first().map_or("", String::as_str);
        let law = found.law.map(|law| Law::of(at_s, title, &law, found.points, body));
        Self {
            at_s,
            verdict: found.verdict,
            part: found.part,
            law: law.map(|law| Law { sweeps: found.sweeps, ..law }),
            reasons: found.reasons,
            evidence: found.evidence,
            next: found.next,
            body: body.clone(),
        }
    }

    /// Whether a new verdict takes the place of this one. A proof that later spectra take back stays beside what they say:
    /// until then the line was there.
    pub fn gives_way_to(&self, new: &Self) -> bool {
        let replaced = |(old, new): (SeriesPart, SeriesPart)| new.replaces(old.series, old.segment);
        let taken_back = self.law.is_some() && new.law.is_none();
        !taken_back && self.part.zip(new.part).is_some_and(replaced)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::fit::{Options, resonance};
    use crate::record::FitLineFound;
    use serde_json::json;

    #[test]
    fn a_recorded_fit_draws_the_curve_it_was() {
        let x: Vec<f64> = (0..201).map(|i| 14e9 + 1e6 * f64::from(i)).collect();
        let y: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let d = (x - 14.1e9) / 5e6;
                1e-13 / (1.0 + d * d) + 2e-15 * ((i * 7919) % 101) as f64 / 101.0
            })
            .collect();
        let fit = resonance(&x, &y, &Options::new()).unwrap();
        let text = json!({ "channel": "LockinX", "fit": fit, "trusted": fit.trusted() }).to_string();
        let body: Value = serde_json::from_str(&text).unwrap();
        let read = Fitted::of(0, 0.0, Some(1), "", (FitFound::read(&body), &body));
        for (x, wanted) in x.iter().zip(fit.curve(&x)) {
            assert!((read.at(*x).unwrap() - wanted).abs() <= 1e-12 * wanted.abs());
        }
        assert_eq!(read.parameter("centre").unwrap().value, Some(fit.value("centre")));
    }

    #[test]
    fn bodies_of_any_shape_are_read_without_harm() {
        let judged = |body: &Value| Judged::of(0.0, VerdictFound::read(body), body);
        for body in [json!(null), json!({}), json!({ "fit": { "model": { "shape": "fano" } } }), json!([1])] {
            let fit = Fitted::of(0, 0.0, None, "t", (FitFound::read(&body), &body));
            assert_eq!((fit.at(1.0), fit.trusted), (None, false));
            let found = FitLineFound::read(&body);
            assert_eq!(Law::of(0.0, "t", &found.line, found.points, &body).at(0.5), None);
            assert_eq!(judged(&body).verdict.word(), "unknown");
        }
        let proved =
            json!({ "verdict": "real", "law": { "moment_mu_b": 0.9, "moment_error": 0.01 }, "next": null });
        assert_eq!(judged(&proved).law.unwrap().moment, Some((0.9, 0.01)));
    }
}
