//! Words from another terminal, signals, the lock of a bench, and a queue of sequences.

use crate::common::{Said, noctule, say, text, write};
use crate::interruptions::{intact, sweeps, wait_until};
use crate::lab::{Lab, simulated, wall_sweeps};
use noctule::record::{During, Entry, Outcome, RunFile};
use noctule_sim::Signal;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output};
use std::time::Duration;

const PATIENCE: Duration = Duration::from_secs(20);

/// A run that is going on.
struct Going {
    child: Child,
    folder: PathBuf,
}

impl Going {
    fn start(sequence: &Path, bench: &Path, folder: &Path, pace: &str) -> Self {
        let run =
            ["run", text(sequence), "--bench", text(bench), "--out", text(folder), "--pace", pace, "--json"];
        let child = noctule()
            .args(run)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("the program starts");
        let going = Self { child, folder: folder.to_owned() };
        wait_until("the run measures", PATIENCE, || going.try_status().is_some_and(|s| points(&s) > 3));
        going
    }

    fn try_status(&self) -> Option<Value> {
        let said = say(&["status", text(&self.folder), "--json"]);
        (said.code == 0).then(|| said.json())
    }

    fn status(&self) -> Value {
        self.try_status().expect("a run that is going on")
    }

    fn word(&self, words: &[&str]) -> Said {
        let mut arguments = vec![words[0], text(&self.folder)];
        arguments.extend_from_slice(&words[1..]);
        let said = say(&arguments);
        assert_eq!(said.code, 0, "{words:?}: {}", said.stderr);
        said
    }

    fn signal(&self, name: &str) {
        let sent = Command::new("kill").args([name, &self.child.id().to_string()]).status();
        assert!(sent.expect("kill").success());
    }

    fn end(self) -> Said {
        let output: Output = self.child.wait_with_output().expect("a child");
        output.into()
    }
}

fn points(status: &Value) -> u64 {
    status["points"].as_u64().unwrap_or(0)
}

fn channel(status: &Value, name: &str) -> f64 {
    let channels = status["channels"].as_array().expect("channels");
    channels.iter().find(|c| c["name"] == name).and_then(|c| c["si"].as_f64()).expect("a value")
}

#[test]
fn hold_release_and_stop_do_what_they_say() {
    let scratch = tempfile::tempdir().unwrap();
    let bench = simulated(scratch.path(), |bench| bench);
    let sequence = write(scratch.path(), "long.rhai", &wall_sweeps(500, 100));
    let going = Going::start(&sequence, &bench, &scratch.path().join("run"), "100");
    assert_eq!(channel(&going.status(), "rf_output"), 1.0);
    going.word(&["hold"]);
    wait_until("it is held", PATIENCE, || going.status()["state"] == "held");
    wait_until("the RF is off", PATIENCE, || channel(&going.status(), "rf_output") == 0.0);
    let held = points(&going.status());
    // Its length is that of the hold, not of the run; a second hold says that it changes nothing.
    let status = going.status();
    assert!(status["hold"]["for_s"].as_f64().unwrap() < status["elapsed_s"].as_f64().unwrap(), "{status}");
    let told = going.word(&["status"]).stdout;
    assert!(told.contains(" (in a run of ") && told.contains("waits for an operator's release"), "{told}");
    assert!(going.word(&["hold"]).stdout.contains("already"), "a second hold is told of");
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(points(&going.status()), held, "it measures while it is held");
    going.word(&["release", "--clear-by", "A"]);
    wait_until("it goes on", PATIENCE, || points(&going.status()) > held + 20);
    assert!(
        going.word(&["release", "--clear-by", "A"]).stdout.starts_with("Nothing was held"),
        "a second release is told of"
    );
    assert_eq!(channel(&going.status(), "rf_output"), 1.0);
    going.word(&["stop"]);
    let folder = going.folder.clone();
    let said = going.end();
    assert_eq!(said.code, 4, "{}", said.stderr);
    let told = said.json();
    assert_eq!(
        (&told["outcome"], &told["parked"], &told["holds"]),
        (&"stopped".into(), &true.into(), &1.into())
    );
    let file = intact(&folder);
    let words: Vec<_> = file.all("operator").unwrap();
    assert_eq!(words.len(), 5);
    for sweep in sweeps(&file) {
        assert!(sweep.x.windows(2).all(|pair| pair[1] > pair[0]), "a point came twice");
    }
    // Nobody is there any more.
    let said = say(&["status", text(&folder)]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("is not going on"), "{}", said.stderr);
}

#[test]
fn what_a_hold_is_for_is_an_option_of_hold_alone() {
    for (word, has) in [("hold", true), ("status", false), ("release", false), ("stop", false)] {
        assert_eq!(say(&[word, "--help"]).stdout.contains("--for"), has, "{word}");
    }
}

#[test]
fn signals_mean_stop() {
    let scratch = tempfile::tempdir().unwrap();
    for name in ["-INT", "-TERM"] {
        let folder = scratch.path().join(name);
        let bench = simulated(scratch.path(), |bench| bench);
        let sequence = write(scratch.path(), "long.rhai", &wall_sweeps(500, 100));
        let going = Going::start(&sequence, &bench, &folder, "100");
        going.signal(name);
        let said = going.end();
        assert_eq!(said.code, 4, "{name}: {}", said.stderr);
        assert_eq!(said.json()["parked"], true);
        assert_eq!(intact(&folder).ending().unwrap().unwrap().0.outcome, Outcome::Stopped);
    }
}

#[test]
fn a_terminal_that_is_gone_ends_nothing() {
    let scratch = tempfile::tempdir().unwrap();
    let bench = simulated(scratch.path(), |bench| bench);
    let sequence = write(scratch.path(), "long.rhai", &wall_sweeps(500, 100));
    let mut going = Going::start(&sequence, &bench, &scratch.path().join("run"), "100");
    // Nobody reads any more what it prints, and the system says so.
    drop((going.child.stdout.take(), going.child.stderr.take()));
    going.signal("-HUP");
    let before = points(&going.status());
    wait_until("it measures on", PATIENCE, || points(&going.status()) > before + 50);
    going.word(&["hold"]);
    wait_until("it is held", PATIENCE, || going.status()["state"] == "held");
    going.word(&["release", "--clear-by", "A"]);
    going.word(&["stop"]);
    let folder = going.folder.clone();
    assert_eq!(going.child.wait().expect("a child").code(), Some(4));
    assert_eq!(intact(&folder).ending().unwrap().unwrap().0.outcome, Outcome::Stopped);
}

#[test]
fn a_listing_that_nobody_reads_to_its_end_is_no_defect() {
    let scratch = tempfile::tempdir().unwrap();
    let faulty = write(scratch.path(), "faulty.rhai", "set(\"Bais\", 5.mV);\n");
    let fits = write(scratch.path(), "t.csv", "x,y\n0,1\n1,3.1\n2,4.9\n3,7\n4,9.1\n");
    let commands: [(&[&str], i32); 4] = [
        (&["guide", "verbs"], 0),
        (&["nights", "--promises"], 0),
        (&["check", text(&faulty)], 2),
        (&["fit", "line", text(&fits)], 0),
    ];
    for (words, code) in commands {
        let mut child = noctule()
            .args(words)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("the program starts");
        drop((child.stdout.take(), child.stderr.take()));
        assert_eq!(child.wait().expect("a child").code(), Some(code), "{words:?}");
    }
}

#[test]
fn a_second_stop_does_not_wait_for_the_task_in_hand() {
    let scratch = tempfile::tempdir().unwrap();
    let bench = simulated(scratch.path(), |bench| bench);
    let long = format!(
        "{}\nimage(#{{ x: 0.nm, y: 0.nm, size: 14.nm, pixels: 256, line_time: 60.s }});\n",
        wall_sweeps(1, 10)
    );
    let sequence = write(scratch.path(), "image.rhai", &long);
    let going = Going::start(&sequence, &bench, &scratch.path().join("run"), "100");
    wait_until("the image is begun", PATIENCE, || {
        going.status()["sweeps"] == 1 && points(&going.status()) == 10
    });
    std::thread::sleep(Duration::from_millis(200));
    going.word(&["stop"]);
    std::thread::sleep(Duration::from_millis(400));
    assert!(going.try_status().is_some(), "the first word waits for the image, which takes minutes");
    going.word(&["stop"]);
    let said = going.end();
    assert_eq!(said.code, 4, "{}", said.stderr);
    assert_eq!(said.json()["parked"], true);
}

#[test]
fn a_hold_for_refill_brings_tip_and_field_away_and_back() {
    let lab = Lab::new(|bench| bench);
    let with_field = wall_sweeps(3, 150).replace("approach();", "ramp_field(50.mT);\n    approach();");
    let sequence = write(lab.scratch.path(), "field.rhai", &with_field);
    let folder = lab.scratch.path().join("run");
    let going = Going::start(&sequence, &lab.bench, &folder, "100");
    going.word(&["hold", "--for", "refill"]);
    wait_until("the tip is out", PATIENCE, || lab.read(Signal::Approached) == 0.0);
    wait_until("the field is down", PATIENCE, || lab.read(Signal::FieldZ).abs() < 1e-3);
    assert_eq!(lab.read(Signal::RfOutput), 0.0);
    // A transfer can disturb: as long as the pressure is above its mark, a release waits.
    going.word(&["release", "--clear-by", "A"]);
    let said = going.end();
    assert_eq!(said.code, 0, "{}", said.stderr);
    let file = intact(&folder);
    let steps: Vec<String> = file
        .all("safe_step")
        .unwrap()
        .into_iter()
        .filter_map(|n| match n.entry {
            Entry::SafeStep { during, step, achieved: true, .. } if during != During::Park => {
                Some(format!("{}: {}", during.word(), step.in_words()))
            }
            _ => None,
        })
        .collect();
    eprintln!("{steps:#?}");
    assert!(steps.iter().any(|s| s == "refill: withdraw the tip"));
    assert!(steps.iter().any(|s| s == "refill: field_z to 0 T"), "{steps:?}");
    assert!(steps.iter().any(|s| s == "restore: approach the tip"));
    assert!(steps.iter().any(|s| s.starts_with("restore: field_z to ")), "{steps:?}");
    let points: Vec<usize> = sweeps(&file).iter().map(|s| s.x.len()).collect();
    assert_eq!(points, [150, 150, 150]);
}

#[test]
fn a_queue_goes_on_after_a_failure_only_if_the_bench_says_so() {
    for goes_on in [false, true] {
        let scratch = tempfile::tempdir().unwrap();
        let bench = simulated(scratch.path(), |bench| {
            bench.replace("queue_goes_on: false", &format!("queue_goes_on: {goes_on}"))
        });
        let names = ["a.rhai", "b.rhai", "c.rhai"];
        for (name, body) in
            names.iter().zip(["set(\"Bias\", 40.mV);", "stop(\"no\");", "set(\"Bias\", 30.mV);"])
        {
            write(scratch.path(), name, body);
        }
        let output = noctule()
            .current_dir(scratch.path())
            .arg("run")
            .args(names)
            .args(["--bench", text(&bench), "--pace", "100", "--json"])
            .output()
            .unwrap();
        let said = Said::from(output);
        assert_eq!(said.code, 1, "{}", said.stderr);
        let told: Vec<Value> = said.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        let outcomes: Vec<&str> = told.iter().map(|t| t["outcome"].as_str().unwrap()).collect();
        let expected: &[&str] =
            if goes_on { &["finished", "failed", "finished"] } else { &["finished", "failed"] };
        assert_eq!(outcomes, expected);
        for run in &told {
            assert_eq!(run["parked"], true, "{run}");
            let file = scratch.path().join(run["run_file"].as_str().unwrap());
            assert!(RunFile::open(&file).unwrap().check().unwrap().faults.is_empty());
        }
        assert_eq!(said.stderr.contains("the queue ends with b.rhai; one sequence was not begun"), !goes_on);
    }
}
