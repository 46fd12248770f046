//! The arrows of the code map.

use std::path::{Path, PathBuf};

/// Every file of Rust below a folder.
fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

fn naming(word: &str, folder: &str) -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = Vec::new();
    files(&root.join(folder), &mut found);
    assert!(found.len() > 3, "{folder} has files");
    let has = |path: &PathBuf| std::fs::read_to_string(path).unwrap().contains(word);
    let names = found.iter().filter(|path| has(path)).map(|path| path.strip_prefix(root).unwrap());
    names.map(|path| path.to_string_lossy().into_owned()).collect()
}

/// The simulated instrument and the mimic import the physics, and nobody else does.
#[test]
fn the_physics_has_two_doors() {
    let allowed =
        |path: &String| path.starts_with("src/instrument/simulated") || path.starts_with("src/mimic/");
    let (doors, others): (Vec<String>, Vec<String>) =
        naming("noctule_sim", "src").into_iter().partition(allowed);
    assert!(others.is_empty(), "the physics is imported by {others:#?}");
    assert!(doors.len() > 3, "{doors:?}");
}

#[test]
fn the_ground_and_the_numbers_stand_on_nothing_of_the_house() {
    for (folder, word) in
        [("src/ground", "noctule_sim::"), ("src/analysis", "noctule_sim"), ("src/analysis", "crate::bench")]
    {
        assert_eq!(naming(word, folder), Vec::<String>::new(), "{folder} names `{word}`");
    }
}

/// What was worked out from data is JSON of many verbs. Its keys are known to whoever writes them and to one reader.
#[test]
fn the_bodies_of_judgements_have_one_reader() {
    for key in ["verdict", "law", "fit", "trusted", "looked_at"] {
        let found = naming(&format!("body[\"{key}\"]"), "src");
        let others: Vec<_> = found.iter().filter(|path| *path != "src/record/judgement.rs").collect();
        assert!(others.is_empty(), "`{key}` is read in {others:?}");
    }
}

/// The README says how many places rest on memory; here they are counted.
#[test]
fn what_rests_on_memory_is_counted() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let (words, mut count) = (["from", "memory"].join(" "), 0);
    for folder in ["src", "sim", "tests"] {
        let mut found = Vec::new();
        files(&root.join(folder), &mut found);
        let lines = |path: &PathBuf| std::fs::read_to_string(path).unwrap().matches(&words).count();
        count += found.iter().map(lines).sum::<usize>();
    }
    let readme = std::fs::read_to_string(root.join("README.md")).unwrap();
    assert!(readme.contains(&format!("{count} places rest on a source")), "there are {count} such places");
}
