//! A sequence tried out on make-believe, before anything runs: what no run could get past is found at its line.
//!
//! Only what would be so with other numbers too is said: a verb that is given the wrong kind of thing, a column that is
//! not there, a plan that can't be measured. How a measurement comes out is not known here. The trial goes two ways,
//! one where there is something to be seen and one where there is not, and each no further than some hundred calls.

mod answers;

use super::file::word_at;
use super::{Files, scan};
use crate::bench::Bench;
use crate::diagnostic::{Code, Diagnostic};
use crate::quantity::Quantity;
use crate::script::error::Thrown;
use crate::script::import::Folder;
use crate::script::registry::{self, Verb};
use crate::script::{Host, Sequence, advice, error, with_verbs};
use answers::Answers;
use rhai::{Array, Dynamic, Engine, EvalAltResult, ImmutableString, Map, Position, Scope};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;

/// What stops a sequence on make-believe, if it is nothing that only the numbers decide.
pub(super) fn stops(sequence: &Sequence, bench: &Bench, files: &Files) -> Option<Diagnostic> {
    let trial = Trial { sequence, bench: Arc::new(bench.clone()), files };
    trial.goes(true).or_else(|| trial.goes(false))
}

struct Trial<'a> {
    sequence: &'a Sequence,
    bench: Arc<Bench>,
    files: &'a Files,
}

impl Trial<'_> {
    /// One way, where there is something to be seen or not.
    fn goes(&self, shows: bool) -> Option<Diagnostic> {
        let error = self.run(shows, |_| {})?;
        let weight = weight_of(&error, shows)?;
        let help = match innermost(&error) {
            EvalAltResult::ErrorPropertyNotFound(name, _) => Some(self.other_entry(name, shows)),
            _ => None,
        };
        Some(self.told(&error, weight, help))
    }

    /// The error with which the sequence ends, if nobody has caught it.
    fn run(&self, shows: bool, prepare: impl FnOnce(&mut Engine)) -> Option<Box<EvalAltResult>> {
        // Whoever brings the tip in begins with the tip out.
        let in_range = !self.sequence.text.contains("approach(");
        let answers = Answers::new(Arc::clone(&self.bench), shows, in_range);
        let host = Host::new(Rc::new(RefCell::new(answers)));
        let mut engine = with_verbs(&host);
        engine.on_print(|_| {});
        engine.on_debug(|_, _, _| {});
        engine.set_module_resolver(Folder::of(self.sequence));
        unlike(&mut engine);
        prepare(&mut engine);
        let mut ast = engine.compile(&self.sequence.text).ok()?;
        ast.set_source(self.sequence.name.as_str());
        engine.run_ast_with_scope(&mut Scope::new(), &ast).err()
    }

    /// What to write for a name that a map has not got. The error does not say what it has, so the way is gone again up to
    /// there.
    fn other_entry(&self, name: &str, shows: bool) -> String {
        let found = Rc::new(RefCell::new(Vec::new()));
        let (keys, wanted) = (Rc::clone(&found), name.to_owned());
        self.run(shows, |engine| {
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
        let end = error::meaning(error, &self.sequence.name);
        let file =
            self.files.files.iter().find(|file| crate::script::file_name(&file.name) == end.place.file);
        let name = file.map_or(end.place.file.as_str(), |file| file.name.as_str());
        let place = (end.place.line.max(1), end.column.max(1));
        // What stands behind a semicolon says what to write.
        let (message, advice) = match end.reason.split_once("; ") {
            Some((message, help)) => (message.to_owned(), Some(help.to_owned())),
            None => (end.reason.clone(), None),
        };
        let help = help.or(advice).or_else(|| advice::of_two_kinds(&message));
        let help = help.or_else(|| as_in(&file?.text, place));
        match weight {
            Weight::Certain => Diagnostic::error(Code::WouldStop, name, place, message).with_help(help),
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

/// What the language compares without a word though the answer is always no: a text with a number, a list with a number.
fn unlike(engine: &mut Engine) {
    engine.set_fast_operators(false);
    fn never<A: Clone + 'static, B: Clone + 'static>(engine: &mut Engine, sign: &str, told: &'static str) {
        engine.register_fn(sign, move |_: A, _: B| -> Result<bool, Thrown> { Err(error::wrong(told)) });
        engine.register_fn(sign, move |_: B, _: A| -> Result<bool, Thrown> { Err(error::wrong(told)) });
    }
    let text = "a text and a number can't be compared; a value stands without quotes, like 5 or 1.h";
    let list = "a list can't be compared with a number; compare list.len(), or one item, list[0]";
    for sign in ["<", ">", "<=", ">="] {
        never::<ImmutableString, i64>(engine, sign, text);
        never::<ImmutableString, f64>(engine, sign, text);
        never::<ImmutableString, Quantity>(engine, sign, text);
        never::<Array, i64>(engine, sign, list);
        never::<Array, f64>(engine, sign, list);
    }
    let flag = "a text is never true or false; compare it with a text, like word == \"none\"";
    for sign in ["==", "!="] {
        never::<ImmutableString, bool>(engine, sign, flag);
        never::<Array, i64>(engine, sign, list);
    }
}

/// How much an error says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Weight {
    /// It would be the same whatever is measured.
    Certain,
    /// It is one only where less was found than was thought.
    Perhaps,
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
fn weight_of(error: &EvalAltResult, shows: bool) -> Option<Weight> {
    match innermost(error) {
        EvalAltResult::ErrorFunctionNotFound(..)
        | EvalAltResult::ErrorMismatchDataType(..)
        | EvalAltResult::ErrorMismatchOutputType(..)
        | EvalAltResult::ErrorPropertyNotFound(..)
        | EvalAltResult::ErrorIndexingType(..)
        | EvalAltResult::ErrorDotExpr(..) => Some(Weight::Certain),
        EvalAltResult::ErrorRuntime(value, _) => {
            let what = value.read_lock::<Map>()?.get("what")?.to_string();
            match what.as_str() {
                // Where nothing was seen, an argument may be wrong for that alone.
                "argument" => shows.then_some(Weight::Certain),
                // What is found where something shows is as little real as the numbers are.
                "data" => (!shows).then_some(Weight::Perhaps),
                "forbidden" => Some(Weight::NotPermitted),
                _ => None,
            }
        }
        EvalAltResult::ErrorArrayBounds(..) => Some(Weight::Perhaps),
        _ => None,
    }
}

/// How the verb is written that stands at this place.
fn as_in(text: &str, place: (u32, u32)) -> Option<String> {
    let byte = scan::byte_at(text, place)?;
    registry::find(word_at(&text[byte..])).map(Verb::as_in)
}
