//! What was measured as values: sweeps that decide, tables, settings, and what other programs read of them.

use crate::common::{noctule, say, text, write};
use noctule::record::{Entry, RunFile};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// Rehearses a text; gives the folder of its run and what it printed.
fn rehearse(scratch: &Path, name: &str, sequence: &str, more: &[&str]) -> (PathBuf, Value) {
    let file = write(scratch, &format!("{name}.rhai"), sequence);
    let checked = say(&["check", text(&file), "--json"]);
    assert_eq!(checked.json()["diagnostics"], serde_json::json!([]), "{}", checked.stdout);
    let out = scratch.join(format!("{name}_run"));
    let mut arguments = vec!["rehearse", text(&file), "--seed", "5", "--out", text(&out), "--json"];
    arguments.extend_from_slice(more);
    let said = say(&arguments);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    assert_eq!(said.json()["limit_violations"], 0);
    (out, said.json())
}

fn open(run: &Path) -> RunFile {
    RunFile::open(&run.join("run.sqlite")).unwrap()
}

fn notes(file: &RunFile) -> Vec<String> {
    let said = file.all("note").unwrap().into_iter().filter_map(|n| match n.entry {
        Entry::Note { text, .. } => Some(text),
        _ => None,
    });
    said.collect()
}

const PLACES: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
let s = sweep(#{ name: "list", channel: "Bias", values: [20.mV, 25.mV, 40.mV, 60.mV], settle: 1.s,
    read: ["Current", "Setpoint"], passes: ["up", "down", "random"],
    along: #{ channel: "Setpoint", by: |v| 9.pA + (v / 1.V) * 20.pA } });
let line = spectrum(s, "Current");
for i in 0..4 { note(`${line["Bias"][i].mV} ${line["Current"][i].pA} ${line["Current"].errors[i].pA}`); }
let evenly = sweep(#{ name: "evenly", channel: "Bias", from: 20.mV, to: 60.mV, points: 5, read: "Current", settle: 1.s,
    along: [#{ channel: "Setpoint", from: 8.pA, to: 12.pA }, #{ channel: "RfLevel", values: [-20.dBm, -19.dBm, -18.dBm, -17.dBm, -16.dBm] }] });
let t = table(evenly);
note(`${t.columns}`);
let both = average([spectrum(evenly, "Current"), line.at(spectrum(evenly, "Current"))], [1, 3]);
record_table("both ways", both);
record_table("own", table(["field", "line", "line_error"], [[0.5.T, 14.GHz, 1.kHz], [0.6.T, (), 2.kHz]]));
let till = sweep(#{ name: "till", channel: "Bias", from: 20.mV, to: 60.mV, points: 5, read: "Current", settle: 1.s,
    passes: 40, until_error: #{ channel: "Current", error: 100.fA } });
note(`${till.points / 5} passes`);
let _straight = fit_shape("line", spectrum(till, "Current"), "Current");
try {
    sweep(#{ channel: "Bias", from: 20.mV, to: 60.mV, points: 3, read: "Current", stop_after_point: |seen| { set("Bias", 30.mV); false } });
} catch (error) { note(error.message); }
try { let apart = t - line; note(`${apart}`); } catch (error) { note(`${error}`); }
park();
"#;

#[test]
fn sweeps_go_by_lists_in_passes_with_channels_moved_along_and_end_when_it_is_enough() {
    let scratch = tempfile::tempdir().unwrap();
    let (run, summary) = rehearse(scratch.path(), "places", PLACES, &[]);
    let file = open(&run);
    let list = file.sweep(0).unwrap();
    let mut once = vec![0.02, 0.025, 0.04, 0.06];
    assert_eq!(list.x[..4], once);
    assert_eq!(list.x[4..8].iter().rev().copied().collect::<Vec<_>>(), once);
    let mut random = list.x[8..].to_vec();
    random.sort_by(f64::total_cmp);
    assert_eq!(random, once);
    once.reverse();
    // What is moved along is not read: its column says where it was put.
    assert_eq!(list.read[1].channel, "setpoint");
    for (x, put) in list.x.iter().zip(&list.values[1]) {
        assert!((put - (9e-12 + x * 20e-12)).abs() < 1e-24, "{put} at {x}");
    }
    let said = notes(&file);
    // Means and errors of the passes, worked out again from the points: how they differ over all places together.
    let at = |x: f64| -> Vec<f64> {
        list.x.iter().zip(&list.values[0]).filter(|(at, _)| **at == x).map(|(_, y)| *y).collect()
    };
    let mean = |seen: &[f64]| seen.iter().sum::<f64>() / seen.len() as f64;
    let square = |seen: &[f64]| seen.iter().map(|y| (y - mean(seen)).powi(2)).sum::<f64>();
    let places = [0.02, 0.025, 0.04, 0.06];
    let error = (places.iter().map(|x| square(&at(*x))).sum::<f64>() / 8.0 / 3.0).sqrt();
    for (x, said) in places.iter().zip(&said) {
        let numbers: Vec<f64> = said.split(' ').map(|n| n.parse().unwrap()).collect();
        let close = |a: f64, b: f64| (a - b * 1e12).abs() < 1e-6;
        assert!(close(numbers[1], mean(&at(*x))) && close(numbers[2], error), "{said}");
    }
    let evenly = file.sweep(1).unwrap();
    assert!(
        evenly.values[1]
            .iter()
            .zip([8e-12, 9e-12, 10e-12, 11e-12, 12e-12])
            .all(|(a, b)| (a - b).abs() < 1e-22)
    );
    assert_eq!(evenly.values[2], [-20.0, -19.0, -18.0, -17.0, -16.0]);
    assert_eq!(said[4], r#"["bias", "current", "setpoint", "rf_level"]"#);
    // It ended before its last pass, and says why.
    let ends = file.all("sweep_end").unwrap();
    let Entry::SweepEnd { points, because: Some(because), .. } = &ends[2].entry else {
        panic!("{:?}", ends[2])
    };
    assert!(*points < 200 && because.contains("100 fA was wanted"), "{points}: {because}");
    assert_eq!(said[5], format!("{} passes", points / 5));
    let till = file.sweep(2).unwrap();
    let square: f64 = (0..5)
        .map(|k| {
            let seen: Vec<f64> = till.values[0].iter().skip(k).step_by(5).copied().collect();
            let (n, mean) = (seen.len() as f64, seen.iter().sum::<f64>() / seen.len() as f64);
            seen.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))
        })
        .sum();
    assert!((square / 5.0).sqrt() <= 100e-15, "the error that was wanted is reached");
    assert!(said[6].contains("`set` can't be used here: a rule or a condition only looks"), "{}", said[6]);
    assert!(said[7].contains("bring one to the places of the other first"), "{}", said[7]);
    // The same seed goes the same ways.
    let elsewhere = tempfile::tempdir().unwrap();
    let (again, second) = rehearse(elsewhere.path(), "places", PLACES, &[]);
    assert_eq!(second["digest"], summary["digest"]);
    assert_eq!(open(&again).sweep(0).unwrap().x, list.x);
}

/// Points that are read until their error is reached, and a map over lists with channels moved along both axes.
const AGAIN: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
let plan = #{ name: "again", channel: "Bias", from: 20.mV, to: 60.mV, points: 30, read: ["Current", "StageTemperature"], settle: 1.s };
plan.until_error = #{ channel: "Current", error: 40.fA, readings: 400 };
let _good = sweep(plan);
plan.name = "short";
plan.until_error.readings = 5;
let _short = sweep(plan);
let map = grid(#{ name: "map", read: "Current",
    slow: #{ channel: "Setpoint", values: [5.pA, 10.pA, 7.pA], along: #{ channel: "RfLevel", values: [-20.dBm, -19.dBm, -18.dBm] } },
    fast: #{ channel: "Bias", values: [20.mV, 30.mV, 50.mV, 60.mV], along: #{ channel: "RfFrequency", by: |v| 14.GHz + (v / 1.V) * 1.GHz } } });
let t = table(map);
note(`${t.columns} ${t.rows}`);
park();
"#;

#[test]
fn points_are_read_until_their_error_is_reached_and_maps_go_by_lists() {
    let scratch = tempfile::tempdir().unwrap();
    let (run, _) = rehearse(scratch.path(), "again", AGAIN, &[]);
    let file = open(&run);
    // The current behind the closed loop is the setpoint on average: means of points scatter as they were told to.
    let good = file.sweep(0).unwrap();
    assert_eq!(good.values[0].len(), 30);
    let mean = good.values[0].iter().sum::<f64>() / 30.0;
    let spread = (good.values[0].iter().map(|y| (y - mean).powi(2)).sum::<f64>() / 29.0).sqrt();
    assert!(
        (20e-15..80e-15).contains(&spread),
        "means of points scatter by {spread:e} A, 40 fA was asked for"
    );
    let reached: Vec<(u64, f64, u32)> = file
        .all("not_reached")
        .unwrap()
        .into_iter()
        .map(|n| match n.entry {
            Entry::NotReached { sweep, error, readings, .. } => (sweep, error, readings),
            other => panic!("{other:?}"),
        })
        .collect();
    assert!(reached.len() > 20, "five readings are too few for most points: {reached:?}");
    assert!(reached.iter().all(|(sweep, error, readings)| *sweep == 1 && *error > 40e-15 && *readings == 5));
    let map = file.sweep(2).unwrap();
    assert_eq!(map.x, [0.02, 0.03, 0.05, 0.06].repeat(3));
    let rows = |values: [f64; 3]| values.iter().flat_map(|v| [*v; 4]).collect::<Vec<f64>>();
    assert_eq!(map.y, rows([5e-12, 10e-12, 7e-12]));
    assert_eq!(map.values[2], rows([-20.0, -19.0, -18.0]));
    assert!(
        map.values[1].iter().zip(&map.x).all(|(f, v)| (f - 14e9 - v * 1e9).abs() < 1e-3),
        "{:?}",
        map.values[1]
    );
    assert_eq!(notes(&file)[0], r#"["bias", "setpoint", "current", "rf_frequency", "rf_level"] 12"#);
}

fn sql(run: &Path, query: &str) -> Vec<Vec<Value>> {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let db = rusqlite::Connection::open_with_flags(run.join("run.sqlite"), flags).unwrap();
    let mut statement = db.prepare(query).unwrap();
    let width = statement.column_count();
    let rows = statement.query_map([], |row| {
        (0..width)
            .map(|k| {
                Ok(match row.get_ref(k)? {
                    rusqlite::types::ValueRef::Integer(i) => i.into(),
                    rusqlite::types::ValueRef::Real(r) => r.into(),
                    rusqlite::types::ValueRef::Text(t) => String::from_utf8_lossy(t).into_owned().into(),
                    _ => Value::Null,
                })
            })
            .collect::<rusqlite::Result<Vec<Value>>>()
    });
    rows.unwrap().collect::<rusqlite::Result<_>>().unwrap()
}

#[test]
fn settings_fits_and_own_tables_are_read_by_sql_csv_and_pandas() {
    let scratch = tempfile::tempdir().unwrap();
    let (run, _) = rehearse(scratch.path(), "places", PLACES, &[]);
    let settings = sql(
        &run,
        "SELECT moment, value FROM settings WHERE sweep = 1 AND channel = 'setpoint' ORDER BY moment",
    );
    // The sweep before had left it at its last place; this one leaves it at 12 pA.
    assert_eq!(settings[1], [Value::from("end"), 12e-12.into()]);
    assert_eq!(settings[0][0], "begin");
    let gauges = sql(&run, "SELECT count(*) FROM settings WHERE channel = 'stage_temperature' AND value > 0");
    assert_eq!(gauges[0][0], 8, "at both ends of four sweeps, one of which failed by its rule");
    let fits = sql(&run, "SELECT sweep, parameter, value, error FROM fits WHERE parameter = 'slope'");
    assert_eq!(fits.len(), 1);
    assert!(fits[0][2].as_f64().unwrap() != 0.0 && fits[0][3].as_f64().unwrap() > 0.0);
    let own = sql(&run, "SELECT field_T, line_Hz, line_error_Hz FROM table_own ORDER BY i");
    assert_eq!(own, [[Value::from(0.5), 14e9.into(), 1e3.into()], [0.6.into(), Value::Null, 2e3.into()]]);

    let folder = scratch.path().join("csv");
    let said = say(&["export", text(&run), "--as", "csv", "--out", text(&folder)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let sweep = std::fs::read_to_string(folder.join("sweep_0001_evenly.csv")).unwrap();
    assert!(sweep.starts_with("# setting,at its beginning,at its end\n"), "{}", &sweep[..200]);
    assert!(sweep.contains("\n# setpoint (A),"), "{sweep}");
    let meta: Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("sweep_0001_evenly.json")).unwrap())
            .unwrap();
    assert_eq!(meta["settings"]["end"]["set"]["setpoint"], 12e-12);
    let all = std::fs::read_to_string(folder.join("sweeps.csv")).unwrap();
    let mut reader = csv::Reader::from_reader(all.as_bytes());
    let head: Vec<String> = reader.headers().unwrap().iter().map(ToOwned::to_owned).collect();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let at = |name: &str| head.iter().position(|h| h == name).unwrap_or_else(|| panic!("{name}: {head:?}"));
    assert_eq!(rows.len(), 4);
    assert_eq!(rows[1][at("setpoint end (A)")].parse::<f64>().unwrap(), 12e-12);
    assert!(rows[2][at("ended early because")].contains("was wanted"));

    if std::env::var("NOCTULE_PYTHON_CHECKS").is_ok_and(|on| on == "1") {
        let script = "import sys, glob, sqlite3, pandas, h5py\n\
            run, folder = sys.argv[1:]\n\
            table = pandas.read_csv(folder + '/sweeps.csv')\n\
            assert list(table['name']) == ['list', 'evenly', 'till', 'sweep'], table\n\
            assert abs(table['setpoint end (A)'][1] - 12e-12) < 1e-20\n\
            sweep = pandas.read_csv(folder + '/sweep_0001_evenly.csv', comment='#')\n\
            assert len(sweep) == 5 and 'setpoint (A)' in sweep.columns, sweep.columns\n\
            own = pandas.read_csv(glob.glob(folder + '/table_*_own.csv')[0])\n\
            assert own['line (Hz)'].isna().tolist() == [False, True], own\n\
            db = sqlite3.connect(f'file:{run}/run.sqlite?mode=ro', uri=True)\n\
            wide = pandas.read_sql('SELECT * FROM settings', db).pivot_table(index='sweep', columns=['channel', 'moment'], values='value')\n\
            assert len(wide) == 4\n\
            with h5py.File(folder + '/../run.h5') as f:\n\
            \x20   assert abs(f['run/sweep_0001_evenly'].attrs['setpoint_end'] - 12e-12) < 1e-20\n\
            \x20   assert f['run/sweeps/points'].shape == (4,)\n\
            \x20   assert any(name.endswith('_own') for name in f['run'])\n";
        let h5 = scratch.path().join("run.h5");
        assert_eq!(say(&["export", text(&run), "--as", "hdf5", "--out", text(&h5)]).code, 0);
        let python = std::process::Command::new("python3")
            .args(["-c", script, text(&run), text(&folder)])
            .output()
            .unwrap();
        assert!(python.status.success(), "{}", String::from_utf8_lossy(&python.stderr));
    }
}

#[test]
fn a_silent_gauge_leaves_a_gap_with_its_reason_and_the_sweep_goes_on() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = r#"
set("Bias", 60.mV);
approach();
let s = sweep(#{ name: "gappy", channel: "Bias", from: 20.mV, to: 60.mV, points: 60, settle: 2.s,
    read: ["Current", "StageTemperature", "ChamberPressure"] });
note(`${s.column("StageTemperature").gaps} gaps, mean ${s.column("StageTemperature").mean}, current ${s.column("Current").gaps}`);
note(`${spectrum(s, "StageTemperature").rows} rows`);
park();
"#;
    // The gauge gives no number for a minute: the interlock waits for two before it takes the tip out.
    let faults = r#"Faults(faults: [NotANumber(at: "80 s", for: "1 min", channel: "stage_temperature")])"#;
    let faults = write(scratch.path(), "faults.ron", faults);
    let (run, _) = rehearse(scratch.path(), "gappy", sequence, &["--faults", text(&faults)]);
    let file = open(&run);
    let table = file.sweep(0).unwrap();
    let gaps: Vec<usize> = (0..60).filter(|i| table.values[1][*i].is_nan()).collect();
    assert!((5..40).contains(&gaps.len()), "{gaps:?}");
    assert!(
        table.values[0].iter().chain(&table.values[2]).all(|v| v.is_finite()),
        "only that gauge has gaps"
    );
    let told = sql(&run, "SELECT i, channel, reason FROM gaps");
    assert_eq!(told.len(), 1, "one entry for one gap: {told:?}");
    assert_eq!((told[0][0].as_u64(), &told[0][1]), (Some(gaps[0] as u64), &Value::from("stage_temperature")));
    assert!(!told[0][2].as_str().unwrap().is_empty());
    let said = notes(&file);
    assert!(
        said[0].starts_with(&format!("{} gaps, mean ", gaps.len())) && said[0].ends_with("current 0"),
        "{said:?}"
    );
    assert_eq!(said[1], format!("{} rows", 60 - gaps.len()));
    assert!(file.check().unwrap().faults.is_empty());
    assert_eq!(sql(&run, "SELECT count(*) FROM point WHERE r1 IS NULL")[0][0], gaps.len());
    let folder = scratch.path().join("csv");
    assert_eq!(say(&["export", text(&run), "--as", "csv", "--out", text(&folder)]).code, 0);
    let csv = std::fs::read_to_string(folder.join("sweep_0000_gappy.csv")).unwrap();
    assert_eq!(csv.lines().filter(|line| !line.starts_with('#') && line.contains(",,")).count(), gaps.len());
}

#[test]
fn ten_million_points_are_cut_and_added_in_flat_memory() {
    // Without a run around it: what one thread holds in rows of numbers, and what the system gave it.
    use noctule::quantity::{Dimension, Quantity};
    use noctule::script::numbers::{Numbers, Operation, held};
    use noctule::script::table::{Column, Table};
    let rows = 10_000_000;
    let x = Numbers::new((0..rows).map(f64::from).collect(), Dimension::TIME);
    let row =
        |seed: f64| Numbers::new((0..rows).map(|i| seed + f64::from(i % 7)).collect(), Dimension::CURRENT);
    let table = |y: Numbers| Table::new(vec![Column::new("t", x.clone()), Column::new("i", y)], 1).unwrap();
    let mut sum = table(row(0.0));
    let before = (held(), resident());
    for n in 1..=8 {
        let more = table(row(f64::from(n)));
        sum = sum.combined(Operation::Plus, &more).unwrap();
        assert_eq!(held() - before.0, row_bytes(rows), "{n} sums: the new table alone");
        drop(more);
        assert_eq!(held(), before.0, "{n} sums");
        for cut in 0..1000 {
            let part = sum.part(cut * 1000, rows as usize - cut * 1000).unwrap();
            let ends = [2e6, 3e6].map(|t| Quantity::new(t, Dimension::TIME));
            assert_eq!(part.part(0, 10).unwrap().rows(), 10);
            if cut % 500 == 0 {
                assert_eq!(part.within("t", ends[0], ends[1]).unwrap().rows(), 1_000_001);
            }
        }
        assert_eq!(held(), before.0, "parts hold nothing");
    }
    assert_eq!(sum.column("i").unwrap().values[6], 36.0 + 9.0 * 6.0);
    // Eight sums and eight thousand parts of 80 MB each, within three rows more than at the beginning.
    let grown = resident().saturating_sub(before.1);
    assert!(grown < 3 * row_bytes(rows), "grew by {} MB", grown >> 20);
}

/// A sequence that adds, cuts and averages two million points again and again: forty turns make five times what all tables
/// may hold together, so it comes to its end only if each turn gives back what it took.
const MANY: &str = r#"
set("Bias", 60.mV);
approach();
let t = table(trace("Current", 2_000_000, 10.us));
let sum = t;
for n in 0..40 {
    sum = sum + t;
    for cut in 0..100 {
        let part = sum.part(cut * 1000, 2_000_000 - cut * 1000);
        if cut % 50 == 0 { let _mean = part["Current"].mean; }
    }
    let upper = sum.within("time", 2.s, 8.s);
    let mean = average([t, sum]);
    if n == 39 { note(`${upper.rows} ${(mean["Current"].mean / t["Current"].mean)}`); }
}
park();
"#;

#[test]
fn a_sequence_adds_cuts_and_averages_millions_of_points_in_flat_memory() {
    let scratch = tempfile::tempdir().unwrap();
    let (run, _) = rehearse(scratch.path(), "many", MANY, &[]);
    let said = notes(&open(&run));
    let (rows, ratio) = said[0].split_once(' ').unwrap();
    assert!(rows == "600000" || rows == "600001", "{said:?}");
    // The mean of one and forty-one times the same.
    assert!((ratio.parse::<f64>().unwrap() - 21.0).abs() < 1e-9, "{said:?}");
}

fn row_bytes(rows: i32) -> usize {
    rows as usize * size_of::<f64>()
}

/// Bytes of this process in memory.
fn resident() -> usize {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<usize>().unwrap() << 10
}

/// The shipped sequence, and its results worked out again from its points.
#[test]
fn the_own_analysis_that_is_shipped_comes_to_what_its_points_say() {
    let scratch = tempfile::tempdir().unwrap();
    let run = scratch.path().join("run");
    let said = say(&["rehearse", "scripts/own_analysis.rhai", "--seed", "1", "--out", text(&run), "--json"]);
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let file = open(&run);
    let tables = sql(&run, "SELECT name, rows FROM tables ORDER BY seq");
    let names: Vec<&str> = tables.iter().map(|row| row[0].as_str().unwrap()).collect();
    assert_eq!(names, ["noise of the current", "how long to average", "mean line", "drift of the line"]);
    assert_eq!(tables[3][1], 8, "a row for each spectrum");
    let sweeps = file.sweeps().unwrap();
    assert_eq!(sweeps.iter().filter(|s| s.name == "line").count(), 8);
    let early = sql(
        &run,
        "SELECT body ->> '$.because' FROM entry WHERE kind = 'sweep_end' AND body ->> '$.because' IS NOT NULL",
    );
    assert!(!early.is_empty(), "at least one sweep had seen enough before its end");
    compare_mean_line(&run, &file);
    compare_with_scipy(scratch.path(), &run);
}

/// The recorded mean against means of the recorded points less the reference on straight lines between its places.
fn compare_mean_line(run: &Path, file: &RunFile) {
    let means = |sweep: u64| {
        let table = file.sweep(sweep).unwrap();
        let mut all: std::collections::BTreeMap<u64, Vec<f64>> = std::collections::BTreeMap::new();
        for (x, y) in table.x.iter().zip(&table.values[0]) {
            all.entry(x.to_bits()).or_default().push(*y);
        }
        let mean = |seen: &[f64]| seen.iter().sum::<f64>() / seen.len() as f64;
        let square: f64 = all.values().flat_map(|seen| seen.iter().map(|y| (y - mean(seen)).powi(2))).sum();
        let freedom: usize = all.values().map(|seen| seen.len() - 1).sum();
        // Frequencies are positive, so their bits rise as they do.
        let one = |(x, seen): (&u64, &Vec<f64>)| {
            (f64::from_bits(*x), mean(seen), square / freedom as f64 / seen.len() as f64)
        };
        all.iter().map(one).collect::<Vec<_>>()
    };
    let sweeps = file.sweeps().unwrap();
    let reference = means(sweeps.iter().find(|s| s.name == "reference").unwrap().sweep);
    let at = |x: f64| {
        let k = reference.partition_point(|place| place.0 <= x).clamp(1, reference.len() - 1);
        let (a, b) = (reference[k - 1], reference[k]);
        let share = (x - a.0) / (b.0 - a.0);
        (a.1 + share * (b.1 - a.1), (1.0 - share).powi(2) * a.2 + share.powi(2) * b.2)
    };
    let lines: Vec<_> = sweeps.iter().filter(|s| s.name == "line").map(|s| means(s.sweep)).collect();
    let recorded =
        sql(run, "SELECT rf_frequency_Hz, lockin_x_A, lockin_x_error_A FROM table_mean_line ORDER BY i");
    assert_eq!(recorded.len(), lines[0].len());
    for (i, row) in recorded.iter().enumerate() {
        let number = |k: usize| row[k].as_f64().unwrap();
        let terms = lines.iter().map(|line| {
            let (value, square) = at(line[i].0);
            (line[i].1 - value, line[i].2 + square)
        });
        let weight: f64 = terms.clone().map(|(_, square)| 1.0 / square).sum();
        let mean: f64 = terms.map(|(value, square)| value / square).sum::<f64>() / weight;
        assert!(
            (number(1) - mean).abs() < 1e-9 * mean.abs() + 1e-24,
            "place {i}: {} against {mean}",
            number(1)
        );
        assert!((number(2) / weight.powf(-0.5) - 1.0).abs() < 1e-9, "error of place {i}");
    }
}

/// The Python of the guide as it is printed, on a run and its export.
fn printed_python(run: &Path, folder: &Path) -> String {
    let said = say(&["guide", "own-analysis"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let lines = said.stdout.lines().skip_while(|line| !line.starts_with("    import "));
    let block = lines.take_while(|line| line.is_empty() || line.starts_with("    "));
    let code: Vec<&str> = block.map(|line| line.get(4..).unwrap_or("")).collect();
    assert!(code.len() > 20, "{code:?}");
    code.join("\n").replace("FOLDER", text(folder)).replace("RUN", text(run))
}

/// What it comes to is what the sequence has found, to a hundredth of an error; and the noise is what scipy makes of the
/// exported trace.
const SAME: &str = r#"
assert fit.success, fit.message
for place, name, unit, zero in [(0, "width", 1e6, 0), (1, "height", 1e-13, 0), (2, "skew", 1e-13, 0)] + [
    (3 + 2 * n, f"centre@{n + 1}", 1e6, middle) for n in range(len(lines))
]:
    theirs, error, ours = zero + fit.x[place] * unit, errors[place] * unit, found.loc[name]
    assert abs(ours["value"] - theirs) < 1e-2 * error, (name, ours["value"], theirs, error)
    assert abs(ours["error"] / error - 1) < 1e-2, (name, ours["error"], error)
import glob
from scipy.signal import welch
for trace in glob.glob("FOLDER/trace_*_current.csv"):
    readings = pandas.read_csv(trace).iloc[:, 1].to_numpy()
    f, density = welch(readings, fs=200.0, window="hann", nperseg=256, noverlap=128, detrend="constant")
    [recorded] = glob.glob("FOLDER/table_*_noise_of_the_current.csv")
    recorded = pandas.read_csv(recorded)
    assert numpy.allclose(recorded["frequency (Hz)"], f)
    [column] = [name for name in recorded.columns if name.startswith("density (")]
    assert numpy.allclose(recorded[column], density, rtol=1e-9), column
"#;

/// The common fit against scipy's, from what the export holds, by the lines that the guide prints.
fn compare_with_scipy(scratch: &Path, run: &Path) {
    let wanted = ["NOCTULE_PYTHON_CHECKS", "NOCTULE_NEEDS_PYTHON"];
    if !wanted.iter().any(|name| std::env::var(name).is_ok_and(|on| on == "1")) {
        eprintln!("NOT CHECKED with pandas and scipy: NOCTULE_NEEDS_PYTHON=1 does");
        return;
    }
    let folder = scratch.join("csv");
    let exported =
        noctule().args(["export", text(run), "--as", "csv", "--out", text(&folder)]).status().unwrap();
    assert!(exported.success());
    let script = format!("{}\n{}", printed_python(run, &folder), SAME.replace("FOLDER", text(&folder)));
    let python = std::process::Command::new("python3").args(["-c", &script]).output().unwrap();
    assert!(python.status.success(), "{}", String::from_utf8_lossy(&python.stderr));
}
