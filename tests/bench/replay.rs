//! How fast a run file is replayed and appended to: `cargo bench --bench bench_replay`.
//!
//! With `NOCTULE_BIG_RUN=FOLDER` it writes a cut run of five million points into that folder instead, if there is
//! none yet, and does with it what `noctule resume` does until the first command would leave, in a process of its
//! own: it says how long each part took and how much memory there ever was.

mod run_file;

use criterion::{BatchSize, Criterion, Throughput};
use noctule::bench::{Bench, builtin};
use noctule::drive::Port;
use noctule::drive::RunTally;
use noctule::drive::replay::ReplayPort;
use noctule::record::{Durability, Ending, Outcome, Place, RunFile, Store};
use noctule::script::Sequence;
use noctule::supervisor::{Answer, Call, Request};
use run_file::{POINTS, place, plan, read_request, sequence_text, write_run};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

const BIG_SWEEPS: u64 = 500;

/// Opens a run file and replays everything in it.
fn replay(path: &Path, bench: &Arc<Bench>, scalars: u64, sweeps: u64) -> usize {
    let file = RunFile::open(path).expect("a run file");
    let go_live = Box::new(|_: &Call| {
        let reason = "the record is at its end".to_owned();
        Err(Ending { outcome: Outcome::Stopped, reason, place: Place::default(), latched: false })
    });
    let mut port = ReplayPort::new(Arc::clone(bench), 1, file, None, go_live).expect("a record");
    let (scalar, plan) = (read_request(bench), plan(bench));
    let mut values = 0;
    for n in 0..scalars + sweeps {
        let request = if n < scalars { scalar.clone() } else { Request::Sweep(Arc::clone(&plan)) };
        match port.request(Call { n, place: place(1), request }).expect("a recorded answer") {
            Answer::Sweep(data) => values += data.values.len(),
            Answer::Numbers(numbers) => values += numbers.len(),
            other => panic!("{other:?} was not recorded"),
        }
    }
    values
}

/// Says how long something took.
fn timed<T>(what: &str, work: impl FnOnce() -> T) -> T {
    let began = Instant::now();
    let result = work();
    println!("{what}: {:.2} s", began.elapsed().as_secs_f64());
    result
}

/// What resuming consists of before the first command leaves.
fn resume_big(path: &Path) {
    let bench = Arc::new(builtin());
    let began = Instant::now();
    let file = RunFile::open(path).expect("a run file");
    let tally = timed("what it adds up to", || RunTally::of(&file, &bench).expect("a record"));
    assert_eq!((tally.points, tally.left.values.len()), (BIG_SWEEPS * POINTS, 1));
    let live_from = std::rc::Rc::new(std::cell::Cell::new(false));
    let reached = std::rc::Rc::clone(&live_from);
    let go_live = Box::new(move |_: &Call| {
        reached.set(true);
        let reason = "the record is at its end".to_owned();
        Err(Ending { outcome: Outcome::Stopped, reason, place: Place::default(), latched: false })
    });
    timed("the sequence, answered from the record", || {
        let port = ReplayPort::new(Arc::clone(&bench), 1, file, None, go_live).expect("a record");
        let sequence = Sequence::from_text("big.rhai", &sequence_text(BIG_SWEEPS));
        noctule::script::run(&sequence, std::rc::Rc::new(std::cell::RefCell::new(port)))
    });
    assert!(live_from.get(), "the replay did not come to the end of the record");
    timed("checksums of every row", || Store::reopen(path, Durability::PowerCut, false).expect("a record"));
    println!("in all: {:.2} s", began.elapsed().as_secs_f64());
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    for line in status.lines().filter(|line| line.starts_with("VmHWM")) {
        println!("most memory: {}", line.trim_start_matches("VmHWM:").trim());
    }
    println!("computing time: {:.2} s", computing_s());
}

/// Seconds that this process has computed, in steps of 10 ms: what a busy machine does not falsify.
fn computing_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let ticks: u64 = stat.split_whitespace().skip(13).take(2).filter_map(|t| t.parse::<u64>().ok()).sum();
    ticks as f64 / 100.0
}

fn main() {
    if let Some(folder) = std::env::var_os("NOCTULE_BIG_RUN") {
        let folder = PathBuf::from(folder);
        if folder.join("run.sqlite").exists() {
            return resume_big(&folder.join("run.sqlite"));
        }
        let began = Instant::now();
        std::fs::create_dir_all(&folder).expect("a folder");
        write_run(&folder, BIG_SWEEPS, 0);
        println!("five million points were written in {:.1} s", began.elapsed().as_secs_f64());
        // Another process, so that what was needed for writing does not count.
        let this = std::env::current_exe().expect("this program");
        assert!(std::process::Command::new(this).status().expect("a process").success());
        return;
    }
    let mut criterion = Criterion::default().configure_from_args().sample_size(10);
    let bench = Arc::new(builtin());
    let scratch = tempfile::tempdir().expect("a folder");
    for (name, scalars, sweeps) in [("points", 0, 30), ("scalar verbs", 30_000, 0)] {
        let folder = scratch.path().join(name);
        std::fs::create_dir(&folder).expect("a folder");
        let path = write_run(&folder, sweeps, scalars);
        let mut group = criterion.benchmark_group("replay");
        group.throughput(Throughput::Elements(scalars + sweeps * POINTS));
        group.bench_function(name, |b| b.iter(|| replay(&path, &bench, scalars, sweeps)));
        group.finish();
        let (before, times) = (computing_s(), 20);
        for _ in 0..times {
            replay(&path, &bench, scalars, sweeps);
        }
        let each = times as f64 * (scalars + sweeps * POINTS) as f64 / (computing_s() - before);
        println!("{name}: {each:.0} in a second of computing time");
    }
    let mut group = criterion.benchmark_group("append");
    group.throughput(Throughput::Elements(3 * POINTS));
    group.bench_function("points, durable", |b| {
        b.iter_batched(
            || tempfile::tempdir().expect("a folder"),
            |folder| write_run(folder.path(), 3, 0),
            BatchSize::PerIteration,
        );
    });
    group.finish();
    criterion.final_summary();
}
