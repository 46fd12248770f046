//! What is precious stays so in the next sequence of a queue, in a later run, and after a cut and a resume.

use crate::common::{Said, noctule, say, text, write};
use noctule::record::{Answer, Entry, Failure, Request, RunFile};
use std::path::Path;

/// What was refused for the sake of tip and spins, and acts on the tip that were done.
fn acts(run: &Path) -> (usize, usize) {
    let file = RunFile::open(&run.join("run.sqlite")).expect("a run file");
    let (mut refused, mut done) = (0, 0);
    for numbered in file.all("call").expect("calls") {
        let Entry::Call { request: Request::Task(task), answer, .. } = numbered.entry else { continue };
        refused += usize::from(matches!(answer, Err(Failure::Guarded(_))));
        done += usize::from(task.kind().once_only() && matches!(answer, Ok(Answer::Task(_))));
    }
    (refused, done)
}

/// A record as it is after a cut: nothing from a row on.
pub fn cut(from: &Path, to: &Path, row: u64) {
    std::fs::create_dir_all(to).expect("a folder");
    std::fs::copy(from.join("run.sqlite"), to.join("run.sqlite")).expect("a copy");
    let open = rusqlite::Connection::open(to.join("run.sqlite")).expect("a file");
    for table in ["entry", "point", "bulk"] {
        open.execute(&format!("DELETE FROM {table} WHERE seq >= ?1"), [row]).expect("rows go");
    }
    open.execute("DELETE FROM meta WHERE key IN ('digest', 'ended')", []).expect("rows go");
}

#[test]
fn what_a_sequence_of_a_queue_keeps_the_next_one_does_not_touch() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    // A bench has a lock, so this one has a name of its own.
    let own = noctule::bench::builtin_text()
        .replace("Lantern cryostat (invented)", "a queue that keeps (invented)");
    let bench = write(at, "bench.ron", &own);
    let keeps = write(at, "keeps.rhai", "keep_spin(\"the target\", 0.nm, 0.nm);\nwait(1.ms);");
    let tries = "try { pick_up(); } catch (e) { note(e.message); }\ntry { pulse(3.5.V, 100.ms); } catch (e) { note(e.message); }\nput_down();";
    let tries = write(at, "tries.rhai", tries);
    let queue = |sequences: &[&Path]| -> Said {
        let mut command = noctule();
        command.current_dir(at).args(["run", "--json", "--bench", text(&bench)]).args(sequences);
        command.output().unwrap().into()
    };
    let said = queue(&[&keeps, &tries]);
    let runs = |name: &str| {
        let mut all: Vec<_> =
            std::fs::read_dir(at.join("runs")).unwrap().map(|e| e.unwrap().path()).collect();
        all.retain(|path| path.is_dir() && text(path).contains(name));
        all.sort();
        all
    };
    assert_eq!(said.code, 1, "the last act is not caught: {}", said.stderr);
    assert_eq!(acts(&runs("tries")[0]), (3, 0), "{}", said.stderr);
    // The same sequence a day later, alone; and where a person has looked at the tip, nobody may pulse it anywhere.
    let said = queue(&[&tries]);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert_eq!(acts(&runs("tries")[1]), (3, 0));
    let looked = noctule().current_dir(at).args(["log", "looked", "--by", "Mira"]).output().unwrap();
    assert!(looked.status.success());
    let far = write(at, "far.rhai", "withdraw();\ncoarse_shift(3, 0);\npulse(3.5.V, 100.ms);");
    let said = queue(&[&far]);
    assert_eq!(said.code, 1, "{}", said.stderr);
    assert_eq!(acts(&runs("far")[0]), (1, 0));
}

/// A rehearsal is cut at several rows and resumed where the logbook is gone: what was known at its head still holds.
#[test]
fn after_a_cut_and_a_resume_the_guard_knows_what_it_knew() {
    let folder = tempfile::tempdir().unwrap();
    let runs = folder.path().join("runs");
    std::fs::create_dir(&runs).unwrap();
    assert_eq!(say(&["log", "--folder", text(&runs), "--rehearsed", "looked", "--by", "Mira"]).code, 0);
    let tries = "set(\"Bias\", 60.mV); set(\"Setpoint\", 10.pA); approach();\n\
        for i in 0..6 { try { pulse(3.5.V, 100.ms); } catch { wait(1.s); } }\n\
        go_to(3.2.nm, -1.85.nm); recentre(); keep_spin(\"this one\", 3.2.nm, -1.85.nm);\n\
        for i in 0..6 { try { pick_up(); } catch { wait(1.s); } }\nnote(tip_now().guarded); park();";
    let tries = write(folder.path(), "tries.rhai", tries);
    let whole = runs.join("whole");
    let said = say(&[
        "rehearse",
        text(&tries),
        "--seed",
        "3",
        "--json",
        "--out",
        text(&whole),
        "--logbook",
        text(&runs),
    ]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(acts(&whole), (12, 0));
    let digest = said.json()["digest"].clone();
    let rows = RunFile::open(&whole.join("run.sqlite")).unwrap().next_seq().unwrap();
    for part in [0.3, 0.6, 0.9] {
        let resumed = folder.path().join(format!("cut at {part}"));
        cut(&whole, &resumed, (part * rows as f64) as u64);
        let said = say(&["resume", text(&resumed), "--json"]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        assert_eq!(acts(&resumed), (12, 0));
        assert_eq!(said.json()["digest"], digest, "at {part}");
    }
}
