//! A campaign of three rehearsed runs, told once: text, JSON, page and live page say the same, and what each run says itself.

use crate::common::{noctule, say, text, write};
use crate::story::without_helium;
use serde_json::Value;
use std::io::{BufRead, BufReader, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// The tip alone.
const TIP: &str = r#"
import "campaign" as campaign;
goal("a good tip", "tip proved", #{ worth: 4 });
campaign::pursue(#{ ends_after: 55.min, atoms: 20 });
"#;

const WHOLE: &str = r#"
import "campaign" as campaign;
goal("a good tip", "tip proved", #{ worth: 4 });
goal("a spin proved", "resonance proved", #{ worth: 10 });
goal("against power", "line mapped", #{ against: "power", places: 4, worth: 4 });
campaign::pursue(#{ ends_after: 20.h, atoms: 20 });
"#;

/// The folder of three runs of one campaign: a tip, a proof with a map that is cut short, the whole map.
fn runs() -> &'static Path {
    static FOLDER: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    let (_, runs) = FOLDER.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let runs = folder.path().join("runs");
        std::fs::create_dir(&runs).unwrap();
        let [tip, whole] =
            [("tip.rhai", TIP), ("plan.rhai", WHOLE)].map(|(name, text)| write(folder.path(), name, text));
        rehearse(&runs, "friday", &tip, "2026-11-27 18:00", "20:00");
        rehearse(&runs, "saturday", &whole, "2026-11-28 22:00", "23:17");
        rehearse(&runs, "sunday", &whole, "2026-11-29 09:00", "20:00");
        (folder, runs)
    });
    runs
}

fn rehearse(runs: &Path, name: &str, plan: &Path, start: &str, until: &str) {
    let out = runs.join(name);
    let said = say(&[
        "rehearse",
        text(plan),
        "--world",
        "weekend",
        "--start",
        start,
        "--until",
        until,
        "--logbook",
        text(runs),
        "--json",
        "--out",
        text(&out),
    ]);
    assert!([0, 4, 6].contains(&said.code), "{name}: {} {}", said.code, said.stderr);
}

fn campaign(arguments: &[&str]) -> Value {
    let mut all = vec!["brief", "--json"];
    all.extend(arguments);
    let said = say(&all);
    assert_eq!(said.code, 0, "{}", said.stderr);
    said.json()["campaign"].clone()
}

fn words_of(value: &Value) -> String {
    value.as_str().unwrap_or_else(|| panic!("{value} is no text")).to_owned()
}

fn list<'v>(value: &'v Value, key: &str) -> &'v Vec<Value> {
    value[key].as_array().unwrap_or_else(|| panic!("no list `{key}` in {value}"))
}

#[test]
fn a_list_of_runs_has_the_headlines_of_the_briefs() {
    let listed = say(&["runs", "--json", "--folder", text(runs())]).json();
    let mut with_goals = 0;
    for run in list(&listed, "runs") {
        let own = say(&["brief", "--json", run["path"].as_str().unwrap()]).json()["runs"][0]["story"].clone();
        assert_eq!(words_of(&run["headline"]), without_helium(&own), "{own}");
        with_goals += usize::from(words_of(&run["headline"]).contains("goal"));
    }
    assert_eq!(with_goals, 3, "{listed}");
}

/// Everything with a number in it that a reader meets.
fn told(campaign: &Value) -> Vec<String> {
    let mut told = vec![words_of(&campaign["span"]), words_of(&campaign["helium"]["words"])];
    for goal in list(campaign, "goals") {
        told.extend([words_of(&goal["name"]), words_of(&goal["words"]), words_of(&goal["why"])]);
        told.extend(list(goal, "course").iter().map(|turn| words_of(&turn["at"])));
    }
    for run in list(campaign, "runs") {
        told.extend(["name", "when", "gap", "outcome", "held"].map(|key| words_of(&run[key])));
        told.extend(list(run, "came").iter().chain(list(run, "what_for")).map(words_of));
    }
    for tip in list(campaign, "tips") {
        told.extend(list(tip, "known").iter().map(words_of));
    }
    for spin in list(campaign, "spins") {
        told.extend(["words", "tip", "at"].map(|key| words_of(&spin[key])));
    }
    told.extend(list(&campaign["next"], "people").iter().map(words_of));
    told
}

#[test]
fn goals_stand_as_the_runs_have_left_them() {
    let folder = runs();
    let whole = campaign(&["--campaign", text(folder)]);
    let stands: Vec<[String; 3]> = list(&whole, "goals")
        .iter()
        .map(|goal| ["name", "state", "run"].map(|key| words_of(&goal[key])))
        .collect();
    let wanted = [
        ["a good tip", "reached", "friday"],
        ["a spin proved", "reached", "saturday"],
        ["against power", "reached", "sunday"],
    ];
    assert_eq!(stands, wanted.map(|row| row.map(str::to_owned)));
    // What is told of a run is what its own brief tells.
    for run in list(&whole, "runs") {
        let own =
            say(&["brief", "--json", text(&folder.join(words_of(&run["name"])))]).json()["runs"][0].clone();
        assert_eq!(
            (&run["headline"], &run["outcome"]),
            (&own["story"]["headline"], &own["story"]["outcome"])
        );
        for goal in list(&whole, "goals").iter().filter(|goal| goal["since"]["run"] == run["name"]) {
            let own =
                list(&own["story"], "goals").iter().find(|known| known["name"] == goal["name"]).unwrap();
            let turn = list(own, "course").last().unwrap();
            assert_eq!((&turn["state"], &turn["why"]), (&goal["state"], &goal["why"]));
            let at_s = run["from"]["at_s"].as_f64().unwrap() + turn["at_s"].as_f64().unwrap();
            assert!((at_s - goal["since"]["at_s"].as_f64().unwrap()).abs() < 1.0, "{goal}");
        }
    }
    // After Saturday the map was given up, and after Friday there was neither a proof nor a map.
    let [friday, saturday] = ["friday", "saturday"].map(|name| folder.join(name));
    let two = campaign(&[text(&saturday), text(&friday)]);
    let map = &list(&two, "goals")[2];
    assert_eq!((&map["state"], &map["run"]), (&"given up".into(), &"saturday".into()));
    assert_eq!(list(&two["next"], "open").len(), 1);
    assert_eq!(list(&two, "runs")[0]["name"], "friday", "runs stand in the order of time");
    let one = campaign(&["--campaign", text(&friday)]);
    assert_eq!((list(&one, "goals").len(), list(&one, "spins").len()), (1, 0));
    // Tips and spins have the ids of the logbook.
    let log = say(&["log", "--folder", text(folder), "--rehearsed", "--json", "tip"]).json();
    assert_eq!(list(&whole, "tips")[0]["id"], log["tip"][0]["id"]);
    let spin = say(&["log", "--folder", text(folder), "--rehearsed", "--json", "spin"]).json();
    let proved =
        spin["spins"].as_array().unwrap().iter().find(|spin| spin["moment_mu_b"].is_f64()).unwrap().clone();
    let last = list(&whole, "spins").last().unwrap();
    assert!(words_of(&last["name"]).contains(proved["id"].as_str().unwrap()), "{last} {proved}");
    assert_eq!(last["moment_mu_b"]["value"], proved["moment_mu_b"]);
}

#[test]
fn text_page_and_live_page_have_the_same_numbers() {
    let folder = runs();
    let whole = campaign(&["--campaign", text(folder)]);
    let shown = say(&["brief", "--campaign", text(folder)]);
    assert!(shown.stdout.lines().all(|line| line.chars().count() <= 80), "{}", shown.stdout);
    let place = tempfile::tempdir().unwrap();
    let page = place.path().join("campaign.html");
    assert_eq!(say(&["brief", "--campaign", text(folder), "--out", text(&page)]).code, 0);
    let page = std::fs::read_to_string(&page).unwrap();
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let flowing = flat(&shown.stdout);
    for words in told(&whole) {
        assert!(flowing.contains(&flat(&words)), "`{words}` is not in\n{}", shown.stdout);
        // The first letter of a sentence is large.
        let rest: String = words.chars().skip(1).collect();
        let markup = noctule::report::figure::escape(&rest);
        assert!(page.contains(&markup), "`{markup}` is not on the page");
    }
    assert_eq!(
        page.matches("course of the days: 3 runs").count(),
        2,
        "one figure for wide and one for narrow windows"
    );
    assert!(!page.contains("<script") && page.matches("<article").count() == 1);
    // Above the briefs of single runs it stands once.
    let sunday = folder.join("sunday");
    let both = say(&["brief", text(&folder.join("saturday")), text(&sunday)]).stdout;
    assert_eq!((both.matches("Campaign of 2 runs").count(), both.matches("── Bench now").count()), (1, 2));
    assert_eq!(live(&sunday, folder), whole);
    insta::assert_snapshot!("campaign", shown.stdout);
}

/// The campaign on the live page of a run, as soon as the logbook was read.
fn live(run: &Path, with: &Path) -> Value {
    let mut child = noctule()
        .args(["live", text(run), "--with", text(with), "--listen", "127.0.0.1:0"])
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    said.read_line(&mut line).unwrap();
    let address = line.trim().trim_start_matches("live page: http://").trim_end_matches('/').to_owned();
    let mut stream = TcpStream::connect(&address).unwrap();
    write!(stream, "GET /events HTTP/1.1\r\nHost: {address}\r\n\r\n").unwrap();
    let until = Instant::now() + Duration::from_secs(30);
    let mut found = Value::Null;
    for line in BufReader::new(stream).lines() {
        let line = line.unwrap();
        let status: Value =
            line.strip_prefix("data: ").and_then(|data| serde_json::from_str(data).ok()).unwrap_or_default();
        let campaign = &status["campaign"];
        if campaign.is_object() && campaign["doubts"].is_null() {
            found = campaign.clone();
        }
        if !found.is_null() || Instant::now() > until {
            break;
        }
    }
    child.kill().unwrap();
    child.wait().unwrap();
    found
}

#[test]
fn what_is_no_campaign_is_said_in_a_sentence() {
    let folder = runs();
    let place = tempfile::tempdir().unwrap();
    let refused = |arguments: &[&str], words: &str| {
        let said = say(arguments);
        assert_eq!((said.code, said.stdout.as_str()), (2, ""), "{arguments:?}: {}", said.stderr);
        assert!(said.stderr.starts_with("error: ") && said.stderr.contains(words), "{}", said.stderr);
        assert_eq!(said.stderr.lines().count(), 1, "{}", said.stderr);
    };
    let bare = place.path().join("bare");
    std::fs::create_dir(&bare).unwrap();
    refused(&["brief", "--campaign", text(&bare)], "there is no run in");
    refused(&["brief", text(folder)], "`noctule brief --campaign");
    refused(&["brief", "--campaign", "no_such_thing"], "no run under runs/ begins like this");
    let plain = write(place.path(), "plain.rhai", "approach(); wait(5.min); park();");
    let run = place.path().join("runs/plain");
    assert_eq!(say(&["rehearse", text(&plain), "--out", text(&run), "--json"]).code, 0);
    refused(&["brief", "--campaign", text(&run)], "none of these runs says a goal");
    refused(&["live", text(&run), "--with", text(run.parent().unwrap())], "none of these runs says a goal");
    // Briefs of runs that say no goals are briefs.
    let both = say(&["brief", text(&run), text(&run), "--json"]);
    assert_eq!((both.code, both.json()["campaign"].is_null()), (0, true));
    // What can't be read in a folder is passed over, and that is said; given by itself it is refused.
    let mixed = place.path().join("mixed");
    for name in ["friday", "saturday"] {
        std::fs::create_dir_all(mixed.join(name)).unwrap();
        std::fs::copy(folder.join(name).join("run.sqlite"), mixed.join(name).join("run.sqlite")).unwrap();
    }
    std::fs::create_dir_all(mixed.join("broken")).unwrap();
    let broken = write(&mixed.join("broken"), "run.sqlite", "this is no run file");
    let whole = campaign(&["--campaign", text(&mixed)]);
    assert_eq!((list(&whole, "runs").len(), list(&whole, "doubts").len()), (2, 1));
    assert!(words_of(&list(&whole, "doubts")[0]).contains("passed over"), "{whole}");
    refused(&["brief", "--campaign", text(&folder.join("friday")), text(&broken)], "");
}
