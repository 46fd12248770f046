//! Somebody who comes to transfer helium in a rehearsal.

use super::read::Stage;
use crate::document::Problem;
use crate::quantity::Dimension;
use noctule_ground::fields;
use noctule_ground::section::{Given, Kind, Range, TIME};

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

const LEVEL: Kind = Kind::Quantity(Dimension::VOLUME, Range::Any);

fields! {
    REFILL (pub(super)) = "Refill", "Somebody comes to transfer helium: no fault, but something that happens to a run." {
        optional "at", TIME, "When they come; this or `below`.";
        optional "below", LEVEL, "They come when the gauge falls below this.";
        optional "comes_after", TIME, "Time from then until they ask for the hold.";
        optional "prepares", TIME, "Time from when the bench is ready until helium flows.";
        optional "to", LEVEL, "Level to which the bath is filled.";
        optional "leaves_after", Kind::Quantity(Dimension::TIME, Range::Any), "Time from when the bath is full until they release the run; negative if they do so before.";
    }
}

/// `Refill(below: "13 L")` or `Refill(at: "20 h", to: "66 L", comes_after: …, prepares: …, leaves_after: …)`.
pub(super) fn read(given: &mut Given<'_>, stage: Stage<'_>, problems: &mut Vec<Problem>) -> Option<Refill> {
    let mut take = |name| given.get::<f64>(name, problems);
    let (at_s, below_m3) = (take("at"), take("below"));
    let (comes_after_s, prepares_s) = (take("comes_after"), take("prepares"));
    let (to_m3, leaves_after_s) = (take("to"), take("leaves_after"));
    let complaint = match (at_s, below_m3) {
        (Some(_), Some(_)) | (None, None) => {
            "somebody comes either `at` a time, or when the level is `below` a limit"
        }
        _ if matches!(stage, Stage::Rehearsal(bench) if bench.helium.is_none()) => {
            "the bench has no helium budget, so nobody can see when a refill is due"
        }
        _ => {
            let when = at_s.map_or_else(|| RefillCall::Below(below_m3.unwrap_or_default()), RefillCall::At);
            return Some(Refill { when, comes_after_s, prepares_s, to_m3, leaves_after_s });
        }
    };
    problems.push(given.owner().problem(complaint, None));
    None
}
