//! Errors on their way through a script, and what they mean when they come out of it.

use super::convert::kind_named;
use super::host::file_name;
use crate::record::{Ending, Outcome, Place};
use rhai::{Dynamic, EvalAltResult, Map, NativeCallContext, Position};

/// What verbs throw.
pub type Thrown = Box<EvalAltResult>;

/// An error that a sequence may catch: in `catch (e)` it is a map with `what`, `kind` and `message`.
pub fn thrown(ctx: &NativeCallContext<'_>, what: &str, kind: &str, message: &str) -> Thrown {
    let mut map = Map::new();
    map.insert("what".into(), what.into());
    map.insert("kind".into(), kind.into());
    map.insert("message".into(), message.into());
    EvalAltResult::ErrorRuntime(Dynamic::from_map(map), ctx.call_position()).into()
}

/// A wrong argument.
pub fn argument(ctx: &NativeCallContext<'_>, message: &str) -> Thrown {
    thrown(ctx, "argument", "wrong", message)
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
    let (outcome, reason) = match inner {
        EvalAltResult::ErrorTerminated(token, _) => match token.clone().try_cast::<Ending>() {
            Some(ending) => {
                // On its way out of functions the error has taken the place of the outermost call.
                if ending.place.line > 0 && !ending.place.file.is_empty() && ending.place != place {
                    (place, column) = (ending.place, 0);
                }
                (ending.outcome, ending.reason)
            }
            None => (Outcome::Stopped, "the run is over".to_owned()),
        },
        EvalAltResult::ErrorRuntime(value, _) => runtime(value),
        EvalAltResult::ErrorTooManyOperations(_) => {
            (Outcome::Failed, "the sequence computed for very long without calling a verb".to_owned())
        }
        EvalAltResult::ErrorStackOverflow(_) => {
            (Outcome::Failed, "functions call each other too deeply".to_owned())
        }
        EvalAltResult::ErrorFunctionNotFound(signature, _) => (Outcome::Failed, not_found(signature)),
        EvalAltResult::ErrorMismatchDataType(wanted, found, _) => {
            let (wanted, found) = (kind_named(wanted), kind_named(found));
            (Outcome::Failed, format!("{wanted} is needed here, not {found}"))
        }
        other => (Outcome::Failed, plain(other)),
    };
    ScriptEnd { outcome, reason, place, column }
}

fn runtime(value: &Dynamic) -> (Outcome, String) {
    let Some(map) = value.read_lock::<Map>() else {
        return (Outcome::Failed, value.to_string());
    };
    let text = |key: &str| map.get(key).map(ToString::to_string).unwrap_or_default();
    let outcome = if text("what") == "instrument" { Outcome::Fault } else { Outcome::Failed };
    let message = text("message");
    (outcome, if message.is_empty() { value.to_string() } else { message })
}

/// A function that does not exist for such values, from the engine's `name (type, type)`.
fn not_found(signature: &str) -> String {
    let Some((name, kinds)) = signature.split_once(" (") else { return signature.to_owned() };
    let kinds: Vec<String> =
        kinds.trim_end_matches(')').split(", ").filter(|kind| !kind.is_empty()).map(kind_named).collect();
    if kinds.is_empty() {
        return format!("there is no function `{name}` without arguments");
    }
    let kinds = kinds.join(" and ");
    let sign = !name.contains(|c: char| c.is_alphanumeric());
    if sign {
        format!("`{name}` can't be used with {kinds}")
    } else {
        format!("`{name}` doesn't take {kinds}")
    }
}

/// The engine's own messages, without the place that it adds in brackets: that is printed apart.
fn plain(error: &EvalAltResult) -> String {
    let text = error.to_string();
    let bare = text.rfind(" (line ").map_or(text.as_str(), |at| &text[..at]);
    let mut letters = bare.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}
