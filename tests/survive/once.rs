//! What must not happen twice, what an operator has to decide, and edited sequences of real runs.

use crate::common::{Said, noctule, say, text, write};
use crate::interruptions::{intact, rows, start, sweeps, wait_until};
use crate::keeper::is_free;
use crate::lab::{Lab, wall_sweeps};
use noctule::record::{Change, Entry, Found, RunFile, SafeAct};
use noctule_sim::Signal;
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicUsize, Ordering};
use std::time::Duration;

/// Stands between a run and the electronics, counts pulses, and kills the run when one comes by.
#[derive(Clone, Default)]
pub struct Between {
    pulses: Arc<AtomicUsize>,
    /// Process to be killed at the next pulse; 0 for none.
    pub victim: Arc<AtomicU32>,
}

impl Between {
    /// Listens in front of an address; returns its own.
    fn stand(&self, before: &str) -> String {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address").to_string();
        let (this, before) = (self.clone(), before.to_owned());
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let Ok(server) = TcpStream::connect(&before) else { continue };
                for stream in [&client, &server] {
                    stream.set_nodelay(true).expect("a socket");
                }
                let back = (server.try_clone().expect("a socket"), client.try_clone().expect("a socket"));
                std::thread::spawn(move || {
                    let (mut from, mut to) = back;
                    let _ = std::io::copy(&mut from, &mut to);
                    let _ = to.shutdown(std::net::Shutdown::Both);
                });
                let this = this.clone();
                std::thread::spawn(move || this.forward(client, server));
            }
        });
        address
    }

    fn forward(&self, client: TcpStream, mut server: TcpStream) {
        let mut client = BufReader::new(client);
        let mut line = Vec::new();
        while client.read_until(b'\n', &mut line).is_ok_and(|count| count > 0) {
            if line.starts_with(b"TASK:PULS") {
                self.pulses.fetch_add(1, Ordering::SeqCst);
                let victim = self.victim.swap(0, Ordering::SeqCst);
                if victim > 0 {
                    let killed =
                        std::process::Command::new("kill").args(["-KILL", &victim.to_string()]).status();
                    assert!(killed.expect("kill").success());
                }
            }
            if server.write_all(&line).is_err() {
                break;
            }
            line.clear();
        }
        let _ = server.shutdown(std::net::Shutdown::Both);
    }

    /// Pulses that went by.
    pub fn pulses(&self) -> usize {
        self.pulses.load(Ordering::SeqCst)
    }
}

/// A laboratory with somebody in between.
pub fn watched_lab() -> (Lab, Between) {
    let between = Between::default();
    let standing = between.clone();
    let lab = Lab::new(|bench| {
        let address = bench.split("Scpi(address: \"").nth(1).and_then(|rest| rest.split('"').next());
        let address = address.expect("the electronics").to_owned();
        bench.replacen(&address, &standing.stand(&address), 1)
    });
    (lab, between)
}

/// A pulse between other things.
pub const PULSES: &str = "// Invented.
set(\"Bias\", 60.mV);
set(\"Setpoint\", 10.pA);
approach();
note(\"before\");
let done = pulse(200.mV, 20.ms);
note(`the pulse: ${done.achieved}`);
for i in 0..5 { wait(1.s); set(\"Setpoint\", (10 + i).pA); }
";

/// A run that was killed between the intent and the outcome of its pulse.
fn killed_at_the_pulse(lab: &Lab, between: &Between, name: &str) -> PathBuf {
    let sequence = write(lab.scratch.path(), "pulse.rhai", PULSES);
    let folder = lab.scratch.path().join(name);
    let before = between.pulses();
    let mut child = start(&run_arguments(&sequence, lab, &folder));
    between.victim.store(child.id(), Ordering::SeqCst);
    assert!(!child.wait().unwrap().success());
    assert_eq!(between.pulses(), before + 1);
    wait_until("the keeper parks", Duration::from_secs(5), || lab.is_parked());
    wait_until("the keeper writes it down", Duration::from_secs(20), || {
        intact(&folder).ending().unwrap().is_some_and(|(_, parked)| parked) && is_free(lab)
    });
    assert_eq!(intact(&folder).all("intent").unwrap().len(), 1);
    folder
}

fn run_arguments<'a>(sequence: &'a Path, lab: &'a Lab, folder: &'a Path) -> Vec<&'a str> {
    vec!["run", text(sequence), "--bench", text(&lab.bench), "--out", text(folder), "--pace", "50", "--json"]
}

fn resume(folder: &Path, more: &[&str]) -> Said {
    let mut arguments = vec!["resume", "--clear-by", "A", text(folder), "--pace", "50", "--json"];
    arguments.extend_from_slice(more);
    say(&arguments)
}

#[test]
fn a_pulse_of_unknown_outcome_waits_for_a_decision_and_is_never_repeated() {
    let (lab, between) = watched_lab();
    let folder = killed_at_the_pulse(&lab, &between, "done");
    let kept = rows(&folder);
    for _ in 0..2 {
        let said = resume(&folder, &[]);
        assert_eq!(said.code, 2, "{}", said.stderr);
        for part in [
            "pulse(length_s: 0.02, volts: 0.2) was begun",
            "never repeated on its own",
            "--treat-as done",
            "nothing was moved",
        ] {
            assert!(said.stderr.contains(part), "{part:?} is not in {}", said.stderr);
        }
        assert_eq!(rows(&folder), kept, "a refused resume has written something");
        assert!(lab.is_parked());
    }
    let said = resume(&folder, &["--treat-as", "done"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(between.pulses(), 1);
    let file = intact(&folder);
    assert_eq!(file.all("intent").unwrap().len(), 1);
    assert!(
        file.all("note")
            .unwrap()
            .iter()
            .any(|n| { matches!(&n.entry, Entry::Note { text, .. } if text == "the pulse: true") })
    );
}

#[test]
fn a_pulse_that_did_not_happen_is_done_once_after_the_decision() {
    let (lab, between) = watched_lab();
    let folder = killed_at_the_pulse(&lab, &between, "not_done");
    let said = resume(&folder, &["--treat-as", "not-done"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(between.pulses(), 2);
    assert_eq!(intact(&folder).all("intent").unwrap().len(), 2);
}

#[test]
fn a_decision_holds_for_later_resumes_as_well() {
    let (lab, between) = watched_lab();
    let folder = killed_at_the_pulse(&lab, &between, "twice");
    let decided = ["resume", "--clear-by", "A", text(&folder), "--pace", "2", "--json", "--treat-as", "done"];
    let mut child = start(&decided);
    wait_until("the sequence is past its pulse", Duration::from_secs(60), || {
        intact(&folder)
            .all("note")
            .unwrap()
            .iter()
            .any(|n| matches!(&n.entry, Entry::Note { text, .. } if text.starts_with("the pulse")))
    });
    child.kill().unwrap();
    assert!(!child.wait().unwrap().success());
    wait_until("the keeper lets go", Duration::from_secs(30), || is_free(&lab) && lab.is_parked());
    let said = resume(&folder, &[]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(between.pulses(), 1);
}

/// A run over TCP that was killed in its second sweep or later, with its sequence.
fn killed_in_its_sweeps(lab: &Lab) -> (PathBuf, String) {
    let sequence = wall_sweeps(6, 40);
    let path = write(lab.scratch.path(), "short.rhai", &sequence);
    let folder = lab.scratch.path().join("run");
    let mut child = start(&run_arguments(&path, lab, &folder));
    // Rows would not do: on a busy machine there are many of the watch before the first point.
    wait_until("it measures", Duration::from_secs(60), || {
        RunFile::open(&folder.join("run.sqlite")).and_then(|file| file.count_points()).unwrap_or(0) > 60
    });
    child.kill().unwrap();
    assert!(!child.wait().unwrap().success());
    wait_until("the keeper lets go", Duration::from_secs(20), || {
        intact(&folder).ending().unwrap().is_some() && is_free(lab)
    });
    (folder, sequence)
}

#[test]
fn edits_of_a_real_run_are_judged_like_those_of_a_rehearsal() {
    let lab = Lab::new(|bench| bench);
    let (folder, sequence) = killed_in_its_sweeps(&lab);
    let kept = rows(&folder);
    let wrong = sequence.replace("set(\"Setpoint\", 10.pA)", "set(\"Setpoint\", 12.pA)");
    let wrong = write(lab.scratch.path(), "wrong.rhai", &wrong);
    let said = resume(&folder, &["--sequence", text(&wrong)]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    for part in [
        "recorded: set(channel: setpoint, value: 1e-11)",
        "now:      set(channel: setpoint, value: 1.2e-11) (line 4)",
        "nothing was moved",
    ] {
        assert!(said.stderr.contains(part), "{part:?} is not in {}", said.stderr);
    }
    assert_eq!(rows(&folder), kept);
    assert!(lab.is_parked());

    let edited =
        sequence.replace("// Invented", "// One line more.\n// Invented").replace("`turn ", "`seen: turn ");
    let edited = write(lab.scratch.path(), "short.rhai", &format!("{edited}note(\"an edited end\");\n"));
    let said = resume(&folder, &["--sequence", text(&edited)]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let file = intact(&folder);
    let points: Vec<usize> = sweeps(&file).iter().map(|sweep| sweep.x.len()).collect();
    assert_eq!(points, [40; 6]);
    assert_eq!(file.documents("sequence").unwrap().len(), 2);
    let Entry::Resumed { changes, .. } = &file.all("resumed").unwrap()[0].entry else { panic!() };
    assert!(changes.iter().any(|c| matches!(c, Change::SequenceEdited(_))), "{changes:?}");
    // The keeper had parked the bench, and what it changed was brought back and told.
    let notes: Vec<String> = file
        .all("note")
        .unwrap()
        .into_iter()
        .filter_map(|n| if let Entry::Note { text, .. } = n.entry { Some(text) } else { None })
        .collect();
    for part in ["resume: the tip should be in range", "resume: rf_output was 1 and reads 0"] {
        assert!(notes.iter().any(|note| note.starts_with(part)), "{part:?} is not in {notes:?}");
    }
    // The next shift reads of it before anything else, in the terminal and on the page.
    let brief = say(&["brief", text(&folder)]).stdout;
    let told = brief.find("the runner was gone").expect("the brief tells of the crash");
    assert!(told < brief.find("Bench now").unwrap(), "{brief}");
    // The keeper had not seen the field, and read it.
    let kept = |n: &Entry| matches!(n, Entry::SafeStep { step: SafeAct::Keep(column), found: Found::Reads(_), .. } if column.channel == "field_z");
    assert!(file.all("safe_step").unwrap().iter().any(|n| kept(&n.entry)));
    let page = std::fs::read_to_string(folder.join("brief.html")).unwrap();
    for words in [brief.split_whitespace().collect::<Vec<_>>().join(" "), page] {
        for part in
            ["All park steps were reached", "Resumed on", "Brought back: bias to 60 mV, approach the tip"]
        {
            assert!(words.contains(part), "{part:?} is not in {words}");
        }
    }
    // Finished, so there is nothing more.
    assert_eq!(resume(&folder, &[]).code, 2);
    // But for one that was cut just before its digest.
    let digest = file.digest().unwrap();
    drop(file);
    let db = rusqlite::Connection::open(folder.join("run.sqlite")).unwrap();
    db.execute("DELETE FROM meta WHERE key IN ('digest', 'rows')", []).unwrap();
    drop(db);
    let said = resume(&folder, &[]);
    assert_eq!((said.code, said.json()["points"].as_u64()), (0, Some(240)), "{}", said.stderr);
    assert_eq!(intact(&folder).digest().unwrap(), digest);
}

#[test]
fn a_run_ended_by_a_latched_interlock_goes_on_only_once_it_is_acknowledged() {
    let lab = Lab::new(|bench| {
        bench.replace(
            "trip: \"abs(magnet_voltage) > 2 V\", lasting: \"500 ms\"",
            "trip: \"lockin_modulation > 20 mV\", lasting: \"500 ms\"",
        )
    });
    let sequence = write(lab.scratch.path(), "short.rhai", &wall_sweeps(8, 100));
    let folder = lab.scratch.path().join("run");
    let child = noctule()
        .args(run_arguments(&sequence, &lab, &folder))
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    wait_until("the run measures", Duration::from_secs(20), || rows(&folder) > 200);
    // Somebody turns a knob by hand.
    lab.mimic.with_microscope(|microscope| microscope.set(Signal::LockinModulation, 0.025)).unwrap();
    let said = Said::from(child.wait_with_output().unwrap());
    assert_eq!(said.code, 3, "{}", said.stderr);
    assert!(lab.is_parked());
    let (ending, _) = intact(&folder).ending().unwrap().unwrap();
    assert!(ending.latched, "{ending:?}");
    let said = resume(&folder, &[]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    assert!(said.stderr.contains("--acknowledge"), "{}", said.stderr);
    assert!(lab.is_parked());
    let said = resume(&folder, &["--acknowledge"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let points: Vec<usize> = sweeps(&intact(&folder)).iter().map(|sweep| sweep.x.len()).collect();
    assert_eq!(points, [100; 8]);
}
