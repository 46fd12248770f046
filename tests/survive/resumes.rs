//! A run that ended in any way is resumed: it goes on, or a person is told what they have to decide, before anything moves.
//!
//! `NOCTULE_CAMPAIGN=full` takes 520 cases; a number takes so many, from number `NOCTULE_CAMPAIGN_SEED` on.

use crate::common::{Said, noctule, say, text, write};
use crate::everything::{EVERYTHING, POINTS};
use crate::gate::Gates;
use crate::interruptions::{campaign, intact, rows, sweeps, try_all, wait_until};
use crate::keeper::{find_keeper, is_free, keeper_of, signal};
use crate::lab::Lab;
use noctule::record::RunFile;
use noctule_sim::Signal;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

const PACE: [&str; 2] = ["--pace", "200"];
const PATIENCE: Duration = Duration::from_secs(60);

/// How a run ends before it is resumed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Class {
    Finished,
    FailedSequence,
    StoppedBySequence,
    InstrumentAway,
    Interlock,
    LatchedInterlock,
    Window,
    StoppedByPerson,
    Terminated,
    RunnerKilled,
    KeeperThenRunnerKilled,
    BothKilled,
    /// Both killed when this message passes.
    KilledAt(&'static str),
    KilledInHold,
    DiskFull,
    FolderGone,
    DamagedSideFile,
    EditedRow,
    EditedBench,
    StricterBench,
    OtherSequence,
}

const CLASSES: [Class; 26] = [
    Class::Finished,
    Class::FailedSequence,
    Class::StoppedBySequence,
    Class::InstrumentAway,
    Class::Interlock,
    Class::LatchedInterlock,
    Class::Window,
    Class::StoppedByPerson,
    Class::Terminated,
    Class::RunnerKilled,
    Class::KeeperThenRunnerKilled,
    Class::BothKilled,
    Class::KilledAt("TASK:APPR"),
    Class::KilledAt("TASK:PULS"),
    Class::KilledAt("TASK:PICK"),
    Class::KilledAt("TASK:MOVE"),
    Class::KilledAt("TASK:IMAG"),
    Class::KilledAt("TASK:WITH"),
    Class::KilledInHold,
    Class::DiskFull,
    Class::FolderGone,
    Class::DamagedSideFile,
    Class::EditedRow,
    Class::EditedBench,
    Class::StricterBench,
    Class::OtherSequence,
];

/// One case: a laboratory, a run, and what becomes of it.
struct Case {
    class: Class,
    gates: Gates,
    lab: Lab,
    folder: PathBuf,
    sequence: PathBuf,
    random: ChaCha8Rng,
}

impl Case {
    fn new(class: Class, seed: u64) -> Self {
        let gates = Gates::default();
        let latch = if class == Class::LatchedInterlock { "ParkLatch" } else { "Park" };
        let trips = format!(
            "interlocks: [\n        Interlock(name: \"by hand\", trip: \"lockin_modulation > 20 mV\", every: \"500 ms\", \
             action: {latch}, because: \"somebody turned it\"),"
        );
        let by_hand = matches!(class, Class::Interlock | Class::LatchedInterlock);
        let lab = Lab::new(|bench| {
            let bench = if by_hand { bench.replacen("interlocks: [", &trips, 1) } else { bench };
            gates.lead_through(&bench)
        });
        let ends = match class {
            Class::FailedSequence => "throw \"it must not go on\";\n",
            Class::StoppedBySequence => "stop(\"it is enough\");\n",
            _ => "",
        };
        let sequence = write(lab.scratch.path(), "all.rhai", &format!("{EVERYTHING}{ends}"));
        let folder = lab.scratch.path().join("run");
        Self { class, gates, lab, folder, sequence, random: ChaCha8Rng::seed_from_u64(seed) }
    }

    fn start(&self, blocks: Option<u64>, more: &[&str]) -> Child {
        let mut command = match blocks {
            None => noctule(),
            Some(blocks) => {
                let mut shell = std::process::Command::new("sh");
                let limit = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\"");
                shell.current_dir(env!("CARGO_MANIFEST_DIR")).args(["-c", &limit]);
                shell.arg(env!("CARGO_BIN_EXE_noctule"));
                shell
            }
        };
        command.args([
            "run",
            text(&self.sequence),
            "--bench",
            text(&self.lab.bench),
            "--out",
            text(&self.folder),
        ]);
        command.args(PACE).args(more);
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts")
    }

    /// Waits for a moment anywhere in the run; false if it was over before.
    fn at_some_row(&mut self, child: &mut Child) -> bool {
        let row = self.random.random_range(12..250);
        wait_until("a row", PATIENCE, || rows(&self.folder) >= row || child.try_wait().unwrap().is_some());
        std::thread::sleep(Duration::from_micros(self.random.random_range(0..20_000)));
        child.try_wait().unwrap().is_none()
    }

    fn kill(&self, child: &mut Child, keeper_too: bool) {
        let keeper = keeper_too.then(|| find_keeper(&self.folder)).flatten();
        keeper.iter().for_each(|keeper| signal(*keeper, "-STOP"));
        child.kill().expect("a child");
        child.wait().expect("a child");
        keeper.iter().for_each(|keeper| signal(*keeper, "-KILL"));
    }

    /// Runs until the end that belongs to the class.
    fn run(&mut self) {
        let blocks = (self.class == Class::DiskFull).then(|| self.random.random_range(300..700));
        let more: &[&str] = if self.class == Class::Window { &["--until", "5 min"] } else { &[] };
        let mut child = self.start(blocks, more);
        let ends_itself = matches!(
            self.class,
            Class::Finished
                | Class::FailedSequence
                | Class::StoppedBySequence
                | Class::Window
                | Class::DiskFull
        );
        if ends_itself {
            child.wait().expect("a child");
        } else if let Class::KilledAt(word) = self.class {
            let nth =
                if matches!(word, "TASK:APPR" | "TASK:MOVE") { self.random.random_range(1..3) } else { 1 };
            wait_until(word, PATIENCE, || {
                self.gates.heard(word).len() >= nth || child.try_wait().unwrap().is_some()
            });
            std::thread::sleep(Duration::from_micros(self.random.random_range(0..5_000)));
            self.kill(&mut child, true);
        } else if self.at_some_row(&mut child) {
            self.inflict(&mut child);
        }
        let _ = child.kill();
        child.wait().expect("a child");
        // A keeper that is left needs a moment to notice; between two keepers there is nobody.
        let kept = matches!(
            self.class,
            Class::RunnerKilled | Class::StricterBench | Class::OtherSequence | Class::KeeperThenRunnerKilled
        );
        let began = Instant::now();
        // The keeper that parks may be one that had just been started in the place of another.
        let watched = || self.ending().is_none() || find_keeper(&self.folder).is_some();
        while kept && watched() && began.elapsed() < Duration::from_secs(4) {
            std::thread::sleep(Duration::from_millis(20));
        }
        wait_until("nobody holds the bench", PATIENCE, || is_free(&self.lab));
    }

    fn inflict(&mut self, child: &mut Child) {
        match self.class {
            Class::InstrumentAway => {
                self.gates.shut(true);
                std::thread::sleep(Duration::from_millis(self.random.random_range(1500..3000)));
                self.gates.shut(false);
                child.wait().expect("a child");
            }
            Class::Interlock | Class::LatchedInterlock => {
                let turned = |lab: &Lab| {
                    lab.mimic
                        .with_microscope(|microscope| microscope.set(Signal::LockinModulation, 0.025))
                        .unwrap();
                };
                turned(&self.lab);
                child.wait().expect("a child");
            }
            Class::StoppedByPerson => {
                say(&["stop", text(&self.folder)]);
                child.wait().expect("a child");
            }
            Class::Terminated => {
                signal(child.id(), "-TERM");
                child.wait().expect("a child");
            }
            Class::RunnerKilled | Class::StricterBench | Class::OtherSequence => self.kill(child, false),
            Class::KeeperThenRunnerKilled => {
                signal(keeper_of(&self.folder), "-KILL");
                std::thread::sleep(Duration::from_millis(self.random.random_range(0..500)));
                self.kill(child, false);
            }
            Class::KilledInHold => {
                say(&["hold", text(&self.folder), "--for", "refill"]);
                std::thread::sleep(Duration::from_millis(self.random.random_range(0..300)));
                self.kill(child, true);
            }
            Class::FolderGone => {
                std::fs::remove_dir_all(&self.folder).expect("its folder");
                assert_eq!(child.wait().unwrap().code(), Some(5));
            }
            _ => self.kill(child, true),
        }
    }

    /// What happens to the record between the two lives.
    fn tamper(&mut self) {
        let edit = |sql: &str| {
            let file = rusqlite::Connection::open(self.folder.join("run.sqlite")).unwrap();
            file.execute(sql, []).unwrap()
        };
        match self.class {
            Class::DamagedSideFile => {
                let side = self.folder.join("run.sqlite-wal");
                let mut bytes = std::fs::read(&side).unwrap_or_default();
                let from = (bytes.len() as f64 * self.random.random_range(0.0..1.0)) as usize;
                bytes[from..].fill(0x5a);
                std::fs::write(side, bytes).unwrap();
            }
            Class::EditedRow => {
                edit("UPDATE entry SET body = body || ' ' WHERE seq = 8");
            }
            Class::EditedBench => {
                assert_eq!(edit("UPDATE document SET text = text || ' ' WHERE role = 'bench'"), 1);
            }
            Class::StricterBench => {
                let bench = std::fs::read_to_string(&self.lab.bench).unwrap();
                std::fs::write(&self.lab.bench, bench.replacen("step: \"20 mV\"", "step: \"5 mV\"", 1))
                    .unwrap();
            }
            Class::OtherSequence => {
                let other = EVERYTHING.replacen("10.pA", "12.pA", 1);
                std::fs::write(&self.sequence, other).unwrap();
            }
            _ => {}
        }
    }

    fn ending(&self) -> Option<String> {
        let ending = RunFile::open(&self.folder.join("run.sqlite")).and_then(|file| file.ending());
        ending.ok().flatten().map(|(ending, _)| ending.reason)
    }

    /// Resumes, deciding what is asked; gives what was asked on the way, and how it came out.
    fn resumed(&self) -> Vec<String> {
        let mut asked = Vec::new();
        let other = (self.class == Class::OtherSequence).then(|| ["--sequence", text(&self.sequence)]);
        let mut more: Vec<&str> = other.iter().flatten().copied().collect();
        for _ in 0..6 {
            let before = (rows(&self.folder), self.ending(), self.lab.read(Signal::Approached));
            let said =
                say(&[&["resume", "--clear-by", "A", text(&self.folder), "--json"], &PACE[..], &more]
                    .concat());
            wait_until("nobody holds the bench", PATIENCE, || is_free(&self.lab));
            // A look at the lock is inherited for a moment by whatever another thread of this test starts.
            if said.code == 2 && said.stderr.contains("is in use by") {
                continue;
            }
            if said.code == 0 {
                asked.push("finished".to_owned());
                return asked;
            }
            let Some((question, answer)) = self.question(&said) else {
                assert!(said.code != 2, "{:?}, {asked:?}: {}", self.class, said.stderr);
                // On a machine that is busy with other work a link of a paced run may fail again, and that is news.
                let slow = self.ending().is_some_and(|reason| reason.contains("did not answer"));
                if slow {
                    asked.push("a link was slow".to_owned());
                    more.truncate(other.iter().flatten().count());
                    continue;
                }
                // Else an end is another one than before.
                assert_ne!(
                    self.ending(),
                    before.1,
                    "{:?}: an old error is told as news: {}",
                    self.class,
                    said.stderr
                );
                asked.push(format!("ended anew: {}", self.ending().unwrap_or_default()));
                // What was decided is recorded, and holds.
                more.truncate(other.iter().flatten().count());
                continue;
            };
            assert_eq!(said.code, 2, "{:?}: {}", self.class, said.stderr);
            assert_eq!(
                (rows(&self.folder), self.lab.read(Signal::Approached)),
                (before.0, before.2),
                "{question} moved"
            );
            if question == "salvage?" {
                eprintln!("{:?}: {}", self.class, said.stderr);
            }
            asked.push(question.to_owned());
            match answer {
                [] => return asked,
                answer => more.extend(answer),
            }
        }
        panic!("{:?}: {asked:?} without an end", self.class);
    }

    /// What a refusal asks a person for, and what they answer; no answer where it is final.
    fn question(&self, said: &Said) -> Option<(&'static str, &'static [&'static str])> {
        const QUESTIONS: [(&str, &str, &[&str]); 10] = [
            ("`--treat-as", "was it done?", &["--treat-as", "not-done"]),
            ("with --acknowledge", "was it looked at?", &["--acknowledge"]),
            ("--until gives it a new one", "until when?", &["--until", "1 h"]),
            ("there is nothing to resume", "nothing to resume", &[]),
            ("ends again where it had ended", "which sequence?", &[]),
            ("is not the one that was run", "whose text?", &[]),
            ("has been altered", "whose rows?", &[]),
            ("does something else than what is recorded", "which sequence?", &[]),
            ("can't be used as a run file", "which file?", &[]),
            ("the run file is damaged", "salvage?", &[]),
        ];
        let found = QUESTIONS.iter().find(|(mark, ..)| said.stderr.contains(mark));
        found.map(|(_, question, answer)| (*question, *answer))
    }
}

/// What must come out for a class.
fn fits(class: Class, asked: &[String]) -> bool {
    let last = asked.last().map_or("", String::as_str);
    match class {
        Class::Finished => last == "nothing to resume",
        Class::FailedSequence | Class::StoppedBySequence => last == "which sequence?",
        Class::FolderGone => last == "which file?",
        Class::EditedBench => last == "whose text?",
        // A run that was over before its moment came has nothing to resume; one that was cut before the edited line goes on.
        Class::OtherSequence => ["which sequence?", "finished", "nothing to resume"].contains(&last),
        Class::EditedRow => ["whose rows?", "salvage?", "nothing to resume"].contains(&last),
        Class::DamagedSideFile => {
            ["finished", "salvage?", "which file?", "nothing to resume"].contains(&last)
        }
        Class::LatchedInterlock if last == "finished" => {
            asked.iter().any(|question| question == "was it looked at?" || question == "a link was slow")
        }
        _ => ["finished", "nothing to resume"].contains(&last),
    }
}

fn one_case(number: usize) -> (Class, String) {
    let class = CLASSES[number % CLASSES.len()];
    let mut case = Case::new(class, number as u64);
    case.run();
    case.tamper();
    let pulses = case.gates.heard("TASK:PULS").len();
    let asked = case.resumed();
    assert!(fits(class, &asked), "case {number}, {class:?}: {asked:?}");
    // A pulse is done a second time only where a person said that the first was not.
    let again = case.gates.heard("TASK:PULS").len() - pulses;
    let decided = asked.iter().filter(|question| *question == "was it done?").count();
    let allowed = usize::from(pulses == 0) + decided;
    assert!(again <= allowed, "case {number}, {class:?}: {again} pulses after {pulses}; {asked:?}");
    let finished = asked.last().is_some_and(|last| last == "finished");
    if finished {
        let points: Vec<usize> = sweeps(&intact(&case.folder)).iter().map(|sweep| sweep.x.len()).collect();
        assert_eq!(points, POINTS, "case {number}, {class:?}");
        assert!(case.lab.is_parked(), "case {number}, {class:?}");
    }
    if asked.iter().any(|question| question.starts_with("ended anew")) {
        eprintln!("case {number}, {class:?}: {asked:?}");
    }
    let told = asked.iter().map(|question| question.split(':').next().unwrap_or_default());
    (class, told.collect::<Vec<_>>().join(", "))
}

#[test]
fn a_resumed_run_goes_on_or_says_what_a_person_must_decide() {
    let cases = campaign(CLASSES.len(), 520);
    let first = std::env::var("NOCTULE_CAMPAIGN_SEED").ok().and_then(|first| first.parse().ok()).unwrap_or(0);
    let (done, failed) = try_all(first..first + cases, one_case);
    let mut table: BTreeMap<(Class, String), usize> = BTreeMap::new();
    done.into_iter().for_each(|(_, outcome)| *table.entry(outcome).or_default() += 1);
    for ((class, outcome), count) in &table {
        println!("{count:4} {class:?}: {outcome}");
    }
    let failures: Vec<_> = failed.iter().map(|number| (number, CLASSES[number % CLASSES.len()])).collect();
    assert!(failures.is_empty(), "{} of {cases} cases: {failures:#?}", failures.len());
}
