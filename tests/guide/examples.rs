//! Every example of the guide and every starting point is run, or at least read by what it is meant for.

use noctule::bench::{BUILTIN_NAME, Bench, builtin, builtin_text, read};
use noctule::diagnostic::CODES;
use noctule::drive::RunTally;
use noctule::drive::connect::{load_world, simulate_all};
use noctule::drive::virtual_time::{Observer, VirtualDrive};
use noctule::guide::{Example, examples, faults, starting_points};
use noctule::quantity::TimePoint;
use noctule::record::{DigestOnly, Entry, Outcome, Recorder};
use noctule::run::faults::read_faults;
use noctule::run::observers::{Events, Prospect, SharedProspect};
use noctule::script::{ScriptEnd, Sequence, check, registry, run};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::Path;
use std::rc::Rc;
use std::sync::{Arc, Mutex};

/// Runs a sequence on the simulated bench in virtual time.
fn rehearse(name: &str, text: &str, recorder: Box<dyn Recorder>) -> ScriptEnd {
    rehearse_on(builtin(), name, text, recorder).0
}

/// Keeps the notes of a sequence.
#[derive(Clone, Default)]
struct Notes(Rc<RefCell<Vec<String>>>);

impl Observer for Notes {
    fn entry(&mut self, _at: TimePoint, entry: &Entry) {
        if let Entry::Note { text, .. } = entry {
            self.0.borrow_mut().push(text.clone());
        }
    }
}

fn rehearse_on(
    bench: Bench,
    name: &str,
    text: &str,
    recorder: Box<dyn Recorder>,
) -> (ScriptEnd, Vec<String>) {
    let bench: Arc<Bench> = Arc::new(bench);
    let (world, _) = load_world("night", Path::new(".")).expect("the night is shipped");
    let instruments = simulate_all(&bench, &world, 1);
    // An example must not go on for days.
    let window = Some(TimePoint::START.after(12.0 * 3600.0));
    let notes = Notes::default();
    let observer = Box::new(notes.clone());
    let drive = VirtualDrive::new(Arc::clone(&bench), instruments, recorder, observer, 1, window);
    let drive = Rc::new(RefCell::new(drive));
    let (end, _) = run(&Sequence::from_text(name, text), drive.clone());
    let mut drive = drive.borrow_mut();
    drive.finish(end.outcome, end.reason.clone(), end.place.clone());
    assert_eq!(drive.oracle.violations, 0, "{name}: {:?}", drive.oracle.first);
    assert!(drive.record_error.is_none(), "{name}: {:?}", drive.record_error);
    let notes = notes.0.borrow().clone();
    (end, notes)
}

/// What the tip needs before an example that measures in range.
fn prepared(text: &str) -> String {
    format!("set(\"Bias\", 60.mV); approach();\n{text}")
}

fn of_kind(kind: &str) -> Vec<Example> {
    examples().into_iter().filter(|example| example.kind == kind).collect()
}

#[test]
fn examples_of_verbs_run() {
    for verb in registry::all() {
        // Coarse steps and the pot want the tip withdrawn.
        let text = match verb.name {
            "approach" | "coarse_steps" | "regenerate_pot" => verb.example.to_owned(),
            "helium_left" => prepared(&format!("read(\"HeliumLevel\");\n{}", verb.example)),
            _ => prepared(verb.example),
        };
        let mut bench = builtin();
        if verb.name == "regenerate_pot" {
            // The stage follows the pot above the mark of this interlock, which would end the regeneration.
            bench.interlocks.retain(|lock| lock.name != "stage warming up");
        }
        let (end, _) = rehearse_on(bench, verb.name, &text, Box::new(DigestOnly::default()));
        assert_eq!(end.outcome, Outcome::Finished, "{}: {} at {:?}", verb.name, end.reason, end.place);
    }
}

#[test]
fn sequences_in_the_chapters_run_and_pass_the_check_without_a_word() {
    let chapters: Vec<Example> = of_kind("rhai").into_iter().filter(|e| e.topic != "verbs").collect();
    assert!(chapters.len() >= 9, "{}", chapters.len());
    for example in chapters {
        let found =
            check::check(&Sequence::from_text(example.topic, &example.text), &builtin(), BUILTIN_NAME);
        let found: Vec<_> = found.iter().filter(|d| d.code.text() != "S16").collect();
        assert!(found.is_empty(), "{found:#?}\n{}", example.text);
        let end = rehearse(example.topic, &example.text, Box::new(DigestOnly::default()));
        assert_eq!(end.outcome, Outcome::Finished, "{} at {:?}\n{}", end.reason, end.place, example.text);
    }
}

#[test]
fn bench_examples_are_read() {
    for example in of_kind("ron bench") {
        let found = read(&example.text, example.topic);
        assert!(found.is_ok(), "{found:#?}\n{}", example.text);
    }
    let parts = of_kind("ron");
    assert!(parts.len() >= 3, "{}", parts.len());
    for example in parts {
        if example.text.starts_with("World(") {
            let world = noctule_sim::world::World::read(&example.text);
            assert!(world.is_ok(), "{world:#?}\n{}", example.text);
            continue;
        }
        if example.text.starts_with("Faults(") {
            let plan = noctule::run::faults::read_faults(&example.text, &builtin());
            assert!(plan.is_ok(), "{plan:#?}\n{}", example.text);
            continue;
        }
        // These take the place of what the built-in bench says about the same.
        let parts = [
            ("refill: Refill(", "helium: Helium("),
            ("pulse: Pulse(", "tip_tests: TipTests("),
            ("tip_tests: TipTests(", "// A filling of"),
            ("Channel(name: \"bias\",", "Channel(name: \"setpoint\","),
        ];
        if let Some((part, next)) = parts.into_iter().find(|(part, _)| example.text.starts_with(part)) {
            let built_in = builtin_text();
            let begin = built_in.find(part).expect("the part is there");
            let end = begin + built_in[begin..].find(next).expect("the next part is there");
            let text = format!("{}{}{}", &built_in[..begin], example.text, &built_in[end..]);
            let found = read(&text, example.topic);
            assert!(found.is_ok(), "{found:#?}\n{}", example.text);
            continue;
        }
        let list = match example.text.split('(').next() {
            Some("Channel") => "channels: [",
            Some("Permit") => "permits: [",
            Some("Interlock") => "interlocks: [",
            Some("Message") => "messages: [",
            other => panic!("nobody knows where {other:?} belongs"),
        };
        let text = builtin_text().replacen(list, &format!("{list}\n{}", example.text), 1);
        let found = read(&text, example.topic);
        assert!(found.is_ok(), "{found:#?}\n{}", example.text);
    }
}

#[test]
fn faults_files_are_read() {
    for example in of_kind("ron faults") {
        let plan = read_faults(&example.text, &builtin());
        assert!(plan.is_ok(), "{plan:#?}\n{}", example.text);
    }
    for example in of_kind("ron wire") {
        let faults = noctule::mimic::read_faults(&example.text);
        assert!(faults.is_ok(), "{faults:#?}\n{}", example.text);
    }
    assert_eq!((of_kind("ron faults").len(), of_kind("ron wire").len()), (1, 1));
}

#[test]
fn lines_of_the_protocol_are_json_and_commands_exist() {
    for example in of_kind("json") {
        for line in example.text.lines() {
            let value: serde_json::Value =
                serde_json::from_str(line).unwrap_or_else(|e| panic!("{line}: {e}"));
            assert_eq!(value["jsonrpc"], "2.0", "{line}");
            assert!(value["id"].is_u64(), "{line}");
        }
    }
    let mut helps: BTreeMap<String, String> = BTreeMap::new();
    for example in of_kind("sh") {
        for line in example.text.lines() {
            let mut words = line.split_whitespace();
            assert_eq!(words.next(), Some("noctule"), "{line}");
            let command = words.next().unwrap_or("");
            // The logbook has commands of its own.
            let sub = words.clone().next().filter(|sub| command == "log" && !sub.starts_with("--"));
            let asked: Vec<&str> = [command].into_iter().chain(sub).chain(["--help"]).collect();
            let help = helps.entry(asked.join(" ")).or_insert_with(|| {
                let said = crate::common::say(&asked);
                assert_eq!(said.code, 0, "{line}: {}", said.stderr);
                said.stdout
            });
            for option in words.filter(|word| word.starts_with("--")) {
                assert!(help.contains(option), "{line}: there is no {option}");
            }
        }
    }
    // Wrong and right examples of codes are tried in a test of their own.
    let known = [
        "rhai",
        "ron",
        "ron bench",
        "ron faults",
        "ron wire",
        "json",
        "json events",
        "sh",
        "sql",
        "text",
        "rhai wrong",
        "rhai right",
        "ron wrong",
        "ron right",
        "sh wrong",
        "sh right",
    ];
    for example in examples() {
        assert!(known.contains(&example.kind.as_str()), "{}: nobody tries `{}`", example.topic, example.kind);
    }
}

/// A page that what is written to it can be read from.
#[derive(Clone, Default)]
struct Page(Arc<Mutex<Vec<u8>>>);

impl std::io::Write for Page {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().expect("nobody fails while writing").extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

fn keys(value: &serde_json::Value) -> Vec<String> {
    let mut keys: Vec<String> = value.as_object().expect("an event is an object").keys().cloned().collect();
    keys.sort();
    keys
}

#[test]
fn events_in_the_chapters_are_those_that_are_written() {
    let page = Page::default();
    let bench = builtin();
    let prospect = SharedProspect::new(Prospect::new(None, None));
    let mut events = Events::start(Box::new(page.clone()), Some(prospect)).expect("there is a thread");
    events.moment(TimePoint::START, &RunTally::new(&bench));
    drop(events);
    let written = String::from_utf8(page.0.lock().expect("it is over").clone()).expect("it is text");
    let written: serde_json::Value = serde_json::from_str(written.trim()).expect("one line");

    let lines: Vec<serde_json::Value> = of_kind("json events")
        .iter()
        .flat_map(|example| example.text.lines().map(str::to_owned).collect::<Vec<_>>())
        .map(|line| serde_json::from_str(&line).unwrap_or_else(|e| panic!("{line}: {e}")))
        .collect();
    assert!(lines.len() >= 5, "{}", lines.len());
    for line in lines {
        if line["kind"] == "progress" {
            assert_eq!(keys(&line), keys(&written));
            continue;
        }
        let mut body = line.clone();
        assert!(body["at_s"].is_number(), "{line}");
        body.as_object_mut().expect("it is an object").remove("at_s");
        let entry: Entry = serde_json::from_value(body.clone()).unwrap_or_else(|e| panic!("{line}: {e}"));
        assert_eq!(serde_json::to_value(&entry).expect("entries are plain data"), body);
    }
}

fn codes_of_sequence(text: &str, bench: &Bench) -> Vec<&'static str> {
    let found = check::check(&Sequence::from_text("example.rhai", text), bench, BUILTIN_NAME);
    found.iter().map(|d| d.code.text()).collect()
}

fn codes_of_bench(text: &str) -> Vec<&'static str> {
    let found = match read(text, "example.ron") {
        Ok((bench, mut found)) => {
            found.extend(check::check_worlds(&bench, text, "example.ron", Path::new(".")));
            found
        }
        Err(found) => found,
    };
    found.iter().map(|d| d.code.text()).collect()
}

#[test]
fn every_code_has_an_example_that_triggers_it_and_one_that_does_not() {
    let mut bench = builtin();
    for channel in &mut bench.channels {
        channel.role = channel.role.filter(|role| *role != noctule::bench::Role::LockinY);
    }
    for entry in CODES {
        let fault = faults().iter().find(|f| f.code == entry.text);
        let fault = fault.unwrap_or_else(|| panic!("{} has no example", entry.text));
        let (wrong, right) = match entry.text {
            "S01" => {
                let missing = fault.wrong.rsplit(' ').next().unwrap_or("");
                assert!(Sequence::load(Path::new(missing)).is_err());
                continue;
            }
            code if code.starts_with('B') => {
                assert!(builtin_text().contains(fault.right), "{code}: {}", fault.right);
                (
                    codes_of_bench(&builtin_text().replace(fault.right, fault.wrong)),
                    codes_of_bench(builtin_text()),
                )
            }
            _ => (codes_of_sequence(fault.wrong, &bench), codes_of_sequence(fault.right, &bench)),
        };
        assert!(wrong.contains(&entry.text), "{}: {wrong:?}", entry.text);
        let right: Vec<_> = right.into_iter().filter(|code| *code != "S16").collect();
        assert!(right.is_empty(), "{}: {right:?}", entry.text);
    }
}

#[test]
fn questions_to_a_run_file_are_answered() {
    use noctule::record::{Durability, Store};
    let folder = tempfile::tempdir().expect("a folder for the run file");
    let path = folder.path().join("run.sqlite");
    let text = "let s = sweep(#{ channel: \"Bias\", from: 40.mV, to: 60.mV, points: 5, read: \"Current\" });\n\
                note(`${s.points} points`); wait(5.min); park();";
    let store = Store::create(&path, Durability::ProcessEnd, &[]).expect("the run file is made");
    let end = rehearse("asked.rhai", text, Box::new(store));
    assert_eq!(end.outcome, Outcome::Finished, "{}", end.reason);
    let base = rusqlite::Connection::open(&path).expect("the run file opens");
    let mut rows_in_all = 0;
    for example in of_kind("sql") {
        for question in example.text.split(';').map(str::trim).filter(|q| !q.is_empty()) {
            let mut statement = base.prepare(question).unwrap_or_else(|e| panic!("{question}: {e}"));
            let mut rows = statement.query([]).expect("it is answered");
            while rows.next().unwrap_or_else(|e| panic!("{question}: {e}")).is_some() {
                rows_in_all += 1;
            }
        }
    }
    assert!(rows_in_all >= 7, "five points, a sweep and a note at least: {rows_in_all}");
}

#[test]
fn starting_points_are_in_order_and_run() {
    for point in starting_points() {
        if point.file.ends_with(".rhai") {
            let found = check::check(&Sequence::from_text(point.file, point.text), &builtin(), BUILTIN_NAME);
            assert!(found.is_empty(), "{}: {found:#?}", point.name);
            let (end, notes) =
                rehearse_on(builtin(), point.file, point.text, Box::new(DigestOnly::default()));
            assert_eq!(end.outcome, Outcome::Finished, "{}: {} at {:?}", point.name, end.reason, end.place);
            if point.name == "series" {
                // Whoever starts from it should see a line at once, on the shipped night.
                let trusted = notes.iter().filter(|note| note.contains("trusted: true")).count();
                assert!(trusted >= 5, "{notes:#?}");
                assert!(notes.iter().any(|note| note.starts_with("moment ")), "{notes:#?}");
            }
        } else if point.name.ends_with("bench") {
            let (bench, found) = read(point.text, point.file).unwrap_or_else(|e| panic!("{e:#?}"));
            assert!(found.is_empty(), "{found:#?}");
            assert!(check::check_worlds(&bench, point.text, point.file, Path::new(".")).is_empty());
        } else if point.name == "faults" {
            let plan = read_faults(point.text, &builtin());
            assert!(plan.is_ok(), "{plan:#?}");
        } else if point.name == "wire" {
            let faults = noctule::mimic::read_faults(point.text);
            assert!(faults.is_ok(), "{faults:#?}");
        } else if point.name == "spin" {
            let case = noctule_sim::spin::case::read_ron(point.text);
            let lines = case.unwrap_or_else(|e| panic!("{e:#?}")).lines().expect("levels");
            assert_eq!(lines.fields[0].eigenvalues_ghz.len(), 6);
        } else {
            assert!(noctule_sim::world::World::read(point.text).is_ok(), "{}", point.name);
        }
    }
}
