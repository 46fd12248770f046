//! From the reading that crosses a mark to the first command of parking, in the driver for real time over the
//! mimic, while a sequence spins in an endless loop: on a quiet machine, with every core busy, on a slow disk,
//! and with both. Prints median and 99th percentile of each and fails above the bound: one watch period
//! plus 20 ms.
//!
//! `cargo bench --bench bench_reaction`; a number behind `--` is how many trips of each are measured.

#[path = "../common/wrapped.rs"]
mod wrapped;

use noctule::bench::{Bench, Channel, read};
use noctule::drive::connect::open_all;
use noctule::instrument::Task;
use noctule::mimic::{Mimic, Running};
use noctule::record::{Document, Durability, Store};
use noctule::run::MakeRecorder;
use noctule::script::Sequence;
use noctule_sim::world::World;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use wrapped::{Door, SlowDisk, measure_until_parked};

/// Trips of each condition where nothing else is said.
const TRIPS: usize = 60;
/// The channel that crosses, and how often the shipped interlock has it read.
const CROSSING: &str = "magnet_voltage";
const PERIOD: Duration = Duration::from_secs(1);
/// Beyond one watch period.
const MARGIN: Duration = Duration::from_millis(20);
/// How long the slow disk takes for each commit.
const DISK_LAG: Duration = Duration::from_millis(1500);

/// A sequence that never calls a verb once it is under way. Each of its operations takes long, as their number
/// between two verbs is limited too.
const SPINS: &str = "note(\"begins\"); while true { let a = []; a.pad(2000, 1); }";

/// What the links saw.
#[derive(Default)]
struct Seen {
    /// From now on the crossing channel reads too much.
    armed: AtomicBool,
    at: Mutex<(Option<Instant>, Option<Instant>)>,
}

/// A clock at the doors of the mimic's instruments.
impl Door for Arc<Seen> {
    fn goes_in(&self, _: Option<&Task>) {
        let mut at = self.at.lock().expect("no thread has panicked");
        if at.0.is_some() {
            at.1.get_or_insert_with(Instant::now);
        }
    }
    fn comes_out(&self, channel: &Channel, value: f64) -> f64 {
        if channel.name != CROSSING || !self.armed.load(Ordering::Acquire) {
            return value;
        }
        self.at.lock().expect("no thread has panicked").0.get_or_insert_with(Instant::now);
        3.0
    }
}

/// Threads that compute and do nothing else, two for each core.
struct Busy(Arc<AtomicBool>, Vec<std::thread::JoinHandle<()>>);

impl Busy {
    fn start(wanted: bool) -> Self {
        let over = Arc::new(AtomicBool::new(false));
        let cores = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
        let spin = |over: Arc<AtomicBool>| {
            move || {
                let mut x = 1.0_f64;
                while !over.load(Ordering::Relaxed) {
                    (0..10_000).for_each(|_| x = std::hint::black_box(x * 1.000_000_1));
                }
            }
        };
        let threads = if wanted { 2 * cores } else { 0 };
        let threads = (0..threads).map(|_| std::thread::spawn(spin(Arc::clone(&over)))).collect();
        Self(over, threads)
    }
    fn stop(self) {
        self.0.store(true, Ordering::Relaxed);
        self.1.into_iter().for_each(|thread| thread.join().expect("it only computes"));
    }
}

/// The shipped bench of the mimic, on the ports of a running one; the interlock in question trips on one reading.
fn bench_of(mimic: &Running) -> Bench {
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/bench_mimic.ron");
    let mut text = std::fs::read_to_string(shipped).expect("the shipped bench");
    for (port, name) in (5125..).zip(["electronics", "magnet", "source", "lockin", "monitors"]) {
        let address = mimic.address(name).expect("a port").to_string();
        text = text.replace(&format!("127.0.0.1:{port}"), &address);
    }
    let lasting = "trip: \"abs(magnet_voltage) > 2 V\", lasting: \"500 ms\"";
    assert!(text.contains(lasting), "the shipped bench has another interlock now");
    text = text.replace(lasting, "trip: \"abs(magnet_voltage) > 2 V\"");
    read(&text, "bench_mimic.ron").expect("a sound bench").0
}

/// One trip: from the reading to the first command.
fn trip(bench: &Arc<Bench>, turn: usize, lag: Duration) -> Duration {
    let folder = tempfile::tempdir().expect("a folder");
    let seen = Arc::new(Seen::default());
    let instruments = open_all(bench, Path::new("."), 1).expect("the mimic is there");
    let sequence = Sequence::from_text("spins.rhai", SPINS);
    let documents: Vec<Document> = vec![sequence.document()];
    let run_file = folder.path().join("run.sqlite");
    let make: MakeRecorder = Box::new(move || {
        let inner = Store::create(&run_file, Durability::PowerCut, &documents)?;
        Ok(Box::new(SlowDisk { inner, lag }))
    });
    let arming = Arc::clone(&seen);
    // Spread over the period, so that no phase of the watch is preferred.
    let after = Duration::from_millis(400 + (turn as u64 * 137) % 700) + lag;
    let alarm = std::thread::spawn(move || {
        std::thread::sleep(after);
        arming.armed.store(true, Ordering::Release);
    });
    measure_until_parked(sequence, bench, instruments, &seen, make, folder.path());
    alarm.join().expect("it only sleeps");
    let at = seen.at.lock().expect("no thread has panicked");
    at.1.expect("a command of parking").duration_since(at.0.expect("the reading"))
}

fn main() {
    let trips = std::env::args().filter_map(|word| word.parse().ok()).next().unwrap_or(TRIPS);
    let world = World::shipped("night").expect("the shipped world");
    let listen = "127.0.0.1:0".parse().expect("an address");
    let mimic = Mimic::start(&world, 7, listen, 1.0, &[]).expect("free ports");
    let bench = Arc::new(bench_of(&mimic));
    let mut held = true;
    println!("from the reading that crosses to the first command of parking, a sequence in an endless loop");
    for (name, busy, lag) in [
        ("quiet machine", false, Duration::ZERO),
        ("every core busy", true, Duration::ZERO),
        ("slow disk", false, DISK_LAG),
        ("every core busy, slow disk", true, DISK_LAG),
    ] {
        let busy = Busy::start(busy);
        let mut times: Vec<Duration> = (0..trips).map(|turn| trip(&bench, turn, lag)).collect();
        busy.stop();
        times.sort_unstable();
        let at = |part: f64| times[((part * trips as f64).ceil() as usize).clamp(1, trips) - 1];
        let (median, p99, most) = (at(0.5), at(0.99), at(1.0));
        println!(
            "{name:<28} {trips} trips: median {median:.2?}, 99 % within {p99:.2?}, all within {most:.2?}"
        );
        held &= p99 <= PERIOD + MARGIN;
    }
    assert!(held, "the bound is {:?}", PERIOD + MARGIN);
}
