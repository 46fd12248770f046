//! The driver for real time on a slow disk: what waits for the disk does not follow the steps of parking, and the
//! oracle there judges readings, permits and the order of parking as it does in a rehearsal.

use noctule::bench::{Channel, TaskKind, builtin};
use noctule::drive::connect::open_all;
use noctule::drive::virtual_time::Nobody;
use noctule::instrument::{Identity, Instrument, InstrumentError, Task, TaskReport};
use noctule::quantity::Moment;
use noctule::record::{DigestOnly, Entry, Outcome, Point, RecordError, Recorder};
use noctule::run::{MakeRecorder, Measured, Measurement, measure};
use noctule::script::Sequence;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// A simulated microscope whose magnet voltage reads too much after a while; it keeps what it was told to begin.
struct Crossing {
    inner: Box<dyn Instrument + Send>,
    from: Instant,
    begun: Arc<Mutex<Vec<TaskKind>>>,
}

impl Instrument for Crossing {
    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        self.inner.identify()
    }
    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        self.inner.set(channel, si)
    }
    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        let value = self.inner.read(channel)?;
        Ok(if channel.name == "magnet_voltage" && Instant::now() >= self.from { 3.0 } else { value })
    }
    fn begin(&mut self, task: &Task, traced: Option<&Channel>) -> Result<(), InstrumentError> {
        self.begun.lock().unwrap().push(task.kind());
        self.inner.begin(task, traced)
    }
    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        self.inner.poll()
    }
    fn abort(&mut self) -> Result<(), InstrumentError> {
        self.inner.abort()
    }
    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        self.inner.reconnect()
    }
    fn pass_time(&mut self, now: Moment) {
        self.inner.pass_time(now);
    }
}

/// Every commit takes its time.
struct SlowDisk(DigestOnly, Duration);

impl Recorder for SlowDisk {
    fn append(&mut self, at: Moment, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        self.0.append(at, entry, data)
    }
    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        self.0.append_point(point)
    }
    fn commit(&mut self) -> Result<(), RecordError> {
        std::thread::sleep(self.1);
        self.0.commit()
    }
    fn finish(&mut self) -> Result<String, RecordError> {
        self.0.finish()
    }
    fn uncommitted(&self) -> u64 {
        self.0.uncommitted()
    }
}

/// Measures on the built-in bench; the magnet voltage crosses after a while.
fn run(sequence: &str, crosses_after: Duration, lag: Duration) -> (Measured, Vec<TaskKind>) {
    let folder = tempfile::tempdir().unwrap();
    let bench = Arc::new(builtin());
    let begun = Arc::new(Mutex::new(Vec::new()));
    let from = Instant::now() + crosses_after;
    let instruments = open_all(&bench, Path::new("."), 1).unwrap().into_iter().map(|inner| {
        Box::new(Crossing { inner, from, begun: Arc::clone(&begun) }) as Box<dyn Instrument + Send>
    });
    let make: MakeRecorder = Box::new(move || Ok(Box::new(SlowDisk(DigestOnly::default(), lag))));
    let measurement = Measurement {
        sequence: Sequence::from_text("test.rhai", sequence),
        bench: Arc::clone(&bench),
        bench_folder: folder.path().to_owned(),
        seed: 1,
        pace: 1.0,
        window: None,
        introduction: Vec::new(),
        folder: folder.path().to_owned(),
        resumed: None,
        keeper: None,
    };
    let done = measure(measurement, instruments.collect(), make, Box::new(Nobody)).unwrap();
    let ending = done.tally.ending.as_ref().unwrap();
    assert_eq!(ending.outcome, Outcome::Interlock, "{ending:?}");
    assert!(done.tally.parked);
    assert_eq!(done.oracle.violations, 0, "{:?}", done.oracle.first);
    assert_eq!(done.oracle.not_parked(&bench), Vec::<String>::new());
    let begun = begun.lock().unwrap().clone();
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
