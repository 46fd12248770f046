//! What lies outside of a run and may be slow or dead: terminals, readers, receivers of messages, disks, and those who
//! read or write the run file. None of them ends a run that goes well.

use crate::common::{noctule, text, write};
use crate::interruptions::{intact, rows, sweeps, wait_until};
use crate::keeper::keeper_of;
use crate::lab::{Lab, wall_sweeps};
use noctule::record::Outcome;
use noctule_sim::Fault;
use noctule_sim::Signal;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const TURNS: usize = 4;
const POINTS: usize = 30;

/// A pipe that is full, and that nobody reads as long as this is kept.
fn full_pipe() -> (std::io::PipeReader, Stdio) {
    let (reader, mut writer) = std::io::pipe().expect("a pipe");
    // What a pipe holds on Linux where nobody has changed it.
    writer.write_all(&[b'\n'; 65536]).expect("it fits");
    (reader, writer.into())
}

/// A laboratory, a sequence, and the command that runs it.
struct Bed {
    lab: Lab,
    sequence: PathBuf,
    folder: PathBuf,
}

impl Bed {
    fn new(change: impl FnOnce(String) -> String) -> Self {
        let lab = Lab::new(change);
        let sequence = write(lab.scratch.path(), "short.rhai", &wall_sweeps(TURNS, POINTS));
        let folder = lab.scratch.path().join("run");
        Self { lab, sequence, folder }
    }

    fn command(&self, command: Command) -> Command {
        self.paced("100", command)
    }

    fn paced(&self, pace: &str, mut command: Command) -> Command {
        command.args(["run", text(&self.sequence), "--bench", text(&self.lab.bench)]);
        command.args(["--out", text(&self.folder), "--pace", pace]).stdin(Stdio::null());
        command
    }

    /// The run came to its own end, once, with all points, its brief, and nobody left behind.
    fn came_to_its_end(&self, child: Child, patience: Duration) -> Duration {
        let took = ends_well(child, patience);
        assert!(self.lab.is_parked());
        let file = intact(&self.folder);
        let ends = file.all("end").unwrap();
        assert_eq!(ends.len(), 1, "{ends:?}");
        let (ending, parked) = file.ending().unwrap().expect("an end");
        assert!(parked && ending.outcome == Outcome::Finished, "{ending:?}");
        assert_eq!(sweeps(&file).iter().map(|s| s.x.len()).sum::<usize>(), TURNS * POINTS);
        assert!(std::fs::read_to_string(self.folder.join("brief.html")).unwrap().len() > 1000);
        assert!(!self.folder.join("keeper.json").exists());
        let log = std::fs::read_to_string(self.folder.join("keeper_log.txt")).unwrap_or_default();
        assert!(!log.contains("taking over"), "{log}");
        took
    }
}

fn ends_well(mut child: Child, patience: Duration) -> Duration {
    let began = Instant::now();
    let mut code = None;
    while code.is_none() {
        if began.elapsed() > patience {
            let _ = child.kill();
            panic!("it did not end within {patience:?}");
        }
        std::thread::sleep(Duration::from_millis(20));
        code = child.try_wait().expect("a child");
    }
    assert_eq!(code.and_then(|code| code.code()), Some(0));
    began.elapsed()
}

#[test]
fn a_terminal_that_nobody_reads_stops_nothing() {
    let bed = Bed::new(|bench| bench);
    let ((_out, stdout), (_err, stderr)) = (full_pipe(), full_pipe());
    let mut command = bed.command(noctule());
    let child = command.arg("-vv").stdout(stdout).stderr(stderr).spawn().unwrap();
    bed.came_to_its_end(child, Duration::from_secs(60));
}

#[test]
fn events_that_nobody_reads_stop_nothing() {
    let bed = Bed::new(|bench| bench);
    let (_out, stdout) = full_pipe();
    let mut command = bed.command(noctule());
    let child = command.args(["--events", "-"]).stdout(stdout).stderr(Stdio::null()).spawn().unwrap();
    bed.came_to_its_end(child, Duration::from_secs(60));
}

#[test]
fn a_receiver_of_messages_may_take_ten_seconds_and_hears_of_the_end() {
    let scratch = tempfile::tempdir().unwrap();
    let heard = scratch.path().join("heard");
    let program = format!("sleep 10; echo $NOCTULE_EVENT >> {}", text(&heard));
    let bed = Bed::new(|bench| {
        let hook = format!("messages: [(on: [\"finished\"], to: [\"sh\", \"-c\", \"{program}\"])],");
        bench.replacen("messages: [],", &hook, 1)
    });
    let mut command = bed.command(noctule());
    let child = command.arg("--json").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let took = bed.came_to_its_end(child, Duration::from_secs(60));
    assert!(took > Duration::from_secs(10), "{took:?}");
    assert_eq!(std::fs::read_to_string(heard).unwrap(), "finished\n");
}

/// The command under a tracer that lets every word to the disk take so long.
fn on_a_slow_disk(lag: Duration) -> Command {
    let found = Command::new("strace").arg("--version").output().is_ok_and(|told| told.status.success());
    assert!(found, "a slow disk is made with `strace`, which is not here");
    let slow = ["-f", "--seccomp-bpf", "-qq", "-o", "/dev/null", "-e", "trace=fsync,fdatasync", "-e"];
    let mut command = Command::new("strace");
    command.current_dir(env!("CARGO_MANIFEST_DIR")).args(slow);
    command.arg(format!("inject=fsync,fdatasync:delay_exit={}", lag.as_micros()));
    command.arg(noctule().get_program());
    command
}

/// How long the slow disk takes; longer where `NOCTULE_CAMPAIGN=full`.
fn disk_lag() -> Duration {
    Duration::from_millis(if crate::interruptions::full() { 1000 } else { 400 })
}

#[test]
fn a_disk_that_takes_its_time_stops_nothing() {
    let bed = Bed::new(|bench| bench);
    let mut command = bed.command(on_a_slow_disk(disk_lag()));
    let child = command.arg("--json").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    bed.came_to_its_end(child, Duration::from_secs(300));
}

/// A connection of somebody else to the run file.
fn somebody(folder: &Path) -> rusqlite::Connection {
    wait_until("it measures", Duration::from_secs(90), || rows(folder) > 40);
    rusqlite::Connection::open(folder.join("run.sqlite")).unwrap()
}

#[test]
fn somebody_who_reads_the_file_all_the_time_stops_nothing() {
    let bed = Bed::new(|bench| bench);
    let mut command = bed.command(noctule());
    let child = command.arg("--json").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let reader = somebody(&bed.folder);
    reader.execute_batch("BEGIN; SELECT count(*) FROM entry;").unwrap();
    bed.came_to_its_end(child, Duration::from_secs(60));
    reader.execute_batch("COMMIT").unwrap();
}

#[test]
fn somebody_who_locks_the_file_is_waited_for() {
    let bed = Bed::new(|bench| bench);
    let mut command = bed.command(noctule());
    let child = command.arg("--json").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let writer = somebody(&bed.folder);
    writer.busy_timeout(Duration::from_secs(5)).unwrap();
    writer.execute_batch("BEGIN IMMEDIATE").unwrap();
    let locked = Instant::now();
    std::thread::sleep(Duration::from_secs(if crate::interruptions::full() { 60 } else { 20 }));
    writer.execute_batch("ROLLBACK").unwrap();
    eprintln!("the file was locked for {:?}", locked.elapsed());
    bed.came_to_its_end(child, Duration::from_secs(60));
}

/// From a touch of the tip to the parked bench, ten times as fast as the clock: the shipped interlock looks every 500 ms
/// and waits for 200 ms, and the steps of parking take their time.
const TRIP_WITHIN: Duration = Duration::from_millis(300);

/// A crash of the tip while something outside hinders the run: how long until the bench is parked.
fn parked_after_a_crash(hindrance: &str, bed: &Bed, mut command: Command) {
    command.args(["--events", "-"]);
    let ((_out, stdout), (_err, stderr)) = (full_pipe(), full_pipe());
    let mut child = command.stdout(stdout).stderr(stderr).spawn().unwrap();
    let other = somebody(&bed.folder);
    match hindrance {
        "reader" => other.execute_batch("BEGIN; SELECT count(*) FROM entry;").unwrap(),
        "writer" => {
            other.busy_timeout(Duration::from_secs(5)).unwrap();
            other.execute_batch("BEGIN IMMEDIATE").unwrap();
        }
        _ => {}
    }
    wait_until("the tip is in range", Duration::from_secs(60), || bed.lab.read(Signal::Approached) == 1.0);
    bed.lab.mimic.with_microscope(|microscope| microscope.inflict(Fault::TipCrash));
    let took = wait_until("it is parked", Duration::from_secs(60), || bed.lab.is_parked());
    eprintln!("{hindrance}: parked {took:?} after the crash");
    assert!(took < TRIP_WITHIN, "{hindrance}: {took:?}");
    if hindrance == "writer" {
        other.execute_batch("ROLLBACK").unwrap();
    }
    wait_until("it ends", Duration::from_secs(90), || child.try_wait().unwrap().is_some());
    let (ending, parked) = intact(&bed.folder).ending().unwrap().expect("an end");
    assert!(parked && ending.outcome == Outcome::Interlock, "{hindrance}: {ending:?}");
}

#[test]
fn a_trip_is_acted_on_in_time_whatever_is_slow_outside() {
    for hindrance in ["pipes", "messages", "disk", "reader", "writer"] {
        let bed = Bed::new(|bench| {
            let hook = "messages: [(on: [\"interlock\"], to: [\"sh\", \"-c\", \"sleep 10\"])],";
            if hindrance == "messages" { bench.replacen("messages: [],", hook, 1) } else { bench }
        });
        let long = write(bed.lab.scratch.path(), "long.rhai", &wall_sweeps(400, 100));
        let bed = Bed { sequence: long, ..bed };
        let slow = hindrance == "disk";
        let program = if slow { on_a_slow_disk(disk_lag()) } else { noctule() };
        parked_after_a_crash(hindrance, &bed, bed.paced("10", program));
    }
}

#[test]
fn a_keeper_that_is_stopped_or_killed_is_replaced_and_the_new_one_parks() {
    let bed = Bed::new(|bench| bench);
    let long = write(bed.lab.scratch.path(), "long.rhai", &wall_sweeps(400, 100));
    let bed = Bed { sequence: long, ..bed };
    let mut command = bed.command(noctule());
    let mut child = command.arg("--json").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    wait_until("it measures", Duration::from_secs(30), || rows(&bed.folder) > 60);
    let faults =
        || noctule::record::RunFile::open(&bed.folder.join("run.sqlite")).unwrap().all("fault").unwrap();
    let first = keeper_of(&bed.folder);
    crate::keeper::signal(first, "-STOP");
    let took = wait_until("a new one is there", Duration::from_secs(10), || faults().len() == 1);
    eprintln!("a stopped keeper was replaced after {took:?}");
    assert!(format!("{:?}", faults()).contains("KeeperReplaced"), "{:?}", faults());
    assert!(!Path::new(&format!("/proc/{first}")).exists(), "the stopped one is still there");
    let second = keeper_of(&bed.folder);
    crate::keeper::signal(second, "-KILL");
    wait_until("another one is there", Duration::from_secs(10), || faults().len() == 2);
    assert!(!bed.lab.is_parked(), "the run went on");
    child.kill().unwrap();
    child.wait().unwrap();
    wait_until("the newest keeper parks", Duration::from_secs(10), || bed.lab.is_parked());
}

#[test]
fn with_little_memory_a_run_says_so_or_goes_on_but_never_hangs() {
    for kilobytes in [150_000, 250_000, 270_000, 300_000, 400_000, 600_000] {
        let bed = Bed::new(|bench| bench);
        let program = noctule().get_program().to_owned();
        let mut shell = Command::new("sh");
        let limited = format!("ulimit -v {kilobytes}; exec \"$0\" \"$@\"");
        shell.current_dir(env!("CARGO_MANIFEST_DIR")).args(["-c", &limited]).arg(program);
        let mut command = bed.command(shell);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        wait_until("it ends", Duration::from_secs(60), || child.try_wait().unwrap().is_some());
        let said = child.wait_with_output().unwrap();
        let words = String::from_utf8_lossy(&said.stderr).into_owned();
        wait_until("it is parked", Duration::from_secs(20), || bed.lab.is_parked());
        eprintln!("with {kilobytes} kB: {:?}", said.status);
        let code = said.status.code();
        assert!(code == Some(0) || code == Some(2), "with {kilobytes} kB: {code:?}, {words}");
        assert!(code != Some(2) || words.contains("memory"), "{words}");
    }
}
