//! Finds what is wrong with a sequence before anything moves: all of it at once.
//!
//! The check reads the parser's own tree and the engine's own tables, so what it knows can't differ from
//! what runs. It follows values only where they are written out or follow from such; where it knows
//! nothing it says nothing.
//!
//! ```
//! use noctule::bench::{BUILTIN_NAME, builtin};
//! use noctule::script::{Sequence, check};
//!
//! let sequence = Sequence::from_text("night.rhai", "set(\"Bias\", 5.T);\npark();\n");
//! let found = check::check(&sequence, &builtin(), BUILTIN_NAME);
//! assert_eq!(found.len(), 1);
//! assert_eq!((found[0].code.text(), found[0].line, found[0].column), ("S07", 1, 13));
//! ```

mod call;
mod catalog;
mod express;
mod fields;
mod file;
mod flow;
mod form;
mod habits;
mod known;
mod operator;
mod outline;
mod program;
mod readiness;
mod run;
mod scan;
mod swept;
mod trial;
mod value;
mod verb;
mod walk;
mod worlds;

pub use outline::{Cost, Outline, OutlineStep};
pub use worlds::check_worlds;

use super::Sequence;
use super::import;
use super::registry::{self, Deed};
use crate::bench::{Bench, Role};
use crate::diagnostic::{Code, Diagnostic, Severity, render};
use catalog::Catalog;
use file::File;
use rhai::Engine;
use std::collections::BTreeMap;
use std::path::Path;
use walk::Walk;

/// What a check has found, with the texts that it speaks of.
#[derive(Debug, Clone)]
pub struct Checked {
    /// Everything that is wrong, the main file first, in the order of lines.
    pub diagnostics: Vec<Diagnostic>,
    /// Texts by the names that the diagnostics use.
    pub texts: BTreeMap<String, String>,
}

impl Checked {
    /// Where a window is given, loops that only its end ends are in order.
    pub fn heed_window(&mut self, given: bool) {
        self.diagnostics.retain(|d| !given || d.code != Code::NoWindow);
    }

    /// As a person reads it: the lines with the places underlined.
    pub fn render(&self, colour: bool) -> String {
        let mut out = String::new();
        for diagnostic in &self.diagnostics {
            let text = self.texts.get(&diagnostic.file).map_or("", String::as_str);
            out.push_str(&render(std::slice::from_ref(diagnostic), text, colour));
        }
        out
    }
}

/// The files of a sequence and what is known beside them.
#[derive(Debug)]
struct Files {
    catalog: Catalog,
    bench_file: String,
    files: Vec<File>,
    /// For each written import the name of its file, or why it can't be used.
    imported: BTreeMap<String, Result<String, String>>,
}

impl Files {
    fn file(&self, name: &str) -> Option<&File> {
        self.files.iter().find(|file| file.name == name)
    }

    /// Whether one file imports the other, itself or through others.
    fn leads_to(&self, from: &str, to: &str) -> bool {
        let mut reached = vec![from];
        let mut next = 0;
        while let Some(name) = reached.get(next).copied() {
            if name == to {
                return true;
            }
            next += 1;
            let imports = self.file(name).into_iter().flat_map(|file| &file.imports);
            for target in imports.filter_map(|written| self.imported.get(written)?.as_deref().ok()) {
                if !reached.contains(&target) {
                    reached.push(target);
                }
            }
        }
        false
    }
}

/// Everything that is wrong with a sequence on a bench; `bench_file` names the bench in hints.
pub fn check(sequence: &Sequence, bench: &Bench, bench_file: &str) -> Vec<Diagnostic> {
    check_with_texts(sequence, bench, bench_file).diagnostics
}

/// The same, with the texts of all files for rendering.
pub fn check_with_texts(sequence: &Sequence, bench: &Bench, bench_file: &str) -> Checked {
    checked(sequence, bench, bench_file, true)
}

/// The same without a trial: for a rehearsal, which is a better one.
pub fn check_untried(sequence: &Sequence, bench: &Bench, bench_file: &str) -> Checked {
    checked(sequence, bench, bench_file, false)
}

fn checked(sequence: &Sequence, bench: &Bench, bench_file: &str, tries: bool) -> Checked {
    let engine = catalog::engine(bench);
    let mut files = Files {
        catalog: Catalog::new(&engine),
        bench_file: bench_file.to_owned(),
        files: Vec::new(),
        imported: BTreeMap::new(),
    };
    let main = sequence.path.display().to_string();
    files.files.push(File::read(&engine, &main, &sequence.text));
    read_imports(&engine, sequence, &mut files);
    let mut diagnostics = Vec::new();
    for (i, file) in files.files.iter().enumerate() {
        let mut found = file.found.clone();
        let mut walk = Walk::new(&files, bench, file);
        walk.run();
        if i == 0 {
            walk.run_along();
        }
        found.append(&mut walk.found);
        hiding_functions(file, &files.catalog, &mut found);
        // A file of functions alone is a library: others call them.
        let imports = file.program.main.iter().all(|one| matches!(one, rhai::Stmt::Import(..)));
        let library = imports && !file.program.functions.is_empty();
        if i == 0 && !library {
            unused_functions(file, &mut found);
            never_parks(file, &files, &mut found);
            never_drives(file, &files, bench, &mut found);
        }
        found.sort_by_key(|d| (d.line, d.column, d.code));
        diagnostics.append(&mut found);
    }
    // A sequence that can't be parsed can't be tried, and what was found already is not said twice.
    if tries && !files.files.iter().any(|file| file.broken) {
        for stop in trial::stops(sequence, bench, &files) {
            if !said_already(&diagnostics, &stop, &files) {
                diagnostics.push(stop);
            }
        }
        let rank = |d: &Diagnostic| files.files.iter().position(|file| file.name == d.file);
        diagnostics.sort_by_key(|d| (rank(d), d.line, d.column));
    }
    let texts = files.files.into_iter().map(|file| (file.name, file.text)).collect();
    Checked { diagnostics, texts }
}

/// What a sequence would cost, without physics: each branch that can be reached, at least and at most.
/// None if it can't be parsed. Functions of imported files are not followed.
pub fn outline(sequence: &Sequence, bench: &Bench) -> Option<Outline> {
    let engine = catalog::engine(bench);
    let main = File::read(&engine, &sequence.path.display().to_string(), &sequence.text);
    if main.broken {
        return None;
    }
    let files = Files {
        catalog: Catalog::new(&engine),
        bench_file: String::new(),
        files: vec![main],
        imported: BTreeMap::new(),
    };
    let mut walk = Walk::new(&files, bench, &files.files[0]);
    let mut costing = outline::Costing::new(&mut walk);
    let total = costing.block(&files.files[0].program.main);
    Some(Outline { steps: costing.steps, total })
}

/// Reads everything that is imported, and what that imports.
fn read_imports(engine: &Engine, sequence: &Sequence, files: &mut Files) {
    let folder = sequence.folder();
    let beside = sequence.path.parent().unwrap_or(Path::new("")).to_owned();
    let mut next = 0;
    while let Some(file) = files.files.get(next) {
        next += 1;
        for written in file.imports.clone() {
            if files.imported.contains_key(&written) {
                continue;
            }
            let outcome = import::read(&folder, &written).map(|(_, text)| {
                let mut path = beside.join(&written);
                if path.extension().is_none() {
                    path.set_extension("rhai");
                }
                let name = path.display().to_string();
                if files.file(&name).is_none() {
                    files.files.push(File::read(engine, &name, &text));
                }
                name
            });
            files.imported.insert(written, outcome);
        }
    }
}

/// Whether the same is said of the line at which the trial stopped, or something is wrong in the call that begins there.
fn said_already(diagnostics: &[Diagnostic], stop: &Diagnostic, files: &Files) -> bool {
    let text = files.file(&stop.file).map_or("", |file| file.text.as_str());
    let end = scan::byte_at(text, (stop.line, stop.column)).map(|byte| scan::call_end(text, byte));
    let last = end.map_or(stop.line, |byte| scan::place_of(text, byte).0);
    diagnostics.iter().filter(|d| d.file == stop.file).any(|d| {
        (d.line == stop.line && d.code == stop.code)
            || (d.severity == Severity::Error && (stop.line..=last).contains(&d.line))
    })
}

/// Functions that silently take the place of a verb or of a function of the language.
fn hiding_functions(file: &File, catalog: &Catalog, found: &mut Vec<Diagnostic>) {
    for function in file.program.functions.iter().filter(|f| !f.is_closure()) {
        let name = function.name.as_str();
        let places = file.functions.get(name).cloned().unwrap_or_default();
        let nth = file.program.named(name).position(|f| std::ptr::eq(f, function)).unwrap_or(0);
        let place = places.get(nth).or(places.first()).copied();
        let place = place.unwrap_or_else(|| walk::place(function.begins));
        let help = Some(format!("give it another name, like `my_{name}`"));
        if let Some(verb) = registry::find(name) {
            let replaces = verb.takes(function.params.len());
            let message = if replaces {
                format!("this function would silently take the place of the verb `{}`", verb.signature())
            } else {
                format!("this function has the name of the verb `{}`", verb.signature())
            };
            let diagnostic = Diagnostic::error(Code::HidesVerb, &file.name, place, message).with_help(help);
            found.push(if replaces { diagnostic } else { diagnostic.as_warning() });
        } else if catalog.takes(name, function.params.len()) {
            let message = format!("this function takes the place of the language's own `{name}`");
            found.push(
                Diagnostic::error(Code::HidesVerb, &file.name, place, message).with_help(help).as_warning(),
            );
        }
    }
}

/// Functions of the main file that nobody calls.
fn unused_functions(file: &File, found: &mut Vec<Diagnostic>) {
    // What could not be parsed may call them.
    let all = file.program.functions.iter().filter(|f| !f.is_closure() && !file.broken);
    for function in all {
        let name = function.name.as_str();
        let called = file.program.called.contains(name) || file.lost_words.contains(name);
        if called || name.starts_with('_') {
            continue;
        }
        let place = file.functions.get(name).and_then(|places| places.first()).copied();
        let place = place.unwrap_or_else(|| walk::place(function.begins));
        let message = format!("the function `{name}` is never called");
        let help = Some("call it, or leave it out".to_owned());
        found.push(
            Diagnostic::error(Code::UnusedValue, &file.name, place, message).with_help(help).as_warning(),
        );
    }
}

/// A sequence that brings the tip in and sweeps the RF frequency, and nowhere speaks of switching the RF on.
fn never_drives(file: &File, files: &Files, bench: &Bench, found: &mut Vec<Diagnostic>) {
    let Some(output) = bench.by_role(Role::RfOutput).map(|id| bench.channel(id).name.as_str()) else {
        return;
    };
    let speaks = |word: &str| files.files.iter().any(|f| f.text.contains(word));
    let sweeps = ["sweep", "search_resonance", "compensated_sweep"];
    let over_rf =
        speaks(Role::RfFrequency.name()) || speaks("search_resonance") || speaks("compensated_sweep");
    let lockin = [Role::LockinX, Role::LockinY].into_iter().filter_map(|role| {
        let channel = bench.by_role(role).map(|id| bench.channel(id).name.as_str())?;
        Some(speaks(role.name()) || speaks(channel))
    });
    let over_rf = over_rf && lockin.into_iter().any(|read| read);
    let switched = speaks(Role::RfOutput.name()) || speaks(output);
    if switched || !over_rf || !file.program.called.contains("approach") {
        return;
    }
    let call = sweeps.iter().find_map(|verb| file.text.find(&format!("{verb}(")));
    let Some(byte) = call else { return };
    let message = "nothing switches the RF on before this sweep over its frequency";
    let help = Some("put set(\"RfOutput\", true); before it".to_owned());
    let place = scan::place_of(&file.text, byte);
    found.push(Diagnostic::error(Code::NotReady, &file.name, place, message).with_help(help).as_warning());
}

/// A sequence that moves something and never parks.
fn never_parks(file: &File, files: &Files, found: &mut Vec<Diagnostic>) {
    let calls = |name: &str| {
        files.files.iter().any(|f| f.program.called.contains(name) || f.lost_words.contains(name))
    };
    let acts = registry::all().any(|verb| verb.nature.deed == Deed::Acts && calls(verb.name));
    if !acts || calls("park") {
        return;
    }
    let place = scan::place_of(&file.text, file.text.trim_end().len().saturating_sub(1));
    let message = "the sequence never parks; the bench is parked at its end in any case";
    let help = Some("end with park(); so that whoever reads it knows the state that is left".to_owned());
    found.push(
        Diagnostic::error(Code::NoPark, &file.name, (place.0, 1), message).with_help(help).as_warning(),
    );
}
