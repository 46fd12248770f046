//! Help for editors that know the Rhai language: every verb with its words.

use crate::history::result::capital;
use crate::script::registry::{self, Kind, Param, Verb};
use crate::script::units::UNIT_NAMES;
use std::fmt::Write;

/// A definition file for the Rhai language. A verb with arguments that may be left out is there once for each number of them.
pub fn rhai_definitions() -> String {
    let mut out = "module static;\n\n".to_owned();
    let _ = writeln!(out, "// Units behind a number: {}", UNIT_NAMES.join(" "));
    for verb in registry::all() {
        for left_out in (0..=verb.optional).rev() {
            out.push('\n');
            out.push_str(&definition(verb, left_out));
        }
    }
    out
}

fn definition(verb: &Verb, left_out: usize) -> String {
    let mut out = format!("/// {}\n///\n", verb.summary);
    // Where the last argument is a function, those before it are left out.
    let function_last = verb.params.last().is_some_and(|param| param.kind == Kind::Function);
    let count = verb.params.len() - left_out;
    let params: Vec<&Param> = if function_last && left_out > 0 {
        verb.params[..count - 1].iter().chain(verb.params.last()).collect()
    } else {
        verb.params[..count].iter().collect()
    };
    for param in &params {
        let _ = writeln!(out, "/// * `{}`: {}", param.name, param.meaning);
    }
    let _ = writeln!(out, "///\n/// {}.\n///\n/// ```rhai", capital(&verb.gives.in_words()));
    for line in verb.example.lines() {
        let _ = writeln!(out, "/// {line}");
    }
    let list: Vec<String> = params.iter().map(|p| format!("{}: {}", p.name, type_of(p.kind))).collect();
    let _ = writeln!(out, "/// ```\nfn {}({}) -> ?;", verb.name, list.join(", "));
    out
}

fn type_of(kind: Kind) -> &'static str {
    match kind {
        Kind::Channel | Kind::Reading | Kind::Text | Kind::OneOf(_) => "String",
        Kind::Fields(_) => "Map",
        Kind::Steps(_) => "Array",
        Kind::Function => "FnPtr",
        Kind::List => "Array",
        Kind::Flag => "bool",
        _ => "?",
    }
}
