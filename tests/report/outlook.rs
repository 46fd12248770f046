//! The time left, told along whole runs, against what was left in truth.

use noctule::drive::outlook::TimeLeft;
use noctule::drive::virtual_time::Observer;
use noctule::drive::{Outlook, RunTally};
use noctule::quantity::TimePoint;
use noctule::record::DigestOnly;
use noctule::run::observers::{Foreseen, Prospect, SharedProspect, foresee};
use noctule::run::{BenchSource, Setup, rehearse};
use noctule::script::Sequence;
use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;
use std::time::{Duration, Instant};

/// What was told: when, the time left, and on what it rests.
type Told = (f64, Option<TimeLeft>, String);

/// Asks for the time left now and then.
#[derive(Clone)]
struct Asking {
    prospect: SharedProspect,
    told: Rc<RefCell<Vec<Told>>>,
}

impl Observer for Asking {
    fn moment(&mut self, at: TimePoint, tally: &RunTally) {
        let last = self.told.borrow().last().map_or(-1e9, |told| told.0);
        if at.s() - last > 60.0 {
            let Outlook { left, basis, .. } = self.prospect.ahead(at, tally);
            self.told.borrow_mut().push((at.s(), left, basis));
        }
    }
}

fn source(change: (&str, &str)) -> BenchSource {
    let text = std::fs::read_to_string("scripts/bench_simulated.ron").expect("it is shipped");
    assert!(text.contains(change.0));
    let path = Some(Path::new("scripts/bench.ron").to_owned());
    BenchSource { name: "bench.ron".into(), path, text: text.replace(change.0, change.1) }
}

/// Runs the shipped series on a bench that is other than the one of its rehearsal; gives what was told and the end.
fn along(change: (&str, &str), seed: u64) -> (Vec<Told>, f64) {
    let sequence = Sequence::load(Path::new("scripts/start_series.rhai")).expect("it is shipped");
    let foreseen = foresee(sequence.clone(), source(("", "")), 1, None);
    let until = Instant::now() + Duration::from_secs(60);
    while foreseen.get().is_none() && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(matches!(foreseen.get(), Some(Foreseen::Course(_))), "{:?}", foreseen.get());
    let setup = Setup::for_rehearsal(sequence, source(change), None, seed, None).expect("it can be run");
    let prospect = SharedProspect::new(Prospect::new(None, Some(foreseen)));
    let asking = Asking { prospect, told: Rc::default() };
    let done = rehearse(&setup, Box::new(DigestOnly::default()), Box::new(asking.clone()), "");
    let told = asking.told.borrow().clone();
    (told, done.tally.end_s)
}

#[test]
fn on_another_night_the_rehearsal_is_right_to_a_tenth() {
    let (told, end_s) = along(("", ""), 5);
    for (at_s, left, basis) in told.iter().filter(|t| t.0 < 0.9 * end_s) {
        let (left, truth_s) = (left.expect("it goes the way of its rehearsal"), end_s - at_s);
        assert!((left.s - truth_s).abs() < 0.1 * end_s, "{at_s} of {end_s}: {left:?}, {basis}");
    }
}

#[test]
fn a_slower_bench_is_noticed_and_the_bounds_hold() {
    // The lock-in is slower than in the rehearsal, and so is every point.
    let (told, end_s) = along(("time_constant: \"300 ms\"", "time_constant: \"450 ms\""), 5);
    let at = |part: f64| told.iter().find(|t| t.0 >= part * end_s).expect("it was asked all the time");
    let error = |part: f64| {
        let (at_s, left, _) = at(part);
        (left.expect("it is known").s - (end_s - at_s)) / end_s
    };
    println!("errors of the time left, as parts of the whole run of {end_s:.0} s");
    for part in [0.02, 0.1, 0.25, 0.5, 0.75] {
        println!("  at {part}: {:+.3} {:?} {}", error(part), at(part).1, at(part).2);
    }
    assert!(error(0.02) < -0.15, "at first the rehearsal is believed: {}", error(0.02));
    assert!(error(0.5).abs() < 0.06, "{}", error(0.5));
    assert!(error(0.75).abs() < 0.03, "{}", error(0.75));
    assert!(at(0.5).2.contains("longer than in the rehearsal"), "{}", at(0.5).2);
    let bounded: Vec<_> = told.iter().filter_map(|t| Some((t.0, t.1?.between_s?))).collect();
    assert!(bounded.len() > 20, "bounds are told: {} of {}", bounded.len(), told.len());
    let held =
        bounded.iter().filter(|(at_s, (least, most))| (*least..=*most).contains(&(end_s - at_s))).count();
    println!("  bounds hold the truth {held} of {} times", bounded.len());
    assert!(held * 10 >= bounded.len() * 8, "{held} of {}", bounded.len());
}
