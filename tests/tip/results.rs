//! Declared results: recorded, shown, and asked for by the sequence that comes next.

use crate::common::{say, text, write};

fn rehearse(
    folder: &std::path::Path,
    name: &str,
    body: &str,
    more: &[&str],
) -> (i32, serde_json::Value, String) {
    let sequence = write(folder, &format!("{name}.rhai"), body);
    let out = folder.join("runs").join(name);
    let mut arguments = vec!["rehearse", text(&sequence), "--json", "--out", text(&out)];
    arguments.extend(more);
    let said = say(&arguments);
    let brief = say(&["brief", text(&out)]).stdout;
    (said.code, said.json(), brief)
}

#[test]
fn a_result_is_shown_wherever_a_run_is() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let (code, json, brief) =
        rehearse(at, "made", "wait(1.s);\nresult(\"made\", \"a good one\");\npark();", &[]);
    assert_eq!(
        (code, json["outcome"].as_str(), json["result"]["what"].as_str()),
        (0, Some("finished"), Some("made"))
    );
    assert!(brief.contains("✓ Made: a good one"), "{brief}");
    let (code, json, brief) =
        rehearse(at, "none", "wait(1.s);\nresult(\"nothing\", \"no atom here\");\npark();", &[]);
    assert_eq!((code, json["outcome"].as_str()), (6, Some("finished")));
    assert_eq!(json["result"]["about"], "no atom here");
    assert!(brief.contains("▲ FINISHED") && brief.contains("no atom here"), "{brief}");
    // The last one counts; one without a reason is refused.
    let twice = "result(\"nothing\", \"not yet\");\nwait(1.s);\nresult(\"mapped\", \"\");\npark();";
    assert_eq!(rehearse(at, "twice", twice, &[]).0, 0);
    let bare = "let why = if read(\"HeliumLevel\") > 59.L { \"much helium\" } else { \"\" };\nresult(\"nothing\", why);";
    let (code, json, _) = rehearse(at, "bare", bare, &[]);
    assert_eq!((code, json["outcome"].as_str()), (1, Some("failed")));
    let runs = say(&["runs", "--folder", text(&at.join("runs")), "--json"]).json();
    let result = |name: &str| {
        let runs = runs["runs"].as_array().unwrap();
        runs.iter().find(|run| run["name"] == name).unwrap()["result"].as_str().unwrap().to_owned()
    };
    assert_eq!(
        [result("made"), result("none"), result("twice"), result("bare")],
        ["made: a good one", "nothing: no atom here", "mapped", ""]
    );
    let lines = say(&["runs", "--folder", text(&at.join("runs")), "atom", "here"]).stdout;
    assert!(lines.lines().count() == 2 && lines.contains("nothing: no atom here"), "{lines}");
}

#[test]
fn a_sequence_can_need_the_result_of_the_one_before() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let body = "needs_result(\"made\");\nnote(`went on after ${earlier_result().what}`);\nresult(\"mapped\", \"\");\npark();";
    assert_eq!(rehearse(at, "alone", body, &[]).0, 0);
    let (code, json, _) = rehearse(at, "after", body, &["--earlier", "made"]);
    assert_eq!((code, json["result"]["what"].as_str()), (0, Some("mapped")));
    let (code, json, _) = rehearse(at, "not", body, &["--earlier", "nothing"]);
    assert_eq!(
        (code, json["outcome"].as_str(), json["result"]["what"].as_str()),
        (6, Some("finished"), Some("nothing"))
    );
    assert!(json["result"]["about"].as_str().unwrap().contains("declared nothing"), "{json}");
    assert_eq!(say(&["rehearse", "x.rhai", "--earlier", "maid"]).code, 2);
}

/// A queue of measurements over a simulated link: what the first declares decides.
#[test]
fn a_queue_goes_by_what_was_achieved() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let bench = write(at, "bench.ron", noctule::bench::builtin_text());
    let first = write(at, "first.rhai", "wait(1.ms);\nresult(\"nothing\", \"no tip\");");
    let made = write(at, "made.rhai", "wait(1.ms);\nresult(\"made\", \"\");");
    let second = write(at, "second.rhai", "needs_result(\"made\");\nwait(1.ms);\nresult(\"mapped\", \"\");");
    let queue = |bench: &std::path::Path, sequences: &[&std::path::Path]| {
        let mut command = crate::common::noctule();
        command.current_dir(at).args(["run", "--json", "--bench", text(bench)]).args(sequences);
        crate::common::Said::from(command.output().unwrap())
    };
    let said = queue(&bench, &[&first, &second]);
    assert_eq!(said.code, 6, "{}", said.stderr);
    assert!(said.stderr.contains("the queue ends with first.rhai"), "{}", said.stderr);
    assert_eq!(said.stdout.lines().count(), 1);
    let said = queue(&bench, &[&made, &second]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    let last: serde_json::Value = serde_json::from_str(said.stdout.lines().last().unwrap()).unwrap();
    assert_eq!(last["result"]["what"], "mapped");
    // Where a queue goes on whatever came before, the second one looks for itself.
    let going = noctule::bench::builtin_text().replace("queue_goes_on: false", "queue_goes_on: true");
    let bench = write(at, "going.ron", &going);
    let said = queue(&bench, &[&first, &second]);
    let last: serde_json::Value = serde_json::from_str(said.stdout.lines().last().unwrap()).unwrap();
    assert_eq!((said.code, last["result"]["what"].as_str()), (6, Some("nothing")), "{}", said.stderr);
}
