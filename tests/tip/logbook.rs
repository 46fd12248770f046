//! The logbook: what people say is never lost, what it tells is worked out from the runs, and it answers at once.

use crate::common::{noctule, say, text};
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

fn full() -> bool {
    std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full")
}

fn log(folder: &Path, arguments: &[&str]) -> crate::common::Said {
    let mut all = vec!["log", "--folder", text(folder), "--rehearsed"];
    all.extend(arguments);
    say(&all)
}

fn rehearse(folder: &Path, name: &str, sequence: &str, world: &str, start: &str, seed: &str) {
    let out = folder.join(name);
    let said = say(&[
        "rehearse",
        sequence,
        "--world",
        world,
        "--seed",
        seed,
        "--start",
        start,
        "--json",
        "--out",
        text(&out),
        "--logbook",
        text(folder),
    ]);
    assert!(said.code == 0 || said.code == 6, "{}", said.stderr);
}

#[test]
fn tips_and_spins_are_told_over_several_runs() {
    let folder = tempfile::tempdir().unwrap();
    let runs = folder.path().join("runs");
    std::fs::create_dir(&runs).unwrap();
    assert!(log(&runs, &["tip"]).stderr.contains("knows of no tip yet"));
    rehearse(&runs, "evening", "scripts/prepare_tip.rhai", "night", "2026-11-20 18:00", "1");
    rehearse(&runs, "night", "scripts/prove_resonance.rhai", "night", "2026-11-20 20:00", "1");
    let said = log(&runs, &["note", "the tip looks blunt", "--by", "Mira", "--tip", "1", "--spin", "A1"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(log(&runs, &["plan", "a series on A1", "--by", "Oda"]).code, 0);
    let tip = log(&runs, &["tip", "1", "--json"]).json();
    assert!(tip["tip"][0]["polarisation"].as_f64().unwrap() > 0.1, "{tip}");
    assert!(tip["tip"][0]["proved_s"].is_i64(), "{tip}");
    let what: Vec<&str> =
        tip["what_happened_to_it"].as_array().unwrap().iter().filter_map(|e| e["what"].as_str()).collect();
    assert!(what.contains(&"test") && what.contains(&"proved"), "{what:?}");
    assert_eq!(tip["words"][0]["text"], "the tip looks blunt");
    let spins = log(&runs, &["spin", "--json"]).json();
    let measured = spins["spins"].as_array().unwrap().iter().filter(|s| s["moment_mu_b"].is_f64()).count();
    assert_eq!(measured, 1, "{spins}");
    let id =
        spins["spins"].as_array().unwrap().iter().find(|s| s["moment_mu_b"].is_f64()).unwrap()["id"].clone();
    let spin = log(&runs, &["spin", id.as_str().unwrap(), "--json"]).json();
    let spectra = spin["spectra"].as_array().unwrap();
    assert!(spectra.len() >= 3 && spectra.iter().all(|s| s["tip"] == 1 && s["run"] == "night"), "{spin}");
    assert!(log(&runs, &["search", "blunt", "Mira"]).stdout.contains("the tip looks blunt"));
    assert!(log(&runs, &[]).stdout.contains("a series on A1"));
    assert!(log(&runs, &["spin", "Q7"]).stderr.contains("there is no spin `Q7`"));
    same_when_rebuilt(&runs);
}

/// All tables as text.
fn tables(folder: &Path) -> Vec<String> {
    let file = folder.join("rehearsed.logbook");
    let open = rusqlite::Connection::open(&file).unwrap();
    let whole: String = open.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(whole, "ok");
    let mut told = Vec::new();
    for table in ["run", "tip", "tip_event", "spin", "spectrum", "refill", "note", "word", "meta"] {
        let mut statement = open
            .prepare(&format!("SELECT * FROM {table} ORDER BY 1, 2, rowid"))
            .or_else(|_| open.prepare(&format!("SELECT * FROM {table} ORDER BY 1")))
            .unwrap();
        let columns = statement.column_count();
        let rows = statement.query_map([], |row| {
            (0..columns)
                .map(|i| row.get_ref(i).map(|value| format!("{value:?}")))
                .collect::<Result<Vec<_>, _>>()
        });
        told.extend(rows.unwrap().map(|row| format!("{table}: {:?}", row.unwrap())));
    }
    told
}

fn same_when_rebuilt(folder: &Path) {
    assert_eq!(log(folder, &[]).code, 0);
    let before = tables(folder);
    assert_eq!(log(folder, &["rebuild"]).code, 0);
    assert_eq!(before, tables(folder));
}

#[test]
fn a_killed_writer_loses_nothing_that_was_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let runs = folder.path().join("runs");
    std::fs::create_dir(&runs).unwrap();
    rehearse(&runs, "one", "scripts/start_watch.rhai", "night", "2026-11-20 18:00", "1");
    let times = if full() { 200 } else { 12 };
    let mut acknowledged = BTreeSet::new();
    let mut killed_at_work = 0;
    for turn in 0..times {
        // Writers of words and readers that work the tables out, at once; each is killed at another moment.
        let mut children = Vec::new();
        for who in 0..3 {
            let name = format!("word {turn} of {who}");
            let mut command = noctule();
            command.args(["log", "--folder", text(&runs), "--rehearsed"]);
            if who < 2 {
                command.args(["note", &name, "--by", "Mira", "--json"]);
            }
            children.push(command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap());
        }
        std::thread::sleep(Duration::from_micros(300 + 7919 * turn % 23_000));
        for child in &mut children {
            killed_at_work += usize::from(child.try_wait().unwrap().is_none());
            let _ = child.kill();
        }
        for mut child in children {
            let out = BufReader::new(child.stdout.take().unwrap());
            for line in out.lines().map_while(Result::ok) {
                if let Ok(word) = serde_json::from_str::<serde_json::Value>(&line)
                    && word["text"].is_string()
                {
                    acknowledged
                        .insert((word["id"].as_u64().unwrap(), word["text"].as_str().unwrap().to_owned()));
                }
            }
            let _ = child.wait();
        }
    }
    println!(
        "{times} times, {killed_at_work} of {} were at work; {} words acknowledged",
        3 * times,
        acknowledged.len()
    );
    assert!(killed_at_work > 0 && !acknowledged.is_empty());
    same_when_rebuilt(&runs);
    let kept = tables(&runs);
    for (id, text) in &acknowledged {
        let found =
            kept.iter().filter(|row| row.starts_with("word:") && row.contains(&format!("Integer({id})")));
        assert!(found.count() == 1, "word {id}, {text}");
    }
}

/// Answers over many runs, once they are taken in.
#[test]
fn it_answers_within_a_second_over_many_runs() {
    let folder = tempfile::tempdir().unwrap();
    let runs = folder.path().join("runs");
    std::fs::create_dir(&runs).unwrap();
    rehearse(&runs, "first", "scripts/prepare_tip.rhai", "bare", "2026-11-20 18:00", "1");
    let count = if full() { 500 } else { 40 };
    for i in 1..count {
        let to = runs.join(format!("run_{i:03}"));
        std::fs::create_dir(&to).unwrap();
        std::fs::copy(runs.join("first/run.sqlite"), to.join("run.sqlite")).unwrap();
    }
    let began = Instant::now();
    assert_eq!(log(&runs, &["tip"]).code, 0);
    println!("{count} runs were taken in within {:?}", began.elapsed());
    for question in [&["tip"][..], &["tip", "1"], &["spin"], &["nights"], &["search", "pick-up", "gone"], &[]]
    {
        let began = Instant::now();
        let said = log(&runs, question);
        let took = began.elapsed();
        println!("{question:?}: {took:?}, {} lines", said.stdout.lines().count());
        assert_eq!(said.code, 0, "{}", said.stderr);
        assert!(took < Duration::from_secs(1), "{question:?} took {took:?}");
    }
    let began = Instant::now();
    assert_eq!(log(&runs, &["note", "one word more", "--by", "Mira"]).code, 0);
    let word = began.elapsed();
    let began = Instant::now();
    assert!(log(&runs, &["search", "one word more"]).stdout.contains("one word more"));
    println!("a word: {word:?}, an answer after it: {:?}", began.elapsed());
    assert!(began.elapsed() < Duration::from_secs(1));
    same_when_rebuilt(&runs);
}
