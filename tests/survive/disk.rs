//! Full disks, folders that can't be written, files cut short, flipped bytes.

use crate::common::{Said, noctule, say, text, write};
use crate::interruptions::{intact, many_sweeps, resume_to_end, sweeps};
use crate::lab::{Lab, wall_sweeps};
use noctule::record::{RunFile, Salvage, SalvagedRow, salvage, salvage_into};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Runs the program where no file may grow beyond so many blocks: to the program this is a full disk.
fn with_little_space(blocks: usize, heed_the_signal: bool, arguments: &[&str]) -> Said {
    let trap = if heed_the_signal { "" } else { "trap '' XFSZ; " };
    let script = format!("{trap}ulimit -f {blocks}; exec \"$0\" \"$@\"");
    Command::new("sh")
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["-c", &script, env!("CARGO_BIN_EXE_noctule")])
        .args(arguments)
        .output()
        .expect("a shell")
        .into()
}

#[test]
fn a_full_disk_ends_a_rehearsal_with_a_clear_word_and_it_can_be_resumed() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "many.rhai", &many_sweeps(60));
    let whole = scratch.path().join("whole");
    let said = say(&["rehearse", text(&sequence), "--seed", "7", "--out", text(&whole), "--json"]);
    let digest = said.json()["digest"].clone();
    let folder = scratch.path().join("full");
    let said = with_little_space(
        3000,
        false,
        &["rehearse", text(&sequence), "--seed", "7", "--out", text(&folder), "--json"],
    );
    assert_eq!(said.code, 5, "{}", said.stderr);
    let told = said.json();
    assert_eq!(told["outcome"], "fault");
    assert!(told["reason"].as_str().unwrap().contains("the run file can't be written"), "{told}");
    assert_eq!(told["parked"], true);
    let kept = intact(&folder).next_seq().unwrap();
    assert!(kept > 100, "only {kept} rows");
    // The end is there, written with the space that was kept.
    let (ending, parked) = intact(&folder).ending().unwrap().expect("an end");
    assert!(parked && ending.reason.contains("the run file can't be written"), "{ending:?}");
    // With space again it goes on, and nobody can tell.
    assert_eq!(resume_to_end(&folder)["digest"], digest);
}

#[test]
fn a_full_disk_in_the_middle_of_a_sweep_parks_the_bench_and_the_run_goes_on_later() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "long.rhai", &wall_sweeps(2, 1500));
    let folder = lab.scratch.path().join("full");
    let run = [
        "run",
        text(&sequence),
        "--bench",
        text(&lab.bench),
        "--out",
        text(&folder),
        "--pace",
        "100",
        "--json",
    ];
    let said = with_little_space(600, true, &run);
    assert_eq!(said.code, 5, "{}\n{}", said.stdout, said.stderr);
    assert!(said.json()["reason"].as_str().unwrap().contains("the run file can't be written"));
    assert!(said.stderr.contains("the run file could not be written to its end"), "{}", said.stderr);
    assert!(lab.is_parked());
    let file = intact(&folder);
    let measured = sweeps(&file).last().map_or(0, |sweep| sweep.x.len());
    assert!(measured > 20, "only {measured} points");
    assert!(!folder.join("run.reserve").exists(), "the space that was kept was not used");
    // The little space that was kept holds how it ended.
    let (ending, parked) = file.ending().unwrap().expect("an end");
    assert!(parked && ending.reason.contains("the run file can't be written"), "{ending:?}");
    assert!(file.all("safe_step").unwrap().len() > 2);
    let told = said.stderr.lines().chain(said.stdout.lines());
    let acknowledged = told.filter(|line| line.ends_with(" is acknowledged")).count();
    assert!(file.all("sweep_end").unwrap().len() >= acknowledged);
    drop(file);
    let said = say(&["resume", "--clear-by", "A", text(&folder), "--pace", "100", "--json"]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let points: Vec<usize> = sweeps(&intact(&folder)).iter().map(|sweep| sweep.x.len()).collect();
    assert_eq!(points, [1500, 1500]);
}

/// A file system of so many bytes, mounted for a test.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// None where this user or this machine can't mount one.
    fn mount(at: &Path, bytes: usize) -> Option<Self> {
        std::fs::create_dir(at).unwrap();
        let options = format!("size={bytes}");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", &options, "tmpfs", text(at)]).output();
        mounted.is_ok_and(|said| said.status.success()).then(|| Self(at.to_owned()))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_disk_that_is_really_full_still_takes_the_end_and_the_run_goes_on_when_there_is_space() {
    let scratch = tempfile::tempdir().unwrap();
    let mount = scratch.path().join("small");
    let Some(_disk) = SmallDisk::mount(&mount, 3 << 20) else {
        eprintln!(
            "no file system can be mounted here: only the limits of file sizes stand in for a full disk"
        );
        return;
    };
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "long.rhai", &wall_sweeps(3, 300));
    let folder = mount.join("run");
    // Something else has taken most of the disk, and takes the rest while it measures.
    std::fs::write(mount.join("other"), vec![1; 1 << 20]).unwrap();
    let arguments =
        ["run", text(&sequence), "--bench", text(&lab.bench), "--out", text(&folder), "--pace", "100"];
    let child = crate::interruptions::start(&arguments);
    crate::interruptions::wait_until("it measures", std::time::Duration::from_secs(60), || {
        crate::interruptions::rows(&folder) > 200
    });
    let mut greedy = std::fs::File::create(mount.join("greedy")).unwrap();
    while std::io::Write::write(&mut greedy, &[1; 4096]).is_ok() {}
    let code = {
        let mut child = child;
        child.wait().unwrap().code()
    };
    assert_eq!(code, Some(5));
    assert!(lab.is_parked());
    let (ending, parked) = intact(&folder).ending().unwrap().expect("an end");
    assert!(parked && ending.reason.contains("the run file can't be written"), "{ending:?}");
    std::fs::remove_file(mount.join("greedy")).unwrap();
    std::fs::remove_file(mount.join("other")).unwrap();
    let said = say(&["resume", "--clear-by", "A", text(&folder), "--pace", "100", "--json"]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let points: Vec<usize> = sweeps(&intact(&folder)).iter().map(|sweep| sweep.x.len()).collect();
    assert_eq!(points, [300; 3]);
}

/// Runs the program as somebody who may not write into folders of the test's user.
fn as_somebody_else(arguments: &[&str], folder: &Path) -> Said {
    let mut command = noctule();
    command.args(arguments);
    if std::fs::metadata(folder).unwrap().uid() == 0 {
        command.uid(65534).gid(65534);
    }
    command.output().expect("the program starts").into()
}

#[test]
fn folders_that_cannot_be_written_are_refused_before_anything_moves() {
    let scratch = tempfile::tempdir().unwrap();
    let mode = |path: &Path, bits: u32| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(bits)).unwrap();
    };
    mode(scratch.path(), 0o755);
    let sequence = write(scratch.path(), "few.rhai", &many_sweeps(2));
    let locked = scratch.path().join("locked");
    std::fs::create_dir(&locked).unwrap();
    mode(&locked, 0o555);
    let folder = locked.join("run");
    let said = as_somebody_else(&["rehearse", text(&sequence), "--out", text(&folder)], &locked);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("can't be used as a run file"), "{}", said.stderr);
    let said = as_somebody_else(&["rehearse", text(&sequence), "--out", text(&locked)], &locked);
    assert_eq!(said.code, 2, "{}", said.stderr);

    // A run in a folder that has become read-only can be read, but not resumed.
    let run = cut_in_the_middle(scratch.path());
    let kept = intact(&run).next_seq().unwrap();
    for file in std::fs::read_dir(&run).unwrap() {
        mode(&file.unwrap().path(), 0o444);
    }
    mode(&run, 0o555);
    let said = as_somebody_else(&["resume", text(&run)], &locked);
    assert_eq!(said.code, 2, "{}", said.stderr);
    mode(&run, 0o755);
    assert_eq!(intact(&run).next_seq().unwrap(), kept);
}

/// The run file of a rehearsal that was cut, in one file without a side file.
fn cut_in_the_middle(scratch: &Path) -> PathBuf {
    let sequence = write(scratch, "many.rhai", &many_sweeps(60));
    let folder = scratch.join("cut");
    let run = ["rehearse", text(&sequence), "--seed", "7", "--out", text(&folder)];
    assert!(!crate::interruptions::kill_at_row(
        crate::interruptions::start(&run),
        &folder,
        2000,
        std::time::Duration::ZERO
    ));
    let db = rusqlite::Connection::open(folder.join("run.sqlite")).unwrap();
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    folder
}

/// Salvages and counts what can be read.
fn salvaged(path: &Path) -> (Salvage, u64) {
    let mut points = 0;
    let found = salvage(path, |_, row, _| {
        points += u64::from(matches!(row, SalvagedRow::Point(_)));
        Ok(())
    })
    .unwrap();
    (found, points)
}

#[test]
fn a_file_cut_short_is_told_and_what_is_left_is_read_and_resumed() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = cut_in_the_middle(scratch.path());
    let path = folder.join("run.sqlite");
    let whole = std::fs::read(&path).unwrap();
    let rows = intact(&folder).next_seq().unwrap();
    let (found, _) = salvaged(&path);
    assert!(found.is_whole());
    assert_eq!(found.intact, rows);

    std::fs::write(&path, &whole[..whole.len() * 6 / 10 / 4096 * 4096]).unwrap();
    let (found, points) = salvaged(&path);
    eprintln!("cut short: {found}");
    assert!(!found.is_whole() && found.intact > rows / 4, "{found}");
    assert!(points > 0 && found.from_beginning <= found.intact);
    // Whoever reads it as a good file is told that it is none.
    let told = RunFile::open(&path).and_then(|file| file.check());
    assert!(told.is_err() || !told.as_ref().unwrap().faults.is_empty(), "{told:?}");
    let said = say(&["resume", text(&folder)]);
    assert_eq!(said.code, 2, "{}", said.stderr);

    // The beginning without gaps makes a run file that can be resumed.
    let rescued = scratch.path().join("rescued");
    std::fs::create_dir(&rescued).unwrap();
    let found = salvage_into(&path, &rescued.join("run.sqlite")).unwrap();
    assert_eq!(intact(&rescued).next_seq().unwrap(), found.from_beginning);
    assert!(found.from_beginning > 0, "{found}");
    let end = resume_to_end(&rescued);
    let said = say(&[
        "rehearse",
        text(&scratch.path().join("many.rhai")),
        "--seed",
        "7",
        "--out",
        text(&scratch.path().join("whole")),
        "--json",
    ]);
    assert_eq!(end["digest"], said.json()["digest"]);
}

#[test]
fn flipped_bytes_are_found_wherever_they_are() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = cut_in_the_middle(scratch.path());
    let path = folder.join("run.sqlite");
    let whole = std::fs::read(&path).unwrap();
    let rows = intact(&folder).next_seq().unwrap();
    let pages = whole.len() / 4096;
    let (mut noticed, mut harmless) = (0, 0);
    for i in 0..60 {
        // Spread over all pages but the first, whose loss is that of the file.
        let at = 4096 * (1 + i * (pages - 1) / 60) + (i * 997) % 4096;
        let mut bytes = whole.clone();
        bytes[at] ^= 0x10;
        std::fs::write(&path, &bytes).unwrap();
        let told = RunFile::open(&path).and_then(|file| file.check());
        let fine = told.as_ref().is_ok_and(|found| found.faults.is_empty() && found.intact == rows);
        let (found, _) = salvaged(&path);
        if fine {
            // A byte in an index, in free space, or of a text that was run.
            harmless += 1;
        } else {
            noticed += 1;
        }
        assert!(found.intact >= rows / 2, "byte {at}: {found}");
    }
    eprintln!("{noticed} flipped bytes were noticed, {harmless} lie where no row is");
    assert!(noticed >= 20);
    std::fs::write(&path, &whole).unwrap();

    // A value in the middle of a sweep, so that SQLite itself sees nothing wrong.
    let db = rusqlite::Connection::open(&path).unwrap();
    let seq: u64 =
        db.query_row("SELECT seq FROM point WHERE sweep = 2 AND i = 30", [], |r| r.get(0)).unwrap();
    db.execute("UPDATE point SET r0 = r0 * 1.0000001 WHERE seq = ?1", [seq]).unwrap();
    drop(db);
    let told = RunFile::open(&path).unwrap().check().unwrap();
    assert_eq!(told.intact, seq);
    assert_eq!(told.faults, [format!("row {seq} has been altered")]);
    let (found, _) = salvaged(&path);
    assert_eq!((found.altered.as_slice(), found.intact), ([seq].as_slice(), rows - 1));
}
