//! Faulty sequences and bench files, with the messages that people get for them.

use noctule::bench::{BUILTIN_NAME, builtin, read};
use noctule::diagnostic::{CODES, Diagnostic, has_errors, render};
use noctule::script::{Sequence, check};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

const FOLDER: &str = "tests/data/faulty";

fn files(extension: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(FOLDER).expect("the folder of faulty files is there");
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.expect("it can be read").path()).collect();
    paths.retain(|path| path.extension().is_some_and(|e| e == extension));
    paths.retain(|path| !path.ends_with("good_tools.rhai"));
    paths.sort();
    paths
}

fn checked(path: &Path) -> check::Checked {
    let sequence = Sequence::load(path).expect("it can be read");
    check::check_with_texts(&sequence, &builtin(), BUILTIN_NAME)
}

fn bench_faults(path: &Path) -> (String, Vec<Diagnostic>) {
    let text = std::fs::read_to_string(path).expect("it can be read");
    let file = path.display().to_string();
    let found = match read(&text, &file) {
        Ok((bench, mut found)) => {
            found.extend(check::check_worlds(&bench, &text, &file, Path::new(FOLDER)));
            found
        }
        Err(found) => found,
    };
    (text, found)
}

fn stem(path: &Path) -> String {
    path.file_stem().expect("it has a name").to_string_lossy().into_owned()
}

fn assert_placed(found: &[Diagnostic], path: &Path) {
    for diagnostic in found {
        assert!(diagnostic.line > 0 && diagnostic.column > 0, "{}: no place: {diagnostic}", path.display());
    }
}

#[test]
fn twenty_faulty_sequences_say_everything_at_once() {
    let paths = files("rhai");
    assert!(paths.len() >= 20, "{}", paths.len());
    for path in paths {
        let checked = checked(&path);
        assert!(!checked.diagnostics.is_empty(), "{} is free of faults", path.display());
        assert_placed(&checked.diagnostics, &path);
        insta::assert_snapshot!(stem(&path), checked.render(false));
    }
}

#[test]
fn ten_faulty_benches_say_everything_at_once() {
    let paths = files("ron");
    assert!(paths.len() >= 10, "{}", paths.len());
    for path in paths {
        let (text, found) = bench_faults(&path);
        assert!(has_errors(&found), "{} is free of faults", path.display());
        assert_placed(&found, &path);
        insta::assert_snapshot!(stem(&path), render(&found, &text, false));
    }
}

#[test]
fn every_code_is_triggered_by_an_example() {
    let mut seen: BTreeSet<&str> = BTreeSet::new();
    for path in files("rhai") {
        seen.extend(checked(&path).diagnostics.iter().map(|d| d.code.text()));
    }
    for path in files("ron") {
        seen.extend(bench_faults(&path).1.iter().map(|d| d.code.text()));
    }
    seen.extend(missing_role().iter().map(|d| d.code.text()));
    // Whoever reads the file reports that it can't be read: the command, not the check.
    seen.insert("S01");
    let missing: Vec<&str> = CODES.iter().map(|c| c.text).filter(|text| !seen.contains(text)).collect();
    assert!(missing.is_empty(), "no example triggers {missing:?}");
}

/// A bench without magnet and lock-in, and a sequence that needs them.
fn missing_role() -> Vec<Diagnostic> {
    let mut bench = builtin();
    for channel in &mut bench.channels {
        if channel.name.starts_with("field") || channel.name.starts_with("lockin") {
            channel.role = None;
        }
    }
    bench.task_link = None;
    let text = "approach();\nramp_field(20.mT);\nlet x = read(\"LockinX\");\nnote(x);\npark();\n";
    check::check(&Sequence::from_text("night.rhai", text), &bench, "lab.ron")
}

#[test]
fn a_role_that_the_bench_lacks_is_named_with_the_bench_file() {
    let found = missing_role();
    let lines: Vec<(&str, u32)> = found.iter().map(|d| (d.code.text(), d.line)).collect();
    assert_eq!(lines, [("S17", 1), ("S17", 2), ("S17", 3)]);
    assert!(found.iter().all(|d| d.help.as_ref().is_some_and(|help| help.contains("lab.ron"))), "{found:#?}");
}
