//! The faults of `noctule mimic --faults`, from a [faults file](crate::faults).

use super::instruments::INSTRUMENTS;
use crate::document::Problem;
use crate::faults::{Planned, Stage};

/// Reads the text of a faults file: `Faults(faults: [DropConnection(at: "10 s", on: "magnet", times: 1)])`.
///
/// # Errors
/// Everything that is wrong with it, in the order of its lines.
pub fn read(text: &str) -> Result<Vec<Planned>, Vec<Problem>> {
    let names: Vec<&'static str> = INSTRUMENTS.iter().map(|instrument| instrument.name).collect();
    crate::faults::read(text, Stage::Mimic(&names))
}
