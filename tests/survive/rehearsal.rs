//! Rehearsals that are killed at any moment and resumed: the record is bit for bit that of an undisturbed one.
//!
//! `NOCTULE_CAMPAIGN=full` kills 200 times instead of a few; a number kills so many times.

use crate::common::{say, text, write};
use crate::interruptions::{
    campaign, intact, kill_after, kill_at_row, many_sweeps, resume_to_end, rows, start,
};
use noctule::record::{Change, Entry};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::Value;
use std::path::Path;
use std::time::{Duration, Instant};

/// What is rehearsed, with what stands behind it on the command line.
struct Rehearsal<'a> {
    sequence: &'a Path,
    more: &'a [&'a str],
}

impl<'a> Rehearsal<'a> {
    fn of(sequence: &'a Path) -> Self {
        Self { sequence, more: &[] }
    }

    fn words(&self, folder: &'a Path) -> Vec<&'a str> {
        let mut words = vec!["rehearse", text(self.sequence), "--seed", "7", "--out", text(folder), "--json"];
        words.extend(self.more);
        words
    }

    /// Undisturbed: its JSON and how long it took.
    fn undisturbed(&self, folder: &Path) -> (Value, Duration) {
        let began = Instant::now();
        let said = say(&self.words(folder));
        assert_eq!(said.code, 0, "{}", said.stderr);
        (said.json(), began.elapsed())
    }

    fn start(&self, folder: &Path) -> std::process::Child {
        start(&self.words(folder))
    }
}

/// Kills rehearsals at random moments, half of their resumes as well, and compares the ends.
fn kill_and_resume(rehearsal: &Rehearsal<'_>, scratch: &Path, count: usize, seed: u64) {
    let folder = scratch.join("whole");
    let (whole, took) = rehearsal.undisturbed(&folder);
    let total = rows(&folder);
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (mut cut, mut inside) = (0, 0);
    for i in 0..count {
        let folder = scratch.join(format!("cut{i}"));
        let row = 1 + random.random_range(0..total);
        let later = Duration::from_micros(random.random_range(0..5000));
        let mut over = kill_at_row(rehearsal.start(&folder), &folder, row, later);
        cut += usize::from(!over);
        while !over && random.random_bool(0.5) {
            inside += 1;
            let resuming = start(&["resume", text(&folder), "--json"]);
            over = if random.random_bool(0.5) {
                // Most of these come while the record is still being met.
                kill_after(resuming, took.mul_f64(random.random::<f64>() * 0.5))
            } else {
                // Each resume adds a row of its own.
                let so_far = rows(&folder);
                let row = random.random_range(so_far..(total + 1).max(so_far + 1));
                kill_at_row(resuming, &folder, row, later)
            };
        }
        // It may have been killed between its digest and its brief: then it is over as well.
        if !over && intact(&folder).digest().expect("a digest").is_none() {
            let end = resume_to_end(&folder);
            for key in ["digest", "points", "sweeps", "virtual_s", "outcome", "helium_used_l"] {
                assert_eq!(end[key], whole[key], "{key} of run {i}");
            }
        }
        let file = intact(&folder);
        assert_eq!(file.check().expect("a check").digest, whole["digest"], "run {i}");
        assert_eq!(file.digest().expect("a digest").as_deref(), whole["digest"].as_str(), "run {i}");
        std::fs::remove_dir_all(&folder).expect("its own folder");
    }
    eprintln!(
        "{count} rehearsals, {cut} were cut, {inside} resumes were killed as well; {took:?} undisturbed"
    );
    assert!(
        count == 1 || cut * 4 >= count * 3,
        "only {cut} of {count} were cut; the moments are badly spread"
    );
}

#[test]
fn a_rehearsal_killed_anywhere_ends_with_the_digest_of_an_undisturbed_one() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(80));
    kill_and_resume(&Rehearsal::of(&sequence), scratch.path(), campaign(6, 200), 1);
}

#[test]
fn the_shipped_night_killed_anywhere_ends_with_the_digest_of_an_undisturbed_one() {
    let scratch = tempfile::tempdir().unwrap();
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/overnight_field_sweep.rhai");
    kill_and_resume(&Rehearsal::of(&shipped), scratch.path(), campaign(1, 200), 2);
}

/// Days with a refill, a pot that ends and goals that follow from the record: what is chosen after a cut is what would have
/// been chosen without. The full campaign cuts a plan of five days, with 200 kills or more.
#[test]
fn a_plan_over_days_killed_anywhere_ends_with_the_digest_of_an_undisturbed_one() {
    let scratch = tempfile::tempdir().unwrap();
    let count = campaign(1, 100);
    let plan = if count > 1 { "scripts/five_days.rhai" } else { "scripts/long_weekend.rhai" };
    let sequence = Path::new(env!("CARGO_MANIFEST_DIR")).join(plan);
    let more = ["--world", "weekend", "--drawn", "--refill", "20 L"];
    kill_and_resume(&Rehearsal { sequence: &sequence, more: &more }, scratch.path(), count, 3);
}

#[test]
fn thirty_resumes_one_after_the_other_end_like_none() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(40));
    let whole_folder = scratch.path().join("whole");
    let rehearsal = Rehearsal::of(&sequence);
    let (whole, _) = rehearsal.undisturbed(&whole_folder);
    let total = rows(&whole_folder);
    let folder = scratch.path().join("cut");
    assert!(!kill_at_row(rehearsal.start(&folder), &folder, 1, Duration::ZERO));
    for resume in 1..=30 {
        // Each gets a little further than the one before.
        let row = (total * resume / 40).max(rows(&folder) + 1);
        let over = kill_at_row(start(&["resume", text(&folder), "--json"]), &folder, row, Duration::ZERO);
        assert!(!over, "resume {resume} came to the end");
    }
    let rounds = intact(&folder).all("resumed").unwrap().len();
    assert_eq!(rounds, 30);
    assert_eq!(resume_to_end(&folder)["digest"], whole["digest"]);
    assert_eq!(intact(&folder).digest().unwrap().as_deref(), whole["digest"].as_str());
}

/// A rehearsal that was cut in its middle.
fn cut_rehearsal(sequence: &Path, scratch: &Path, name: &str) -> std::path::PathBuf {
    let folder = scratch.join(name);
    assert!(!kill_at_row(Rehearsal::of(sequence).start(&folder), &folder, 500, Duration::ZERO));
    folder
}

#[test]
fn an_edit_before_the_frontier_is_refused_with_both_calls_and_writes_nothing() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(80));
    let folder = cut_rehearsal(&sequence, scratch.path(), "run");
    let before = intact(&folder).next_seq().unwrap();

    let edited = many_sweeps(80).replace("set(\"Setpoint\", 10.pA)", "set(\"Setpoint\", 12.pA)");
    let edited = write(scratch.path(), "edited.rhai", &edited);
    let said = say(&["resume", text(&folder), "--sequence", text(&edited), "--json"]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    for part in [
        "recorded: set(channel: setpoint, value: 1e-11) (line 4)",
        "now:      set(channel: setpoint, value: 1.2e-11) (line 4)",
        "nothing was moved",
    ] {
        assert!(said.stderr.contains(part), "{part:?} is not in {}", said.stderr);
    }
    let file = intact(&folder);
    assert_eq!(file.next_seq().unwrap(), before);
    assert_eq!(file.digest().unwrap(), None);
    assert_eq!(file.documents("sequence").unwrap().len(), 1);
    // A sequence that ends early differs as well.
    let short = write(scratch.path(), "short.rhai", &many_sweeps(1));
    let said = say(&["resume", text(&folder), "--sequence", text(&short)]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert_eq!(intact(&folder).next_seq().unwrap(), before);
    // And the run as it was goes on as if nobody had tried.
    resume_to_end(&folder);
}

#[test]
fn edits_after_the_frontier_and_edited_words_are_accepted() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(80));
    let folder = cut_rehearsal(&sequence, scratch.path(), "run");
    let edited = many_sweeps(80)
        .replace("// Invented", "// One line more moves every line below.\n// Invented")
        .replace("`turn ${turn}: ", "`seen in turn ${turn}: ")
        .replace("is the current large?", "is the current above its setpoint?")
        .replace("park();", "wait(5.s);\nnote(\"an edited end\");\npark();");
    let edited = write(scratch.path(), "many.rhai", &edited);
    let said = say(&["resume", text(&folder), "--sequence", text(&edited), "--json"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let file = intact(&folder);
    let notes = file.all("note").unwrap();
    assert!(matches!(&notes.last().unwrap().entry, Entry::Note { text, .. } if text == "an edited end"));
    // What was recorded stays as it was, and both texts are there.
    assert!(matches!(&notes[0].entry, Entry::Note { text, .. } if text.starts_with("turn 0: ")));
    let texts = file.documents("sequence").unwrap();
    assert_eq!(texts.iter().map(|t| t.0.as_str()).collect::<Vec<_>>(), ["many.rhai", "many.rhai (2)"]);
    let resumed = &file.all("resumed").unwrap()[0].entry;
    assert!(
        matches!(resumed, Entry::Resumed { changes, .. } if matches!(changes[0], Change::SequenceEdited(_))),
        "{resumed:?}"
    );
}

#[test]
fn finished_runs_and_runs_of_newer_versions_are_refused() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "few.rhai", &many_sweeps(2));
    let folder = scratch.path().join("run");
    Rehearsal::of(&sequence).undisturbed(&folder);
    let said = say(&["resume", text(&folder)]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("came to its end"), "{}", said.stderr);

    let db = rusqlite::Connection::open(folder.join("run.sqlite")).unwrap();
    db.execute("UPDATE meta SET value = '99' WHERE key = 'schema_version'", []).unwrap();
    db.execute("UPDATE meta SET value = '7.5.0' WHERE key = 'version'", []).unwrap();
    drop(db);
    let said = say(&["resume", text(&folder)]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("noctule 7.5.0 with schema 99"), "{}", said.stderr);
}

#[test]
fn a_run_cut_between_its_last_entry_and_its_digest_is_closed() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "few.rhai", &many_sweeps(2));
    let folder = scratch.path().join("run");
    let (whole, _) = Rehearsal::of(&sequence).undisturbed(&folder);
    let db = rusqlite::Connection::open(folder.join("run.sqlite")).unwrap();
    db.execute("DELETE FROM meta WHERE key IN ('digest', 'rows')", []).unwrap();
    drop(db);
    let before = intact(&folder).all("end").unwrap().len();
    assert_eq!(resume_to_end(&folder)["digest"], whole["digest"]);
    let file = intact(&folder);
    assert_eq!(file.all("end").unwrap().len(), before);
    assert_eq!(file.digest().unwrap().as_deref(), whole["digest"].as_str());
    assert_eq!(say(&["resume", text(&folder)]).code, 2);
}

#[test]
fn nobody_resumes_a_run_that_somebody_else_resumes() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(80));
    let folder = cut_rehearsal(&sequence, scratch.path(), "run");
    let file = folder.join("run.sqlite").canonicalize().unwrap();
    let lock = noctule::run::lock::take_run(&file).unwrap();
    let said = say(&["resume", text(&folder)]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("is in use by process"), "{}", said.stderr);
    drop(lock);
    resume_to_end(&folder);
}

#[test]
fn a_flipped_bit_in_the_record_is_noticed_before_anything_is_added() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(80));
    let folder = cut_rehearsal(&sequence, scratch.path(), "run");
    let before = intact(&folder).next_seq().unwrap();
    let db = rusqlite::Connection::open(folder.join("run.sqlite")).unwrap();
    db.execute("UPDATE entry SET chain = chain + 1 WHERE seq = 20", []).unwrap();
    drop(db);
    let said = say(&["resume", text(&folder)]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("row 20 has been altered"), "{}", said.stderr);
    let file = noctule::record::RunFile::open(&folder.join("run.sqlite")).unwrap();
    assert_eq!(file.next_seq().unwrap(), before);
    assert_eq!(file.check().unwrap().intact, 20);
}
