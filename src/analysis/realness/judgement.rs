//! What the judge hands back.

use serde::Serialize;

use super::field_line::FieldLine;
use super::in_place::FixedFeature;
use super::power::PowerTest;

/// The verdict on a set of spectra.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// A line moves in proportion to field: a moment is there.
    Real,
    /// Nothing moves; what is seen, if anything, stays in place.
    Artefact,
    /// These spectra cannot tell.
    Undecided,
}

/// An explanation of the spectra.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Hypothesis {
    /// Baselines and noise only.
    Nothing,
    /// Features and ripple that stay in place.
    InPlace,
    /// One line that moves in proportion to field.
    MovingLine,
    /// A moving line beside features in place.
    MovingAndInPlace,
    /// Several moving lines, with features in place where there are any.
    SeveralLines,
}

/// How well an explanation does.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Evidence {
    /// The explanation.
    pub hypothesis: Hypothesis,
    /// Natural logarithm of its marginal likelihood over that of `Nothing`: half the fall of chi-square less
    /// half the number of parameters times ln n, less ln of the places tried (Schwarz's approximation with
    /// the look-elsewhere factor; common practice).
    pub log_evidence: f64,
}

/// A line that moves with field.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MovingLine {
    /// Moment, tip field and their errors.
    pub line: FieldLine,
    /// Typical full width at half maximum, Hz.
    pub width_hz: f64,
    /// The spectra that show it (those overlaid by a feature in place are left out).
    pub seen_in: Vec<Sighting>,
    /// Indices of the spectra that cover its place and lack it.
    pub missing_in: Vec<usize>,
    /// Number of spectra where others prove that it is not part of the transmission line.
    pub proved_alone: usize,
    /// Number of different fields among `seen_in`.
    pub fields: usize,
    /// Expected number of such alignments among unrelated features.
    pub chance: f64,
    /// Summed fall of chi-square.
    pub gain: f64,
    /// Agreement of its asymmetry from spectrum to spectrum, 0 to 1.
    pub coherence: f64,
    /// Height against RF power, where it was varied.
    pub power: Option<PowerTest>,
    /// Tip field at other tip heights: height in m, field in T, error in T.
    pub other_heights: Vec<(f64, f64, f64)>,
}

/// A moving line in one spectrum.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sighting {
    /// Index of the spectrum.
    pub spectrum: usize,
    /// Centre, Hz.
    pub centre_hz: f64,
    /// Its standard error, Hz.
    pub error_hz: f64,
    /// Full width at half maximum, Hz.
    pub width_hz: f64,
    /// Height of the symmetric and of the antisymmetric part, unit of the signal.
    pub height: [f64; 2],
    /// Fall of chi-square in units of the noise around.
    pub gain: f64,
    /// Whether other spectra prove that the place itself has no feature.
    pub alone: bool,
}

/// A ripple shared by the spectra.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RippleFound {
    /// Its period, Hz.
    pub period_hz: f64,
    /// Largest amplitude, unit of the signal.
    pub amplitude: f64,
    /// Fall of chi-square.
    pub gain: f64,
}

/// The cheapest measurement that would settle an undecided case.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "measure", rename_all = "snake_case")]
pub enum NextMeasurement {
    /// One more spectrum at another field.
    AnotherField {
        /// Field to go to, T.
        field_t: f64,
        /// Where a free moment's line would be, Hz, if one is suspected.
        expected_hz: Option<f64>,
        /// Where the feature is if it stays in place, Hz.
        otherwise_hz: Option<f64>,
    },
    /// The same spectra, averaged longer.
    AverageLonger {
        /// How many times longer.
        times: f64,
    },
    /// The same frequency range at every field.
    SameRange {
        /// Lower end, Hz.
        from_hz: f64,
        /// Upper end, Hz.
        to_hz: f64,
    },
    /// One spectrum at another RF power.
    AnotherLevel {
        /// Level to set, dBm; absent when the present one is not known.
        level_dbm: Option<f64>,
    },
    /// A contrast measurement of the tip.
    TipContrast,
}

/// A verdict with what it rests on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Judgement {
    /// Real, artefact or undecided.
    pub verdict: Verdict,
    /// The explanation that does best.
    pub leading: Hypothesis,
    /// All explanations, best first.
    pub evidence: Vec<Evidence>,
    /// Moving lines found, strongest first. With a verdict other than `Real` these are only suspected.
    pub lines: Vec<MovingLine>,
    /// Features that stay in place.
    pub fixed: Vec<FixedFeature>,
    /// Ripples that stay in place.
    pub ripples: Vec<RippleFound>,
    /// Height of the weakest line that would have been noticed in one spectrum, unit of the signal; none
    /// where no line would have been.
    pub smallest_noticed: Option<f64>,
    /// Reasons in words and numbers, the weightiest first.
    pub reasons: Vec<String>,
    /// What would settle it most cheaply; only for `Undecided`.
    pub next: Option<NextMeasurement>,
}
