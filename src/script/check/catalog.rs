//! What a sequence can call: taken from the engine that would run it, so that the check can't fall behind.

use crate::bench::Bench;
use crate::drive::Port;
use crate::record::{Ending, Outcome, Place};
use crate::script::handles::{
    FitHandle, Image, Numbers, ResonanceLawHandle, Sweep, Trace, TransmissionHandle, VerdictHandle,
};
use crate::script::table::Table;
use crate::script::{Host, registry, with_verbs};
use crate::supervisor::{Call, Denial, Reply};
use rhai::Engine;
use std::any::TypeId;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;
use std::sync::Arc;

/// Functions that the language itself knows and that are in no table.
const LANGUAGE: &[(&str, usize)] = &[
    ("print", 1),
    ("print", 0),
    ("debug", 1),
    ("debug", 0),
    ("type_of", 1),
    ("type_of", 0),
    ("Fn", 1),
    ("is_shared", 1),
    ("is_def_var", 1),
    ("is_def_fn", 2),
];
/// Functions of the language that take any number of arguments.
const LANGUAGE_ANY: &[&str] = &["call", "curry"];

/// What people write for something that is no verb here.
const OTHER_FUNCTIONS: &[(&str, &str)] = &[
    ("mean", "that of a column is `.mean`, that of a list sum(list) / list.len()"),
    ("avg", "that of a column is `.mean`, that of a list sum(list) / list.len()"),
    ("std", "that of a column is `.deviation`"),
    ("sd", "that of a column is `.deviation`"),
    ("len", "the length of a list is list.len()"),
    ("str", "a text shows a value in backticks, `x is ${x}`"),
    ("float", "write x.to_float()"),
    ("pow", "a power is written x ** 2"),
    ("plot", "the brief draws what was measured; about(figure, title) says what a figure shows"),
    ("save", "everything measured is in the record; noctule export RUN writes it"),
    ("append", "an item is put at the end with list.push(x)"),
];

/// What people write for a verb that has another name here.
const OTHER_WORDS: &[(&str, &str)] = &[
    // What a verb was called before.
    ("field_line", "resonance_law"),
    ("sleep", "wait"),
    ("pause", "wait"),
    ("delay", "wait"),
    ("ramp", "ramp_field"),
    ("set_field", "ramp_field"),
    ("move_to", "go_to"),
    ("goto", "go_to"),
    ("move_tip", "go_to"),
    ("get", "read"),
    ("measure", "sweep"),
    ("scan", "sweep"),
    ("map", "grid"),
    ("log", "note"),
    ("println", "note"),
    ("drop", "put_down"),
    ("exit", "stop"),
    ("quit", "stop"),
    ("abort", "stop"),
    ("retract", "withdraw"),
    ("now", "elapsed"),
    ("timestamp", "elapsed"),
    ("rand", "random"),
    ("fit", "fit_resonance"),
    ("judge", "is_real"),
    ("verdict", "is_real"),
    ("prove", "is_real"),
    ("psd", "noise_spectrum"),
    ("allan", "allan_deviation"),
];

/// Everything that has a name.
#[derive(Debug)]
pub(super) struct Catalog {
    /// Names of functions with the numbers of arguments that they take.
    functions: BTreeMap<String, BTreeSet<usize>>,
    /// Properties by the type that has them.
    getters: Vec<(TypeId, String)>,
}

/// Stands in for a driver: nothing is ever asked of it, because nothing runs.
struct NoDriver(Arc<Bench>);

impl Port for NoDriver {
    fn bench(&self) -> Arc<Bench> {
        Arc::clone(&self.0)
    }

    fn request(&mut self, _call: Call) -> Reply {
        Err(Denial::Ended(Ending {
            outcome: Outcome::Stopped,
            reason: "a check moves nothing".to_owned(),
            place: Place::default(),
            latched: false,
        }))
    }

    fn computed(&mut self, _operations: u64) -> Option<Ending> {
        None
    }

    fn seed(&self) -> u64 {
        0
    }
}

/// The engine that would run a sequence, with variables left to the check, which finds all unknown ones at once.
pub(super) fn engine(bench: &Bench) -> Engine {
    let host = Host::new(Rc::new(RefCell::new(NoDriver(Arc::new(bench.clone())))));
    let mut engine = with_verbs(&host);
    engine.set_strict_variables(false);
    engine
}

impl Catalog {
    /// From the engine.
    pub(super) fn new(engine: &Engine) -> Self {
        let mut functions: BTreeMap<String, BTreeSet<usize>> = BTreeMap::new();
        let mut getters = Vec::new();
        let found = engine.collect_fn_metadata(
            None,
            |info| {
                let meta = info.metadata;
                Some((meta.name.to_string(), meta.num_params, meta.param_types.first().copied()))
            },
            true,
        );
        for (name, arity, first) in found {
            if let Some(property) = name.strip_prefix("get$") {
                getters.extend(first.map(|of| (of, property.to_owned())));
            }
            functions.entry(name).or_default().insert(arity);
        }
        for (name, arity) in LANGUAGE {
            functions.entry((*name).to_owned()).or_default().insert(*arity);
        }
        Self { functions, getters }
    }

    /// Whether there is a function of this name.
    pub(super) fn knows(&self, name: &str) -> bool {
        LANGUAGE_ANY.contains(&name) || self.functions.contains_key(name)
    }

    /// Whether a function of this name takes so many arguments.
    pub(super) fn takes(&self, name: &str, arguments: usize) -> bool {
        LANGUAGE_ANY.contains(&name) || self.functions.get(name).is_some_and(|n| n.contains(&arguments))
    }

    /// Numbers of arguments of a function, in words.
    pub(super) fn arities(&self, name: &str) -> String {
        let counts: Vec<String> =
            self.functions.get(name).into_iter().flatten().map(ToString::to_string).collect();
        counts.join(" or ")
    }

    /// A hint for a name that nobody knows.
    pub(super) fn hint<'n>(&'n self, name: &str, more: impl Iterator<Item = &'n str>) -> Option<String> {
        if let Some((_, verb)) = OTHER_WORDS.iter().find(|(word, _)| *word == name) {
            let verb = registry::find(verb)?;
            return Some(format!("here it is called `{}`", verb.signature()));
        }
        if let Some((_, here)) = OTHER_FUNCTIONS.iter().find(|(word, _)| *word == name) {
            return Some((*here).to_owned());
        }
        let words = self.functions.keys().map(String::as_str).filter(|n| n.chars().all(is_word));
        // Verbs come first: of two names equally near, the verb is the likelier one.
        let verbs = registry::all().map(|verb| verb.name);
        let near = crate::document::nearest_of_many(name, more.chain(verbs).chain(words))?;
        Some(match registry::find(near) {
            Some(verb) => format!("did you mean `{}`?", verb.signature()),
            None => format!("did you mean `{near}`?"),
        })
    }

    /// Whether any type has this property.
    pub(super) fn has_property(&self, name: &str) -> bool {
        self.getters.iter().any(|(_, property)| property == name)
    }

    /// Properties of what a verb gives back; none if the check doesn't know the type.
    pub(super) fn properties(&self, handle: &str) -> Option<Vec<&str>> {
        let of = match handle {
            "sweep" => TypeId::of::<Sweep>(),
            "trace" => TypeId::of::<Trace>(),
            "image" => TypeId::of::<Image>(),
            "fit" => TypeId::of::<FitHandle>(),
            "resonance law" => TypeId::of::<ResonanceLawHandle>(),
            "transmission" => TypeId::of::<TransmissionHandle>(),
            "verdict" => TypeId::of::<VerdictHandle>(),
            "numbers" => TypeId::of::<Numbers>(),
            "table" => TypeId::of::<Table>(),
            _ => return None,
        };
        let mut names: Vec<&str> =
            self.getters.iter().filter(|(t, _)| *t == of).map(|(_, name)| name.as_str()).collect();
        names.sort_unstable();
        Some(names)
    }
}

fn is_word(c: char) -> bool {
    c.is_ascii_alphanumeric() || c == '_'
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_verb_of_the_registry_is_registered_with_every_number_of_arguments() {
        let catalog = Catalog::new(&engine(&crate::bench::builtin()));
        for verb in registry::all() {
            for count in verb.params.len() - verb.optional..=verb.params.len() {
                assert!(catalog.takes(verb.name, count), "{} with {count} arguments", verb.name);
            }
        }
    }

    /// Functions that are no verbs of their own: methods of what verbs give back, and refusals.
    const METHODS: &[&str] = &[
        "abs",
        "at",
        "column",
        "correlation",
        "error",
        "exit",
        "expected",
        "level_for",
        "only",
        "part",
        "sum",
        "to_debug",
        "to_string",
        "value",
        "with_column",
        "within",
    ];

    #[test]
    fn whatever_the_engine_has_beyond_the_language_is_in_the_registry() {
        let language = Catalog::new(&crate::script::bare());
        let all = Catalog::new(&engine(&crate::bench::builtin()));
        let words = all.functions.keys().filter(|name| name.chars().all(is_word));
        let forgotten: Vec<&String> = words
            .filter(|name| !language.functions.contains_key(*name))
            .filter(|name| registry::find(name).is_none() && !METHODS.contains(&name.as_str()))
            .collect();
        assert!(forgotten.is_empty(), "not in the registry: {forgotten:?}");
    }

    #[test]
    fn other_words_lead_to_verbs() {
        for (_, verb) in OTHER_WORDS {
            assert!(registry::find(verb).is_some(), "{verb}");
        }
    }
}
