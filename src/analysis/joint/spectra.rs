//! What the judge is given, and how it is made ready.

use super::clean::Bases;
use super::remembered::{Bits, Piece, Remembered, bits};
use crate::analysis::order::middle;
use crate::analysis::realness::{Unusable, at_least, finite, same_length};
use serde::{Deserialize, Serialize};
use std::rc::Rc;

/// One spectrum with what was known when it was taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpectrumAt<'a> {
    /// Applied field along the moment, T.
    pub field_t: f64,
    /// When it began, on any one clock; only order and proportions count.
    pub start_s: f64,
    /// Whether the sweep went from low to high frequency.
    pub upward: bool,
    /// Spectra with the same number were taken with one tip.
    pub tip: u32,
    /// Current that the height loop held, A, where it is known.
    pub setpoint_a: Option<f64>,
    /// Frequencies, Hz, rising.
    pub f_hz: &'a [f64],
    /// Signal, any one unit for all.
    pub y: &'a [f64],
}

/// Points between missing ones below which a stretch of a spectrum tells nothing of its own noise.
const FEWEST_POINTS: usize = 16;

/// Of a spectrum in stretches between points that are missing, those that can be judged; one without any is kept, however
/// short it is, so that whoever judges says what is wrong with it. Several stretches at one field count once.
pub fn long_enough<T>(stretches: Vec<T>, missing: bool, points: impl Fn(&T) -> usize) -> Vec<T> {
    let parted = missing || stretches.len() > 1;
    stretches.into_iter().filter(|stretch| !parted || points(stretch) >= FEWEST_POINTS).collect()
}

/// What is believed beforehand about the spin, how sure a claim has to be, and what is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Prior {
    /// Smallest g for a spin one half; the moment is g/2 in Bohr magnetons.
    pub g_from: f64,
    /// Largest g.
    pub g_to: f64,
    /// Largest tip field either way, T.
    pub tip_field_t: f64,
    /// Largest probability of a false claim.
    pub alpha: f64,
    /// Height of the line that is asked about, in units of the noise of one point.
    pub height: f64,
    /// Standard error of each field that was read, T: a gauge averaged ten times knows it to some ten microtesla (common
    /// practice).
    pub field_error_t: f64,
    /// How far the field of the tip goes on the way to full alignment of the spin, as the gap follows the current: standard
    /// deviation over such tips, T. Next to nothing where the gap was chosen for it.
    pub alignment_shift_t: f64,
}

impl Default for Prior {
    fn default() -> Self {
        Prior {
            g_from: 1.4,
            g_to: 2.3,
            tip_field_t: 0.06,
            alpha: 3e-4,
            height: 4.0,
            field_error_t: 1e-5,
            alignment_shift_t: 1e-3,
        }
    }
}

impl Prior {
    pub(super) fn check(&self) -> Result<(), Unusable> {
        let number = |what, value: f64, low: f64, high: f64, range| {
            if value > low && value < high {
                Ok(())
            } else {
                Err(Unusable::OutOfRange { what, value, range })
            }
        };
        number("The smallest g", self.g_from, 0.01, 100.0, "0.01 to 100")?;
        number("The largest g", self.g_to, self.g_from, 100.0, "the smallest g to 100")?;
        number("The largest tip field", self.tip_field_t, 1e-4, 10.0, "0.1 mT to 10 T")?;
        number("The probability of a false claim", self.alpha, 1e-12, 0.5, "1e-12 to 0.5")?;
        number("The height asked for", self.height, 0.1, 1e3, "0.1 to 1000")?;
        number("The error of a field", self.field_error_t, -1e-12, 0.1, "0 to 0.1 T")?;
        number("What alignment adds to the tip field", self.alignment_shift_t, -1e-12, 0.1, "0 to 0.1 T")
    }
}

/// A piece of a spectrum in units of its own white noise, background taken out.
#[derive(Debug, Clone)]
pub(super) struct Ready {
    pub field_t: f64,
    pub start_s: f64,
    pub upward: bool,
    /// Logarithm of the setpoint over that of most; nothing where most have none in common.
    pub log_setpoint: f64,
    /// Ends of the whole spectrum, Hz.
    pub window: (f64, f64),
    /// Frequencies and signals.
    pub piece: Rc<Piece>,
    /// White noise of a point in the unit of the input.
    pub sigma: f64,
    /// Which basis of the background it was cleaned with.
    pub basis: usize,
}

impl std::ops::Deref for Ready {
    type Target = Piece;
    fn deref(&self) -> &Piece {
        &self.piece
    }
}

impl Ready {
    /// Whether it was taken across another gap than most, so that the line may lie elsewhere.
    pub fn beside(&self) -> bool {
        self.log_setpoint.abs() > ALIKE
    }
    pub fn span(&self) -> f64 {
        self.f[self.f.len() - 1] - self.f[0]
    }
    pub fn step(&self) -> f64 {
        self.span() / (self.f.len() - 1) as f64
    }
}

/// Setpoints that differ by less than this, as a logarithm, are one.
const ALIKE: f64 = 0.02;
/// Part of the spectra that have to be taken at one setpoint for it to be the usual one.
const MOST: f64 = 2.0 / 3.0;

/// The setpoint of most spectra, if there is one: each has its own, A, where it is known. A law and its tip field are about
/// those; the others lie across other gaps.
pub fn usual_setpoint_a(setpoints_a: &[Option<f64>]) -> Option<f64> {
    let known: Vec<f64> = setpoints_a.iter().copied().flatten().filter(|a| *a > 0.0).collect();
    let usual = (!known.is_empty()).then(|| middle(known.clone()))?;
    let alike = known.iter().filter(|a| (*a / usual).ln().abs() < ALIKE).count();
    (alike as f64 >= MOST * setpoints_a.len() as f64).then_some(usual)
}

/// Longest piece that a spectrum is cleaned in, Hz: the background is let free in each.
const PIECE_HZ: f64 = 0.6e9;

/// Checks the numbers of all spectra, so that a bad one is named before any is judged.
pub(super) fn check(spectra: &[SpectrumAt<'_>]) -> Result<(), Unusable> {
    at_least(spectra.len(), 1, "spectra")?;
    for s in spectra {
        same_length(("frequencies", s.f_hz), ("signals", s.y))?;
        at_least(s.f_hz.len(), 12, "points of a spectrum")?;
        finite(s.f_hz, "frequencies")?;
        finite(s.y, "signals")?;
        finite(&[s.field_t, s.start_s], "field and time")?;
        if s.f_hz.windows(2).any(|w| w[1] <= w[0]) {
            return Err(Unusable::NotDetermined { what: "An order of frequencies that do not rise" });
        }
    }
    Ok(())
}

/// Spectra of one tip, cut into pieces, in units of their noise, without background. Spectra that are all the same
/// number tell nothing and are left out.
pub(super) fn ready(spectra: &[&SpectrumAt<'_>], remembered: &mut Remembered) -> (Vec<Ready>, Bases) {
    let (mut all, mut bases) = (Vec::new(), Bases::default());
    let usual_a = usual_setpoint_a(&spectra.iter().map(|s| s.setpoint_a).collect::<Vec<_>>());
    for s in spectra {
        // Third differences take out the shape; their spread is √20 times that of a point.
        let bends = s.y.windows(4).map(|w| (w[3] - 3.0 * w[2] + 3.0 * w[1] - w[0]).abs()).collect();
        let sigma = 1.4826 * middle(bends) / 20f64.sqrt();
        let window = (s.f_hz[0], s.f_hz[s.f_hz.len() - 1]);
        let span = window.1 - window.0;
        let count = s.f_hz.len();
        let pieces = ((span / PIECE_HZ).ceil() as usize).clamp(1, (count / 40).max(1));
        if sigma <= 0.0 || !sigma.is_finite() || !span.is_finite() {
            continue;
        }
        for p in 0..pieces {
            let (from, to) = (p * count / pieces, (p + 1) * count / pieces);
            let f = &s.f_hz[from..to];
            let mut y: Vec<f64> = s.y[from..to].iter().map(|v| v / sigma).collect();
            let basis = bases.of(f, remembered);
            let own = std::iter::once(bases.number(basis));
            let (asking, key): (_, Bits) = (remembered.asking, own.chain(bits(f)).chain(bits(&y)).collect());
            let piece = remembered.pieces.known(asking, &key).unwrap_or_else(|| {
                bases.clean(basis, &mut y);
                let new = Piece { number: remembered.number(), f: f.to_vec(), y };
                remembered.pieces.keep(asking, key, new)
            });
            let (field_t, start_s, upward) = (s.field_t, s.start_s, s.upward);
            let log_setpoint = s.setpoint_a.zip(usual_a).map_or(0.0, |(own, usual)| (own / usual).ln());
            all.push(Ready { field_t, start_s, upward, log_setpoint, window, piece, sigma, basis });
        }
    }
    (all, bases)
}

/// Sum of products.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(p, q)| p * q).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_gap_leaves_of_a_spectrum_is_left_out_where_it_is_short() {
        let long = |lengths: &[usize], missing| long_enough(lengths.to_vec(), missing, |length| *length);
        assert_eq!(long(&[10, 190], false), [190], "a gap after the tenth point");
        assert_eq!(long(&[10], true), Vec::<usize>::new(), "nothing else was left of it");
        assert_eq!(long(&[10], false), [10], "a short spectrum is refused by the judge, with its reason");
        assert_eq!(long(&[60, 140], true), [60, 140]);
    }
}
