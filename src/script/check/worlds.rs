//! The worlds that a bench names: looked at together with the bench, before anything is built from them.

use super::scan::place_of;
use crate::bench::{Bench, LinkKind};
use crate::diagnostic::{Code, Diagnostic};
use crate::document::nearest;
use crate::instrument::simulated::World;
use std::path::Path;

/// Everything that is wrong with the worlds of a bench's simulated links. `text` is the text of the bench
/// file, `folder` the one that paths of worlds are relative to.
pub fn check_worlds(bench: &Bench, text: &str, bench_file: &str, folder: &Path) -> Vec<Diagnostic> {
    let mut found = Vec::new();
    for link in &bench.links {
        let LinkKind::Simulated(simulated) = &link.kind else { continue };
        let name = simulated.world.as_str();
        if World::shipped_text(name).is_some() {
            continue;
        }
        match std::fs::read_to_string(folder.join(name)) {
            Ok(world) => faults(&world, name, &mut found),
            Err(error) => {
                let at = text.find(&format!("\"{name}\"")).unwrap_or(0);
                let message =
                    format!("there is no shipped world `{name}`, and no file of that name: {error}");
                let help = match nearest(name, World::shipped_names()) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => {
                        let shipped: Vec<&str> = World::shipped_names().collect();
                        format!("shipped are {}", shipped.join(", "))
                    }
                };
                let diagnostic = Diagnostic::error(Code::BenchWorld, bench_file, place_of(text, at), message);
                found.push(diagnostic.with_help(help));
            }
        }
    }
    found
}

fn faults(text: &str, file: &str, found: &mut Vec<Diagnostic>) {
    let Err(faults) = World::read(text) else { return };
    for problem in faults.0 {
        let place = (problem.line, problem.column);
        found.push(Diagnostic::error(Code::BenchWorld, file, place, problem.message).with_help(problem.help));
    }
}
