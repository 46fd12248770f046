//! Somebody who comes to transfer helium in a rehearsal.

use super::read::{Reader, Stage};
use crate::document::{Fields, Node};
use crate::quantity::Dimension;

/// When somebody comes to transfer helium, and what they do; none for what is left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Refill {
    /// What makes them come.
    pub when: RefillCall,
    /// Time from then until they ask for the hold, s.
    pub comes_after_s: Option<f64>,
    /// Time from when the bench is ready until helium flows, s.
    pub prepares_s: Option<f64>,
    /// Level to which the bath is filled, m³.
    pub to_m3: Option<f64>,
    /// Time from when the bath is full until they release the run, s; negative if they do so before.
    pub leaves_after_s: Option<f64>,
}

/// What makes somebody come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RefillCall {
    /// A time, s.
    At(f64),
    /// A level that the gauge falls below, m³.
    Below(f64),
}

impl Reader<'_> {
    /// `Refill(below: "13 L")` or `Refill(at: "20 h", to: "66 L", comes_after: …, prepares: …, leaves_after: …)`.
    pub(super) fn refill(&mut self, item: Node<'_>, fields: &mut Fields<'_>) -> Option<Refill> {
        let at_s = self.length(fields, "at");
        let below_m3 = self.take(fields, "below", Dimension::VOLUME);
        let comes_after_s = self.length(fields, "comes_after");
        let prepares_s = self.length(fields, "prepares");
        let leaves_after_s = self.take(fields, "leaves_after", Dimension::TIME);
        let to_m3 = self.take(fields, "to", Dimension::VOLUME);
        let when = match (at_s, below_m3) {
            (Some(at_s), None) => RefillCall::At(at_s),
            (None, Some(mark)) => RefillCall::Below(mark),
            _ => {
                let message = "somebody comes either `at` a time, or when the level is `below` a mark";
                self.problem(item, message);
                return None;
            }
        };
        if matches!(self.stage, Stage::Rehearsal(bench) if bench.helium.is_none()) {
            let message = "the bench has no helium budget, so nobody can see when a refill is due";
            self.problem(item, message);
            return None;
        }
        Some(Refill { when, comes_after_s, prepares_s, to_m3, leaves_after_s })
    }
}
