//! The same sequence on the real path: through the mimic, over TCP, it gives the same fits within their errors.

use crate::common::{noctule, say, text, write};
use noctule::mimic::Mimic;
use noctule::record::{Entry, JudgementKind, RunFile};
use noctule_sim::world::World;
use std::path::Path;

/// A short field sweep: find the spin where the world has it, then three spectra.
const SHORT: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
go_to(3.2.nm, -1.85.nm);
recentre();
ramp_field(0.5.T);
set("RfLevel", -3.dBm);
set("RfOutput", 1);
for field in [0.50, 0.54, 0.58] {
    ramp_field(field.T);
    recentre();
    let expected = 25.14.GHz * field;
    let spectrum = sweep(#{
        name: "esr", channel: "RfFrequency", from: expected - 60.MHz, to: expected + 60.MHz, points: 61,
        read: ["LockinX", "Current"], dwell: 400.ms, average: 4,
    });
    fit_resonance(spectrum);
}
park();
"#;

/// Centre and standard error of each fit of a run.
fn centres(file: &Path) -> Vec<(f64, f64)> {
    let judgements = RunFile::open(file).unwrap().all("judgement").unwrap();
    let fits = judgements.into_iter().filter_map(|n| match n.entry {
        Entry::Judgement { what: JudgementKind::Fit, body, .. } => Some(body),
        _ => None,
    });
    let parameter = |body: &serde_json::Value, key: &str| {
        let all = body["fit"]["parameters"].as_array().unwrap();
        all.iter().find(|p| p["name"] == "centre").unwrap()[key].as_f64().unwrap()
    };
    fits.map(|body| (parameter(&body, "value"), parameter(&body, "standard_error"))).collect()
}

/// The shipped bench of the mimic, with the ports that the system gave and a name of its own.
fn bench_for(running: &noctule::mimic::Running) -> String {
    let mut bench = std::fs::read_to_string("scripts/bench_mimic.ron").unwrap();
    for (i, (_, address)) in running.addresses().iter().enumerate() {
        bench = bench.replace(&format!("127.0.0.1:{}", 5125 + i), &address.to_string());
    }
    bench.replace("Lantern cryostat (invented)", &format!("mimic of process {}", std::process::id()))
}

#[test]
fn the_mimic_gives_the_fits_of_the_rehearsal_within_their_errors() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(folder.path(), "short.rhai", SHORT);
    let rehearsed = folder.path().join("rehearsed");
    let said = say(&["rehearse", text(&sequence), "--out", text(&rehearsed), "--json"]);
    assert_eq!(said.code, 0, "{}", said.stderr);

    let world = World::shipped("night").unwrap();
    let running = Mimic::start(&world, 1, "127.0.0.1:0".parse().unwrap(), 1.0, &[]).unwrap();
    let bench = write(folder.path(), "bench.ron", &bench_for(&running));
    let measured = folder.path().join("measured");
    let arguments =
        ["run", text(&sequence), "--bench", text(&bench), "--out", text(&measured), "--pace", "40", "--json"];
    let said: crate::common::Said = noctule().args(arguments).output().unwrap().into();
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let json = said.json();
    assert_eq!(json["outcome"], "finished");
    assert_eq!(json["limit_violations"], 0);
    assert_eq!(json["points"], 3 * 61);
    assert_eq!(json["parked"], true);
    assert!(running.with_microscope(|m| m.read(noctule_sim::Signal::Approached)) < 0.5, "the tip is out");

    let (one, other) = (centres(&rehearsed.join("run.sqlite")), centres(&measured.join("run.sqlite")));
    assert_eq!((one.len(), other.len()), (3, 3));
    for ((a, a_error), (b, b_error)) in one.iter().zip(&other) {
        let pull = (a - b) / a_error.hypot(*b_error);
        println!("{a:.0} Hz rehearsed, {b:.0} Hz measured, {pull:+.2} errors apart");
        assert!(pull.abs() < 5.0, "{a} ± {a_error} and {b} ± {b_error}");
    }
}

/// The shipped sequence with an analysis of its own, with fewer and noisier spectra so that it takes seconds.
#[test]
fn an_own_analysis_goes_the_real_path() {
    let folder = tempfile::tempdir().unwrap();
    let mut text_of = std::fs::read_to_string("scripts/own_analysis.rhai").unwrap();
    for (from, to) in [
        ("let spectra  = 8;", "let spectra  = 3;"),
        ("let wanted   = 1.fA;", "let wanted   = 3.fA;"),
        ("dwell: 6.s,", "dwell: 2.s,"),
        ("average: 30,", "average: 10,"),
    ] {
        assert!(text_of.contains(from), "the sequence says `{from}` no more");
        text_of = text_of.replace(from, to);
    }
    let sequence = write(folder.path(), "own_analysis.rhai", &text_of);
    let world = World::shipped("night").unwrap();
    let running = Mimic::start(&world, 1, "127.0.0.1:0".parse().unwrap(), 1.0, &[]).unwrap();
    let bench =
        write(folder.path(), "bench.ron", &bench_for(&running).replace("mimic of", "analysed mimic of"));
    let run = folder.path().join("run");
    let arguments =
        ["run", text(&sequence), "--bench", text(&bench), "--out", text(&run), "--pace", "200", "--json"];
    let said: crate::common::Said = noctule().args(arguments).output().unwrap().into();
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let json = said.json();
    assert_eq!((&json["outcome"], &json["parked"]), (&"finished".into(), &true.into()));
    let file = RunFile::open(&run.join("run.sqlite")).unwrap();
    let names: Vec<String> = file.sweeps().unwrap().into_iter().map(|sweep| sweep.name).collect();
    assert_eq!(names, ["reference", "first look", "line", "line", "line"]);
    let tables = file.all("table").unwrap().into_iter().filter_map(|n| match n.entry {
        Entry::Table { table, .. } => Some(table.name),
        _ => None,
    });
    let tables: Vec<String> = tables.collect();
    assert!(tables.iter().any(|name| name == "mean line"), "{tables:?}");
    let notes = file.all("note").unwrap().into_iter().filter_map(|n| match n.entry {
        Entry::Note { text, .. } => Some(text),
        _ => None,
    });
    let notes: Vec<String> = notes.collect();
    assert!(
        notes.iter().any(|text| text.starts_with("together it is") && text.ends_with("trusted: true")),
        "{notes:?}"
    );
}

/// A long look at one line, with what the source says of itself at each point.
const WATCHED: &str = r#"
approach();
set("RfLevel", -8.dBm);
set("RfOutput", 1);
sweep(#{ name: "watched", channel: "RfFrequency", from: 12.GHz, to: 12.1.GHz, points: 60,
    read: ["RfLevel", "RfOutput", "Current"], dwell: 600.ms, average: 4 });
park();
"#;

/// The source is away for a fifth of a second in the middle of a sweep and comes back with the settings of its power-on
/// state: that is noticed and told, it is set again, and no point is measured without RF.
#[test]
fn a_source_that_comes_back_switched_off_is_noticed_told_and_set_again() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(folder.path(), "watched.rhai", WATCHED);
    let world = World::shipped("night").unwrap();
    let running = Mimic::start(&world, 1, "127.0.0.1:0".parse().unwrap(), 1.0, &[]).unwrap();
    let bench = bench_for(&running).replace("attempts: 3, pause: \"200 ms\"", "attempts: 20, pause: \"1 s\"");
    let bench = write(folder.path(), "bench.ron", &bench.replace("mimic of", "rebooting mimic of"));
    let run = folder.path().join("run");
    let arguments =
        ["run", text(&sequence), "--bench", text(&bench), "--out", text(&run), "--pace", "10", "--json"];
    let child = noctule()
        .args(arguments)
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let on = || running.with_microscope(|m| m.read(noctule_sim::Signal::RfOutput)) > 0.5;
    let began = std::time::Instant::now();
    while !on() {
        assert!(began.elapsed().as_secs() < 120, "the sweep does not begin");
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    std::thread::sleep(std::time::Duration::from_millis(700));
    assert!(on(), "the sweep is over already");
    running.power_cycle("source", std::time::Duration::from_millis(200));
    let said: crate::common::Said = child.wait_with_output().unwrap().into();
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    let json = said.json();
    assert_eq!((&json["outcome"], &json["points"]), (&"finished".into(), &60.into()));
    assert_eq!(json["limit_violations"], 0);

    let out = folder.path().join("csv");
    let exported = say(&["export", text(&run), "--as", "csv", "--out", text(&out)]);
    assert_eq!(exported.code, 0, "{}", exported.stderr);
    let table = std::fs::read_to_string(out.join("sweep_0000_watched.csv")).unwrap();
    let mut lines = table.lines().filter(|line| !line.starts_with('#'));
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let at = |name: &str| names.iter().position(|column| column.starts_with(name)).expect("the column");
    let (level, output) = (at("rf_level"), at("rf_output"));
    let mut points = 0;
    for line in lines {
        let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
        assert!((cells[level] + 8.0).abs() < 0.2 && cells[output] == 1.0, "a point without RF: {line}");
        points += 1;
    }
    assert_eq!(points, 60);
    let brief = say(&["brief", text(&run)]);
    let flowing = brief.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flowing.contains("was left at -8 dBm"), "{}", brief.stdout);
}
