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

/// An instrument that takes no time and shows a line at 14.1 GHz of 12 MHz wherever its frequency is set.
#[derive(Default)]
struct Nothing {
    frequency_hz: f64,
}

impl Instrument for Nothing {
    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        Ok(Identity::default())
    }
    fn set(&mut self, channel: &Channel, value: f64) -> Result<(), InstrumentError> {
        if channel.name == "rf_frequency" {
            self.frequency_hz = value;
        }
        Ok(())
    }
    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        // Enough helium, or the shipped interlocks would end it.
        let d = 2.0 * (self.frequency_hz - 14.1e9) / 12e6;
        // Noise that is the same each time.
        let noise = ((self.frequency_hz * 1e-3).sin() * 43758.5453).fract();
        Ok(match channel.name.as_str() {
            "helium_level" => 0.05,
            "lockin_x" => 1e-14 * (2.0 + 10.0 * (1.0 + 0.3 * d) / (1.0 + d * d) + 0.3 * noise),
            _ => 1e-12,
        })
    }
    fn begin(&mut self, _: &Task, _: Option<&Channel>) -> Result<(), InstrumentError> {
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
    let drive =
        VirtualDrive::new(bench, vec![Box::new(Nothing::default())], recorder, Box::new(Nobody), 1, None);
    let drive = Rc::new(RefCell::new(drive));
    let port: SharedPort = drive.clone();
    let (end, _) = script::run(&Sequence::from_text("bench.rhai", text), port);
    assert_eq!(end.outcome, Outcome::Finished, "{end:?}");
    drive.borrow_mut().finish(Outcome::Finished, String::new(), Place::default());
    let drive = drive.borrow();
    drive.tally.points
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

/// Seconds of a rehearsal with so many fits of 401 points by an own model, or by the built-in shape.
fn fits_s(fits: u32, fit: &str) -> f64 {
    let text = format!(
        "let s = sweep(#{{ channel: \"RfFrequency\", from: 14.GHz, to: 14.2.GHz, points: 401, read: \"LockinX\", settle: 0.s }});\nfor i in 0..{fits} {{ let f = {fit}; if !f.trusted {{ throw \"not trusted\"; }} }}"
    );
    let begun = std::time::Instant::now();
    rehearse(&text);
    begun.elapsed().as_secs_f64()
}

/// An own model beside the built-in shape, in one run: the ratio says what the interpreter costs.
fn own_models(_: &mut Criterion) {
    let model = "|x, p| { let d = 2.0 * (x - p.c) / p.w; p.o + p.h * (1.0 + p.q * d) / (1.0 + d * d) }";
    let start = "#{ c: 14.103.GHz, w: 20.MHz, h: 60.fA, q: 0.0, o: 0.fA }";
    let own = format!("fit_own(s, \"LockinX\", {start}, {model})");
    let rounds = own.replace("p.o +", "p.o * (1.0 + 0.0 * d.floor()) +");
    let looks = own
        .replace("let d", "let o = if `${x}`.len() > 3 { p.o } else { 0.0 }; let d")
        .replace("; p.o +", "; o +");
    let called = looks.replace("`${x}`", "`${p.c}`");
    let each = |fit: &str| (fits_s(50, fit) - fits_s(0, fit)) / 50.0;
    let built_in = each("fit_resonance(s)");
    for (name, fit) in [
        ("own model", &own),
        ("own model that rounds", &rounds),
        ("own model that looks into the text of x", &looks),
        ("own model that looks into the text of a parameter, called for each point", &called),
    ] {
        let own_s = each(fit);
        println!("{name}, 401 points: {:.2} ms, {:.1} times fit_resonance", own_s * 1e3, own_s / built_in);
    }
}

criterion_group!(benches, per_point, own_models);
criterion_main!(benches);
