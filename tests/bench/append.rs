//! How far the run file lies behind the measurement: from the hand-over of a point, or of an action, to the
//! recording thread until that thread says that it is on disk, safe from a power cut.
//!
//! `cargo bench --bench bench_append`: points at several rates, on a quiet disk and on one that another process
//! keeps busy with writes of its own. Prints median, 99th percentile and the longest of each, and fails where a
//! point lies more than 200 ms behind on the quiet disk.

// The other benchmark uses the rest of it.
#[allow(dead_code)]
mod run_file;

use noctule::bench::builtin;
use noctule::drive::real_time::{FromRecord, Recording};
use noctule::quantity::TimePoint;
use noctule::record::{Entry, Recorder};
use run_file::{POINTS, begin_run, place, plan, point, sweep_begin};
use std::io::Write;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::unbounded_channel;

/// How far points may lie behind.
const BOUND: Duration = Duration::from_millis(200);
/// How long each rate is kept up.
const MEASURED: Duration = Duration::from_secs(10);
/// Points a second: slower than a lock-in, as fast as this program measures, and as a fast scan would hand over.
const RATES: [f64; 4] = [10.0, 100.0, 1000.0, 20_000.0];
/// Every so many points an action is handed over, for which the hand-over itself is waited for.
const ACTION_EVERY: u64 = 25;

/// Delays of points and of actions.
#[derive(Default)]
struct Delays {
    points: Vec<Duration>,
    actions: Vec<Duration>,
}

/// Hands over points at a rate, and takes the time until each is durable.
fn measure(folder: &Path, rate: f64) -> Delays {
    let bench = Arc::new(builtin());
    let (_, store) = begin_run(folder, &bench, 1);
    let (sender, mut news) = unbounded_channel();
    let mut recording = Recording::start(Box::new(move || Ok(Box::new(store) as Box<dyn Recorder>)), sender);
    let plan = plan(&bench);
    let begin = Box::new(sweep_begin(&bench, &plan, 0, 0));
    recording.append(0, TimePoint::START, begin, Vec::new(), true);
    let listener = std::thread::spawn(move || {
        let mut durable = Vec::new();
        while let Some(said) = news.blocking_recv() {
            match said {
                FromRecord::Durable(seq) => durable.push((seq, Instant::now())),
                FromRecord::Failed(reason) => panic!("{reason}"),
            }
        }
        durable
    });
    let (began, mut handed) = (Instant::now(), vec![(Instant::now(), false)]);
    for i in 0.. {
        let due = began + Duration::from_secs_f64(i as f64 / rate);
        std::thread::sleep(due.saturating_duration_since(Instant::now()));
        if began.elapsed() >= MEASURED {
            break;
        }
        let seq = handed.len() as u64;
        let at_s = began.elapsed().as_secs_f64();
        // The action is of another kind than the shipped ones need, the way to the disk is the same.
        let action = i % ACTION_EVERY == ACTION_EVERY - 1 && rate <= 1000.0;
        handed.push((Instant::now(), action));
        if action {
            let note =
                Entry::Note { n: seq, text: "an action".to_owned(), place: place(2), for_next_shift: false };
            recording.append(seq, TimePoint::from_s(at_s), Box::new(note), Vec::new(), true);
        } else {
            recording.append_point(seq, point(&plan, 0, i % POINTS, at_s));
        }
    }
    recording.end().wait().expect("space");
    let durable = listener.join().expect("no thread has panicked");
    let mut delays = Delays::default();
    let mut known = durable.iter().peekable();
    // What is still on its way when the run ends becomes durable with the end, which nobody announces.
    for (seq, (at, action)) in handed.iter().enumerate() {
        while known.next_if(|(number, _)| *number < seq as u64).is_some() {}
        let Some((_, when)) = known.peek() else { break };
        let list = if *action { &mut delays.actions } else { &mut delays.points };
        list.push(when.duration_since(*at));
    }
    assert!(delays.points.len() * 10 > handed.len() * 9, "most of the points were announced as durable");
    delays
}

/// Prints median, 99th percentile and longest, and gives the longest.
fn say(what: &str, mut delays: Vec<Duration>) -> Duration {
    delays.sort_unstable();
    let Some(&longest) = delays.last() else { return Duration::ZERO };
    let at = |share: f64| delays[((delays.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    let (half, most, all) = (at(0.5), at(0.99), at(1.0));
    println!("{what}: median {half:.1} ms, 99 % {most:.1} ms, longest {all:.1} ms, {} of them", delays.len());
    longest
}

/// Somebody else's data, 4 MiB at a time, each made durable.
fn keep_busy(folder: &Path, enough: &AtomicBool) {
    let mut file = std::fs::File::create(folder.join("others.bin")).expect("a file");
    let block = vec![0x5a_u8; 4 << 20];
    while !enough.load(Ordering::Acquire) {
        for _ in 0..16 {
            file.write_all(&block).expect("space");
            file.sync_all().expect("a disk");
        }
        file.set_len(0).expect("a file");
    }
}

fn measure_all(disk: &str) -> Duration {
    let mut longest = Duration::ZERO;
    for rate in RATES {
        let scratch = tempfile::tempdir().expect("a folder");
        let delays = measure(scratch.path(), rate);
        longest = longest.max(say(&format!("{disk}, {rate} points a second"), delays.points));
        say(&format!("{disk}, actions among them"), delays.actions);
    }
    longest
}

fn main() {
    let longest = measure_all("quiet disk");
    let scratch = tempfile::tempdir().expect("a folder");
    let enough = Arc::new(AtomicBool::new(false));
    let (folder, until) = (scratch.path().to_owned(), Arc::clone(&enough));
    let other = std::thread::spawn(move || keep_busy(&folder, &until));
    measure_all("busy disk");
    enough.store(true, Ordering::Release);
    other.join().expect("no thread has panicked");
    assert!(longest <= BOUND, "a point was durable only {longest:?} after it was handed over");
}
