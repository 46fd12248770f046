//! Errors on their way through a script, and what they mean when they come out of it.

use super::advice;
pub use super::advice::Said;
use super::convert::kind_named;
use super::host::file_name;
use crate::record::{Ending, Outcome, Place};
use rhai::{Dynamic, EvalAltResult, Map, NativeCallContext, Position};

/// What verbs throw.
pub type Thrown = Box<EvalAltResult>;

/// An error that a sequence may catch: in `catch (e)` it is a map with `what`, `kind` and `message`; where it is known what to
/// write instead, that stands in `help` as well, and the rest in `wrong`.
pub fn thrown(ctx: &NativeCallContext<'_>, what: &str, kind: &str, said: impl Into<Said>) -> Thrown {
    let map = told(what, kind, said.into());
    EvalAltResult::ErrorRuntime(Dynamic::from_map(map), ctx.call_position()).into()
}

/// A wrong argument.
pub fn argument(ctx: &NativeCallContext<'_>, said: impl Into<Said>) -> Thrown {
    thrown(ctx, "argument", "wrong", said)
}

/// A wrong argument of what is no verb: the engine adds the place.
pub fn wrong(said: impl Into<Said>) -> Thrown {
    let map = told("argument", "wrong", said.into());
    EvalAltResult::ErrorRuntime(Dynamic::from_map(map), Position::NONE).into()
}

/// An argument that is wrong by what was measured: more rows than there are, too few points.
pub fn unfit(ctx: &NativeCallContext<'_>, said: impl Into<Said>) -> Thrown {
    thrown(ctx, "argument", "range", said)
}

/// What was measured does not give what is asked for.
pub fn unusable(ctx: &NativeCallContext<'_>, said: impl Into<Said>) -> Thrown {
    thrown(ctx, "data", "unusable", said)
}

fn told(what: &str, kind: &str, said: Said) -> Map {
    let mut words = vec![("what", what.to_owned()), ("kind", kind.to_owned()), ("message", said.to_string())];
    if let Some(help) = said.help {
        words.extend([("wrong", said.wrong), ("help", help)]);
    }
    words.into_iter().map(|(name, word)| (name.into(), word.into())).collect()
}

/// The end of the run: no sequence can catch this.
pub fn ended(ending: Ending, position: Position) -> Thrown {
    EvalAltResult::ErrorTerminated(Dynamic::from(ending), position).into()
}

/// How a script came to its end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScriptEnd {
    /// Finished, failed, fault; for an ended run, whatever ended it.
    pub outcome: Outcome,
    /// One sentence.
    pub reason: String,
    /// Where.
    pub place: Place,
    /// Column, from 1; 0 if unknown.
    pub column: u32,
}

impl ScriptEnd {
    /// It came to its end by itself.
    pub fn finished() -> Self {
        let reason = "the sequence came to its end".to_owned();
        Self { outcome: Outcome::Finished, reason, place: Place::default(), column: 0 }
    }
}

/// What an error means that nobody caught. `main` is the name of the sequence's file.
pub fn meaning(error: &EvalAltResult, main: &str) -> ScriptEnd {
    explained(error, main).0
}

/// The same, with what is wrong and what to write instead apart.
pub fn explained(error: &EvalAltResult, main: &str) -> (ScriptEnd, Said) {
    let mut file = main.to_owned();
    let mut inner = error;
    let mut position = error.position();
    // Errors in functions are wrapped once for each call: the innermost knows the place.
    while let EvalAltResult::ErrorInFunctionCall(_, source, next, _)
    | EvalAltResult::ErrorInModule(source, next, _) = inner
    {
        if !source.is_empty() {
            file = file_name(source);
        }
        inner = next;
        if !inner.position().is_none() {
            position = inner.position();
        }
    }
    let mut place = Place { file, line: u32::try_from(position.line().unwrap_or(0)).unwrap_or(u32::MAX) };
    let mut column = u32::try_from(position.position().unwrap_or(0)).unwrap_or(u32::MAX);
    let (outcome, said) = match inner {
        EvalAltResult::ErrorTerminated(token, _) => match token.clone().try_cast::<Ending>() {
            Some(ending) => {
                // On its way out of functions the error has taken the place of the outermost call.
                if ending.place.line > 0 && !ending.place.file.is_empty() && ending.place != place {
                    (place, column) = (ending.place, 0);
                }
                (ending.outcome, ending.reason.into())
            }
            None => (Outcome::Stopped, "the run is over".into()),
        },
        EvalAltResult::ErrorRuntime(value, _) => runtime(value),
        EvalAltResult::ErrorTooManyOperations(_) => {
            (Outcome::Failed, "the sequence computed for very long without calling a verb".into())
        }
        EvalAltResult::ErrorStackOverflow(_) => {
            (Outcome::Failed, "functions call each other too deeply".into())
        }
        EvalAltResult::ErrorFunctionNotFound(signature, _) => (Outcome::Failed, advice::not_found(signature)),
        EvalAltResult::ErrorMismatchDataType(wanted, found, _) => {
            let (wanted, found) = (kind_named(wanted), kind_named(found));
            let help = match (wanted.as_str(), found.as_str()) {
                ("a text", "a whole number") => Some("a map is asked by a name, like spot.x"),
                ("a whole number", "a text") => Some(
                    "a list is asked by a number, list[0], or searched, list.find(|item| item.id == \"A3\")",
                ),
                _ => None,
            };
            (Outcome::Failed, Said::perhaps(format!("{wanted} is needed here, not {found}"), help))
        }
        EvalAltResult::ErrorPropertyNotFound(name, _) => {
            (Outcome::Failed, format!("this map has no `{name}`").into())
        }
        EvalAltResult::ErrorFor(_) => (Outcome::Failed, advice::no_items_to_go_through()),
        EvalAltResult::ErrorIndexingType(asked, _) => (Outcome::Failed, advice::no_items(asked)),
        EvalAltResult::ErrorDotExpr(told, _) => (Outcome::Failed, advice::no_property(told)),
        EvalAltResult::ErrorArrayBounds(count, index, _) => {
            (Outcome::Failed, advice::no_item(*count, *index).into())
        }
        other => (Outcome::Failed, plain(other).into()),
    };
    (ScriptEnd { outcome, reason: said.to_string(), place, column }, said)
}

fn runtime(value: &Dynamic) -> (Outcome, Said) {
    let Some(map) = value.read_lock::<Map>() else {
        return (Outcome::Failed, value.to_string().into());
    };
    let text = |key: &str| map.get(key).map(ToString::to_string).filter(|text| !text.is_empty());
    let outcome =
        if text("what").as_deref() == Some("instrument") { Outcome::Fault } else { Outcome::Failed };
    let wrong = text("wrong").or_else(|| text("message")).unwrap_or_else(|| value.to_string());
    (outcome, Said::perhaps(wrong, text("help")))
}

/// The engine's own messages, without the place that it adds in brackets: that is printed apart.
fn plain(error: &EvalAltResult) -> String {
    let text = error.to_string();
    let bare = text.rfind(" (line ").map_or(text.as_str(), |at| &text[..at]);
    let mut letters = bare.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}
