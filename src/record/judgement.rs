//! What was worked out from data, as it stands in a record.
//!
//! The body of a judgement is JSON of whatever verb has made it. It is read here and nowhere else: what a body does not
//! have, or has in another form, counts as not said. A word that this version does not know is kept as it stands.

use super::Entry;
use crate::analysis::joint::Verdict;
use crate::analysis::model::Model;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::Value;

/// Gives the kinds their words in records.
macro_rules! kinds {
    ($($(#[$of:meta])* $kind:ident = $word:literal,)*) => {
        /// What kind of thing was worked out.
        #[derive(Debug, Clone, PartialEq, Eq)]
        pub enum JudgementKind {
            $($(#[$of])* $kind,)*
            /// A kind that this version does not know.
            Other(String),
        }

        impl JudgementKind {
            /// All that are known.
            pub const KNOWN: &'static [Self] = &[$(Self::$kind,)*];

            /// The word in records.
            pub fn word(&self) -> &str {
                match self {
                    $(Self::$kind => $word,)*
                    Self::Other(word) => word,
                }
            }
        }

        impl From<String> for JudgementKind {
            fn from(word: String) -> Self {
                match word.as_str() {
                    $($word => Self::$kind,)*
                    _ => Self::Other(word),
                }
            }
        }
    };
}

kinds! {
    /// A fit of a sweep, or of points that the sequence put together.
    Fit = "fit",
    /// Whether a line moves with the field as a moment's line does.
    Verdict = "verdict",
    /// The line through fits against field.
    ResonanceLaw = "resonance_law",
    /// The same, as files of before call it.
    FieldLine = "field_line",
    /// Whether a trace shows two levels.
    Contrast = "contrast",
    /// Lines in a spectrum.
    Lines = "lines",
    /// A search for a line.
    Search = "search",
    /// What the sequence is about.
    Card = "card",
    /// The tip is another one.
    TipChange = "tip_change",
    /// The tip was centred.
    Recentre = "recentre",
    /// Which kind of spin it may be.
    Identify = "identify",
    /// How far the sample has moved between two images.
    ImageShift = "image_shift",
    /// How fast it moves.
    Drift = "drift",
    /// When the helium is used up.
    Helium = "helium",
    /// The transmission of the RF line.
    Transmission = "transmission",
    /// What the logbook was asked, and what it said.
    Logbook = "logbook",
}

impl Serialize for JudgementKind {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

impl<'de> Deserialize<'de> for JudgementKind {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer).map(Self::from)
    }
}

/// A verdict as it stands in a record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum VerdictWord {
    /// One of the six.
    Known(Verdict),
    /// A word that this version does not know.
    Other(String),
}

impl VerdictWord {
    /// The word in records.
    pub fn word(&self) -> &str {
        match self {
            Self::Known(verdict) => verdict.word(),
            Self::Other(word) => word,
        }
    }

    /// The verdict, if this version knows it.
    pub fn known(&self) -> Option<Verdict> {
        if let Self::Known(verdict) = self { Some(*verdict) } else { None }
    }
}

impl Default for VerdictWord {
    fn default() -> Self {
        Self::Other("unknown".to_owned())
    }
}

impl PartialEq<Verdict> for VerdictWord {
    fn eq(&self, other: &Verdict) -> bool {
        self.known() == Some(*other)
    }
}

impl From<Verdict> for VerdictWord {
    fn from(verdict: Verdict) -> Self {
        Self::Known(verdict)
    }
}

/// Which spectra a verdict is about: those of one state of the tip in one series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SeriesPart {
    /// First sweep of the series, and number of the tip.
    pub series: (u64, u64),
    /// Which of the states in a row that the tip was found to have had on the way, from 0.
    pub segment: u64,
    /// How many they are.
    pub segments: u64,
}

impl SeriesPart {
    /// A sequence may ask after each spectrum: a verdict on more spectra of one series takes the place of the last one. Each
    /// state of the tip has a verdict of its own, and a state that more spectra no longer tell apart has none.
    pub fn replaces(&self, series: (u64, u64), segment: u64) -> bool {
        series == self.series && (segment == self.segment || segment >= self.segments)
    }

    /// Whether the tip was found to have had another state after this one.
    pub fn is_over(&self) -> bool {
        self.segment + 1 < self.segments
    }
}

/// A line of resonance against field. Numbers stand with their standard errors, in SI.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LawFound {
    /// Moment, Bohr magnetons.
    pub moment_mu_b: Option<(f64, f64)>,
    /// g factor of a spin one half with this moment.
    pub g: Option<(f64, f64)>,
    /// Tip field, T.
    pub tip_field_t: Option<(f64, f64)>,
    /// Height of the line.
    pub height: Option<(f64, f64)>,
    /// Slope, Hz/T.
    pub slope_hz_per_t: Option<f64>,
    /// Full width at half height of the line, Hz.
    pub width_hz: Option<f64>,
    /// Probability of a larger chi-square by scatter alone.
    pub p_value: Option<f64>,
}

impl LawFound {
    /// None where there is none.
    fn read(law: &Value) -> Option<Self> {
        law.as_object()?;
        let number = |key: &str| law[key].as_f64();
        let known = |value: &str, error: &str| number(value).zip(number(error));
        Some(Self {
            moment_mu_b: known("moment_mu_b", "moment_error"),
            g: known("g", "g_error"),
            tip_field_t: known("tip_field_t", "tip_field_error"),
            height: known("height", "height_error"),
            slope_hz_per_t: number("slope_hz_per_t"),
            width_hz: number("width_hz"),
            p_value: number("p_value"),
        })
    }
}

/// Field, T, with the centre and its error, Hz.
pub type FieldPoint = (f64, f64, f64);

fn field_points(body: &Value) -> Vec<FieldPoint> {
    let point = |point: &Value| {
        let error_hz = point["error_hz"].as_f64().unwrap_or(0.0);
        Some((point["field_t"].as_f64()?, point["centre_hz"].as_f64()?, error_hz))
    };
    items(&body["points"]).iter().filter_map(point).collect()
}

/// A line through fits: the body of a `resonance_law`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FitLineFound {
    /// The line.
    pub line: LawFound,
    /// What it goes through.
    pub points: Vec<FieldPoint>,
}

impl FitLineFound {
    /// From the body of the judgement.
    pub fn read(body: &Value) -> Self {
        Self { line: LawFound::read(&body["line"]).unwrap_or_default(), points: field_points(body) }
    }
}

/// The body of a `verdict`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct VerdictFound {
    /// The verdict.
    pub verdict: VerdictWord,
    /// The spectra that it was judged with.
    pub sweeps: Vec<u64>,
    /// Which ones these are; none where it names no spectra.
    pub part: Option<SeriesPart>,
    /// What the sequence calls the spin; empty where it says nothing.
    pub spin: String,
    /// The law, where one is proved.
    pub law: Option<LawFound>,
    /// The centres that it rests on.
    pub points: Vec<FieldPoint>,
    /// Smallest and largest g that were looked at.
    pub looked_at_g: [Option<f64>; 2],
    /// Reasons, the weightiest first.
    pub reasons: Vec<String>,
    /// What would settle it, in words.
    pub next: Option<String>,
    /// Logarithm of the evidence for a moving line, and what a proof needs.
    pub evidence: Option<(f64, f64)>,
}

impl VerdictFound {
    /// From the body of the judgement.
    pub fn read(body: &Value) -> Self {
        let whole = |key: &str| body[key].as_u64();
        let number = |value: &Value, key: &str| value[key].as_f64();
        let sweeps: Vec<u64> = items(&body["sweeps"]).iter().filter_map(Value::as_u64).collect();
        let part = sweeps.first().map(|first| SeriesPart {
            series: (whole("series").unwrap_or(*first), whole("tip").unwrap_or(0)),
            segment: whole("segment").unwrap_or(0),
            segments: whole("segments").unwrap_or(1),
        });
        Self {
            verdict: VerdictWord::deserialize(&body["verdict"]).unwrap_or_default(),
            sweeps,
            part,
            spin: body["spin"].as_str().unwrap_or_default().to_owned(),
            law: LawFound::read(&body["law"]),
            points: field_points(body),
            looked_at_g: ["g_from", "g_to"].map(|key| number(&body["looked_at"], key)),
            reasons: texts(&body["reasons"]),
            next: body["next"].as_str().map(str::to_owned),
            evidence: number(body, "log_e").zip(number(body, "log_e_wanted")),
        }
    }
}

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

/// The body of a `fit`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FitFound {
    /// The channel, by the name or the role it was asked for.
    pub channel: String,
    /// The parameters.
    pub parameters: Vec<Parameter>,
    /// Whether nothing speaks against it.
    pub trusted: bool,
    /// What speaks against it, in words; files of the first version have only the names.
    pub why: Vec<String>,
    /// The curve, where it can be drawn again.
    pub model: Option<Model>,
}

impl FitFound {
    /// From the body of the judgement.
    pub fn read(body: &Value) -> Self {
        let fit = Self::as_recorded(body);
        let parameter = |p: &Value| Parameter {
            name: p["name"].as_str().unwrap_or_default().to_owned(),
            value: p["value"].as_f64(),
            error: p["standard_error"].as_f64(),
            fixed: p["fixed"].as_bool().unwrap_or(false),
        };
        let name = |doubt: &Value| Some(doubt["doubt"].as_str().or(doubt.as_str())?.replace('_', " "));
        let names = || items(&fit["doubts"]).iter().filter_map(name).collect();
        Self {
            channel: body["channel"].as_str().unwrap_or_default().to_owned(),
            parameters: items(&fit["parameters"]).iter().map(parameter).collect(),
            trusted: body["trusted"].as_bool().unwrap_or(false),
            why: body.get("why").map_or_else(names, texts),
            model: model_of(&fit["model"]),
        }
    }

    /// The fit itself as it was recorded, for whoever passes it on whole.
    pub fn as_recorded(body: &Value) -> &Value {
        &body["fit"]
    }

    /// The parameter of this name.
    pub fn parameter(&self, name: &str) -> Option<&Parameter> {
        self.parameters.iter().find(|parameter| parameter.name == name)
    }
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

/// The items of a list; none where it is no list.
fn items(list: &Value) -> &[Value] {
    list.as_array().map_or(&[], Vec::as_slice)
}

fn texts(list: &Value) -> Vec<String> {
    items(list).iter().filter_map(Value::as_str).map(str::to_owned).collect()
}

/// What a judgement says, as far as anything rests on it.
#[derive(Debug, Clone, PartialEq)]
pub enum WorkedOut {
    /// A verdict.
    Verdict(Box<VerdictFound>),
    /// A fit.
    Fit(Box<FitFound>),
    /// A line through fits.
    Line(Box<FitLineFound>),
    /// The tip is another one.
    TipChange {
        /// Whether a test has shown it, which is then the first one of the new tip.
        by_test: bool,
    },
    /// The tip was centred and stands here now, m; nothing where the place is not said.
    Centred(Option<[f64; 2]>),
    /// Something that is only told.
    Told,
}

impl JudgementKind {
    /// What a body of this kind says.
    pub fn read(&self, body: &Value) -> WorkedOut {
        match self {
            Self::Verdict => WorkedOut::Verdict(Box::new(VerdictFound::read(body))),
            Self::Fit => WorkedOut::Fit(Box::new(FitFound::read(body))),
            Self::ResonanceLaw | Self::FieldLine => WorkedOut::Line(Box::new(FitLineFound::read(body))),
            Self::TipChange => WorkedOut::TipChange { by_test: body["by_test"] != false },
            Self::Recentre => {
                let place = body["x_m"].as_f64().zip(body["y_m"].as_f64());
                WorkedOut::Centred(place.map(<[f64; 2]>::from))
            }
            _ => WorkedOut::Told,
        }
    }
}

impl Entry {
    /// What was worked out, if that is what it is.
    pub fn worked_out(&self) -> Option<WorkedOut> {
        if let Entry::Judgement { what, body, .. } = self { Some(what.read(body)) } else { None }
    }

    /// Whether it is this verdict.
    pub fn says(&self, verdict: Verdict) -> bool {
        let Entry::Judgement { what: JudgementKind::Verdict, body, .. } = self else { return false };
        VerdictFound::read(body).verdict == verdict
    }
}

#[cfg(test)]
mod tests;
