//! Spectra without the lines that stay at a frequency.
//!
//! A strong line that stays is masked where it lies, but the background, which is taken out of the whole window, spreads a part
//! of it over all other places, where it poses as noise and hides what moves. So it is fitted and taken out. Where it lies
//! was found without regard to the field, and stays masked.

use super::clean::{Bases, add_new, project};
use super::locked::{Locked, LockedTo};
use super::remembered::{Bits, Piece, Remembered};
use super::spectra::Ready;
use super::tables::shape;

/// Widths in which such a line is fitted, in units of that at which it was found: what stays need have no such width.
const WIDTHS: [f64; 3] = [0.6, 1.2, 2.4];
/// The spectra as they would be without these lines.
pub(super) fn without(
    spectra: &[Ready],
    bases: &Bases,
    (locked, width): (&[Locked], f64),
    remembered: &mut Remembered,
) -> Vec<Ready> {
    let places: Vec<f64> = locked.iter().filter(|l| l.to == LockedTo::Frequency).map(|l| l.at).collect();
    spectra
        .iter()
        .map(|s| {
            let near = |at: &&f64| **at > s.f[0] - width && **at < s.f[s.f.len() - 1] + width;
            let near: Vec<f64> = places.iter().filter(near).copied().collect();
            if near.is_empty() {
                return s.clone();
            }
            let key: Bits =
                [s.number, width.to_bits()].into_iter().chain(near.iter().map(|at| at.to_bits())).collect();
            let asking = remembered.asking;
            let piece = remembered.pieces.known(asking, &key).unwrap_or_else(|| {
                let y = rest(s, bases, &near, width);
                let new = Piece { number: remembered.number(), f: s.f.clone(), y };
                remembered.pieces.keep(asking, key, new)
            });
            Ready { piece, ..s.clone() }
        })
        .collect()
}

/// What is left of a spectrum when lines at these places are fitted to it.
fn rest(s: &Ready, bases: &Bases, places: &[f64], width: f64) -> Vec<f64> {
    let mut kept: Vec<Vec<f64>> = Vec::new();
    for (at, times) in places.iter().flat_map(|at| WIDTHS.map(|times| (at, times))) {
        for part in 0..2 {
            let mut column: Vec<f64> = s.f.iter().map(|f| shape(*f, *at, times * width)[part]).collect();
            bases.clean(s.basis, &mut column);
            add_new(&mut kept, column);
        }
    }
    let mut y = s.y.clone();
    project(y.as_chunks_mut::<1>().0, &kept);
    y
}
