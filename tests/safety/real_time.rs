//! The driver for real time on a slow disk: what waits for the disk does not follow the steps of parking, and the
//! oracle there judges readings, permits and the order of parking as it does in a rehearsal.

use crate::wrapped::{Door, SlowDisk, measure_until_parked};
use noctule::bench::{Channel, TaskKind, builtin};
use noctule::drive::connect::open_all;
use noctule::instrument::Task;
use noctule::record::DigestOnly;
use noctule::run::{MakeRecorder, Measured};
use noctule::script::Sequence;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// The magnet voltage reads too much after a while; what was told to begin is kept.
#[derive(Clone)]
struct Crossing {
    from: Instant,
    begun: Arc<Mutex<Vec<TaskKind>>>,
}

impl Door for Crossing {
    fn goes_in(&self, begun: Option<&Task>) {
        self.begun.lock().unwrap().extend(begun.map(Task::kind));
    }
    fn comes_out(&self, channel: &Channel, value: f64) -> f64 {
        if channel.name == "magnet_voltage" && Instant::now() >= self.from { 3.0 } else { value }
    }
}

/// Measures on the built-in bench; the magnet voltage crosses after a while.
fn run(sequence: &str, crosses_after: Duration, lag: Duration) -> (Measured, Vec<TaskKind>) {
    let folder = tempfile::tempdir().unwrap();
    let bench = Arc::new(builtin());
    let door = Crossing { from: Instant::now() + crosses_after, begun: Arc::default() };
    let instruments = open_all(&bench, Path::new("."), 1).unwrap();
    let make: MakeRecorder = Box::new(move || Ok(Box::new(SlowDisk { inner: DigestOnly::default(), lag })));
    let sequence = Sequence::from_text("test.rhai", sequence);
    let done = measure_until_parked(sequence, &bench, instruments, &door, make, folder.path());
    assert_eq!(done.oracle.not_parked(&bench), Vec::<String>::new());
    let begun = door.begun.lock().unwrap().clone();
    (done, begun)
}

#[test]
fn what_waits_for_the_disk_does_not_follow_the_steps_of_parking() {
    let (_, begun) = run("coarse_steps(-2);", Duration::from_millis(300), Duration::from_secs(4));
    assert!(begun.contains(&TaskKind::Withdraw), "{begun:?}");
    assert!(!begun.contains(&TaskKind::CoarseStep), "the coarse motor moved after the end: {begun:?}");
}

#[test]
fn the_oracle_of_real_time_sees_what_an_interlock_does() {
    // Few operations that take long each: their number between two verbs is limited as well.
    let (done, _) =
        run("while true { let a = []; a.pad(2000, 1); }", Duration::from_millis(300), Duration::ZERO);
    // The interlock acts by the end of its duration, however the sequence computes.
    assert_eq!(done.oracle.reactions_s.len(), 1, "{:?}", done.oracle.reactions_s);
    assert!(done.oracle.reactions_s[0] <= 1.0, "{:?}", done.oracle.reactions_s);
}
