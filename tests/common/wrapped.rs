//! For the driver in real time: instruments with somebody at their door, a disk that takes its time, and a measurement
//! that crosses a mark and is parked by an interlock.

use noctule::bench::{Bench, Channel};
use noctule::drive::virtual_time::Nobody;
use noctule::instrument::{Identity, Instrument, InstrumentError, Task, TaskReport};
use noctule::quantity::TimePoint;
use noctule::record::{Entry, Outcome, Point, RecordError, Recorder};
use noctule::run::{MakeRecorder, Measured, Measurement, measure};
use noctule::script::Sequence;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Who stands at the door of an instrument.
pub trait Door: Clone + Send + 'static {
    /// A command that changes something goes in; `begun` is the task that it starts, if it does.
    fn goes_in(&self, begun: Option<&Task>);
    /// A channel was read; gives what the reader is told.
    fn comes_out(&self, channel: &Channel, value: f64) -> f64;
}

/// An instrument with somebody at its door.
struct Wrapped<D> {
    inner: Box<dyn Instrument + Send>,
    door: D,
}

impl<D: Door> Instrument for Wrapped<D> {
    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        self.inner.identify()
    }
    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        self.door.goes_in(None);
        self.inner.set(channel, si)
    }
    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        let value = self.inner.read(channel)?;
        Ok(self.door.comes_out(channel, value))
    }
    fn begin(&mut self, task: &Task, traced: Option<&Channel>) -> Result<(), InstrumentError> {
        self.door.goes_in(Some(task));
        self.inner.begin(task, traced)
    }
    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        self.inner.poll()
    }
    fn abort(&mut self) -> Result<(), InstrumentError> {
        self.door.goes_in(None);
        self.inner.abort()
    }
    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        self.inner.reconnect()
    }
    fn pass_time(&mut self, now: TimePoint) {
        self.inner.pass_time(now);
    }
}

/// A recorder on a disk that takes its time for each commit.
pub struct SlowDisk<R> {
    pub inner: R,
    pub lag: Duration,
}

impl<R: Recorder> Recorder for SlowDisk<R> {
    fn append(&mut self, at: TimePoint, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        self.inner.append(at, entry, data)
    }
    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        self.inner.append_point(point)
    }
    fn commit(&mut self) -> Result<(), RecordError> {
        std::thread::sleep(self.lag);
        self.inner.commit()
    }
    fn finish(&mut self) -> Result<String, RecordError> {
        self.inner.finish()
    }
    fn uncommitted(&self) -> u64 {
        self.inner.uncommitted()
    }
}

/// Measures with these instruments, somebody at the door of each, until an interlock has the bench parked.
pub fn measure_until_parked(
    sequence: Sequence,
    bench: &Arc<Bench>,
    instruments: Vec<Box<dyn Instrument + Send>>,
    door: &impl Door,
    make_recorder: MakeRecorder,
    folder: &Path,
) -> Measured {
    let wrapped = instruments.into_iter().map(|inner| {
        let door = door.clone();
        Box::new(Wrapped { inner, door }) as Box<dyn Instrument + Send>
    });
    let measurement = Measurement {
        sequence,
        bench: Arc::clone(bench),
        bench_folder: folder.to_owned(),
        seed: 1,
        pace: 1.0,
        window: None,
        beforehand: noctule::record::Beforehand::default(),
        introduction: Vec::new(),
        folder: folder.to_owned(),
        resumed: None,
        keeper: None,
    };
    let done = measure(measurement, wrapped.collect(), make_recorder, Box::new(Nobody)).expect("it begins");
    let ending = done.tally.ending.as_ref().expect("it came to its end");
    assert_eq!(ending.outcome, Outcome::Interlock, "{ending:?}");
    assert!(done.tally.parked, "the bench is parked");
    assert_eq!(done.oracle.violations, 0, "{:?}", done.oracle.first);
    done
}
