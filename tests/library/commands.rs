//! Tidying past runs, with a dry run first; and what a check says a sequence would cost.

use crate::common::{say, text, write};

#[test]
fn runs_are_moved_and_pruned_only_after_a_dry_run() {
    let folder = tempfile::tempdir().unwrap();
    let runs = folder.path().join("runs");
    std::fs::create_dir(&runs).unwrap();
    let sequence = write(folder.path(), "short.rhai", "note(\"for the shelf\");\nwait(1.s);\npark();\n");
    for name in ["one", "two", "three"] {
        let said = say(&["rehearse", text(&sequence), "--json", "--out", text(&runs.join(name))]);
        assert_eq!(said.code, 0, "{}", said.stderr);
    }
    let shelf = folder.path().join("shelf");
    let tidy = |more: &[&str]| {
        let mut arguments = vec!["runs", "--folder", text(&runs)];
        arguments.extend_from_slice(more);
        let said = say(&arguments);
        assert_eq!(said.code, 0, "{}", said.stderr);
        said.stdout
    };
    let there = |name: &str| runs.join(name).join("run.sqlite").exists();

    let said = tidy(&["--move-to", text(&shelf), "one"]);
    assert!(said.contains("move to") && said.contains("nothing was touched"), "{said}");
    assert!(there("one") && !shelf.exists());
    let said = tidy(&["--move-to", text(&shelf), "one", "--yes"]);
    assert!(said.contains("done: 1 of 1"), "{said}");
    assert!(!there("one") && shelf.join("one/run.sqlite").exists());

    let said = tidy(&["--prune", "--keep", "1"]);
    assert!(said.contains("remove") && said.contains("nothing was touched"), "{said}");
    assert!(there("two") && there("three"));
    let said = tidy(&["--prune", "--keep", "1", "--yes"]);
    assert!(said.contains("done: 1 of 1"), "{said}");
    assert_eq!(u8::from(there("two")) + u8::from(there("three")), 1, "the newest stays");
    assert!(tidy(&["--prune", "no such words"]).contains("nothing to do"));

    let said = say(&["runs", "--folder", text(&runs), "--prune", "--move-to", text(&shelf)]);
    assert_eq!(said.code, 2, "one or the other: {}", said.stderr);
}

#[test]
fn a_check_says_what_a_sequence_would_cost() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(
        folder.path(),
        "night.rhai",
        "step(\"rest\", || { wait(10.s); });\n\
         if read(\"StageTemperature\") > 0.4.K { wait(30.s); }\n\
         let s = sweep(#{ channel: \"RfFrequency\", from: 14.GHz, to: 14.1.GHz, points: 11, read: \"LockinX\" });\n\
         note(`${s.points}`);\npark();\n",
    );
    let said = say(&["check", text(&sequence)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("rest") && said.stdout.contains("10 s"), "{}", said.stdout);
    assert!(said.stdout.contains("11 points"), "{}", said.stdout);
    let json = say(&["check", text(&sequence), "--json"]).json();
    assert_eq!(json["ok"], true);
    assert_eq!(json["outline"]["steps"][0]["name"], "rest");
    assert_eq!(json["outline"]["total"]["least_points"], 11.0);
    let (least, most) = (&json["outline"]["total"]["least_s"], &json["outline"]["total"]["most_s"]);
    assert!(most.as_f64().unwrap() >= least.as_f64().unwrap() + 30.0, "both branches are costed: {json}");

    // Nothing is costed that can't run.
    let wrong = write(folder.path(), "wrong.rhai", "set(\"Bias\", 5.T);\npark();\n");
    let said = say(&["check", text(&wrong), "--json"]);
    assert_eq!(said.code, 2);
    assert!(said.json().get("outline").is_none(), "{}", said.stdout);
}

#[test]
fn a_check_with_a_window_says_whether_it_is_long_enough() {
    let folder = tempfile::tempdir().unwrap();
    let sequence =
        write(folder.path(), "watch.rhai", "while time_left() > 20.min { wait(10.min); }\npark();\n");
    let without = say(&["check", text(&sequence)]);
    assert!(without.code == 0 && without.stderr.contains("S24"), "{}", without.stderr);
    let with = say(&["check", text(&sequence), "--until", "10 h"]);
    assert!(with.code == 0 && !with.stderr.contains("S24"), "{}", with.stderr);
    let long = write(folder.path(), "long.rhai", "wait(3.h);\npark();\n");
    let short = say(&["check", text(&long), "--until", "1 h"]);
    assert!(short.stdout.contains("too short: it takes 3 h 00 min at least"), "{}", short.stdout);
    assert!(short.stderr.contains("it is too short"), "{}", short.stderr);
    let json = say(&["check", text(&long), "--until", "1 h", "--json"]).json();
    assert!((json["window_s"].as_f64().unwrap() - 3600.0).abs() < 2.0, "{json}");
    assert_eq!(say(&["check", text(&long), "--until", "soon"]).code, 2);
}

#[test]
fn the_whole_name_of_a_run_names_it_and_a_file_that_is_missing_is_said_plainly() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(folder.path(), "short.rhai", "note(\"x\");\n");
    for name in ["runs/dusk", "runs/dusk_two"] {
        let said = say(&["rehearse", text(&sequence), "--json", "--out", text(&folder.path().join(name))]);
        assert_eq!(said.code, 0, "{}", said.stderr);
    }
    let within = |arguments: &[&str]| -> crate::common::Said {
        crate::common::noctule().current_dir(folder.path()).args(arguments).output().unwrap().into()
    };
    assert_eq!(within(&["brief", "dusk"]).code, 0);
    assert_eq!(within(&["brief", "dusk_"]).code, 0);
    let several = within(&["brief", "dus"]);
    assert!(several.code == 2 && several.stderr.contains("2 runs begin like this"), "{}", several.stderr);
    let none = within(&["brief", "dawn"]);
    assert!(none.code == 2 && none.stderr.contains("no run under runs/"), "{}", none.stderr);
    let missing = within(&["check", "short.rhai", "--bench", "nope.ron"]);
    assert_eq!(missing.code, 2);
    assert!(missing.stderr.contains("error[B01]: the bench file can't be read"), "{}", missing.stderr);
    assert!(!missing.stderr.contains("0:0"), "{}", missing.stderr);
}

/// A file of the folder of examples.
fn shipped(name: &str) -> String {
    format!("{}/scripts/{name}", env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn a_bench_is_checked_by_itself() {
    let shipped = shipped("bench_mimic.ron");
    let said = say(&["check", &shipped]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stderr.contains("nothing wrong was found in this bench"), "{}", said.stderr);
    let folder = tempfile::tempdir().unwrap();
    let misspelt = std::fs::read_to_string(&shipped).unwrap().replacen("role: Bias", "role: Bais", 1);
    let faulty = write(folder.path(), "bench.ron", &misspelt);
    let said = say(&["check", text(&faulty)]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("did you mean `Bias`?"), "{}", said.stderr);
}

#[test]
fn a_window_that_may_be_too_short_is_called_so() {
    let soon = jiff::ZonedDateTime::now()
        .with_time_zone(jiff::tz::TimeZone::UTC)
        .saturating_add(jiff::Span::new().minutes(30));
    let until = soon.strftime("%H:%M").to_string();
    let said = say(&["check", &shipped("drift_map.rhai"), "--until", &until]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("perhaps too short"), "{}", said.stdout);
}

#[test]
fn a_check_names_a_world_that_is_not_there() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(folder.path(), "short.rhai", "wait(1.s);\npark();\n");
    let bench = std::fs::read_to_string("scripts/bench_simulated.ron").unwrap();
    let bench = write(folder.path(), "lab.ron", &bench.replace("\"night\"", "\"nite\""));
    let said = say(&["check", text(&sequence), "--bench", text(&bench), "--json"]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    let found = &said.json()["diagnostics"][0];
    assert_eq!(found["code"], "B07", "{found}");
    assert!(found["help"].as_str().is_some_and(|help| help.contains("night")), "{found}");
    assert!(found["line"].as_u64().is_some_and(|line| line > 1), "{found}");

    // A world of one's own is looked at as well, and its lines are shown.
    write(folder.path(), "mine.ron", "World(name: \"mine\", colour: 5)");
    let bench = std::fs::read_to_string("scripts/bench_simulated.ron").unwrap();
    let bench = write(folder.path(), "lab.ron", &bench.replace("\"night\"", "\"mine.ron\""));
    let said = say(&["check", text(&sequence), "--bench", text(&bench)]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("1 | World(name: \"mine\", colour: 5)"), "{}", said.stderr);
}

#[test]
fn another_kind_of_file_is_no_bench_and_that_is_all_that_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(folder.path(), "short.rhai", "wait(1.s);\npark();\n");
    let faults = write(folder.path(), "faults.ron", "Faults(faults: [])");
    let found = say(&["check", text(&sequence), "--bench", text(&faults), "--json"]).json();
    let messages: Vec<&str> =
        found["diagnostics"].as_array().unwrap().iter().filter_map(|d| d["message"].as_str()).collect();
    assert_eq!(messages, ["`Bench(…)` is expected here, not `Faults`"]);
}

#[test]
fn a_fit_takes_the_columns_of_an_exported_sweep() {
    let folder = tempfile::tempdir().unwrap();
    // A line of slope 2e-12 A/Hz beside one of 4, as an export writes them.
    let rows: String = (0..8)
        .map(|i| {
            let f = 1e9 + f64::from(i) * 1e6;
            let ripple = if i % 2 == 0 { 1e-9 } else { -1e-9 };
            format!("{i},{i}.5,{f:e},{:e},{:e}\n", 2e-12 * f + ripple, 4e-12 * f - ripple)
        })
        .collect();
    let table = format!("i,time (s),rf_frequency (Hz),lockin_x (A),lockin_y (A)\n{rows}");
    let file = write(folder.path(), "sweep_0000_line.csv", &table);

    let said = say(&["fit", "line", text(&file)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.starts_with("lockin_x (A) against rf_frequency (Hz)\n"), "{}", said.stdout);
    let slope = said.stdout.lines().find(|line| line.starts_with("slope")).expect("a slope");
    assert!(slope.ends_with("A/Hz"), "{slope}");
    let json = say(&["fit", "line", text(&file), "--y", "lockin_y", "--json"]).json();
    let slope = json["parameters"]["slope"].as_f64().expect("a number");
    assert!((slope / 4e-12 - 1.0).abs() < 1e-3, "{json}");
    assert_eq!((&json["y"], &json["units"]["offset"]), (&"lockin_y (A)".into(), &"A".into()), "{json}");

    // In a formula the column goes as x, or by its name without the unit.
    for (formula, x) in [
        ("a+b*x", Some("rf_frequency (Hz)")),
        ("a+b*rf_frequency", Some("rf_frequency (Hz)")),
        ("a+b*x", Some("rf_frequency")),
        ("a+b*x", None),
    ] {
        let mut arguments =
            vec!["fit", "--formula", formula, "--start", "a=0,b=1e-12", text(&file), "--json"];
        arguments.extend(x.iter().flat_map(|x| ["--x", *x]));
        let said = say(&arguments);
        assert_eq!(said.code, 0, "{formula} {x:?}: {}", said.stderr);
        let b = said.json()["parameters"]["b"].as_f64().expect("a number");
        assert!((b / 2e-12 - 1.0).abs() < 1e-3, "{formula} {x:?}: {b}");
    }
    // Of a sweep over two channels nobody knows which axis is meant.
    write(folder.path(), "sweep_0000_line.json", r#"{ "slow": { "channel": "field_z" } }"#);
    let said = say(&["fit", "line", text(&file)]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("choose with --x"), "{}", said.stderr);
}
