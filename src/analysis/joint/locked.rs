//! What stays in place: at a frequency, at a place in the window, at a time of the sweep. None of it knows the field.
//!
//! All three are looked for without regard to the field, so that taking them out keeps what [`evidence`](super::evidence)
//! promises. Where a law of the field runs along with one of them throughout, nothing is left that could prove it, and
//! that is right: such spectra cannot tell the two apart.

use super::spectra::{Prior, Ready};
use super::tables::Tables;
use crate::analysis::realness::MU_B_PER_H_HZ_PER_T;
use serde::Serialize;

/// What a feature is locked to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LockedTo {
    /// A frequency, at every field.
    Frequency,
    /// A place in the window.
    Window,
    /// A time after the sweep began.
    Sweep,
}

/// A feature that stays.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Locked {
    /// To what.
    pub to: LockedTo,
    /// Where: a frequency in Hz, else a part of the window or of the time.
    pub at: f64,
    /// In how many spectra it shows.
    pub shows_in: usize,
    /// Log evidence.
    pub log_e: f64,
}

/// Evidence beyond the number of places tried that a locked feature needs.
const ENOUGH: f64 = 5.0;
/// Log e-value from which a spectrum shows something.
const SHOWS: f64 = 1.0;
/// Reach of a mask, in widths.
const REACH: f64 = 1.25;
/// Most features looked for.
const MOST: usize = 12;

/// Finds locked features one after the other, and masks them.
pub(super) fn mask_locked(
    spectra: &[Ready],
    tables: &mut Tables,
    prior: &Prior,
    kinds: &[LockedTo],
) -> Vec<Locked> {
    let mut found = Vec::new();
    while found.len() < MOST {
        let best = kinds.iter().filter_map(|to| strongest(spectra, tables, *to, prior));
        let Some(best) = best.max_by(|a, b| a.log_e.total_cmp(&b.log_e)) else { break };
        mask(spectra, tables, &best);
        found.push(best);
    }
    found
}

/// Where a feature would be in a spectrum.
fn place(s: &Ready, to: LockedTo, at: f64) -> f64 {
    let part = match to {
        LockedTo::Frequency => return at,
        LockedTo::Window => at,
        LockedTo::Sweep if s.upward => at,
        LockedTo::Sweep => 1.0 - at,
    };
    s.window.0 + part * (s.window.1 - s.window.0)
}

fn mask(spectra: &[Ready], tables: &mut Tables, locked: &Locked) {
    let reach = REACH * tables.width;
    for (s, t) in spectra.iter().zip(&mut tables.all) {
        let centre = place(s, locked.to, locked.at);
        for k in 0..t.places.len() {
            t.masked[k] |= (t.place(k) - centre).abs() <= reach;
        }
    }
}

fn strongest(spectra: &[Ready], tables: &Tables, to: LockedTo, prior: &Prior) -> Option<Locked> {
    let low = spectra.iter().map(|s| s.window.0).fold(f64::INFINITY, f64::min);
    let high = spectra.iter().map(|s| s.window.1).fold(0.0, f64::max);
    let widest = spectra.iter().map(|s| s.window.1 - s.window.0).fold(0.0, f64::max);
    let step = 0.5 * tables.width;
    let (from, to_end, by) = match to {
        LockedTo::Frequency => (low, high, step),
        _ => (0.0, 1.0, step / widest),
    };
    if to != LockedTo::Frequency {
        // In one window for all, a place in the window is a frequency.
        let first = spectra.iter().map(|s| s.window.0).fold(0.0, f64::max);
        if first - low < 2.0 * tables.width && to == LockedTo::Window {
            return None;
        }
    }
    let many = ((to_end - from) / by).ceil().max(1.0) as usize;
    let needed = ENOUGH + (many as f64).ln();
    let slowest = prior.g_from * MU_B_PER_H_HZ_PER_T;
    let mut best: Option<Locked> = None;
    for i in 0..=many {
        let at = from + by * i as f64;
        let (mut log_e, mut seen, mut shows) = (0.0, 0, 0);
        let mut fields = (f64::INFINITY, 0.0f64);
        for (s, t) in spectra.iter().zip(&tables.all) {
            let Some(k) = t.index(place(s, to, at)).filter(|k| !t.masked[*k]) else { continue };
            log_e += t.log_e[k];
            seen += 1;
            if t.log_e[k] > SHOWS {
                shows += 1;
                fields = (fields.0.min(s.field_t.abs()), fields.1.max(s.field_t.abs()));
            }
        }
        // Where a line of the smallest moment would not have moved on, nothing is known to stay.
        let stays = (fields.1 - fields.0) * slowest > 2.0 * tables.width;
        let most = 3 * shows >= 2 * seen || (to == LockedTo::Frequency && 2 * shows >= seen);
        if shows >= 3 && stays && most && log_e > needed && best.is_none_or(|b| log_e > b.log_e) {
            best = Some(Locked { to, at, shows_in: shows, log_e });
        }
    }
    best
}
