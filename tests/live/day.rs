//! A day of ten points a second on the live page: the memory of the server stays flat.
//!
//! Points come as fast as they can be written, in sweeps of 2,000 with a fit each, as they would in a day of a real
//! run, and somebody reads the page all the time. By default it is a short day; `NOCTULE_CAMPAIGN=full` feeds all
//! 864,000 points and waits at each mark, so that `tests/live/memory.mjs` can look at the memory of a browser.

use noctule::bench::LiveWords;
use noctule::live::Live;
use noctule::quantity::TimePoint;
use noctule::record::{
    Axis, Column, Document, Durability, Entry, Identity, JudgementKind, Place, Point, Recorder, Store,
    SweepPlan, Values,
};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

const POINTS_A_SECOND: f64 = 10.0;
const SWEEP: u64 = 2_000;
const MARKS: u64 = 12;
/// Points between two pauses, so that the reader of the file keeps up as it does in a real run.
const BATCH: u64 = 500;

fn is_full() -> bool {
    std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full")
}

/// Memory of this process that is in use, kB.
fn resident_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("the system tells");
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).expect("it tells the memory");
    line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).expect("a number of kB")
}

fn column(channel: &str, unit: &str, si_unit: &str) -> Column {
    Column { channel: channel.into(), unit: unit.into(), si_unit: si_unit.into() }
}

fn begin(path: &std::path::Path) -> Store {
    let text = std::fs::read_to_string("scripts/bench_simulated.ron").expect("it is shipped");
    let bench = Document { name: "bench.ron".into(), role: "bench", text };
    let mut store = Store::create(path, Durability::ProcessEnd, &[bench]).expect("the file is made");
    let identity = Entry::Identity(Identity {
        sequence: "a_long_day.rhai".into(),
        sequence_hash: String::new(),
        bench: "Lantern cryostat (invented)".into(),
        bench_hash: String::new(),
        world: String::new(),
        world_hash: String::new(),
        seed: 1,
        rehearsal: false,
        version: "0".into(),
    });
    store.append(TimePoint::START, &identity, &[]).expect("it is written");
    store.commit().expect("it is committed");
    store
}

/// What a run writes around its sweeps: the sweep, a fit, watched channels, a note.
fn between_sweeps(store: &mut Store, sweep: u64, at: TimePoint) {
    let place = Place { file: "a_long_day.rhai".into(), line: 12 };
    let centre = 14e9 + 1e6 * (sweep % 50) as f64;
    if sweep > 0 {
        let end =
            Entry::SweepEnd { n: 2 * sweep, sweep: sweep - 1, points: SWEEP, because: None, settings: None };
        store.append(at, &end, &[]).expect("it is written");
        let parameters = ["centre", "width", "height", "asymmetry", "offset", "slope"].map(|name| {
            let value = if name == "centre" { centre } else { 1e-14 };
            serde_json::json!({ "name": name, "value": value, "standard_error": value * 1e-4, "fixed": false })
        });
        let body = serde_json::json!({ "channel": "LockinX", "fit": { "model": { "shape": "fano", "reference": centre },
            "parameters": parameters, "converged": true, "doubts": [] } });
        let title = format!("line at {:.5} GHz", centre * 1e-9);
        let judgement = Entry::Judgement {
            n: 2 * sweep,
            what: JudgementKind::Other("fit_resonance".to_owned()),
            sweep: Some(sweep - 1),
            title,
            body,
            place: place.clone(),
        };
        store.append(at, &judgement, &[]).expect("it is written");
        let note = Entry::Note {
            n: 2 * sweep,
            text: format!("sweep {sweep}"),
            place: place.clone(),
            for_next_shift: false,
        };
        store.append(at, &note, &[]).expect("it is written");
    }
    let fast = Axis { channel: column("rf_frequency", "GHz", "Hz"), from: 13.9e9, to: 14.1e9, points: SWEEP };
    let plan = SweepPlan::plain("esr", fast, vec![column("lockin_x", "fA", "A")]);
    let begin = Entry::SweepBegin { n: 2 * sweep + 1, sweep, plan: Box::new(plan), place, settings: None };
    store.append(at, &begin, &[]).expect("it is written");
}

/// Reads the page's events as a browser would; counts bytes.
fn read_along(address: SocketAddr, bytes: &Arc<AtomicU64>) {
    let bytes = Arc::clone(bytes);
    std::thread::spawn(move || {
        let mut stream = TcpStream::connect(address).expect("the page is served");
        write!(stream, "GET /events HTTP/1.1\r\nHost: {address}\r\n\r\n").expect("it hears");
        let mut some = [0_u8; 16_384];
        while let Ok(n) = stream.read(&mut some) {
            if n == 0 {
                return;
            }
            bytes.fetch_add(n as u64, Ordering::Relaxed);
        }
    });
}

#[test]
fn a_day_of_ten_points_a_second_leaves_the_memory_flat() {
    let full = is_full();
    let points: u64 = if full { 864_000 } else { 60_000 };
    let folder = tempfile::tempdir().expect("a folder for the run");
    let path = folder.path().join("run.sqlite");
    let mut store = begin(&path);
    let live = Live::start(&path, "127.0.0.1:0".parse().expect("an address"), LiveWords::default())
        .expect("it is served");
    println!("page http://{}/", live.address);
    let bytes = Arc::new(AtomicU64::new(0));
    read_along(live.address, &bytes);
    if full {
        // Time for a browser to come.
        std::thread::sleep(Duration::from_secs(5));
    }
    let mut resident = Vec::new();
    for i in 0..points {
        let at = TimePoint::from_s(1.0 + i as f64 / POINTS_A_SECOND);
        let in_sweep = i % SWEEP;
        if in_sweep == 0 {
            between_sweeps(&mut store, i / SWEEP, at);
        }
        if i % 600 == 0 {
            for (channel, value) in [
                ("helium_level", 0.065 - 0.04 * i as f64 / 864_000.0),
                ("stage_temperature", 0.3 + 1e-3 * (i as f64 * 0.01).sin()),
                ("chamber_pressure", 5e-11),
            ] {
                let entry = Entry::Monitor { channel: channel.into(), value };
                store.append(at, &entry, &[]).expect("it is written");
            }
        }
        let x = 13.9e9 + 1e5 * in_sweep as f64;
        let value = 1e-14 * (1.0 + 1.0 / (1.0 + ((x - 14e9) / 5e6).powi(2)));
        let values = Values::new(&[value]);
        let point = Point { sweep: i / SWEEP, i: in_sweep, at, x, y: 0.0, values };
        store.append_point(&point).expect("it is written");
        if i % BATCH == BATCH - 1 {
            store.commit().expect("it is committed");
            std::thread::sleep(Duration::from_millis(30));
        }
        if (i + 1) % (points / MARKS) == 0 {
            store.commit().expect("it is committed");
            std::thread::sleep(Duration::from_millis(if full { 4000 } else { 400 }));
            resident.push(resident_kb());
            println!("mark {} points, server {} kB", i + 1, resident_kb());
        }
    }
    let read = bytes.load(Ordering::Relaxed);
    assert!(read > 100_000, "somebody reads: {read} bytes");
    // The first third fills caches; after it, a day may cost what its watched channels and fits take.
    let (early, last) = (resident[resident.len() / 3], resident[resident.len() - 1]);
    println!(
        "server: {early} kB after a third, {last} kB at the end, {} MB sent to one reader",
        read / 1_000_000
    );
    let allowed = if full { 12_000 } else { 4_000 };
    assert!(last < early + allowed, "{resident:?} kB");
}
