//! What the engine costs for each point of a sweep in a rehearsal, without physics; and a check of a long sequence.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use noctule::bench::{Channel, builtin};
use noctule::drive::SharedPort;
use noctule::drive::virtual_time::{Nobody, VirtualDrive};
use noctule::instrument::{Identity, Instrument, InstrumentError, Task, TaskReport};
use noctule::record::{DigestOnly, Outcome, Place};
use noctule::script::{self, Sequence};
use std::cell::RefCell;
use std::hint::black_box;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;

/// An instrument that does nothing and takes no time.
struct Nothing;

impl Instrument for Nothing {
    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        Ok(Identity::default())
    }
    fn set(&mut self, _: &Channel, _: f64) -> Result<(), InstrumentError> {
        Ok(())
    }
    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        // Enough helium, or the shipped interlocks would end it.
        Ok(if channel.name == "helium_level" { 0.05 } else { 1e-12 })
    }
    fn begin<'c>(&mut self, _: &Task, _: Option<&'c Channel>) -> Result<(), InstrumentError> {
        Ok(())
    }
    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        Ok(Some(TaskReport { achieved: true, ..TaskReport::default() }))
    }
    fn abort(&mut self) -> Result<(), InstrumentError> {
        Ok(())
    }
    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        Ok(())
    }
}

/// Rehearses a sequence without physics and without a file; returns its points.
fn rehearse(text: &str) -> u64 {
    let bench = Arc::new(builtin());
    let recorder = Box::new(DigestOnly::default());
    let drive = VirtualDrive::new(bench, vec![Box::new(Nothing)], recorder, Box::new(Nobody), 1, None);
    let drive = Rc::new(RefCell::new(drive));
    let port: SharedPort = drive.clone();
    let (end, _) = script::run(&Sequence::from_text("bench.rhai", text), port);
    assert_eq!(end.outcome, Outcome::Finished, "{end:?}");
    drive.borrow_mut().finish(Outcome::Finished, String::new(), Place::default());
    let points = drive.borrow().tally.points;
    points
}

fn per_point(c: &mut Criterion) {
    let points = 20_000_u64;
    let text = format!(
        "sweep(#{{ channel: \"RfFrequency\", from: 10.GHz, to: 20.GHz, points: {points}, read: [\"LockinX\", \"Current\"], settle: 0.s }});"
    );
    let mut group = c.benchmark_group("engine");
    group.measurement_time(Duration::from_secs(8)).sample_size(20);
    group.throughput(Throughput::Elements(points));
    group.bench_function("a point of a sweep, no physics", |b| {
        b.iter(|| assert_eq!(rehearse(black_box(&text)), points))
    });
    group.finish();
}

criterion_group!(benches, per_point);
criterion_main!(benches);
