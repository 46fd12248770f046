//! What a sequence may ask of the logbook, and that the answers belong to the record.

use crate::common::{say, text, write};
use noctule::record::{Entry, JudgementKind, RunFile};
use std::path::Path;

const ASKS: &str = r#"
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
let picture = image(#{ x: 0.nm, y: 0.nm, size: 20.nm, pixels: 96, line_time: 500.ms });
for spin in spins_here(picture) {
    if spin.proved {
        go_to(spin.x, spin.y);
        let centred = recentre();
        note(`${spin.id} found ${centred.found}, moment ${spin.moment}, ${spin.ago.h.round()} h ago`);
    }
}
note(`${known_spins().len()} known`);
let proved = known_spins().filter(|spin| spin.proved);
let all = earlier_spectra(#{ spin: proved[0].id });
note(`${all.len()} spectra, ${all[0].values["lockin_x"].len} points, verdict ${all[0].verdict}, tip ${all[0].tip}`);
let none = earlier_spectra(#{ channel: "RfFrequency", from: 1.GHz, to: 2.GHz });
note(`${none.len()} elsewhere`);
park();
"#;

fn notes(run: &Path) -> Vec<String> {
    let file = RunFile::open(&run.join("run.sqlite")).unwrap();
    let text = |entry: Entry| match entry {
        Entry::Note { text, .. } => Some(text),
        _ => None,
    };
    file.all("note").unwrap().into_iter().filter_map(|numbered| text(numbered.entry)).collect()
}

#[test]
fn a_sequence_asks_for_spins_and_spectra_and_the_answers_are_of_its_record() {
    let folder = tempfile::tempdir().unwrap();
    let runs = folder.path().join("runs");
    std::fs::create_dir(&runs).unwrap();
    let rehearse = |sequence: &str, name: &str, start: &str| {
        let out = runs.join(name);
        let arguments = ["rehearse", sequence, "--seed", "1", "--start", start, "--json", "--out"];
        let said = say(&[&arguments[..], &[text(&out), "--logbook", text(&runs)]].concat());
        assert_eq!(said.code, 0, "{}", said.stderr);
        (out, said.json()["digest"].clone())
    };
    // Its images are large enough to know the area again.
    rehearse("scripts/prepare_tip.rhai", "evening", "2026-11-20 18:00");
    rehearse("scripts/prove_resonance.rhai", "night", "2026-11-20 20:00");
    let asks = write(folder.path(), "asks.rhai", ASKS);
    let (run, digest) = rehearse(text(&asks), "asks", "2026-11-21 20:00");
    let said = notes(&run);
    assert_eq!(said.len(), 4, "{said:?}");
    assert!(said[0].contains("found true, moment 0.89"), "{said:?}");
    assert!(said[2].contains("points, verdict real, tip 1"), "{said:?}");
    assert_eq!(said[3], "0 elsewhere");
    // Each answer stands where it was asked, and the whole is lived again without the logbook.
    let file = RunFile::open(&run.join("run.sqlite")).unwrap();
    let asked = file.all("judgement").unwrap();
    let asked =
        asked.iter().filter(|n| matches!(&n.entry, Entry::Judgement { what: JudgementKind::Logbook, .. }));
    assert_eq!(asked.count(), 5);
    let resumed = folder.path().join("cut");
    let rows = file.next_seq().unwrap();
    crate::later::cut(&run, &resumed, rows / 2);
    std::fs::remove_dir_all(runs.join("night")).unwrap();
    let said = say(&["resume", text(&resumed), "--json"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert_eq!(said.json()["digest"], digest);
    // The page and the backup of the same folder.
    let log = |arguments: &[&str]| {
        let all = [&["log", "--folder", text(&runs), "--rehearsed"], arguments].concat();
        let said = say(&all);
        assert_eq!(said.code, 0, "{}", said.stderr);
    };
    let (page, safe) = (folder.path().join("page.html"), folder.path().join("safe"));
    log(&["note", "blunt <since> Friday", "--by", "Mira"]);
    log(&["--page", text(&page)]);
    let html = std::fs::read_to_string(&page).unwrap();
    assert!(
        html.contains("blunt &lt;since&gt; Friday") && html.contains("<th scope=\"col\">when</th>"),
        "{html}"
    );
    log(&["backup", text(&safe)]);
    let open = rusqlite::Connection::open(safe.join("rehearsed.logbook")).unwrap();
    let words: i64 = open.query_row("SELECT count(*) FROM word", [], |row| row.get(0)).unwrap();
    assert_eq!(words, 1);
    assert_eq!(
        std::fs::read(safe.join("words.jsonl")).unwrap(),
        std::fs::read(runs.join("words.jsonl")).unwrap()
    );
    let twice = say(&["log", "--folder", text(&runs), "--rehearsed", "backup", text(&safe)]);
    assert_eq!(twice.code, 2, "a backup never writes over another: {}", twice.stderr);
}
