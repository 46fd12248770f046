//! A helium transfer in a rehearsal: somebody comes, the bench goes to its refill state and comes back, the spot is
//! found again, and the sequence goes on. Laboratory and numbers are invented.

use crate::common::{live_status, say, text, write};
use noctule::record::{During, Entry, JudgementKind, RunFile, SafeAct, Word};
use noctule::script::Sequence;
use serde_json::Value;
use std::path::Path;

/// Finds an adatom of the shipped world, centres on it, and measures its line twice, an hour apart.
const ON_A_SPIN: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
go_to(3.2.nm, -1.85.nm);
if !recentre().found { stop("no adatom here"); }
ramp_field(0.5.T);
recentre();
set("RfLevel", -3.dBm);
set("RfOutput", 1);
for turn in 1..=2 {
    sweep(#{ name: `turn ${turn}`, channel: "RfFrequency", from: 12.44.GHz, to: 12.76.GHz, points: 81,
        read: ["LockinX", "Current"], dwell: 1.s, average: 4 });
    wait(1.h);
}
"#;
/// Somebody comes in the middle of the first sweep.
const REFILL: &str = r#"Refill(at: "8 min", to: "66 L")"#;

struct Rehearsal {
    json: Value,
    code: i32,
    entries: Vec<Entry>,
    /// Moments of the entries, s.
    at_s: Vec<f64>,
}

impl Rehearsal {
    fn of(folder: &Path, sequence: &Path, faults: &str, more: &[&str]) -> Self {
        let faults = write(folder, "faults.ron", &format!("Faults(faults: [{faults}])"));
        let out = folder.join("run");
        let mut arguments = vec!["rehearse", text(sequence), "--out", text(&out), "--json"];
        if !more.contains(&"--refill") {
            arguments.extend(["--faults", text(&faults)]);
        }
        arguments.extend(more);
        let said = say(&arguments);
        let (mut entries, mut at_s) = (Vec::new(), Vec::new());
        let file = RunFile::open(&out.join("run.sqlite")).unwrap_or_else(|e| panic!("{e}: {}", said.stderr));
        file.entries(None, |numbered| {
            entries.push(numbered.entry);
            at_s.push(numbered.at.s());
            Ok(())
        })
        .unwrap();
        Self { json: said.json(), code: said.code, entries, at_s }
    }

    fn steps(&self, wanted: &str) -> Vec<(String, bool)> {
        let steps = self.entries.iter().filter_map(|entry| match entry {
            Entry::SafeStep { during, step, achieved, .. } if during.word() == wanted => {
                Some((step.in_words(), *achieved))
            }
            _ => None,
        });
        steps.collect()
    }

    /// What the engine itself found when it put the tip back, from its record.
    fn own_centring(&self) -> Value {
        let own = self.entries.iter().rev().find_map(|entry| match entry {
            Entry::Judgement { n: u64::MAX, what: JudgementKind::Recentre, body, .. } => Some(body.clone()),
            _ => None,
        });
        own.expect("the engine has re-centred")
    }

    fn has(&self, wanted: impl Fn(&Entry) -> bool) -> bool {
        self.entries.iter().any(wanted)
    }
}

#[test]
fn a_refill_in_the_middle_of_a_sweep_ends_on_the_same_spin() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "spin.rhai", ON_A_SPIN);
    let run = Rehearsal::of(scratch.path(), &sequence, REFILL, &[]);
    assert_eq!((run.code, &run.json["outcome"]), (0, &"finished".into()), "{}", run.json);
    assert_eq!(run.json["limit_violations"], 0);
    assert_eq!(run.json["points"], 162, "every point of both sweeps, none twice");
    assert_eq!(
        run.steps("refill"),
        [
            ("withdraw the tip".to_owned(), true),
            ("rf_output to 0".to_owned(), true),
            ("stage_heater to 0 uW".to_owned(), true),
            ("field_z to 0 T".to_owned(), true)
        ]
    );
    assert_eq!(
        run.steps("restore"),
        [
            ("field_z to 0.5 T".to_owned(), true),
            ("approach the tip".to_owned(), true),
            ("rf_output to 1".to_owned(), true),
            ("find the spot again by height".to_owned(), true)
        ]
    );
    for word in [Word::HoldForRefill, Word::Release] {
        assert!(run.has(|e| matches!(e, Entry::Operator { word: said, .. } if *said == word)), "{word:?}");
    }
    // Drift and transfer have carried the spin away by more than the width of an atom, and the tip followed.
    let centred = run.own_centring();
    let way_m = centred["dx_m"].as_f64().unwrap().hypot(centred["dy_m"].as_f64().unwrap());
    println!(
        "the spin had drifted by {:.0} pm, found again to {} m: {centred}",
        way_m * 1e12,
        centred["x_error_m"]
    );
    assert!(centred["found"] == true && way_m > 0.2e-9 && way_m < 1.2e-9, "{centred}");
    // The level has risen in between.
    let levels: Vec<f64> = run.entries.iter().filter_map(level).collect();
    let least = levels.iter().copied().fold(f64::INFINITY, f64::min);
    let most = levels.iter().copied().fold(0.0, f64::max);
    assert!(least < 0.0582 && most > 0.0655, "{least} to {most} m³");
}

fn level(entry: &Entry) -> Option<f64> {
    match entry {
        Entry::Monitor { channel, value } if channel == "helium_level" => Some(*value),
        _ => None,
    }
}

#[test]
fn a_spot_that_is_gone_parks_the_run_with_its_reason() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "spin.rhai", ON_A_SPIN);
    // The sample drifts by several nanometres while the tip is out.
    let faults = format!(r#"{REFILL}, TipDrift(at: "9 min", speed: "3 pm/s", for: "30 min")"#);
    let run = Rehearsal::of(scratch.path(), &sequence, &faults, &[]);
    assert_eq!((run.code, &run.json["outcome"]), (5, &"fault".into()), "{}", run.json);
    assert_eq!(run.json["parked"], true);
    let reason = run.json["reason"].as_str().unwrap();
    assert!(reason.starts_with("the spot under the tip was not found again after a hold"), "{reason}");
    assert_eq!(run.steps("restore").last(), Some(&("find the spot again by height".to_owned(), false)));
    // Nothing was measured elsewhere: the sweep stops where the hold began.
    let held = run.entries.iter().position(|e| matches!(e, Entry::Held { .. })).unwrap();
    assert!(
        !run.entries[held..].iter().any(|e| matches!(e, Entry::SweepEnd { .. } | Entry::SweepBegin { .. }))
    );
    assert!(run.json["points"].as_u64().unwrap() < 81);
}

#[test]
fn an_operator_who_releases_early_does_not_hurry_the_cryostat() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "spin.rhai", ON_A_SPIN);
    // Released two minutes before the bath is full, while the stage is still warm.
    let faults = r#"Refill(at: "8 min", to: "66 L", leaves_after: "-2 min")"#;
    let run = Rehearsal::of(scratch.path(), &sequence, faults, &[]);
    assert_eq!(run.code, 0, "{}", run.json);
    let at = |wanted: &dyn Fn(&Entry) -> bool| run.entries.iter().position(wanted).unwrap();
    let released = at(&|e| matches!(e, Entry::Operator { word: Word::Release, .. }));
    let back = at(&|e| matches!(e, Entry::SafeStep { during: During::Restore, .. }));
    let warm = run.entries[released..back].iter().any(
        |e| matches!(e, Entry::Monitor { channel, value } if channel == "stage_temperature" && *value > 0.5),
    );
    assert!(warm, "the stage was above its mark when the operator said release");
    let last = run.entries[released..back].iter().rev().find_map(|e| match e {
        Entry::Monitor { channel, value } if channel == "stage_temperature" => Some(*value),
        _ => None,
    });
    assert!(last.unwrap() < 0.55, "it waited until the stage was nearly or quite below 0.5 K: {last:?}");
}

#[test]
fn a_stop_while_the_tip_is_on_its_way_back_parks_it() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "spin.rhai", ON_A_SPIN);
    let whole = Rehearsal::of(scratch.path(), &sequence, REFILL, &[]);
    let in_range = |e: &Entry| matches!(e, Entry::SafeStep { step: SafeAct::Approach, .. });
    let at_s = whole.at_s[whole.entries.iter().position(in_range).unwrap()];
    // Approaching takes 25 s: this is in the middle of it.
    let faults = format!(r#"{REFILL}, Operator(at: "{} s", says: "stop")"#, at_s - 10.0);
    let folder = scratch.path().join("stopped");
    std::fs::create_dir(&folder).unwrap();
    let run = Rehearsal::of(&folder, &sequence, &faults, &[]);
    assert_eq!((run.code, &run.json["outcome"]), (4, &"stopped".into()), "{}", run.json);
    assert_eq!(
        run.steps("restore"),
        [("field_z to 0.5 T".to_owned(), true)],
        "the field was up, the tip not in"
    );
    assert_eq!(run.json["parked"], true, "{:?}", run.steps("park"));
    assert_eq!(
        run.steps("park")[..2],
        [("end the running task".to_owned(), true), ("withdraw the tip".to_owned(), true)]
    );
}

#[test]
fn a_spot_is_found_again_after_an_interlock_had_the_tip_out() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "spin.rhai", ON_A_SPIN);
    let faults = r#"WarmUp(at: "8 min", by: "2 K", for: "40 min")"#;
    let run = Rehearsal::of(scratch.path(), &sequence, faults, &[]);
    assert_eq!((run.code, &run.json["points"]), (0, &162.into()), "{}", run.json);
    let back = run.steps("restore");
    assert_eq!(back.first(), Some(&("approach the tip".to_owned(), true)));
    assert_eq!(back.last(), Some(&("find the spot again by height".to_owned(), true)), "{back:?}");
    assert!(run.own_centring()["found"] == true);
}

#[test]
fn a_rehearsal_with_a_refill_repeats_and_can_be_cut_and_resumed() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "spin.rhai", ON_A_SPIN);
    let whole = Rehearsal::of(scratch.path(), &sequence, REFILL, &[]);
    // A record that ends within the hold, as a power cut leaves it.
    let cut = scratch.path().join("cut");
    std::fs::create_dir(&cut).unwrap();
    std::fs::copy(scratch.path().join("run/run.sqlite"), cut.join("run.sqlite")).unwrap();
    let held = whole.entries.iter().position(|e| matches!(e, Entry::Held { .. })).unwrap();
    let file = RunFile::open(&cut.join("run.sqlite")).unwrap();
    let mut seqs = Vec::new();
    file.entries(None, |numbered| {
        seqs.push(numbered.seq);
        Ok(())
    })
    .unwrap();
    drop(file);
    let database = rusqlite::Connection::open(cut.join("run.sqlite")).unwrap();
    let frontier = seqs[held] + 3;
    for table in ["entry", "point"] {
        database.execute(&format!("DELETE FROM {table} WHERE seq >= ?1"), [frontier]).unwrap();
    }
    database.execute("DELETE FROM bulk WHERE seq >= ?1", [frontier]).unwrap();
    database.execute("DELETE FROM meta WHERE key = 'digest'", []).unwrap();
    drop(database);
    let said = say(&["resume", text(&cut), "--json"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(said.json()["digest"], whole.json["digest"], "bit for bit what it would have been");
}

#[test]
fn the_shipped_two_days_with_a_refill_find_the_moment_of_the_world() {
    let scratch = tempfile::tempdir().unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/two_days.rhai");
    assert!(Sequence::load(&script).is_ok());
    let run = Rehearsal::of(scratch.path(), &script, "", &["--refill", "45 L"]);
    assert_eq!((run.code, &run.json["outcome"]), (0, &"finished".into()), "{}", run.json);
    assert!(run.json["virtual_s"].as_f64().unwrap() > 32.0 * 3600.0, "{}", run.json["virtual_s"]);
    assert!(run.has(|e| matches!(e, Entry::Operator { word: Word::HoldForRefill, .. })));
    // By the engine, or by the sequence where the hold came while it was centring by itself.
    let is_release = |e: &Entry| matches!(e, Entry::Operator { word: Word::Release, .. });
    let released = run.entries.iter().position(is_release).unwrap();
    let centred = run.entries[released..].iter().find_map(|entry| match entry {
        Entry::Judgement { what: JudgementKind::Recentre, body, .. } => Some(body["found"] == true),
        _ => None,
    });
    assert_eq!(centred, Some(true), "the spot was found again");
    let line = run.entries.iter().rev().find_map(|entry| match entry {
        Entry::Judgement { what: JudgementKind::Verdict, body, .. } => Some(body["law"].clone()),
        _ => None,
    });
    let line = line.expect("a field line");
    let (moment, error) = (line["moment_mu_b"].as_f64().unwrap(), line["moment_error"].as_f64().unwrap());
    println!("moment {moment:.5} ± {error:.5} Bohr magnetons; the world has 0.895");
    assert!((moment - 0.895).abs() < 3.0 * error + 0.002, "{moment} ± {error}");
    let sweeps = run.json["sweeps"].as_u64().unwrap();
    assert_eq!(sweeps, 16, "eight fields in each of two passes");
}

/// What the gauge adds up to is what the world lost, with none to three transfers, whoever comes when: within three
/// times the gauge's noise at both ends of each stretch (0.08 L, steps of 0.1 L), and never below zero.
#[test]
fn helium_used_is_what_the_world_lost() {
    let full = std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|size| size == "full");
    let scratch = tempfile::tempdir().unwrap();
    let sequence = write(scratch.path(), "wait.rhai", "for turn in 0..40 { wait(1.h); }");
    let mut worst = 0.0_f64;
    for seed in 1..=if full { 100 } else { 8 } {
        let transfers = seed % 4;
        let came =
            |n: u64| format!(r#"Refill(at: "{} min", to: "{} L")"#, 300 + 660 * n + 7 * seed, 60 + seed % 6);
        let faults = (0..transfers).map(came).collect::<Vec<_>>().join(", ");
        let folder = scratch.path().join(seed.to_string());
        std::fs::create_dir(&folder).unwrap();
        let run = Rehearsal::of(&folder, &sequence, &faults, &["--seed", &seed.to_string()]);
        assert_eq!(run.code, 0, "{}", run.json);
        let used_l = run.json["helium_used_l"].as_f64().unwrap();
        let cold = &run.json["truth"]["cold"];
        let lost_l = cold["helium_boiled_l"].as_f64().unwrap();
        assert_eq!(cold["helium_filled_l"].as_f64().unwrap() > 0.0, transfers > 0, "{cold}");
        // Noise and half a step of the gauge, of the mean of five readings at each end.
        let end_l = 0.08_f64.hypot(0.1 / 12_f64.sqrt()) / 5_f64.sqrt();
        let allowed_l = 3.0 * end_l * (2.0 * (transfers as f64 + 1.0)).sqrt();
        worst = worst.max((used_l - lost_l).abs() / allowed_l);
        assert!(
            used_l >= 0.0 && (used_l - lost_l).abs() < allowed_l,
            "{seed}: {used_l} {lost_l} {allowed_l}"
        );
        let brief = std::fs::read_to_string(folder.join("run/brief.html")).unwrap();
        let words = format!("{used_l:.2} L used");
        assert!(brief.contains(&words), "{seed}: {words}");
        let story = say(&["brief", "--json", text(&folder.join("run"))]).json()["runs"][0]["story"].clone();
        let page = live_status(&folder.join("run/run.sqlite"));
        for helium in
            [&run.json["story"]["helium"], &story["helium"], &page["helium"], &page["result"]["helium"]]
        {
            assert!(helium["used"].as_str().unwrap().starts_with(&words), "{seed}: {words}, {helium}");
        }
    }
    println!("the largest difference is {worst:.2} of what is allowed");
}

/// A pot that runs dry while the tip is out for a transfer: nothing would be cold again by itself, and the hold would wait
/// until it gives up. It is condensed anew, and the run goes on.
#[test]
fn a_pot_that_runs_dry_in_a_transfer_is_condensed_and_the_run_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let world = "World(starts_from: \"night\", name: \"dry soon\", note: \"Invented.\", purpose: \"a pot that ends\", perfect_night: \"goes on\",\n    cryostat: Cryostat(pot: Pot(initial_part: 0.012)))";
    let world = write(folder.path(), "world.ron", world);
    let faults = write(folder.path(), "faults.ron", "Faults(faults: [Refill(at: \"30 min\", to: \"60 L\")])");
    let sequence = write(
        folder.path(),
        "waits.rhai",
        "set(\"Bias\", 60.mV); set(\"Setpoint\", 10.pA);\napproach();\nfor i in 0..30 { wait(10.min); recentre(); }\npark();\n",
    );
    let out = folder.path().join("run");
    let args = ["--world", text(&world), "--faults", text(&faults), "--out", text(&out), "--json"];
    let said = say(&[&["rehearse", text(&sequence)], &args[..]].concat());
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(said.json()["outcome"], "finished", "{}", said.stdout);
    let brief = say(&["brief", text(&out)]);
    assert!(brief.stdout.contains("pot empty, tip out"), "{}", brief.stdout);
}

/// What clears and trips again whenever the bench is brought back is as much in vain as what never clears: the run ends.
#[test]
fn a_hold_that_comes_again_whenever_it_is_left_ends_the_run() {
    let folder = tempfile::tempdir().unwrap();
    let shipped = std::fs::read_to_string("scripts/bench_simulated.ron").unwrap();
    let lock = "        Interlock(name: \"any heat\", trip: \"stage_heater > 10 uW\", lasting: \"15 min\", every: \"10 s\",\n            clear: \"stage_heater < 1 uW\", action: Hold, patience: \"10 min\", because: \"a test\"),\n        Interlock(name: \"pot sensor frozen\"";
    let bench = shipped.replace("        Interlock(name: \"pot sensor frozen\"", lock);
    assert_ne!(bench, shipped);
    let bench = write(folder.path(), "bench.ron", &bench);
    let sequence = write(
        folder.path(),
        "warm.rhai",
        "wait(1.min);\nset(\"StageHeater\", 50.uW);\nwait(40.h);\npark();\n",
    );
    let out = folder.path().join("run");
    let said = say(&["rehearse", text(&sequence), "--bench", text(&bench), "--out", text(&out), "--json"]);
    let summary = said.json();
    assert_eq!(summary["outcome"], "interlock", "{summary}");
    let reason = summary["reason"].as_str().unwrap();
    assert!(reason.contains("no step of the sequence came to its end between"), "{reason}");
    let hours = summary["virtual_s"].as_f64().unwrap() / 3600.0;
    assert!((12.0..13.0).contains(&hours), "{hours}");
}

/// The heater goes down in steps, and the stage is warmer than the heater may be set at: the way down is free, or a hold would
/// leave it on.
#[test]
fn a_hold_turns_the_heater_off_whatever_the_stage_is_at() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(
        folder.path(),
        "warm.rhai",
        "set(\"StageHeater\", 600.uW);\nset(\"StageHeater\", 0.W);\npark();\n",
    );
    let faults = write(
        folder.path(),
        "faults.ron",
        "Faults(faults: [WarmUp(at: \"2 min\", by: \"1.5 K\", for: \"30 min\")])",
    );
    let out = folder.path().join("run");
    let said = say(&["rehearse", text(&sequence), "--faults", text(&faults), "--out", text(&out), "--json"]);
    assert_eq!(said.code, 0, "{}{}", said.stdout, said.stderr);
    let file = RunFile::open(&out.join("run.sqlite")).unwrap();
    let mut turned_off = 0;
    file.entries(None, |numbered| {
        if let Entry::SafeStep { during: During::Hold, step: SafeAct::Set(column, value), achieved, .. } =
            &numbered.entry
            && column.channel == "stage_heater"
        {
            assert!(*achieved && *value == 0.0, "{:?}", numbered.entry);
            turned_off += 1;
        }
        Ok(())
    })
    .unwrap();
    assert!(turned_off >= 1);
}
