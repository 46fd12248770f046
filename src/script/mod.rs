//! Sequences: Rhai scripts that measure.
//!
//! A sequence is not trusted. It sees the bench only through [verbs](registry), each of which is a call to
//! the driver; limits and interlocks act below it. It has no `eval`, no file, no clock, and no import from
//! outside its own folder. The end of a run is an error that it can't catch.

mod advice;
pub mod check;
pub mod convert;
mod engine;
mod error;
pub mod handles;
mod host;
pub mod import;
mod memory;
mod model;
pub mod numbers;
pub mod registry;
mod source;
pub mod table;
pub mod units;
pub mod verbs;

pub use engine::{MOST_OPERATIONS_BETWEEN_VERBS, bare, print_nothing_here, with_verbs};
pub use error::{ScriptEnd, meaning};
pub use host::{Host, file_name};
pub use memory::MOST_BYTES as MOST_BYTES_HELD;
pub use source::Sequence;

use crate::drive::SharedPort;
use crate::record::{Document, Outcome};
use rhai::Scope;

/// Runs a sequence to its end, whatever that is.
pub fn run(sequence: &Sequence, port: SharedPort) -> (ScriptEnd, Vec<Document>) {
    let host = Host::new(port);
    let mut engine = with_verbs(&host);
    let folder = import::Folder::of(sequence);
    engine.set_module_resolver(folder.clone());
    let end = match engine.compile(&sequence.text) {
        Err(error) => {
            let position = error.position();
            ScriptEnd {
                outcome: Outcome::Failed,
                reason: error.err_type().to_string(),
                place: crate::record::Place {
                    file: sequence.name.clone(),
                    line: u32::try_from(position.line().unwrap_or(0)).unwrap_or(u32::MAX),
                },
                column: u32::try_from(position.position().unwrap_or(0)).unwrap_or(u32::MAX),
            }
        }
        Ok(mut ast) => {
            ast.set_source(sequence.name.as_str());
            match engine.run_ast_with_scope(&mut Scope::new(), &ast) {
                Ok(()) => ScriptEnd::finished(),
                Err(error) => meaning(&error, &sequence.name),
            }
        }
    };
    (end, folder.documents())
}
