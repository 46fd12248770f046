//! What the judge keeps from one asking to the next.
//!
//! After each new spectrum all spectra are judged again, and of those that were there before everything that concerns one
//! spectrum alone comes out the same to the last bit. So it is kept, under what it was made from.

use super::clean::Basis;
use super::tables::{Scores, Templates};
use std::collections::HashMap;
use std::hash::Hash;
use std::rc::Rc;

/// Askings for which something is kept that was not needed: two series may go on by turns.
const KEPT: u64 = 2;

/// Numbers that identify what something was made from.
pub(super) type Bits = Vec<u64>;

/// The bits of numbers.
pub(super) fn bits(numbers: &[f64]) -> impl Iterator<Item = u64> + '_ {
    numbers.iter().map(|v| v.to_bits())
}

/// Things under their keys, each with the number of the asking that needed it last.
#[derive(Debug)]
pub(super) struct Kept<K, V>(HashMap<K, (u64, Rc<V>)>);

impl<K, V> Default for Kept<K, V> {
    fn default() -> Self {
        Kept(HashMap::new())
    }
}

impl<K: Hash + Eq, V> Kept<K, V> {
    pub fn known(&mut self, asking: u64, key: &K) -> Option<Rc<V>> {
        let (last, known) = self.0.get_mut(key)?;
        *last = asking;
        Some(Rc::clone(known))
    }

    pub fn keep(&mut self, asking: u64, key: K, new: V) -> Rc<V> {
        let new = Rc::new(new);
        self.0.insert(key, (asking, Rc::clone(&new)));
        new
    }

    fn forget(&mut self, asking: u64) {
        self.0.retain(|_, (last, _)| *last + KEPT > asking);
    }
}

/// A piece of a spectrum without its background.
#[derive(Debug)]
pub(super) struct Piece {
    pub number: u64,
    pub f: Vec<f64>,
    pub y: Vec<f64>,
}

/// What was worked out for spectra that are asked about again; see [`judge_again`](super::judge_again).
#[derive(Debug, Default)]
pub struct Remembered {
    pub(super) asking: u64,
    numbers: u64,
    pub(super) bases: Kept<Bits, Basis>,
    pub(super) pieces: Kept<Bits, Piece>,
    /// By the first piece they were made for, width, number of lines and distance.
    pub(super) templates: Kept<(u64, u64, usize, u64), Templates>,
    /// By piece and templates.
    pub(super) tables: Kept<(u64, u64), Scores>,
    /// What combs explain in a window: by the first piece, the window's scores, and its longest neighbour.
    pub(super) combs: Kept<(u64, u64, usize), Vec<f64>>,
}

impl Remembered {
    /// A number that nothing else has.
    pub(super) fn number(&mut self) -> u64 {
        self.numbers += 1;
        self.numbers
    }

    /// A new asking: what was not needed for long is forgotten.
    pub(super) fn begin(&mut self) {
        self.asking += 1;
        let asking = self.asking;
        self.bases.forget(asking);
        self.pieces.forget(asking);
        self.templates.forget(asking);
        self.tables.forget(asking);
        self.combs.forget(asking);
    }
}
