//! Fits, laws and verdicts, as they stand in the record.

use crate::analysis::model::Model;
use serde_json::Value;

/// A fitted parameter.
#[derive(Debug, Clone, PartialEq)]
pub struct Parameter {
    /// Its name.
    pub name: String,
    /// Its value in SI; none where it was not finite.
    pub value: Option<f64>,
    /// Its standard error in SI; none where it was not finite.
    pub error: Option<f64>,
    /// Whether it was held.
    pub fixed: bool,
}

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
    /// Reads the body of a judgement `fit`.
    pub fn read(seq: u64, at_s: f64, sweep: Option<u64>, title: &str, body: &Value) -> Self {
        let fit = &body["fit"];
        let parameters = fit["parameters"].as_array().map_or(&[][..], Vec::as_slice);
        let parameters = parameters.iter().map(|p| Parameter {
            name: p["name"].as_str().unwrap_or_default().to_owned(),
            value: p["value"].as_f64(),
            error: p["standard_error"].as_f64(),
            fixed: p["fixed"].as_bool().unwrap_or(false),
        });
        let trusted = body["trusted"].as_bool().unwrap_or(false);
        let doubts = if trusted { Vec::new() } else { why(body) };
        Self {
            seq,
            at_s,
            sweep,
            title: title.to_owned(),
            channel: body["channel"].as_str().unwrap_or_default().to_owned(),
            field_t: None,
            parameters: parameters.collect(),
            trusted,
            doubts,
            model: model_of(&fit["model"]),
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

/// Why a fit is not to be trusted. The first version of the run file has only the names of the doubts.
fn why(body: &Value) -> Vec<String> {
    let words = |list: &Value| -> Vec<String> {
        let list = list.as_array().map_or(&[][..], Vec::as_slice);
        list.iter().filter_map(|d| d["doubt"].as_str().or(d.as_str())).map(|t| t.replace('_', " ")).collect()
    };
    let told = body.get("why").map_or_else(|| words(&body["fit"]["doubts"]), words);
    if told.is_empty() { vec!["no reason is recorded".to_owned()] } else { told }
}

/// The model of a recorded fit.
fn model_of(value: &Value) -> Option<Model> {
    let reference = value["reference"].as_f64();
    let count = || usize::try_from(value["count"].as_u64()?).ok().filter(|c| *c <= 64);
    Some(match value["shape"].as_str()? {
        "fano" => Model::Fano { reference: reference? },
        "lorentzian" => Model::Lorentzian { reference: reference? },
        "gaussian" => Model::Gaussian { reference: reference? },
        "decay" => Model::Decay { reference: reference? },
        "approach" => Model::Approach { reference: reference? },
        "line" => Model::Line { reference: reference? },
        "steps" => Model::Steps { count: count()? },
        "lines" => Model::Lines {
            count: count()?,
            shared_width: value["shared_width"].as_bool()?,
            equal_spacing: value["equal_spacing"].as_bool()?,
            reference: reference?,
        },
        _ => return None,
    })
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
    pub points: Vec<(f64, f64, f64)>,
    /// The whole body.
    pub body: Value,
}

impl Law {
    /// Reads the body of a judgement `resonance_law`.
    pub fn read(at_s: f64, title: &str, body: &Value) -> Self {
        let line = &body["line"];
        let pair = |a: &str, b: &str| Some((line[a].as_f64()?, line[b].as_f64()?));
        let points = body["points"].as_array().map_or(&[][..], Vec::as_slice);
        let points = points.iter().filter_map(|p| {
            Some((p["field_t"].as_f64()?, p["centre_hz"].as_f64()?, p["error_hz"].as_f64().unwrap_or(0.0)))
        });
        Self {
            at_s,
            title: title.to_owned(),
            moment: pair("moment_mu_b", "moment_error"),
            tip_field_t: pair("tip_field_t", "tip_field_error"),
            slope_hz_per_t: line["slope_hz_per_t"].as_f64(),
            p_value: line["p_value"].as_f64(),
            points: points.collect(),
            body: body.clone(),
        }
    }

    /// Reads the proved law in the body of a judgement `verdict`; none where nothing is proved.
    pub fn proved(at_s: f64, body: &Value) -> Option<Self> {
        body["law"].as_object()?;
        let whole = serde_json::json!({ "line": body["law"], "points": body["points"] });
        let title = body["reasons"][0].as_str().unwrap_or_default();
        Some(Self { body: body.clone(), ..Self::read(at_s, title, &whole) })
    }

    /// The spectra that it was judged with.
    pub fn sweeps(&self) -> impl Iterator<Item = u64> {
        self.body["sweeps"].as_array().into_iter().flatten().filter_map(Value::as_u64)
    }

    /// Whether it was judged with this spectrum.
    pub fn rests_on(&self, sweep: u64) -> bool {
        self.sweeps().any(|own| own == sweep)
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
    /// `real`, `absent`, `artefact`, `curved`, `splitting`, `undecided`.
    pub verdict: String,
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
    /// Reads the body of a judgement `verdict`.
    pub fn read(at_s: f64, body: &Value) -> Self {
        let list = |name: &str| body[name].as_array().cloned().unwrap_or_default();
        Self {
            at_s,
            verdict: body["verdict"].as_str().unwrap_or("unknown").to_owned(),
            reasons: list("reasons").iter().filter_map(|r| r.as_str().map(str::to_owned)).collect(),
            evidence: body["log_e"].as_f64().zip(body["log_e_wanted"].as_f64()),
            law: Law::proved(at_s, body),
            next: body["next"].as_str().map(str::to_owned),
            body: body.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::fit::{Options, resonance};
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
        let read = Fitted::read(0, 0.0, Some(1), "", &serde_json::from_str(&text).unwrap());
        for (x, wanted) in x.iter().zip(fit.curve(&x)) {
            assert!((read.at(*x).unwrap() - wanted).abs() <= 1e-12 * wanted.abs());
        }
        assert_eq!(read.parameter("centre").unwrap().value, Some(fit.value("centre")));
    }

    #[test]
    fn bodies_of_any_shape_are_read_without_harm() {
        for body in [json!(null), json!({}), json!({ "fit": { "model": { "shape": "fano" } } }), json!([1])] {
            let fit = Fitted::read(0, 0.0, None, "t", &body);
            assert_eq!((fit.at(1.0), fit.trusted), (None, false));
            assert_eq!(Law::read(0.0, "t", &body).at(0.5), None);
            assert_eq!(Judged::read(0.0, &body).verdict, "unknown");
        }
        let proved =
            json!({ "verdict": "real", "law": { "moment_mu_b": 0.9, "moment_error": 0.01 }, "next": null });
        assert_eq!(Judged::read(0.0, &proved).law.unwrap().moment, Some((0.9, 0.01)));
    }
}
