//! Run files of any length, written as a measurement would write them.

use noctule::bench::{Bench, builtin, builtin_text};
use noctule::quantity::TimePoint;
use noctule::record::{Answer, Durability, Entry, Place, Point, Recorder, Store, Values};
use noctule::run::{BenchSource, Setup};
use noctule::script::Sequence;
use noctule::supervisor::{Axis, Request, SweepPlan};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Points of one sweep.
pub const POINTS: u64 = 10_000;

/// The sequence that makes so many sweeps.
pub fn sequence_text(sweeps: u64) -> String {
    format!(
        "for i in 0..{sweeps} {{\n    sweep(#{{ name: \"esr\", channel: \"RfFrequency\", from: 14.GHz, to: 14.2.GHz, points: {POINTS}, \
         read: [\"LockinX\", \"Current\"] }});\n}}\nset(\"Bias\", 51.mV);\n"
    )
}

/// One of its sweeps.
pub fn plan(bench: &Bench) -> Arc<SweepPlan> {
    let id = |name: &str| bench.find(name).expect("a channel of the built-in bench");
    let fast = Axis { channel: id("RfFrequency"), from: 14e9, to: 14.2e9, points: POINTS };
    Arc::new(SweepPlan::plain("esr", fast, vec![id("LockinX"), id("Current")]))
}

/// A line of that sequence.
pub fn place(line: u32) -> Place {
    Place { file: "big.rhai".to_owned(), line }
}

/// A reading of one channel.
pub fn read_request(bench: &Bench) -> Request {
    let channel = bench.find("Current").expect("a channel of the built-in bench");
    Request::Read { channels: vec![channel], samples: 1, spacing_s: 0.05 }
}

/// Point number `i` of a sweep.
pub fn point(plan: &SweepPlan, sweep: u64, i: u64, at_s: f64) -> Point {
    let values = Values::new(&[4e-14 + i as f64 * 1e-18, 1e-11]);
    Point { sweep, i, at: TimePoint::from_s(at_s), x: plan.at(i).0, y: 0.0, values }
}

/// The beginning of a sweep that is call number `n`.
pub fn sweep_begin(bench: &Bench, plan: &Arc<SweepPlan>, n: u64, sweep: u64) -> Entry {
    Entry::SweepBegin { n, sweep, plan: Box::new(plan.in_columns(bench)), place: place(2), settings: None }
}

/// A run file that has just begun.
pub fn begin_run(folder: &Path, bench: &Arc<Bench>, sweeps: u64) -> (PathBuf, Store) {
    let sequence = Sequence::from_text("big.rhai", &sequence_text(sweeps));
    let source = BenchSource { name: "bench.ron".to_owned(), path: None, text: builtin_text().to_owned() };
    let setup = Setup::for_measurement(sequence, source, Arc::clone(bench), 1, None);
    let path = folder.join("run.sqlite");
    let mut store = Store::create(&path, Durability::PowerCut, &setup.documents()).expect("a new file");
    for entry in [setup.identity(), setup.context("2026-11-25T22:00:00+00:00[Etc/UTC]")] {
        store.append(TimePoint::START, &entry, &[]).expect("space");
    }
    (path, store)
}

/// A run file with so many whole sweeps, and so many readings before them, as if it had been cut then.
pub fn write_run(folder: &Path, sweeps: u64, scalars: u64) -> PathBuf {
    let bench = Arc::new(builtin());
    let (path, mut store) = begin_run(folder, &bench, sweeps);
    for n in 0..scalars {
        let request = read_request(&bench).named(&bench);
        let answer = Ok(Answer::Numbers(vec![1e-11 + n as f64 * 1e-17]));
        let call = Entry::Call { n, request, place: place(1), answer };
        store.append(TimePoint::from_s(n as f64), &call, &[]).expect("space");
    }
    let plan = plan(&bench);
    let mut at_s = scalars as f64;
    for sweep in 0..sweeps {
        let n = scalars + sweep;
        let begin = sweep_begin(&bench, &plan, n, sweep);
        store.append(TimePoint::from_s(at_s), &begin, &[]).expect("space");
        for i in 0..POINTS {
            at_s += 0.01;
            store.append_point(&point(&plan, sweep, i, at_s)).expect("space");
        }
        let end = Entry::SweepEnd { n, sweep, points: POINTS, because: None, settings: None };
        store.append(TimePoint::from_s(at_s), &end, &[]).expect("space");
    }
    store.commit().expect("space");
    path
}
