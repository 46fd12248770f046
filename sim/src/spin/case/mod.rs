//! Spin systems as files, and what is printed about them.
//!
//! JSON: an object with the fields `spins`, `B_T` and `couplings`; what else it
//! holds is ignored (and listed in [`Case::ignored`] where it stands inside a
//! spin or a coupling, for there it may be a slip of the pen). RON: the same
//! fields, where an unknown one is a fault.
//!
//! What each field means stands in [`CASE`].
//!
//! ```
//! use noctule_sim::spin::case;
//!
//! let text = r#"{ "spins": [{ "type": "e", "S": 0.5, "g": 2.0 }], "B_T": [0, 0, 0.5] }"#;
//! let lines = case::read_json(text).unwrap().lines().unwrap();
//! assert!((lines.fields[0].transitions[0].f_ghz - 13.9962449171).abs() < 1e-9);
//!
//! let bad = "(spins: [Electron(S: 0.3, g: 2.0, D_Ghz: 1.0)], B_T: [0.0, 0.0, 1.0])";
//! let problems = case::read_ron(bad).unwrap_err();
//! assert_eq!(problems.len(), 2);
//! ```

mod fields;
mod lines;
mod reader;

pub use fields::CASE;
pub use lines::{CaseLines, Line, LineStrength, ResonanceLaws};

use super::fault::SpinError;
use super::system::SpinSystem;
use crate::document::{Problem, Text};

/// A spin system with the fields it is asked about.
#[derive(Debug, Clone)]
pub struct Case {
    /// The system, checked.
    pub system: SpinSystem,
    /// Applied fields, T, laboratory axes; at least one.
    pub fields_t: Vec<[f64; 3]>,
    /// Fields of the file inside spins and couplings that nothing was made of.
    pub ignored: Vec<Problem>,
}

impl Case {
    /// Levels and lines at the fields of the file.
    pub fn lines(&self) -> Result<CaseLines, SpinError> {
        self.lines_at(&self.fields_t)
    }

    /// Levels and lines at other fields, T.
    pub fn lines_at(&self, fields_t: &[[f64; 3]]) -> Result<CaseLines, SpinError> {
        let fields = fields_t.iter().map(|&field| ResonanceLaws::of(&self.system, field));
        Ok(CaseLines { fields: fields.collect::<Result<_, _>>()? })
    }
}

/// Fields in even steps along a straight line, both ends included; one step gives `from_t` alone.
///
/// ```
/// use noctule_sim::spin::case::field_range;
/// assert_eq!(field_range([0.0, 0.0, 0.0], [0.0, 0.0, 1.0], 3)[1], [0.0, 0.0, 0.5]);
/// ```
pub fn field_range(from_t: [f64; 3], to_t: [f64; 3], points: usize) -> Vec<[f64; 3]> {
    let last = points.saturating_sub(1).max(1) as f64;
    (0..points)
        .map(|k| std::array::from_fn(|i| from_t[i] + (to_t[i] - from_t[i]) * (k as f64 / last)))
        .collect()
}

/// Reads a case from JSON and reports every fault with its place.
pub fn read_json(text: &str) -> Result<Case, Vec<Problem>> {
    let text = Text::json(text);
    reader::read(text.parse().map_err(|problem| vec![problem])?, reader::Unknown::Ignored)
}

/// Reads a case from RON and reports every fault with its place.
pub fn read_ron(text: &str) -> Result<Case, Vec<Problem>> {
    let text = Text::new(text);
    reader::read(text.parse().map_err(|problem| vec![problem])?, reader::Unknown::Refused)
}
