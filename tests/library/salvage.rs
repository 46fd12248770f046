//! Salvaging a damaged run file: what is said, what is kept, and that it goes on from there.

use crate::common::{say, text, write};
use noctule::record::RunFile;
use std::path::{Path, PathBuf};

/// A short rehearsal with 41 points; the file is whole.
fn rehearsed(folder: &Path) -> PathBuf {
    let sequence = write(
        folder,
        "short.rhai",
        "note(\"before\");\n\
         let s = sweep(#{ name: \"iv\", channel: \"Bias\", from: 40.mV, to: 60.mV, points: 41, read: \"Current\" });\n\
         note(`${s.points} points`);\npark();\n",
    );
    let said = say(&["rehearse", text(&sequence), "--json", "--out", text(&folder.join("run"))]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    folder.join("run/run.sqlite")
}

fn damage(file: &Path, sql: &str) {
    let base = rusqlite::Connection::open(file).unwrap();
    assert!(base.execute(sql, []).unwrap() >= 1, "{sql}");
}

#[test]
fn a_whole_file_is_said_to_be_whole() {
    let folder = tempfile::tempdir().unwrap();
    let file = rehearsed(folder.path());
    let said = say(&["salvage", text(&file)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("rows are intact") && !said.stdout.contains("lost"), "{}", said.stdout);
    assert_eq!(say(&["salvage", text(&file), "--json"]).json()["whole"], true);
}

#[test]
fn the_whole_beginning_is_kept_goes_on_and_the_rest_comes_as_a_table() {
    let folder = tempfile::tempdir().unwrap();
    let file = rehearsed(folder.path());
    let digest = RunFile::open(&file).unwrap().digest().unwrap();
    damage(&file, "UPDATE point SET r0 = r0 * 1.001 WHERE i = 20");
    let before = std::fs::read(&file).unwrap();
    let (new, rest) = (folder.path().join("mended"), folder.path().join("rest.csv"));
    let said = say(&["salvage", text(&file), "--out", text(&new), "--rest", text(&rest)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("altered  row"), "{}", said.stdout);
    assert!(said.stderr.contains("noctule resume"), "{}", said.stderr);
    assert_eq!(std::fs::read(&file).unwrap(), before, "the damaged file is only read");

    let mended = RunFile::open(&new.join("run.sqlite")).unwrap();
    assert!(mended.check().unwrap().faults.is_empty());
    assert_eq!(mended.count_points().unwrap(), 20);
    // The points behind the damage, without the one that was altered.
    let table = std::fs::read_to_string(&rest).unwrap();
    assert_eq!(table.lines().count(), 1 + 20, "{table}");
    assert!(table.lines().skip(1).all(|line| line.split(',').count() == 15), "{table}");

    // Taken up from there, the rehearsal comes to the end that it had.
    let said = say(&["resume", text(&new), "--json"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(said.json()["digest"].as_str(), digest.as_deref());
}

#[test]
fn the_brief_of_a_damaged_file_says_what_is_whole_and_how_to_keep_it() {
    let folder = tempfile::tempdir().unwrap();
    let file = rehearsed(folder.path());
    damage(&file, "DELETE FROM point WHERE i = 20");
    let said = say(&["brief", text(&file)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let flowing = said.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    for needed in
        ["The run file is damaged", "1 is lost", "noctule salvage", "--out", "tells the end: finished"]
    {
        assert!(flowing.contains(needed), "`{needed}` is missing from\n{}", said.stdout);
    }
    let page = folder.path().join("brief.html");
    assert_eq!(say(&["brief", text(&file), "--out", text(&page)]).code, 0);
    assert!(std::fs::read_to_string(&page).unwrap().contains("noctule salvage"));
}

#[test]
fn what_is_no_run_file_is_rejected_and_a_run_is_never_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let other = write(folder.path(), "notes.txt", "no database at all, but long enough to be looked at");
    let said = say(&["salvage", text(&other)]);
    assert!(said.code == 2 || said.stdout.contains("0 rows are intact"), "{} {}", said.code, said.stdout);
    assert_eq!(say(&["salvage", "no_such_run"]).code, 2);
    let file = rehearsed(folder.path());
    let said = say(&["salvage", text(&file), "--out", text(&folder.path().join("run"))]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("holds a run already"), "{}", said.stderr);
}
