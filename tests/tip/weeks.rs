//! Weeks on several spins with transfers between, a pot that runs dry and is condensed anew by the bench, and journeys to
//! another area and back: each spin is found again or given up, never taken for another, and the logbook says of each
//! spectrum over which spin and with which tip it was taken.

use noctule::drive::virtual_time::Nobody;
use noctule::logbook::Logbook;
use noctule::record::{Durability, Store};
use noctule::run::faults::read_faults;
use noctule::run::{BenchSource, Setup, rehearse_with_faults};
use noctule::script::Sequence;
use std::collections::BTreeMap;

/// Three spectra a day over three spins of the first area; between them a night, and a transfer. At the end of two days the
/// coarse motor leads to another area, where one spin is measured, the second time the same one, and back.
const WEEK: &str = r#"
// Always as fast: what is passed quickly looks lower, and farther along the line.
fn look(at, size, pixels) { image(#{ x: at.x, y: at.y, size: size, pixels: pixels, line_time: 300.ms * (size / 26.nm) }) }
fn near(picture) {
    let spots = find_spots(picture).filter(|spot| spot.height > 0.08.nm && spot.height < 0.185.nm);
    spots.sort(|a, b| a.x * a.x + a.y * a.y < b.x * b.x + b.y * b.y);
    spots
}
fn taken(name) {
    set("RfOutput", 1);
    sweep(#{ name: name, channel: "RfFrequency", from: 12.GHz, to: 12.1.GHz, points: 40, read: "LockinX", dwell: 10.s });
    set("RfOutput", 0);
}
// By coarse steps, which are uneven, to where the scanner sees something like `at`; what creeps comes to rest.
fn travel(steps, at) {
    withdraw();
    coarse_shift(steps, 0);
    approach();
    go_to(at.x, at.y);
    wait(10.min);
}
// Where a spot of an earlier picture is now: a large frame, and those beside it, for the motor is wrong by a tenth of its way.
fn search(before, spot, at) {
    for beside in [0.nm, 70.nm, -70.nm] {
        let now = look(#{ x: at.x + beside, y: at.y }, 100.nm, 250);
        let place = same_place(before, now, spot);
        if place.found { return place; }
    }
    #{ found: false }
}
set("Bias", 60.mV); set("Setpoint", 10.pA); set("RfLevel", -10.dBm);
approach();
let at = #{ x: 0.nm, y: 0.nm };            // where the middle of the area has gone
let home = look(at, 26.nm, 104);
let spots = near(home);
let spots = [spots[0], spots[1], spots[2]];
let middle = #{ x: 0.nm, y: 0.nm };
let there = home;
let been = false;
for day in 1..=DAYS {
    let now = look(at, 26.nm, 104);
    for i in 0..spots.len() {
        let place = same_place(home, now, spots[i]);
        if !place.found { note(`day ${day}: spot ${i} is not certain`); continue; }
        at = #{ x: place.x - spots[i].x, y: place.y - spots[i].y };
        go_to(place.x, place.y);
        if !recentre().found { note(`day ${day}: spot ${i} has no top`); continue; }
        taken(`day ${day} spot ${i}`);
        note("found");
    }
    if JOURNEYS.contains(day) {
        travel(1, middle);
        if !been {
            been = true;
            there = look(middle, 40.nm, 128);
            let low = near(there);
            if low.is_empty() {
                note("no atom in the other area");
            } else {
                let spot = low[0];
                go_to(spot.x, spot.y);
                if recentre().found { taken("elsewhere"); }
            }
        } else if near(there).len() > 0 {
            let place = search(there, near(there)[0], middle);
            if place.found {
                go_to(place.x, place.y);
                if recentre().found { taken("elsewhere again"); note("found"); }
            } else {
                note(`day ${day}: the spot of the other area is not found again`);
            }
        }
        travel(-1, at);
        let place = search(home, spots[0], at);
        if place.found {
            at = #{ x: place.x - spots[0].x, y: place.y - spots[0].y };
            go_to(place.x, place.y);
            recentre();
            let now = [read("TipX"), read("TipY")];
            at = #{ x: now[0] - spots[0].x, y: now[1] - spots[0].y };
        } else {
            note(`day ${day}: home is not found again`);
        }
    }
    for hour in 0..18 {
        let before = [read("TipX"), read("TipY")];
        wait(1.h);
        // The area goes with the spot on which the tip stays.
        if recentre().found { at = #{ x: at.x + read("TipX") - before[0], y: at.y + read("TipY") - before[1] }; }
    }
}
park();
"#;

/// What a week has shown.
#[derive(Debug, Default)]
struct Week {
    /// Visits of the three spins that were found, and all of them.
    found: usize,
    visits: usize,
    /// Spectra, those with no spin named, and those with another spin or tip than they were taken with.
    spectra: usize,
    unnamed: usize,
    wrong: usize,
    remarks: Vec<String>,
}

fn week(seed: u64, days: usize, journeys: [usize; 2]) -> Week {
    let folder = tempfile::tempdir().unwrap();
    let run = folder.path().join("week");
    std::fs::create_dir(&run).unwrap();
    let text = WEEK.replace("DAYS", &days.to_string()).replace("JOURNEYS", &format!("{journeys:?}"));
    let sequence = Sequence::from_text("week.rhai", &text);
    let source = BenchSource::load(None).unwrap();
    let setup = Setup::for_rehearsal(sequence, source, Some("night"), seed, None).unwrap();
    let plan = read_faults("Faults(faults: [Refill(below: \"30 L\")])", &setup.bench).unwrap();
    let store = Store::create(&run.join("run.sqlite"), Durability::ProcessEnd, &setup.documents()).unwrap();
    let began = "2026-11-20T20:00:00+00:00[UTC]";
    let done = rehearse_with_faults(&setup, &plan, Box::new(store), Box::new(Nobody), began);
    let ending = done.tally.ending.clone().unwrap();
    let truth = done.truth.as_ref().unwrap();
    drop(Logbook::open(folder.path(), true).unwrap());
    // Visits of the first area, and the second one of the other.
    let mut told = Week { visits: 3 * days + 1, ..Week::default() };
    let open = rusqlite::Connection::open(folder.path().join("rehearsed.logbook")).unwrap();
    let notes = "SELECT count(*) FROM note WHERE text = 'found'";
    told.found = open.query_row(notes, [], |row| row.get::<_, i64>(0)).unwrap() as usize;
    let mut other = open.prepare("SELECT text FROM note WHERE text <> 'found'").unwrap();
    let other = other.query_map([], |row| row.get::<_, String>(0)).unwrap();
    told.remarks.extend(other.map(|note| format!("{seed}: {}", note.unwrap())));
    if ending.outcome != noctule::record::Outcome::Finished {
        told.remarks.push(format!("{seed}: {}", ending.reason));
    }
    let began_s: i64 = open.query_row("SELECT started_s FROM run", [], |row| row.get(0)).unwrap();
    let mut select = open.prepare("SELECT at_s, tip, spin, name FROM spectrum ORDER BY at_s").unwrap();
    let rows = select
        .query_map([], |row| {
            Ok((
                row.get::<_, i64>(0)?,
                row.get::<_, i64>(1)?,
                row.get::<_, Option<String>>(2)?,
                row.get::<_, String>(3)?,
            ))
        })
        .unwrap();
    let mut site_of: BTreeMap<String, String> = BTreeMap::new();
    for row in rows {
        let (at_s, tip, spin, name) = row.unwrap();
        // By then the first points are taken.
        let at_s = (at_s - began_s) as f64 + 20.0;
        let under = truth.stays.iter().find(|stay| (stay.from_s..=stay.to_s).contains(&at_s));
        told.spectra += 1;
        let Some(spin) = spin else {
            told.unnamed += 1;
            told.remarks.push(format!(
                "{seed}: {name}: no spin is named, the world has {:?}",
                under.map(|s| &s.site)
            ));
            continue;
        };
        let site = under.map_or("nothing", |stay| stay.site.as_str());
        let known = site_of.entry(spin.clone()).or_insert_with(|| site.to_owned());
        if known != site || tip != 1 {
            told.wrong += 1;
            told.remarks
                .push(format!("{seed}: {name}: {spin} of tip {tip} is {site}, and was {known} before"));
        }
    }
    // Two names for one site are wrong as well.
    let mut sites: Vec<&String> = site_of.values().collect();
    sites.sort();
    sites.dedup();
    told.wrong += site_of.len() - sites.len();
    told
}

/// `NOCTULE_CAMPAIGN=full` takes fifty weeks.
#[test]
fn over_weeks_each_spectrum_is_of_the_spin_and_the_tip_that_the_logbook_says() {
    let full = std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full");
    let (weeks, days, journeys) = if full { (50, 6, [2, 4]) } else { (1, 2, [1, 2]) };
    let mut all = Week::default();
    for seed in 1..=weeks {
        let one = week(seed, days, journeys);
        all.found += one.found;
        all.visits += one.visits;
        all.spectra += one.spectra;
        all.unnamed += one.unnamed;
        all.wrong += one.wrong;
        all.remarks.extend(one.remarks);
    }
    println!(
        "{weeks} weeks: {} of {} visits found their spin; {} spectra, {} with no spin named, {} wrong",
        all.found, all.visits, all.spectra, all.unnamed, all.wrong
    );
    for remark in &all.remarks {
        println!("{remark}");
    }
    assert_eq!(all.wrong, 0, "{:#?}", all.remarks);
    assert!(all.unnamed * 100 <= all.spectra, "{:#?}", all.remarks);
    assert!(all.found * 100 >= all.visits * 98, "{:#?}", all.remarks);
}
