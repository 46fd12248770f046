//! Kinds of nights: each is made once, for all tests of this room. Laboratory, samples and numbers are invented.

use crate::common::{say, text};
use noctule::drive::virtual_time::Nobody;
use noctule::quantity::TimePoint;
use noctule::record::{
    Document, Durability, During, Entry, Numbered, Outcome, Point, RecordError, Recorder, RunFile, Store,
};
use noctule::run::faults::read_faults;
use noctule::run::{BenchSource, Setup, rehearse_with_faults};
use noctule::script::Sequence;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// A short series on one adatom: spectra at several fields, the verdict at the end. `LEAVE` is the spectrum before which
/// the tip goes where no spin is.
const SERIES: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
go_to(3.2.nm, -1.85.nm);
recentre();
set("RfLevel", -3.dBm);
set("RfOutput", 1);
let spectra = [];
let number = 0;
about("field", "resonance against field", #{ planned: 10 });
for field in plan_fields(0.45.T, 0.75.T, 10) {
    step(`spectrum at ${field}`, #{ time: 15.min, helium: 0.3.L }, || {
        if number == LEAVE { go_to(0.nm, 0.nm); }
        ramp_field(field - 0.05.T);
        ramp_field(field);
        if number < LEAVE { recentre(); }
        let middle = 25.2.GHz / 1.T * field + 45.MHz * ((number * 3) % 5 - 2);
        let s = sweep(#{ name: "esr", channel: "RfFrequency", from: middle - 120.MHz, to: middle + 120.MHz,
            points: 121, read: ["LockinX", "Current"], dwell: 1.s, average: 4 });
        spectra.push([read("FieldZ", 10), s]);
        fit_resonance(s);
    });
    number += 1;
    if number >= 8 { is_real(spectra, #{ g_from: 1.6, g_to: 2.0, tip_field: 30.mT, height: 8 }); }
}
if spectra.len() > 0 { is_real(spectra, #{ g_from: 1.6, g_to: 2.0, tip_field: 30.mT, height: 8 }); }
set("RfOutput", 0);
park();
"#;

/// Twenty minutes of a sweep, in which something happens.
const SWEEP: &str = r#"
ramp_field(0.4.T);
approach();
set("RfOutput", 1);
sweep(#{ name: "s", channel: "RfFrequency", from: 10.GHz, to: 10.1.GHz, points: 120, read: ["Current"], dwell: 10.s, average: 4 });
park();
"#;

const FAILS: &str = r#"approach(); wait(5.min); stop("no adatom in the image");"#;

const MAP: &str = r#"
approach();
set("RfOutput", 1);
let rows = [];
about("map", "current around the spin", #{ columns: [["x", "nm"], ["frequency", "GHz"], ["current", "pA"]], rows: rows, planned: 12 });
for i in 0..3 { for k in 0..4 {
    go_to(0.1.nm * k, 0.nm);
    set("RfFrequency", 12.GHz + 10.MHz * i * i);
    rows.push([0.1.nm * k, 12.GHz + 10.MHz * i * i, read("Current", 4)]);
} }
about("map", "current around the spin", #{ columns: [["x", "nm"], ["frequency", "GHz"], ["current", "pA"]], rows: rows, planned: 12 });
park();
"#;

const POWER: &str = r#"
approach();
let rows = [];
for i in 0..5 {
    let power = 2.0 ** i;
    rows.push([power, 3.0 * power ** 0.5 * (1.0 + 0.01 * (i % 2)), 0.05]);
    wait(3.min);
}
about("power", "height against RF power", #{ columns: [["power", "mW"], ["height", "fA"]], rows: rows, planned: 5 });
park();
"#;

const TIP: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
ramp_field(0.4.T);
go_to(3.2.nm, -1.85.nm);
recentre();
let seen = contrast(trace("Current", 1200, 5.ms));
about("levels", "levels of the current", #{ says: seen.verdict });
if seen.verdict == "contrast" { result("made", "the tip that was in is good"); } else { result("nothing", `the last test says ${seen.verdict}`); }
park();
"#;

const INELASTIC: &str = r#"
approach();
let s = sweep(#{ name: "inelastic", channel: "Bias", from: 39.mV, to: 10.mV, points: 30, read: ["LockinX", "Current"], dwell: 400.ms });
about("table", "which kind of spin", #{ columns: ["thing", ["step", "mV"], "kind", "probability"],
    rows: [["1", 21.5.mV, "adatom", 0.93], ["2", "none", "unknown", 0.41]], says: "1 adatom, 1 unknown" });
park();
"#;

const BACKGROUND: &str = r#"
approach();
let rows = [];
let turn = 0;
while turn < 3 && time_left() > 9.min {
    turn += 1;
    let s = sweep(#{ name: "background", channel: "RfFrequency", from: 9.GHz, to: 10.GHz, points: 60, read: "LockinX", dwell: 2.s, average: 2 });
    rows.push([turn, 9.GHz, find_lines(s).len()]);
    about("table", "what stands still", #{ columns: ["turn", ["from", "GHz"], "lines"], rows: rows, says: `${turn} turns, no line that stands still` });
}
withdraw();
park();
"#;

/// Two adatoms one after the other, each with its own spectra and verdict.
const TWO_SPINS: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
set("RfLevel", -3.dBm);
set("RfOutput", 1);
about("field", "resonance against field");
let number = 0;
for place in [[3.2.nm, -1.85.nm], [-4.6.nm, 5.3.nm]] {
    number += 1;
    step(`spin ${number}: spectra`, || {
        go_to(place[0], place[1]);
        recentre();
        let spectra = [];
        let i = 0;
        for field in plan_fields(0.45.T, 0.75.T, 10) {
            i += 1;
            ramp_field(field);
            recentre();
            let middle = 25.2.GHz / 1.T * field + 45.MHz * ((i * 3) % 5 - 2);
            let s = sweep(#{ name: "esr", channel: "RfFrequency", from: middle - 120.MHz, to: middle + 120.MHz,
                points: 121, read: ["LockinX", "Current"], dwell: 1.s, average: 4 });
            spectra.push([read("FieldZ", 10), s]);
            fit_resonance(s);
        }
        is_real(spectra, #{ g_from: 1.6, g_to: 2.0, tip_field: 30.mT, height: 8, spin: `spin ${number}` });
    });
}
set("RfOutput", 0);
park();
"#;

/// A blind tip, and a narrow resonance of the RF line. Invented.
const STANDS_STILL: &str = r#"World(starts_from: "night", name: "stands still", note: "Invented.",
    tip: Tip(apex: Apex(atoms: 4, polarisation: 0.0, moment_mub: 0.0, exchange_mt: 0.0)),
    rf: Rf(resonances: [Resonance(centre_ghz: 14.2, fwhm_mhz: 14.0, height_db: 6.0)]),
    effects: Effects(crosstalk_fa_v: 400.0))"#;

/// The surface of the night, where the adatom is a spin 1 with a splitting without field. Invented.
fn split_world() -> String {
    let night = include_str!("../../sim/worlds/night.ron");
    let (before, adatom) = night.split_once("name: \"adatom\"").expect("it has one");
    format!("{before}name: \"adatom\"{}", adatom.replacen("spin: 0.5,", "spin: 1.0, axial_ghz: 0.9,", 1))
}

/// Hours in which somebody is there to refill, beside the built-in bench.
const WEEKDAYS: (&str, &str) =
    (r#"refill_limit: "10 L""#, r#"refill_limit: "10 L", attended: "Mon-Fri 08:00-18:00""#);

/// A recorder of a computer that loses its power: what comes later is not on the disk.
struct UntilCut {
    store: Store,
    cut: TimePoint,
}

impl Recorder for UntilCut {
    fn append(&mut self, at: TimePoint, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        if at < self.cut { self.store.append(at, entry, data) } else { Ok(()) }
    }

    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        if point.at < self.cut { self.store.append_point(point) } else { Ok(()) }
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        self.store.commit()
    }

    fn finish(&mut self) -> Result<String, RecordError> {
        self.store.finish()
    }

    fn uncommitted(&self) -> u64 {
        self.store.uncommitted()
    }
}

/// A kind of night, and the run file it left.
pub struct Kind {
    /// What it is.
    pub name: &'static str,
    /// The run file.
    pub path: PathBuf,
}

const START: &str = "2026-11-24T22:00:00+01:00[Europe/Zurich]";

struct Made {
    folder: tempfile::TempDir,
    kinds: Vec<Kind>,
}

/// How a night is made.
struct Plan<'a> {
    name: &'static str,
    sequence: &'a str,
    faults: &'a str,
    world: Option<&'a str>,
    window_s: Option<f64>,
    cut_s: Option<f64>,
    /// What stands in the bench file instead of what.
    bench: Option<(&'a str, &'a str)>,
}

impl Made {
    fn rehearse(&mut self, plan: &Plan<'_>) -> PathBuf {
        let path = self.folder.path().join(format!("{}.sqlite", plan.name.replace(' ', "_")));
        let sequence = Sequence::from_text("night.rhai", plan.sequence);
        let bench = match plan.bench {
            None => BenchSource::load(None).expect("the built-in bench"),
            Some((from, to)) => {
                let text = std::fs::read_to_string("scripts/bench_simulated.ron").unwrap();
                assert!(text.contains(from), "{from}");
                let path = Some(self.folder.path().join("bench.ron"));
                BenchSource { name: "bench.ron".into(), path, text: text.replace(from, to) }
            }
        };
        let window = plan.window_s.map(TimePoint::from_s);
        let setup =
            Setup::for_rehearsal(sequence, bench, plan.world, 7, window).expect("it can be rehearsed");
        let faults = read_faults(&format!("Faults(faults: [{}])", plan.faults), &setup.bench).unwrap();
        let store = Store::create(&path, Durability::ProcessEnd, &setup.documents()).unwrap();
        let store: Box<dyn Recorder> = match plan.cut_s.map(TimePoint::from_s) {
            Some(cut) => Box::new(UntilCut { store, cut }),
            None => Box::new(store),
        };
        rehearse_with_faults(&setup, &faults, store, Box::new(Nobody), START);
        self.kinds.push(Kind { name: plan.name, path: path.clone() });
        path
    }

    /// Another night from the record of one: `change` gives what takes the place of an entry.
    fn again(
        &mut self,
        name: &'static str,
        from: &Path,
        mut change: impl FnMut(Numbered) -> Vec<Numbered>,
    ) -> PathBuf {
        let path = self.folder.path().join(format!("{}.sqlite", name.replace(' ', "_")));
        let run = RunFile::open(from).unwrap();
        let bench = run.document("bench").unwrap().map(|(name, text)| Document { name, role: "bench", text });
        let mut store = Store::create(&path, Durability::ProcessEnd, &Vec::from_iter(bench)).unwrap();
        run.every_entry(u64::MAX, |numbered| {
            let sweep = if let Entry::SweepBegin { sweep, .. } = numbered.entry { Some(sweep) } else { None };
            let data =
                if let Entry::Bulk { .. } = numbered.entry { run.bulk(numbered.seq)? } else { Vec::new() };
            for row in change(numbered) {
                store.append(row.at, &row.entry, &data).unwrap();
                if let (Some(sweep), Entry::SweepBegin { .. }) = (sweep, &row.entry) {
                    let mut points: Vec<Point> = Vec::new();
                    run.points(sweep, |point| points.push(point))?;
                    points.iter().for_each(|point| store.append_point(point).unwrap());
                }
            }
            Ok(())
        })
        .unwrap();
        store.finish().unwrap();
        self.kinds.push(Kind { name, path: path.clone() });
        path
    }

    /// What a run that was cut comes to when it is resumed.
    fn resumed(&mut self, name: &'static str, from: &Path) {
        let folder = self.folder.path().join(name.replace(' ', "_"));
        std::fs::create_dir(&folder).unwrap();
        let path = folder.join("run.sqlite");
        std::fs::copy(from, &path).unwrap();
        let said = say(&["resume", text(&folder)]);
        assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
        self.kinds.push(Kind { name, path });
    }
}

fn make() -> Made {
    let mut made = Made { folder: tempfile::tempdir().unwrap(), kinds: Vec::new() };
    let series = SERIES.replace("LEAVE", "99");
    let lost = SERIES
        .replace("LEAVE", "9")
        .replace("0.75.T, 10)", "0.75.T, 13)")
        .replace("planned: 10", "planned: 13");
    let plain = |name, sequence, faults| Plan {
        name,
        sequence,
        faults,
        world: None,
        window_s: None,
        cut_s: None,
        bench: None,
    };
    made.rehearse(&plain("good", &series, ""));
    made.rehearse(&Plan { world: Some("blind"), ..plain("blind", &series, "") });
    let still = made.folder.path().join("still.ron");
    std::fs::write(&still, STANDS_STILL).unwrap();
    // Wide windows: in most of them stands the resonance, in some the line would be elsewhere.
    let standing = SERIES
        .replace("LEAVE", "99")
        .replace("0.45.T, 0.75.T, 10", "0.54.T, 0.60.T, 10")
        .replace("45.MHz", "20.MHz")
        .replace("120.MHz", "700.MHz")
        .replace("points: 121", "points: 281");
    made.rehearse(&Plan { world: still.to_str(), ..plain("artefact", &standing, "") });
    let split = made.folder.path().join("split.ron");
    std::fs::write(&split, split_world()).unwrap();
    let lower = series
        .replace("* field + 45", "* field - 0.9.GHz + 45")
        .replace("0.75.T, 10)", "0.75.T, 18)")
        .replace("planned: 10", "planned: 18")
        .replace("number >= 8", "number >= 16");
    made.rehearse(&Plan { world: split.to_str(), ..plain("splitting", &lower, "") });
    made.rehearse(&plain("line lost", &lost, ""));
    let longer = series
        .replace("0.75.T, 10)", "0.75.T, 24)")
        .replace("planned: 10", "planned: 24")
        .replace("number >= 8", "number >= 22");
    made.rehearse(&plain("tip change", &longer, r#"TipChange(at: "128 min")"#));
    made.rehearse(&Plan { window_s: Some(3000.0), ..plain("window", &series, "") });
    made.rehearse(&plain("stop", SWEEP, r#"Operator(at: "12 min", says: "stop")"#));
    made.rehearse(&plain("failed", FAILS, ""));
    for (name, faults) in [
        ("pressure burst", r#"PressureBurst(at: "10 min", height: "1e-6 mbar")"#),
        ("stage warming up", r#"WarmUp(at: "10 min", by: "2 K", for: "26 min")"#),
        ("stage warm", r#"WarmUp(at: "10 min", by: "40 K")"#),
        ("current lost", r#"Saturated(at: "10 min", for: "2 min", channel: "current", to: "0 A")"#),
        ("overload", r#"LockinOverload(at: "10 min", for: "2 min")"#),
        ("frozen gauge", r#"Stuck(at: "5 min", for: "10 min", channel: "stage_temperature")"#),
        ("quench", r#"Quench(at: "10 min")"#),
        ("tip crash", r#"TipCrash(at: "10 min")"#),
        ("refill", r#"Refill(at: "5 min")"#),
        ("gauge silent", r#"NotANumber(at: "3 min", channel: "chamber_pressure")"#),
    ] {
        made.rehearse(&plain(name, SWEEP, faults));
    }
    let no_field = SWEEP.replace("ramp_field(0.4.T);", "");
    made.rehearse(&plain("leak", &no_field, r#"HeliumLeak(at: "3 min", loss: "600 L/h")"#));
    // The end is written with space kept for it, the park steps before it are not.
    let stopped = made.kinds.iter().find(|kind| kind.name == "stop").unwrap().path.clone();
    made.again("disk full", &stopped, |mut numbered| {
        if let Entry::End { ending, .. } = &mut numbered.entry {
            ending.outcome = Outcome::Fault;
            "the run file can't be written: no space left on the device".clone_into(&mut ending.reason);
        }
        let park = matches!(numbered.entry, Entry::SafeStep { during: During::Park, .. });
        if park { Vec::new() } else { vec![numbered] }
    });
    made.rehearse(&plain(
        "leak of 12 L in an hour",
        "wait(5.h); park();",
        r#"HeliumLeak(at: "1 h", loss: "12 L/h")"#,
    ));
    let cut = made.rehearse(&Plan { cut_s: Some(1500.0), ..plain("power cut", &series, "") });
    made.resumed("kill and resume", &cut);
    made.rehearse(&plain("two spins", TWO_SPINS, ""));
    made.rehearse(&Plan {
        bench: Some(WEEKDAYS),
        ..plain(
            "refill before anybody is there",
            "wait(2.h); park();",
            r#"HeliumLeak(at: "5 min", loss: "6 L/h")"#,
        )
    });
    made.rehearse(&plain("map", MAP, ""));
    made.rehearse(&plain("power series", POWER, ""));
    made.rehearse(&plain("tip preparation", TIP, ""));
    made.rehearse(&plain("inelastic", INELASTIC, ""));
    made.rehearse(&Plan { window_s: Some(1500.0), ..plain("background until a time", BACKGROUND, "") });
    made
}

/// All kinds.
pub fn kinds() -> &'static [Kind] {
    static MADE: OnceLock<Made> = OnceLock::new();
    &MADE.get_or_init(make).kinds
}
