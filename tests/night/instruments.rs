//! Instruments that go away, come back with other settings, or are set by another hand, through the whole program: the
//! run goes on, what it measured is what it had set, and what happened is told.

use crate::common::{Said, noctule, say, text, write};
use noctule::mimic::{Mimic, Running};
use noctule::record::{Entry, RunFile, Trouble};
use noctule_sim::world::World;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::Child;
use std::time::{Duration, Instant};

/// Approaches, ramps, sweeps the RF and the bias, waits, takes a trace; each point says how the instruments stood.
const PHASES: &str = r#"
set("LockinModulation", 10.mV);
approach();
set("RfLevel", -8.dBm);
set("RfOutput", 1);
sweep(#{ name: "watched", channel: "RfFrequency", from: 12.GHz, to: 12.1.GHz, points: 40,
    read: ["RfLevel", "RfOutput", "LockinModulation", "Setpoint", "Current"], dwell: 600.ms, average: 2 });
ramp_field(15.mT);
wait(15.s);
sweep(#{ name: "bias", channel: "Bias", from: 40.mV, to: 60.mV, points: 30,
    read: ["RfLevel", "RfOutput", "LockinModulation", "Setpoint", "Current"], dwell: 400.ms, average: 2 });
park();
"#;

const PACE: f64 = 20.0;
const INSTRUMENTS: [&str; 5] = ["electronics", "magnet", "source", "lockin", "monitors"];

fn full() -> bool {
    std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|campaign| campaign == "full")
}

/// A mimic with the shipped bench for it, and a folder.
struct Lab {
    running: Running,
    bench: PathBuf,
    folder: tempfile::TempDir,
}

impl Lab {
    fn new(name: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let world = World::shipped("night").unwrap();
        let running = Mimic::start(&world, 1, "127.0.0.1:0".parse().unwrap(), 1.0, &[]).unwrap();
        let mut bench = std::fs::read_to_string("scripts/bench_mimic.ron").unwrap();
        for (i, (_, address)) in running.addresses().iter().enumerate() {
            bench = bench.replace(&format!("127.0.0.1:{}", 5125 + i), &address.to_string());
        }
        let own_name = format!("{name} of process {}", std::process::id());
        let bench = bench.replace("Lantern cryostat (invented)", &own_name);
        let bench = write(folder.path(), "bench.ron", &bench);
        Self { running, bench, folder }
    }

    fn run(&self) -> PathBuf {
        self.folder.path().join("run")
    }

    fn start(&self, sequence: &str, pace: f64) -> Child {
        let sequence = write(self.folder.path(), "phases.rhai", sequence);
        let (run, pace) = (self.run(), format!("{pace}"));
        let arguments = ["run", text(&sequence), "--bench", text(&self.bench), "--out", text(&run), "--json"];
        let piped = std::process::Stdio::piped;
        noctule().args(arguments).args(["--pace", &pace]).stdout(piped()).stderr(piped()).spawn().unwrap()
    }

    /// Waits until the record has begun.
    fn await_record(&self) -> RunFile {
        let began = Instant::now();
        loop {
            if let Ok(file) = RunFile::open(&self.run().join("run.sqlite")) {
                return file;
            }
            assert!(began.elapsed().as_secs() < 60, "no record");
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

/// What came of a run.
#[derive(Debug)]
struct Came {
    code: i32,
    /// Points, those that were not measured as they were meant, and those of them that are not marked.
    points: usize,
    wrong: usize,
    unmarked: usize,
    marked: usize,
    /// Whether record and brief tell of the instrument.
    told: bool,
    stderr: String,
}

fn judge(lab: &Lab, said: &Said, instrument: &str) -> Came {
    let out = lab.folder.path().join("csv");
    let run = lab.run();
    let exported = say(&["export", text(&run), "--as", "csv", "--out", text(&out)]);
    assert_eq!(exported.code, 0, "{}", exported.stderr);
    let (mut points, mut wrong, mut unmarked, mut marked) = (0, 0, 0, 0);
    for name in ["sweep_0000_watched.csv", "sweep_0001_bias.csv"] {
        let Ok(table) = std::fs::read_to_string(out.join(name)) else { continue };
        let mut lines = table.lines().filter(|line| !line.starts_with('#'));
        let names: Vec<&str> = lines.next().unwrap().split(',').collect();
        let at = |name: &str| names.iter().position(|column| column.starts_with(name));
        let wanted = [
            ("rf_level", -8.0, 0.2),
            ("rf_output", 1.0, 0.1),
            ("lockin_modulation", 0.01, 1e-5),
            ("setpoint", 10e-12, 1e-13),
        ];
        for line in lines {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
            let right =
                wanted.iter().all(|(name, value, bound)| (cells[at(name).unwrap()] - value).abs() < *bound);
            let mark = at("doubtful").is_some_and(|column| cells[column] == 1.0);
            points += 1;
            wrong += usize::from(!right);
            unmarked += usize::from(!right && !mark);
            marked += usize::from(mark);
        }
    }
    let faults = RunFile::open(&run.join("run.sqlite")).unwrap().all("fault").unwrap();
    let of_it = |entry: &Entry| matches!(entry, Entry::Fault { link, .. } if link == instrument);
    let recorded = faults.iter().any(|numbered| of_it(&numbered.entry));
    let brief = say(&["brief", text(&run)]).stdout;
    let told = recorded && brief.contains(&format!("{instrument}:"));
    Came { code: said.code, points, wrong, unmarked, marked, told, stderr: said.stderr.clone() }
}

/// One run, and what happens to an instrument so long after its record has begun, s of the run.
fn disturbed(name: &str, instrument: &str, at_s: f64, disturb: impl FnOnce(&Running)) -> Came {
    let lab = Lab::new(name);
    let child = lab.start(PHASES, PACE);
    drop(lab.await_record());
    std::thread::sleep(Duration::from_secs_f64(at_s / PACE));
    disturb(&lab.running);
    let said: Said = child.wait_with_output().unwrap().into();
    judge(&lab, &said, instrument)
}

/// Numbers from 0 up to below 1, the same in each run (Weyl's sequence with the golden ratio).
fn spread(k: u32) -> f64 {
    (f64::from(k) * 0.618_033_988_749_895).fract()
}

/// Works off a list on several threads at once: the runs mostly wait.
fn side_by_side<T: Send>(items: Vec<T>, work: impl Fn(T) + Sync) {
    let items = std::sync::Mutex::new(items);
    let next = || items.lock().unwrap().pop();
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                while let Some(item) = next() {
                    work(item);
                }
            });
        }
    });
}

#[test]
fn a_reboot_at_any_moment_leaves_no_wrong_point_unmarked() {
    let count = if full() { 200 } else { 5 };
    let tally = std::sync::Mutex::new((0, 0, 0, 0, 0, 0, Vec::new()));
    side_by_side((0..count).collect(), |k: u32| {
        let instrument = INSTRUMENTS[k as usize % INSTRUMENTS.len()];
        let at_s = 4.0 + 80.0 * spread(k + 1);
        let away_s = 0.05 * 600.0_f64.powf(spread(3 * k + 2));
        let came = disturbed(&format!("reboot {k}"), instrument, at_s, |running| {
            running.power_cycle(instrument, Duration::from_secs_f64(away_s / PACE));
        });
        let mut tally = tally.lock().unwrap();
        let fine = came.code == 0 && came.points == 70;
        tally.0 += usize::from(away_s <= 10.0);
        tally.1 += usize::from(away_s <= 10.0 && fine);
        tally.2 += usize::from(fine);
        tally.3 += came.wrong;
        tally.4 += came.unmarked;
        tally.5 += usize::from(came.told);
        if !fine || came.unmarked > 0 || !came.told {
            let (points, wrong) = (came.points, came.wrong);
            let last: Vec<&str> = came.stderr.lines().rev().take(3).collect();
            tally.6.push(format!(
                "{k}: {instrument} at {at_s:.1} s for {away_s:.2} s: code {}, {points} points, \
                {wrong} wrong, {} unmarked, {} marked, told {}: {last:?}",
                came.code, came.unmarked, came.marked, came.told
            ));
        }
    });
    let (short, short_fine, fine, wrong, unmarked, told, remarks) = tally.into_inner().unwrap();
    for remark in &remarks {
        eprintln!("{remark}");
    }
    eprintln!(
        "{count} reboots: {fine} finished, {short_fine} of {short} that were away for 10 s at most; {wrong} wrong points, \
        {unmarked} of them not marked; told {told}"
    );
    assert_eq!(unmarked, 0);
    assert!(short_fine as f64 >= 0.95 * short as f64 && told == count as usize, "{remarks:#?}");
}

#[test]
fn an_outage_within_the_patience_of_the_bench_is_waited_for() {
    let moments: &[f64] = if full() { &[2.0, 12.0, 30.0, 52.0, 68.0] } else { &[30.0] };
    let outages: &[f64] = if full() { &[1.0, 10.0, 60.0, 600.0] } else { &[1.0, 60.0] };
    let mut cases = Vec::new();
    for instrument in INSTRUMENTS {
        for at_s in moments {
            cases.extend(outages.iter().map(|outage_s| (instrument, *at_s, *outage_s)));
        }
    }
    if !full() {
        cases.retain(|case| ["electronics", "source"].contains(&case.0));
    }
    let all = cases.len();
    let tally = std::sync::Mutex::new((0, 0, 0, Vec::new()));
    side_by_side(cases, |(instrument, at_s, outage_s)| {
        let came =
            disturbed(&format!("outage {instrument} {at_s} {outage_s}"), instrument, at_s, |running| {
                running.cut_off(instrument, Duration::from_secs_f64(outage_s / PACE));
            });
        let mut tally = tally.lock().unwrap();
        let fine = came.code == 0 && came.points == 70 && came.wrong == 0;
        tally.0 += usize::from(fine);
        tally.1 += usize::from(came.told);
        tally.2 += usize::from(fine && came.told);
        if !fine || !came.told {
            let last: Vec<&str> = came.stderr.lines().rev().take(3).collect();
            tally.3.push(format!(
                "{instrument} at {at_s} s for {outage_s} s: code {}, {} points, {} wrong, told {}: {last:?}",
                came.code, came.points, came.wrong, came.told
            ));
        }
    });
    let (fine, told, both, remarks) = tally.into_inner().unwrap();
    for remark in &remarks {
        eprintln!("{remark}");
    }
    eprintln!("{all} outages: {fine} went on and right, {told} told, {both} both");
    assert!(both as f64 >= 0.98 * all as f64, "{remarks:#?}");
}

/// Sets something at an instrument, as somebody else would.
fn another_hand(running: &Running, instrument: &str, message: &str) {
    let mut stream = std::net::TcpStream::connect(running.address(instrument).unwrap()).unwrap();
    writeln!(stream, "{message};*OPC?").unwrap();
    let mut answer = String::new();
    BufReader::new(stream).read_line(&mut answer).unwrap();
    assert_eq!(answer.trim(), "1", "{message}");
}

/// Doubts that a run has told so far: which channels they name is in their words.
fn doubts(file: &RunFile) -> Vec<String> {
    let told = |entry: Entry| match entry {
        Entry::Fault { trouble: Trouble::Changed { what, .. }, .. } => Some(what),
        _ => None,
    };
    file.all("fault").unwrap_or_default().into_iter().filter_map(|numbered| told(numbered.entry)).collect()
}

/// How a run that is over ended.
fn brief(run: &Path) -> String {
    let ending = RunFile::open(&run.join("run.sqlite")).and_then(|file| file.ending());
    format!("{ending:?}")
}

/// How long it takes, s of the run, until each of these hands is noticed.
fn noticed(name: &str, pace: f64, hands: &[(&str, &str, String)]) -> Vec<(String, f64)> {
    const LONG: &str = "set(\"LockinModulation\", 10.mV); approach(); set(\"RfLevel\", -8.dBm); set(\"RfOutput\", 1);\n\
        set(\"RfFrequency\", 12.GHz); wait(100000.s);";
    let lab = Lab::new(name);
    let child = lab.start(LONG, pace);
    let file = lab.await_record();
    let run = lab.run();
    let began = Instant::now();
    let on = || lab.running.with_microscope(|m| m.read(noctule_sim::Signal::RfOutput)) > 0.5;
    while !on() {
        assert!(began.elapsed().as_secs() < 120, "the RF does not come on");
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_secs_f64(2.0 + 35.0 / pace));
    let mut found = Vec::new();
    for (instrument, channel, message) in hands {
        let before = doubts(&file).len();
        let at = Instant::now();
        another_hand(&lab.running, instrument, message);
        let noticed_s = loop {
            if doubts(&file)[before..].iter().any(|what| what.contains(channel)) {
                break at.elapsed().as_secs_f64() * pace;
            }
            if at.elapsed().as_secs_f64() * pace > 120.0 {
                break f64::INFINITY;
            }
            std::thread::sleep(Duration::from_millis(5));
        };
        found.push(((*channel).to_owned(), noticed_s));
        // Until it goes on, with a word where one is wanted.
        let released = Instant::now();
        loop {
            std::thread::sleep(Duration::from_millis(100));
            let status = say(&["status", text(&run), "--json"]);
            assert_eq!(status.code, 0, "after {channel}: {} {}", status.stderr, brief(&run));
            let hold = status.json()["hold"].clone();
            if hold.is_null() {
                break;
            }
            if hold["operator"] == true {
                say(&["release", "--clear-by", "A", text(&run)]);
            }
            assert!(released.elapsed().as_secs() < 400, "{hold} after {channel}");
        }
        std::thread::sleep(Duration::from_secs_f64(1.5 / pace.min(3.0)));
    }
    say(&["stop", text(&run)]);
    let said: Said = child.wait_with_output().unwrap().into();
    assert_eq!(said.code, 4, "{}", said.stderr);
    found
}

#[test]
fn another_hand_is_noticed_within_a_second_at_tip_rf_and_field_and_within_a_minute_elsewhere() {
    let times = if full() { 50 } else { 1 };
    let (mut quick, mut fields, mut slow) = (Vec::new(), Vec::new(), Vec::new());
    for k in 0..times {
        let up = 0.3 + 0.5 * spread(k);
        quick.push(("source", "rf_frequency", format!("FREQ {}", 5e9 + 5e9 * up)));
        quick.push(("source", "rf_level", format!("POW {}", -50.0 + 20.0 * up)));
        quick.push(("source", "rf_output", "OUTP 0".to_owned()));
        quick.push(("electronics", "tip_x", format!("SOUR:POS:X {}", 2e-9 + 2e-9 * up)));
        quick.push(("electronics", "tip_y", format!("SOUR:POS:Y {}", -2e-9 - 2e-9 * up)));
        quick.push(("electronics", "feedback", "FEED 0".to_owned()));
        // To come in again takes its time.
        if k.is_multiple_of(10) {
            quick.push(("electronics", "approached", "TASK:WITH".to_owned()));
        }
        fields.push(("magnet", "field_z", format!("SOUR:FIEL:Z {}", 0.02 + 0.1 * up)));
        fields.push(("magnet", "field_x", format!("SOUR:FIEL:X {}", 0.02 + 0.1 * up)));
        slow.push(("electronics", "bias", format!("SOUR:VOLT {}", 0.06 + 0.05 * up)));
        slow.push(("electronics", "setpoint", format!("SOUR:CURR {}", 12e-12 + 5e-12 * up)));
        slow.push(("lockin", "lockin_modulation", format!("SOUR:VOLT {}", 0.002 + 0.005 * up)));
        slow.push(("lockin", "lockin_reference", "DET:REF 2".to_owned()));
        slow.push(("lockin", "lockin_time_constant", format!("DET:TAU {}", 1.0 + up)));
        slow.push(("lockin", "lockin_order", "DET:POL 1".to_owned()));
    }
    let report = |found: &[(String, f64)], bound_s: f64| {
        let mut late = 0;
        let names: std::collections::BTreeSet<&String> = found.iter().map(|(name, _)| name).collect();
        for name in names {
            let times: Vec<f64> = found.iter().filter(|(n, _)| n == name).map(|(_, t)| *t).collect();
            let most = times.iter().copied().fold(0.0, f64::max);
            let over = times.iter().filter(|t| **t > bound_s).count();
            eprintln!(
                "{name}: {} times, noticed after {most:.2} s at most, {over} later than {bound_s} s",
                times.len()
            );
            late += over;
        }
        late
    };
    // Several laboratories at once: they mostly wait. A field takes its time to come back.
    let found = std::sync::Mutex::new([const { Vec::new() }; 2]);
    let (found_in, labs) = (&found, if full() { 4 } else { 1 });
    std::thread::scope(|scope| {
        for (name, kind, pace, hands) in
            [("rest", 0, 20.0, &slow), ("tip and RF", 1, 1.0, &quick), ("field", 1, 4.0, &fields)]
        {
            for (lab, hands) in hands.chunks(hands.len().div_ceil(labs)).enumerate() {
                scope.spawn(move || {
                    let mine = noticed(&format!("hand at {name}, lab {lab}"), pace, hands);
                    found_in.lock().unwrap()[kind].extend(mine);
                });
            }
        }
    });
    let [slow, quick] = found.into_inner().unwrap();
    assert_eq!(report(&slow, 60.0), 0);
    let late = report(&quick, 1.0);
    assert!(quick.iter().all(|(_, noticed_s)| noticed_s.is_finite()), "{quick:?}");
    assert!(late as f64 <= 0.02 * quick.len() as f64 + 1.0, "{late} of {}: {quick:?}", quick.len());
}

/// The paths that are used above exist.
#[test]
fn the_bench_of_the_mimic_waits_for_longer_than_ten_minutes() {
    let text = std::fs::read_to_string(Path::new("scripts/bench_mimic.ron")).unwrap();
    let (bench, _) = noctule::bench::read(&text, "bench_mimic.ron").unwrap();
    for link in 0..bench.links.len() {
        assert!(bench.retry_of(link).patience_s > 600.0);
    }
}

/// Somebody turns the modulation down while a spectrum is taken; it is noticed at the next look at everything. What was
/// measured since the look before has no part in fits, lines and verdicts, and that is said.
#[test]
fn what_is_doubtful_is_left_out_of_fits_lines_and_verdicts() {
    let sequence = r#"
set("LockinModulation", 10.mV);
approach();
set("RfLevel", -8.dBm);
set("RfOutput", 1);
let taken = sweep(#{ name: "watched", channel: "RfFrequency", from: 12.GHz, to: 12.2.GHz, points: 200,
    read: ["LockinX", "LockinModulation"], dwell: 600.ms, average: 2 });
fit_shape("line", taken, "LockinX");
find_lines(taken);
is_real([[15.mT, taken]]);
park();
"#;
    let lab = Lab::new("a hand in a spectrum");
    let child = lab.start(sequence, PACE);
    let file = lab.await_record();
    let began = Instant::now();
    while file.all("sweep_begin").unwrap().is_empty() {
        assert!(began.elapsed().as_secs() < 60, "no sweep");
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_secs_f64(60.0 / PACE));
    another_hand(&lab.running, "lockin", "SOUR:VOLT 0.002");
    let said: Said = child.wait_with_output().unwrap().into();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let judged: Vec<(String, serde_json::Value)> = file
        .all("judgement")
        .unwrap()
        .into_iter()
        .filter_map(|numbered| match numbered.entry {
            Entry::Judgement { title, body, .. } => Some((title, body)),
            _ => None,
        })
        .collect();
    assert_eq!(judged.len(), 3, "{judged:#?}");
    for (title, body) in &judged {
        assert!(title.contains("doubtful points left out"), "{title}");
        assert!((1..150).contains(&body["left_out"].as_u64().unwrap()), "{body}");
    }
}
