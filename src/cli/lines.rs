//! `noctule lines`

use super::common::reject;
use crate::instrument::simulated::case::{field_range, read_json, read_ron};
use std::path::PathBuf;

/// Arguments of `noctule lines`.
#[derive(Debug, clap::Args)]
pub struct Lines {
    /// The spin system, a .json or .ron file; `noctule new spin` writes one to start from.
    case: PathBuf,
    /// Field along z instead of the file's, T.
    #[arg(long, value_name = "TESLA", allow_hyphen_values = true)]
    field: Option<f64>,
    /// Last field of a range that begins at --field, T.
    #[arg(long, value_name = "TESLA", requires = "field", allow_hyphen_values = true)]
    to: Option<f64>,
    /// Fields in the range.
    #[arg(long, default_value_t = 11, requires = "to")]
    points: usize,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

impl Lines {
    /// Runs the command.
    pub fn run(self) -> u8 {
        let text = match std::fs::read_to_string(&self.case) {
            Ok(text) => text,
            Err(error) => return reject(&format!("`{}` can't be read: {error}", self.case.display())),
        };
        let is_json = self.case.extension().is_some_and(|e| e.eq_ignore_ascii_case("json"));
        let case = match if is_json { read_json(&text) } else { read_ron(&text) } {
            Ok(case) => case,
            Err(problems) => {
                for problem in problems {
                    eprintln!("{}: {problem}", self.case.display());
                }
                return super::EXIT_REJECTED;
            }
        };
        for ignored in &case.ignored {
            eprintln!("warning: the field {ignored} is not known and was ignored");
        }
        let fields = match (self.field, self.to) {
            (Some(from), Some(to)) => Some(field_range([0.0, 0.0, from], [0.0, 0.0, to], self.points.max(1))),
            (Some(field), None) => Some(vec![[0.0, 0.0, field]]),
            (None, _) => None,
        };
        let found = match &fields {
            Some(fields) => case.lines_at(fields),
            None => case.lines(),
        };
        match found {
            Err(error) => reject(&error.to_string()),
            Ok(lines) if self.json => {
                println!("{}", serde_json::to_string(&lines).expect("levels are plain data"));
                0
            }
            Ok(lines) => {
                super::common::print(&lines.to_string());
                0
            }
        }
    }
}
