//! The watch over the tip in nights of eight hours: a change at a random hour is noticed within half an hour, and without one
//! there is no alarm. `NOCTULE_CAMPAIGN=full` rehearses 200 nights of each kind.

use crate::stage::{Seen, rehearse_within};
use std::sync::Mutex;

const WINDOW_S: f64 = 8.0 * 3600.0;
const NOTICED_S: f64 = 1800.0;

fn nights(script: &str, count: u64, fault: impl Fn(u64) -> String + Sync) -> Vec<(u64, Seen)> {
    let text = std::fs::read_to_string(format!("scripts/{script}.rhai")).unwrap();
    let done = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for worker in 0..2 {
            let (done, fault, text) = (&done, &fault, &text);
            let work = move || {
                for seed in (1..=count).filter(|seed| seed % 2 == worker) {
                    let seen = rehearse_within(text, "night", seed, None, &fault(seed), Some(WINDOW_S));
                    done.lock().unwrap().push((seed, seen));
                }
            };
            std::thread::Builder::new().stack_size(8 << 20).spawn_scoped(scope, work).unwrap();
        }
    });
    done.into_inner().unwrap()
}

fn count(few: u64) -> u64 {
    if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full") { 200 } else { few }
}

#[test]
fn a_tip_change_is_noticed_within_half_an_hour() {
    noticed("sentinel", 8);
}

/// The same within the series of spectra, which watches between them. `proved` spins end their series early, so a change
/// may come when nothing is measured any more.
#[test]
fn a_tip_change_in_the_overnight_series_is_noticed_within_half_an_hour() {
    noticed("overnight_field_sweep", 3);
}

fn noticed(script: &str, few: u64) {
    // Hours from 0.5 to 7, spread by the golden ratio, so that no two nights are alike.
    let hour = |seed: u64| 0.5 + 6.5 * (seed as f64 * 0.618_033_988_75).fract();
    let nights = nights(script, count(few), |seed| format!("TipChange(at: \"{} s\")", 3600.0 * hour(seed)));
    let (mut noticed, mut late, mut missed, mut over) = (0, Vec::new(), Vec::new(), 0);
    for (seed, seen) in &nights {
        let changed_s = 3600.0 * hour(*seed);
        assert_eq!((seen.violations, seen.refused), (0, 0), "seed {seed}");
        // A night that is over within the half hour need not notice it any more.
        if seen.took_s < changed_s + NOTICED_S && seen.changes_s.is_empty() {
            over += 1;
            continue;
        }
        match seen.changes_s.first() {
            Some(at_s) if *at_s >= changed_s && at_s - changed_s <= NOTICED_S => noticed += 1,
            Some(at_s) => late.push((*seed, at_s - changed_s)),
            None => missed.push((*seed, seen.came_s.clone())),
        }
    }
    let counted = nights.len() - over;
    println!(
        "{script}: noticed {noticed} of {counted}, {over} over before; late {late:?}; missed {missed:?}"
    );
    assert!(noticed * 100 >= counted * 98, "{noticed} of {counted}");
}

#[test]
fn without_a_change_there_is_no_alarm() {
    quiet("sentinel", 8);
}

#[test]
fn without_a_change_there_is_no_alarm_in_the_overnight_series() {
    quiet("overnight_field_sweep", 2);
}

fn quiet(script: &str, few: u64) {
    let nights = nights(script, count(few), |_| String::new());
    let hours: f64 = nights.iter().map(|(_, seen)| seen.took_s / 3600.0).sum();
    let mut alarms = 0;
    for (seed, seen) in &nights {
        let changed = |at_s: &&f64| {
            seen.came_s.iter().skip(1).any(|came_s| (0.0..NOTICED_S).contains(&(**at_s - came_s)))
        };
        let false_ones = seen.changes_s.len() - seen.changes_s.iter().filter(changed).count();
        if false_ones > 0 {
            println!("seed {seed}: {:?}, apexes {:?}", seen.changes_s, seen.came_s);
        }
        alarms += false_ones;
    }
    let weeks = hours / 168.0;
    println!("{script}: {alarms} false alarms in {weeks:.2} weeks of measuring");
    assert!(alarms as f64 <= weeks.max(0.5), "{alarms} in {weeks:.2} weeks");
}
