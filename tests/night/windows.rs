//! Windows: the run ends parked before its window does, also when parking brings the field down; steps that do not fit
//! are left out, the least worthy first; helium is judged by its forecast. Everything here is invented.

use crate::common::{say, text, write};
use noctule::bench::builtin_text;
use noctule::record::{Answer, Entry, RunFile};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// The built-in bench, but parking brings the field to zero at its permitted rate, 100 mT/min.
fn field_down_bench(folder: &Path) -> PathBuf {
    let keep = "Keep(channel: \"field_z\"),";
    let down = "Set(channel: \"field_z\", to: \"0 T\", within: \"40 min\"),";
    assert!(builtin_text().contains(keep));
    write(folder, "bench.ron", &builtin_text().replace(keep, down))
}

struct Rehearsal {
    json: Value,
    code: i32,
    entries: Vec<(f64, Entry)>,
}

fn rehearse(folder: &Path, sequence: &str, more: &[&str]) -> Rehearsal {
    let sequence = write(folder, "sequence.rhai", sequence);
    let out = folder.join("run");
    let mut arguments = vec!["rehearse", text(&sequence), "--start", "22:00", "--out", text(&out), "--json"];
    arguments.extend(more);
    let said = say(&arguments);
    let file = RunFile::open(&out.join("run.sqlite")).unwrap_or_else(|e| panic!("{e}: {}", said.stderr));
    let mut entries = Vec::new();
    file.entries(None, |numbered| {
        entries.push((numbered.at.s(), numbered.entry));
        Ok(())
    })
    .unwrap();
    Rehearsal { json: said.json(), code: said.code, entries }
}

impl Rehearsal {
    /// Names of the steps that were begun, and of those that were left out with the reason.
    fn steps(&self) -> (Vec<String>, Vec<(String, String)>) {
        let (mut done, mut left_out) = (Vec::new(), Vec::new());
        let mut last = String::new();
        for (_, entry) in &self.entries {
            match entry {
                Entry::StepBegin { name, .. } => last.clone_from(name),
                Entry::StepEnd { left_out: None, .. } => done.push(last.clone()),
                Entry::StepEnd { left_out: Some(why), .. } => left_out.push((last.clone(), why.clone())),
                _ => {}
            }
        }
        (done, left_out)
    }

    fn end_s(&self) -> f64 {
        self.json["virtual_s"].as_f64().unwrap()
    }

    /// It ended for its window, parked, and so many seconds before the window did.
    fn ended_before(&self, window_s: f64) -> f64 {
        assert_eq!((self.code, &self.json["outcome"]), (4, &"stopped".into()), "{}", self.json);
        assert_eq!(self.json["parked"], true);
        assert_eq!(self.json["limit_violations"], 0);
        let spare_s = window_s - self.end_s();
        println!("parked {spare_s:.1} s before the end of a window of {window_s} s");
        assert!(spare_s > 0.0, "{} s of {window_s} s", self.end_s());
        spare_s
    }
}

#[test]
fn a_window_leaves_the_time_that_bringing_the_field_down_takes() {
    let scratch = tempfile::tempdir().unwrap();
    let bench = field_down_bench(scratch.path());
    let sequence = "approach();\nramp_field(0.8.T);\nnote(`${time_left()}`);\nloop { wait(10.s); }\n";
    let run = rehearse(scratch.path(), sequence, &["--bench", text(&bench), "--until", "22:40"]);
    let spare_s = run.ended_before(2400.0);
    assert!(spare_s < 120.0, "the time is used: {spare_s} s were left");
    let (ending, _) = run.entries.iter().find(|(_, e)| matches!(e, Entry::SafeStep { .. })).unwrap();
    let down_s = run.end_s() - ending;
    assert!(
        (470.0..600.0).contains(&down_s),
        "0.8 T at 100 mT/min are 480 s; from the first step on {down_s} s"
    );
}

#[test]
fn a_short_window_keeps_what_a_park_takes_on_this_bench() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = "note(`${time_left().s}`);\napproach();\nloop { wait(1.s); }\n";
    let run = rehearse(scratch.path(), sequence, &["--until", "22:03"]);
    let left = run
        .entries
        .iter()
        .find_map(|(_, e)| if let Entry::Note { text, .. } = e { text.parse().ok() } else { None });
    let left_s: f64 = left.expect("the time left was noted");
    let known = run
        .entries
        .iter()
        .find_map(|(_, e)| if let Entry::Known(known) = e { known.withdraws_in_s } else { None });
    println!("{left_s} s of 180 s are left; a withdrawal takes {known:?} s");
    assert!(left_s > 150.0, "{left_s} s of 180 s");
    let spare_s = run.ended_before(180.0);
    assert!(spare_s < 30.0, "{spare_s}");
}

#[test]
fn a_ramp_that_leaves_no_time_for_the_way_back_is_turned_round() {
    let scratch = tempfile::tempdir().unwrap();
    let bench = field_down_bench(scratch.path());
    // 15 min up and 15 min down do not fit into 20 min.
    let run = rehearse(
        scratch.path(),
        "ramp_field(1.5.T);\nloop { wait(10.s); }\n",
        &["--bench", text(&bench), "--until", "22:20"],
    );
    let spare_s = run.ended_before(1200.0);
    assert!(spare_s < 120.0, "{spare_s}");
}

#[test]
fn a_window_ends_a_hold_for_which_nobody_comes() {
    let scratch = tempfile::tempdir().unwrap();
    let faults =
        write(scratch.path(), "faults.ron", r#"Faults(faults: [Operator(at: "5 min", says: "refill")])"#);
    let sequence = "approach();\nloop { wait(10.s); }\n";
    let run = rehearse(scratch.path(), sequence, &["--faults", text(&faults), "--until", "22:30"]);
    run.ended_before(1800.0);
    assert!(run.entries.iter().any(|(_, e)| matches!(e, Entry::Held { .. })));
}

#[test]
fn the_least_worthy_steps_are_left_out_of_a_short_window_as_a_whole() {
    let scratch = tempfile::tempdir().unwrap();
    let sequence = r#"
let took = 0;
let done = agenda([
    #{ name: "image before", worth: 1, time: 10.min, body: || { wait(9.min); } },
    #{ name: "line", worth: 5, time: 20.min, body: || { took += 1; wait(19.min); 42 } },
    #{ name: "power", worth: 3, time: 15.min, body: || { wait(14.min); } },
    #{ name: "background", worth: 4, time: 10.min, body: || { wait(9.min); } },
    #{ name: "image after", worth: 2, time: 10.min, body: || { wait(9.min); } },
]);
if took != 1 || done[1].value != 42 || !done[1].done { stop("a body was not run as it should"); }
if done[2].done || done[2].reason == "" { stop("nobody says why"); }
"#;
    let run = rehearse(scratch.path(), sequence, &["--until", "22:44"]);
    assert_eq!((run.code, &run.json["outcome"]), (0, &"finished".into()), "{}", run.json);
    let (done, left_out) = run.steps();
    // 20 + 10 of 43 min: `power` does not fit any more, `image after` does.
    assert_eq!(done, ["line", "background", "image after"]);
    let names: Vec<&str> = left_out.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["image before", "power"]);
    println!("{left_out:?}");
    let wanted = "it needs 10 min, and what is left is kept for `line`, `background`, `image after`, which are worth more";
    assert_eq!(left_out[0].1, wanted);
    // The brief tells it to the next shift.
    let brief = say(&["brief", text(&scratch.path().join("run"))]);
    let flowing = brief.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flowing.contains("image before") && flowing.contains("kept for"), "{}", brief.stdout);
}

#[test]
fn an_agenda_is_checked_before_anything_moves() {
    let scratch = tempfile::tempdir().unwrap();
    let faulty = r#"agenda([
    #{ name: "a", wurth: 1, body: || { wait(1.s); } },
    #{ name: "b", worth: 2, time: 3.mT, body: || { wait(1.s); } },
    #{ name: "c", worth: 2, body: 7 },
]);
park();
"#;
    let sequence = write(scratch.path(), "faulty.rhai", faulty);
    let said = say(&["check", text(&sequence), "--json"]);
    assert_eq!(said.code, 2, "{}", said.stdout);
    let found: Vec<(u64, String)> = said.json()["diagnostics"]
        .as_array()
        .unwrap()
        .iter()
        .map(|d| (d["line"].as_u64().unwrap(), d["message"].as_str().unwrap().to_owned()))
        .collect();
    for (line, part) in [(2, "no field `wurth`"), (3, "`time` is a time"), (4, "`body` is a function")] {
        assert!(found.iter().any(|(l, message)| *l == line && message.contains(part)), "{part}: {found:?}");
    }
}

#[test]
fn a_step_is_left_out_when_the_forecast_says_that_the_helium_will_not_last() {
    let scratch = tempfile::tempdir().unwrap();
    // 15 L at the start, the mark is at 10 L: about 5 L, falling by 0.9 L an hour.
    let sequence = r#"
wait(2.h);
step("half an hour", #{ time: 30.min, helium: 0.5.L }, || { wait(30.min); });
step("six hours", #{ time: 6.h, helium: 0.5.L }, || { wait(6.h); });
step("much helium", #{ helium: 4.L }, || { wait(1.min); });
step("no helium", #{ time: 6.h }, || { wait(1.min); });
"#;
    let run = rehearse(scratch.path(), sequence, &["--world", "hard"]);
    assert_eq!(run.code, 0, "{}", run.json);
    let (done, left_out) = run.steps();
    assert_eq!(done, ["half an hour", "no helium"], "{left_out:?}");
    println!("{left_out:#?}");
    let [(first, foreseen), (second, lacking)] = left_out.as_slice() else { panic!("{left_out:?}") };
    assert_eq!((first.as_str(), second.as_str()), ("six hours", "much helium"));
    assert!(
        foreseen.starts_with("in 6 h 00 min the helium will be") && foreseen.contains("below the limit"),
        "{foreseen}"
    );
    for reason in [foreseen, lacking] {
        assert!(
            reason.contains("lower edge of the 95 % band") && reason.contains("readings over"),
            "{reason}"
        );
    }
    // What it was decided by is in the record.
    let asked = run
        .entries
        .iter()
        .filter(|(_, e)| matches!(e, Entry::Call { answer: Ok(Answer::HeliumOutlook(_)), .. }));
    assert_eq!(asked.count(), 3);
}
