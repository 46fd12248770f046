//! What was really there in a rehearsal: in the summary, and nowhere that a sequence, a verdict or a brief can read.

use crate::common::{say, text, write};
use noctule::record::{Entry, RunFile};
use std::path::Path;

const NIGHT: &str = "scripts/overnight_field_sweep.rhai";
/// Stands still over an adatom, then says what it thinks of it.
const LOOK: &str = r#"
    set("Bias", 60.mV);
    set("Setpoint", 10.pA);
    approach();
    go_to(3.2.nm, -1.85.nm);
    set("RfLevel", -3.dBm);
    set("RfOutput", 1);
    let seen = sweep(#{ name: "esr", channel: "RfFrequency", from: 12.GHz, to: 12.1.GHz, points: 51, read: ["LockinX"], dwell: 2.s });
    note(`${seen.points} points`);
    set("RfOutput", 0);
    withdraw();
    park();
"#;

fn rehearse(sequence: &str, world: &str, out: &Path) -> serde_json::Value {
    let said = say(&["rehearse", sequence, "--world", world, "--json", "--out", text(out)]);
    // 6: it came to its end and proved nothing.
    assert!([0, 6].contains(&said.code), "{}", said.stderr);
    said.json()
}

#[test]
fn the_summary_of_a_night_has_the_truth_and_what_was_right() {
    let folder = tempfile::tempdir().unwrap();
    let summary = rehearse(NIGHT, "night", &folder.path().join("night"));
    let truth = &summary["truth"];
    assert_eq!(truth["spin_in_reach"], true);
    // One of the adatoms, whichever the night stayed with longest.
    assert!(truth["site"].as_str().unwrap().starts_with('A'), "{truth}");
    assert!((truth["moment_mub"].as_f64().unwrap() - 0.895).abs() < 1e-12);
    assert!((truth["g"].as_f64().unwrap() - 1.79).abs() < 1e-12);
    let polarised = &truth["polarised"][0];
    assert_eq!(polarised["from_s"], 0.0);
    assert_eq!(polarised["to_s"], truth["tips"][0]["to_s"]);
    let claims = truth["claims"].as_array().unwrap();
    let verdict = claims.last().unwrap();
    assert_eq!(verdict["right"], true, "{verdict}");

    let summary = rehearse(NIGHT, "blind", &folder.path().join("blind"));
    let truth = &summary["truth"];
    assert_eq!(truth["spin_in_reach"], false);
    assert!(truth["moment_mub"].is_null() && truth["polarised"].as_array().unwrap().is_empty(), "{truth}");
    // Nothing can be claimed under a blind tip, so whatever is claimed as a line is wrong.
    for claim in truth["claims"].as_array().unwrap().iter().filter(|claim| !claim["moment_mu_b"].is_null()) {
        assert_eq!(claim["right"], false, "{claim}");
    }
}

/// Two worlds that differ only in names, which no gauge shows: a sequence that could read anything of the truth
/// would know them apart. The record is the same to the last bit, and neither run file nor brief nor log has the name.
#[test]
fn a_sequence_cannot_tell_worlds_apart_that_differ_in_the_truth_alone() {
    let folder = tempfile::tempdir().unwrap();
    let sequence = write(folder.path(), "look.rhai", LOOK);
    let night = noctule_sim::world::World::shipped_text("night").unwrap();
    let mut records = Vec::new();
    for name in ["A1", "unheardof"] {
        let world = night.replace("Site(name: \"A1\"", &format!("Site(name: \"{name}\""));
        // Paths stand in the record, so the two are told apart by their folders alone.
        let own = tempfile::tempdir().unwrap();
        let world = write(own.path(), "world.ron", &world);
        let out = own.path().join("run");
        let summary = rehearse(text(&sequence), text(&world), &out);
        assert_eq!(summary["truth"]["site"], name);
        let file = RunFile::open(&out.join("run.sqlite")).unwrap();
        for kind in ["note", "judgement", "sweep", "start", "end"] {
            let entries = format!("{:?}", file.all(kind).unwrap_or_default());
            assert!(!entries.contains("unheardof"), "{kind}");
        }
        let brief = std::fs::read_to_string(out.join("brief.html")).unwrap();
        assert!(!brief.contains("unheardof") && !brief.contains("spin_in_reach"));
        // In the whole run file the name stands in the text of the world alone, and nothing else of the truth does.
        let bytes = std::fs::read(out.join("run.sqlite")).unwrap();
        let found =
            |word: &str| bytes.windows(word.len()).filter(|window| *window == word.as_bytes()).count();
        assert!(found("unheardof") <= 1, "{}", found("unheardof"));
        assert_eq!(found("spin_in_reach") + found("tip_field_t") + found("polarised\":"), 0);
        // The record but for its head, which has the hash of the world's text.
        let mut record = Vec::new();
        file.every_entry(u64::MAX, |numbered| {
            if !matches!(numbered.entry, Entry::Identity(_) | Entry::Context { .. }) {
                record.push(format!("{numbered:?}"));
            }
            Ok(())
        })
        .unwrap();
        assert_eq!(file.count_points().unwrap(), 51);
        record.extend(file.sweeps().unwrap().iter().map(|table| format!("{table:?}")));
        records.push(record);
    }
    assert!(records[0] == records[1], "the same night to the last bit");
}

#[test]
fn no_verb_and_no_name_leads_to_the_truth() {
    for verb in noctule::script::registry::all() {
        for word in ["truth", "chronicle"] {
            assert!(!verb.name.contains(word), "{}", verb.name);
        }
    }
    let folder = tempfile::tempdir().unwrap();
    for line in ["let t = truth();", "let t = chronicle();", "let t = truth;", "let t = read(\"Truth\");"] {
        let sequence = write(folder.path(), "ask.rhai", line);
        let said = say(&["check", text(&sequence)]);
        assert_ne!(said.code, 0, "{line}");
    }
}
