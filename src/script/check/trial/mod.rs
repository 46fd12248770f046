//! A sequence tried out on make-believe, before anything runs: what no run could get past is found at its line.
//!
//! Only what would be so with other numbers too is said: a verb that is given the wrong kind of thing, a column that is
//! not there, a plan that can't be measured. How a measurement comes out is not known here. The trial goes several ways, so
//! that the branches for a bad or a rare hour are gone as well, and each no further than some hundred calls.

mod answers;
mod ways;

use super::file::word_at;
use super::program::Program;
use super::walk::place;
use super::{Files, scan};
use crate::bench::Bench;
use crate::diagnostic::{Code, Diagnostic};
use crate::script::import::Folder;
use crate::script::registry::{self, Verb};
use crate::script::{Host, Sequence, advice, error, with_verbs};
use answers::Answers;
use rhai::{ASTNode, Dynamic, Engine, EvalAltResult, Map, Position, Scope, Stmt};
use std::cell::RefCell;
use std::ops::RangeInclusive;
use std::rc::Rc;
use std::sync::Arc;
use ways::Way;

/// What stops a sequence on make-believe, on each way, if it is nothing that only the numbers decide.
pub(super) fn stops(sequence: &Sequence, bench: &Bench, files: &Files) -> Vec<Diagnostic> {
    let tried = files.files.first().map(|file| tried_lines(&file.program)).unwrap_or_default();
    let trial = Trial { sequence, bench: Arc::new(bench.clone()), files, tried };
    let ways = Way::ALL.into_iter().filter(|way| *way != Way::Failing || !trial.tried.is_empty());
    ways.filter_map(|way| trial.goes(way)).collect()
}

/// The lines of everything that stands in a `try`.
pub(super) fn tried_lines(program: &Program) -> Vec<RangeInclusive<u32>> {
    let mut found = Vec::new();
    for statement in program.main.iter().chain(program.functions.iter().flat_map(|f| &f.body)) {
        statement.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
            if let Some(ASTNode::Stmt(Stmt::TryCatch(parts, at))) = path.last() {
                let line = |at: Position| place(at).0;
                found.push(line(*at)..=line(parts.branch.position()).max(line(*at)));
            }
            true
        });
    }
    found
}

struct Trial<'a> {
    sequence: &'a Sequence,
    bench: Arc<Bench>,
    files: &'a Files,
    tried: Vec<RangeInclusive<u32>>,
}

impl Trial<'_> {
    fn goes(&self, way: Way) -> Option<Diagnostic> {
        let error = self.run(way, |_| {})?;
        let weight = weight_of(&error, way)?;
        let help = match innermost(&error) {
            EvalAltResult::ErrorPropertyNotFound(name, _) => Some(self.other_entry(name, way)),
            _ => None,
        };
        Some(self.told(&error, weight, help))
    }

    /// The error with which the sequence ends, if nobody has caught it.
    fn run(&self, way: Way, prepare: impl FnOnce(&mut Engine)) -> Option<Box<EvalAltResult>> {
        // Whoever brings the tip in begins with the tip out.
        let in_range = !self.files.files.iter().any(|file| file.program.called.contains("approach"));
        let answers = Answers::new(Arc::clone(&self.bench), way, in_range, self.tried.clone());
        let host = Host::new(Rc::new(RefCell::new(answers)));
        let mut engine = with_verbs(&host);
        engine.on_print(|_| {});
        engine.on_debug(|_, _, _| {});
        engine.set_module_resolver(Folder::of(self.sequence));
        way.prepare(&mut engine);
        prepare(&mut engine);
        let mut ast = engine.compile(&self.sequence.text).ok()?;
        ast.set_source(self.sequence.name.as_str());
        engine.run_ast_with_scope(&mut Scope::new(), &ast).err()
    }

    /// What to write for a name that a map has not got. The error does not say what it has, so the way is gone again up to
    /// there.
    fn other_entry(&self, name: &str, way: Way) -> String {
        let found = Rc::new(RefCell::new(Vec::new()));
        let (keys, wanted) = (Rc::clone(&found), name.to_owned());
        self.run(way, |engine| {
            engine.on_map_missing_property(move |map, name, _| {
                if name == wanted {
                    *keys.borrow_mut() = map.keys().map(ToString::to_string).collect();
                    return Err(EvalAltResult::ErrorPropertyNotFound(name.to_owned(), Position::NONE).into());
                }
                // Another name is on its way into the map.
                map.entry(name.into()).or_insert(Dynamic::UNIT).try_into()
            });
        });
        advice::other_entry(name, &found.borrow())
    }

    fn told(&self, error: &EvalAltResult, weight: Weight, help: Option<String>) -> Diagnostic {
        let (end, said) = error::explained(error, &self.sequence.name);
        let file =
            self.files.files.iter().find(|file| crate::script::file_name(&file.name) == end.place.file);
        let name = file.map_or(end.place.file.as_str(), |file| file.name.as_str());
        let place = (end.place.line.max(1), end.column.max(1));
        let (message, help) = (said.wrong, help.or(said.help));
        let help = help.or_else(|| as_in(&file?.text, place));
        match weight {
            Weight::Certain => Diagnostic::error(Code::WouldStop, name, place, message).with_help(help),
            Weight::Rarely => {
                let message = format!("on a way that is gone rarely, the run ends here: {message}");
                Diagnostic::error(Code::WouldStop, name, place, message).with_help(help).as_warning()
            }
            Weight::NotPermitted => {
                let help = help.unwrap_or_else(|| {
                    "bring the bench there first, with approach(), withdraw() or set(…)".to_owned()
                });
                Diagnostic::error(Code::NotReady, name, place, message).with_help(Some(help)).as_warning()
            }
            Weight::Perhaps => {
                let message = format!("where less is found than is hoped for, the run ends here: {message}");
                let help = help.unwrap_or_else(|| "ask first, like if list.len() > 0 { … }".to_owned());
                Diagnostic::error(Code::WouldStop, name, place, message).with_help(Some(help)).as_warning()
            }
        }
    }
}

/// How much an error says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Weight {
    /// It would be the same whatever is measured.
    Certain,
    /// It is one only where less was found than was thought.
    Perhaps,
    /// It is one on a way that is gone rarely.
    Rarely,
    /// A permit of the bench would not be met by what the sequence itself has set.
    NotPermitted,
}

fn innermost(error: &EvalAltResult) -> &EvalAltResult {
    match error {
        EvalAltResult::ErrorInFunctionCall(_, _, inner, _) | EvalAltResult::ErrorInModule(_, inner, _) => {
            innermost(inner)
        }
        other => other,
    }
}

/// Nothing where only the numbers decide.
fn weight_of(error: &EvalAltResult, way: Way) -> Option<Weight> {
    match innermost(error) {
        // What holds nothing may have been given something on another way.
        EvalAltResult::ErrorFunctionNotFound(signature, _)
            if signature.contains("(()") || signature.contains(" ()") =>
        {
            (way == Way::Found).then_some(Weight::Certain)
        }
        EvalAltResult::ErrorFunctionNotFound(..)
        | EvalAltResult::ErrorMismatchDataType(..)
        | EvalAltResult::ErrorMismatchOutputType(..)
        | EvalAltResult::ErrorPropertyNotFound(..)
        | EvalAltResult::ErrorIndexingType(..)
        | EvalAltResult::ErrorFor(..)
        | EvalAltResult::ErrorDotExpr(..) => Some(Weight::Certain),
        EvalAltResult::ErrorRuntime(value, _) => {
            let map = value.read_lock::<Map>()?;
            let of = |name: &str| map.get(name).map(ToString::to_string).unwrap_or_default();
            match of("what").as_str() {
                // With other numbers it may be right.
                "argument" if of("kind") == "range" => {
                    matches!(way, Way::Found | Way::Failing).then_some(Weight::Perhaps)
                }
                "argument" => match way {
                    Way::Found | Way::Failing => Some(Weight::Certain),
                    // Here an argument may be wrong only because of what was made believe.
                    Way::Nothing | Way::Contrary => Some(Weight::Rarely),
                },
                // What is found where something shows is as little real as the numbers are.
                "data" => (way == Way::Nothing).then_some(Weight::Perhaps),
                "forbidden" => (way != Way::Contrary).then_some(Weight::NotPermitted),
                _ => None,
            }
        }
        EvalAltResult::ErrorArrayBounds(..) => (way != Way::Contrary).then_some(Weight::Perhaps),
        _ => None,
    }
}

/// How the verb is written that stands at this place.
fn as_in(text: &str, place: (u32, u32)) -> Option<String> {
    let byte = scan::byte_at(text, place)?;
    registry::find(word_at(&text[byte..])).map(Verb::as_in)
}
