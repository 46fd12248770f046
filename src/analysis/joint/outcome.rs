//! What the judge says.

use super::locked::{Locked, LockedTo};
use super::spectra::Prior;
use serde::{Deserialize, Serialize};

/// The verdict on one tip state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// A line moves with the field as a moment's line does, and nothing that stays in place explains it.
    Real,
    /// What is there stays in place, and no line of the height asked for moves.
    Artefact,
    /// No line of the height asked for lies where it was looked for.
    Absent,
    /// A line moves with the field, but not in proportion: no moment can be read off.
    Curved,
    /// A line moves in proportion to the field, but from a frequency without field that no tip makes.
    Splitting,
    /// None of these is proved.
    Undecided,
}

impl Verdict {
    /// The word that sequences, briefs and records use.
    pub const fn word(self) -> &'static str {
        match self {
            Verdict::Real => "real",
            Verdict::Artefact => "artefact",
            Verdict::Absent => "absent",
            Verdict::Curved => "curved",
            Verdict::Splitting => "splitting",
            Verdict::Undecided => "undecided",
        }
    }
}

/// A proved law: the line lies at `2 μ |B + B_tip| / h`. All errors are standard errors and know of the wander of the
/// line from spectrum to spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ProvedLaw {
    /// Moment along the field, Bohr magnetons.
    pub moment_mu_b: f64,
    /// Its standard error.
    pub moment_error: f64,
    /// The g factor of a spin one half with this moment.
    pub g: f64,
    /// Its standard error.
    pub g_error: f64,
    /// Field of the tip along the applied field, T. Where several lines share a moment it is that of their middle.
    pub tip_field_t: f64,
    /// Its standard error, T.
    pub tip_field_error: f64,
    /// Slope, Hz/T.
    pub slope_hz_per_t: f64,
    /// Its standard error, Hz/T.
    pub slope_error: f64,
    /// Wander of the line from spectrum to spectrum, Hz.
    pub wander_hz: f64,
    /// Full width at half height, Hz.
    pub width_hz: f64,
    /// Asymmetry of the line.
    pub asymmetry: f64,
    /// Height, unit of the signal, with its standard error.
    pub height: f64,
    /// Standard error of the height.
    pub height_error: f64,
    /// Spectra that show the line.
    pub spectra: usize,
    /// Mean field, T, where the law is known best.
    pub mean_field_t: f64,
    /// Variance of the frequency there, Hz².
    pub mean_variance_hz2: f64,
    /// Covariance of that frequency and the slope, Hz²/T.
    pub covariance: f64,
}

impl ProvedLaw {
    /// Where the line is at another field, Hz, with its standard error.
    pub fn predict(&self, field_t: f64) -> (f64, f64) {
        let field = field_t.abs();
        let off = field - self.mean_field_t;
        let variance = self.mean_variance_hz2
            + 2.0 * off * self.covariance
            + (off * self.slope_error).powi(2)
            + self.wander_hz.powi(2);
        ((self.slope_hz_per_t * (field + self.tip_field_t)).abs(), variance.max(0.0).sqrt())
    }
}

/// Several lines that share a moment.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Multiplet {
    /// How many lines were seen.
    pub lines: usize,
    /// Distance of neighbours, Hz; none where they are not even.
    pub spacing_hz: Option<f64>,
    /// Its standard error, Hz.
    pub spacing_error_hz: Option<f64>,
    /// How far each line lies from the first, Hz.
    pub offsets_hz: Vec<f64>,
}

/// A centre that a proved law rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LawPoint {
    /// Field, T.
    pub field_t: f64,
    /// Centre, Hz.
    pub centre_hz: f64,
    /// Its own standard error, Hz, without wander.
    pub error_hz: f64,
}

/// Where a line may be, though nothing is proved: no number for a result, only for where to look next.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Suspect {
    /// Slope, Hz/T.
    pub slope_hz_per_t: f64,
    /// Tip field, T.
    pub tip_field_t: f64,
    /// Half of a window that shows where the suspected comb of lines ends, Hz; nothing for one line.
    pub room_hz: f64,
    /// Log e-value of this one law, its choice among all not counted.
    pub log_e: f64,
}

impl Suspect {
    /// Where to look at another field, Hz.
    pub fn place(&self, field_t: f64) -> f64 {
        (self.slope_hz_per_t * (field_t.abs() + self.tip_field_t)).abs()
    }
}

impl Judgement {
    /// What is known before the first spectrum: nothing.
    pub fn open(prior: &Prior) -> Judgement {
        Judgement {
            tip: 0,
            segment: 0,
            from_s: 0.0,
            to_s: 0.0,
            spectra: 0,
            fields: 0,
            verdict: Verdict::Undecided,
            log_e: 0.0,
            log_e_wanted: (1.0 / prior.alpha).ln(),
            law: None,
            suspect: None,
            points: Vec::new(),
            multiplet: None,
            locked: Vec::new(),
            looked_at: LookedAt { part: 0.0, open: 1.0, g_from: None, g_to: None, height: 0.0 },
            reasons: Vec::new(),
            next: None,
        }
    }

    /// Says of everything that stays in place.
    pub(super) fn tell_of_locked(&mut self) {
        for l in &self.locked {
            let what = match l.to {
                LockedTo::Frequency => format!("stays at {:.4} GHz at every field", l.at * 1e-9),
                LockedTo::Window => format!("stays at {:.0} % of every window", 100.0 * l.at),
                LockedTo::Sweep => format!("comes {:.0} % after the beginning of every sweep", 100.0 * l.at),
            };
            self.reasons.push(format!("A feature {what}, in {} spectra.", l.shows_in));
        }
    }

    /// Where the middle of what is proved or suspected lies at a field, and half of a window that shows where a comb of lines
    /// ends, Hz: nothing for one line.
    pub fn place(&self, field_t: f64) -> Option<(f64, f64)> {
        let room = |lines: &Multiplet| room(lines.lines, lines.spacing_hz.unwrap_or(0.0));
        match (&self.law, &self.suspect) {
            (Some(law), _) => Some((law.predict(field_t).0, self.multiplet.as_ref().map_or(0.0, room))),
            (None, Some(suspect)) => Some((suspect.place(field_t), suspect.room_hz)),
            (None, None) => None,
        }
    }
}

/// Half of a window that holds a comb and two lines more to each side.
pub(super) fn room(lines: usize, spacing_hz: f64) -> f64 {
    if lines > 1 { 0.5 * (lines + 3) as f64 * spacing_hz } else { 0.0 }
}

/// What was looked at and could not hold a line of the height asked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LookedAt {
    /// Part of the laws of the prior along which a line of the height asked for would have stood out.
    pub part: f64,
    /// Part of these along which a line of the height asked for is not excluded.
    pub open: f64,
    /// Smallest g that was looked at, for a tip without field.
    pub g_from: Option<f64>,
    /// Largest g.
    pub g_to: Option<f64>,
    /// The height asked for, unit of the signal.
    pub height: f64,
}

/// The judgement of one tip state.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Judgement {
    /// Number of the tip state.
    pub tip: u32,
    /// Which of the states in a row that were told apart under this number, from 0.
    pub segment: usize,
    /// When its first spectrum began, on the clock of the spectra.
    pub from_s: f64,
    /// When its last spectrum began.
    pub to_s: f64,
    /// Spectra judged.
    pub spectra: usize,
    /// Different fields among them.
    pub fields: usize,
    /// The verdict.
    pub verdict: Verdict,
    /// Natural logarithm of the evidence for a moving line; the chance that it ever gets so large where none is, is at
    /// most its inverse.
    pub log_e: f64,
    /// What a proof needs.
    pub log_e_wanted: f64,
    /// The law; only with `real`.
    pub law: Option<ProvedLaw>,
    /// Where to look next while nothing is proved.
    pub suspect: Option<Suspect>,
    /// The centres it rests on.
    pub points: Vec<LawPoint>,
    /// The lines, where there are several that share the moment.
    pub multiplet: Option<Multiplet>,
    /// What stays in place.
    pub locked: Vec<Locked>,
    /// What was looked at.
    pub looked_at: LookedAt,
    /// Reasons in words and numbers, the weightiest first.
    pub reasons: Vec<String>,
    /// What would settle it; only for `undecided`.
    pub next: Option<String>,
}
