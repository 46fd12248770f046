//! Every kind of night: what a tired reader sees first, and whether all that tells of a run tells the same.

use crate::common::live_status;
use crate::kinds::kinds;
use noctule::history::result::{Weight, capital};
use noctule::record::RunFile;
use noctule::report::account::Account;
use noctule::report::{brief, export, runs};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::Path;

/// Lines of a terminal.
const SCREEN: usize = 24;

pub fn first_screen(text: &str) -> String {
    let lines: Vec<&str> = text.lines().skip(1).filter(|line| !line.is_empty()).take(SCREEN).collect();
    lines.join("\n")
}

#[test]
fn the_first_screen_of_every_kind_of_night() {
    let mut all = String::new();
    for kind in kinds() {
        let run = [RunFile::open(&kind.path).unwrap()];
        let text = brief::text(&run).unwrap();
        assert!(text.lines().all(|line| line.chars().count() <= 80 || line.contains("$ noctule")), "{text}");
        let _ = writeln!(all, "######## {}\n{}\n", kind.name, first_screen(&text));
        if let Ok(folder) = std::env::var("NOCTULE_PAGES") {
            let page = Path::new(&folder).join(kind.name.replace(' ', "_") + ".html");
            std::fs::write(page, brief::html(&run).unwrap()).unwrap();
        }
    }
    let two = ["good", "line lost"].map(|name| kinds().iter().find(|kind| kind.name == name).unwrap());
    let runs = two.map(|kind| RunFile::open(&kind.path).unwrap());
    let text = brief::text(&runs).unwrap();
    let beside = text.find("── Beside").expect("two nights stand beside each other");
    let table: Vec<&str> = text[beside..].lines().take_while(|line| !line.is_empty()).collect();
    let _ = writeln!(all, "######## campaign of two nights\n{}", table.join("\n"));
    if let Ok(folder) = std::env::var("NOCTULE_PAGES") {
        std::fs::write(Path::new(&folder).join("campaign.html"), brief::html(&runs).unwrap()).unwrap();
    }
    // Paths differ from machine to machine.
    let folder = kinds()[0].path.parent().unwrap().display().to_string();
    insta::assert_snapshot!("first_screens", all.replace(&folder, "FOLDER"));
}

/// Kinds that end as they should; all others ask for a look or more.
const GOOD: [&str; 7] =
    ["good", "refill", "two spins", "map", "power series", "inelastic", "background until a time"];

#[test]
fn only_what_went_as_planned_is_green() {
    for kind in kinds() {
        let result = Account::read(&RunFile::open(&kind.path).unwrap()).result();
        let good = result.weight == Weight::Good;
        assert_eq!(good, GOOD.contains(&kind.name), "{}: {}", kind.name, result.headline);
        assert!(good || !result.next.is_empty(), "{}", kind.name);
    }
}

/// The headline as a list has it: how long the helium of a past night lasted helps nobody.
pub fn without_helium(story: &Value) -> String {
    let parts = story["parts"].as_array().unwrap().iter().filter(|part| part["about"] != "helium");
    let words: Vec<&str> = parts.map(|part| part["words"].as_str().unwrap()).collect();
    format!("{}.", capital(&words.join("; ")))
}

#[test]
fn brief_json_live_page_list_and_export_have_the_same_numbers() {
    for kind in kinds() {
        let run = RunFile::open(&kind.path).unwrap();
        let account = Account::read(&run);
        let result = account.result();
        let told = serde_json::to_value(&result).unwrap();
        assert_eq!(live_status(&kind.path)["result"], told, "{}", kind.name);
        let listed = runs::list(kind.path.parent().unwrap()).unwrap();
        let listed = listed.iter().find(|run| run.path == kind.path).unwrap();
        assert_eq!(listed.headline, without_helium(&told), "{}", kind.name);
        let fits = export::fits_json(&account);
        let page = brief::html(&[RunFile::open(&kind.path).unwrap()]).unwrap();
        let text = brief::text(&[RunFile::open(&kind.path).unwrap()]).unwrap();
        let flowing = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for part in result.told() {
            let words = part.words.as_str();
            let words = &words[words.char_indices().nth(1).map_or(0, |at| at.0)..];
            let flat = words.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(flowing.contains(&flat), "{}: `{flat}` is not in\n{text}", kind.name);
            let markup = noctule::report::figure::escape(words);
            assert!(page.contains(&markup), "{}: `{markup}` is not on the page", kind.name);
        }
        for finding in result.found.iter().filter(|finding| finding.moment_mu_b.is_some()) {
            let law = |value: &Value| {
                let law = &value["body"]["law"];
                (law["moment_mu_b"].as_f64(), law["moment_error"].as_f64())
            };
            let moment = finding.moment_mu_b.map(|moment| (Some(moment.value), Some(moment.error)));
            let exported = fits["verdicts"].as_array().unwrap().iter().map(law);
            assert!(exported.into_iter().any(|law| Some(law) == moment), "{}: {fits}", kind.name);
        }
        assert_eq!(told["outcome"], json!(result.outcome));
    }
}

/// When a leak that begins after an hour reaches the limit, foretold twenty minutes after its beginning and as it came.
#[test]
fn a_leak_is_foretold_within_a_tenth_after_twenty_minutes() {
    let (name, begins_s) = ("leak of 12 L in an hour", 3600.0);
    let kind = kinds().iter().find(|kind| kind.name == name).unwrap();
    let run = RunFile::open(&kind.path).unwrap();
    let account = Account::read(&run);
    let bench = account.bench.as_ref().unwrap();
    let level = account.history.helium.as_ref().unwrap();
    let limit_m3 = bench.helium.unwrap().refill_limit_m3;
    let came_s = level.readings.iter().find(|(_, m3)| *m3 <= limit_m3).expect("it came so far").0;
    let asked_s = begins_s + 1200.0;
    let mut until = 0;
    run.every_entry(u64::MAX, |row| {
        if row.at.s() <= asked_s {
            until = row.seq + 1;
        }
        Ok(())
    })
    .unwrap();
    let then = noctule::history::History::of(&run, bench, until).unwrap();
    let told =
        noctule::history::result::HeliumNow::of(then.helium.as_ref().unwrap(), bench, asked_s).unwrap();
    let (told_s, truth_s) = (told.due_at_s.unwrap() - asked_s, came_s - asked_s);
    println!("{name}: foretold {told_s:.0} s, came {truth_s:.0} s");
    assert!((told_s / truth_s - 1.0).abs() < 0.1, "{name}: foretold {told_s} s, came {truth_s} s");
}
