//! One run a set of instruments: whoever starts the second, under whatever name, from wherever.

use crate::common::{noctule, text, write};
use crate::interruptions::{intact, rows, wait_until};
use crate::keeper::signal;
use crate::lab::{Lab, wall_sweeps};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

fn run(lab: &Lab, bench: &Path, sequence: &Path, out: &str) -> Command {
    let mut command = noctule();
    command.args(["run", text(sequence), "--bench", text(bench), "--pace", "100"]);
    command.args(["--out", text(&lab.scratch.path().join(out)), "--json"]).stdin(Stdio::null());
    command
}

#[test]
fn a_copy_of_a_bench_leads_to_the_same_instruments() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "long.rhai", &wall_sweeps(400, 100));
    let mut command = run(&lab, &lab.bench, &sequence, "first");
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    wait_until("it measures", Duration::from_secs(60), || rows(&lab.scratch.path().join("first")) > 40);
    // Another name, one instrument less, one address written otherwise, another folder for temporary files.
    let copy = std::fs::read_to_string(&lab.bench).unwrap().replace("Lantern", "Lamp");
    let copy = write(lab.scratch.path(), "copy.ron", &copy.replacen("127.0.0.1", "localhost", 1));
    let elsewhere = tempfile::tempdir().unwrap();
    let said = run(&lab, &copy, &sequence, "second").env("TMPDIR", elsewhere.path()).output().unwrap();
    let words = String::from_utf8_lossy(&said.stderr).into_owned();
    assert_eq!(said.status.code(), Some(2), "{words}");
    for part in ["is in use by process", &child.id().to_string(), "long.rhai", "Lantern"] {
        assert!(words.contains(part), "`{part}` is not in: {words}");
    }
    assert!(!lab.scratch.path().join("second").exists());
    signal(child.id(), "-TERM");
    assert_eq!(child.wait().unwrap().code(), Some(4));
    assert_eq!(intact(&lab.scratch.path().join("first")).all("end").unwrap().len(), 1);
}

#[test]
fn a_second_user_can_use_the_bench_after_the_first() {
    const NOBODY: u32 = 65534;
    if std::fs::metadata("/proc/self").unwrap().uid() != 0 {
        eprintln!("only the superuser can try this as two users");
        return;
    }
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "short.rhai", &wall_sweeps(1, 5));
    let first = run(&lab, &lab.bench, &sequence, "first").output().unwrap();
    assert_eq!(first.status.code(), Some(0), "{}", String::from_utf8_lossy(&first.stderr));
    std::fs::set_permissions(lab.scratch.path(), std::fs::Permissions::from_mode(0o777)).unwrap();
    let mut second = run(&lab, &lab.bench, &sequence, "second");
    let second = second.uid(NOBODY).gid(NOBODY).env("USER", "nobody").output().unwrap();
    assert_eq!(second.status.code(), Some(0), "{}", String::from_utf8_lossy(&second.stderr));
    let third = run(&lab, &lab.bench, &sequence, "third").output().unwrap();
    assert_eq!(third.status.code(), Some(0), "{}", String::from_utf8_lossy(&third.stderr));
}
