//! What the headline says, on records made by hand.

use super::*;
use crate::quantity::TimePoint;
use crate::record::{Achieved, Ending, Entry, HeldBy, JudgementKind, Place, SweepPlan};
use serde_json::json;

fn new() -> History {
    let mut history = History::new(Some(&crate::bench::builtin()));
    let started_at = "2026-11-24T20:00:00+00:00[UTC]".to_owned();
    let (sequence_path, bench_path) = (String::new(), String::new());
    feed(&mut history, 0.0, Entry::Context { started_at, window_s: None, sequence_path, bench_path });
    history
}

fn feed(history: &mut History, at_s: f64, entry: Entry) {
    history.entry(TimePoint::from_s(at_s), &entry);
}

fn judged(what: JudgementKind, sweep: Option<u64>, body: serde_json::Value) -> Entry {
    let (title, place) = (String::new(), Place::default());
    Entry::Judgement { n: 0, what, sweep, title, body, place }
}

fn end(history: &mut History, at_s: f64, outcome: Outcome, reason: &str, parked: bool) {
    let ending = Ending { outcome, reason: reason.to_owned(), place: Place::default(), latched: false };
    feed(history, at_s, Entry::End { ending, parked, elapsed_s: at_s });
}

/// Spectra an hour apart, with a fit each, and the verdict on all of them.
fn spectra(history: &mut History, trusted: &[bool]) {
    let column = |channel: &str| crate::record::Column {
        channel: channel.into(),
        unit: "GHz".into(),
        si_unit: "Hz".into(),
    };
    for (i, trusted) in trusted.iter().enumerate() {
        let at_s = 3600.0 * i as f64;
        let axis = crate::record::Axis { channel: column("rf_frequency"), from: 1e9, to: 2e9, points: 3 };
        let plan = SweepPlan::plain("esr", axis, vec![column("lockin_x")]);
        let (n, sweep, place) = (0, i as u64, Place::default());
        feed(history, at_s, Entry::SweepBegin { n, sweep, plan: Box::new(plan), place, settings: None });
        feed(history, at_s + 60.0, Entry::SweepEnd { n, sweep, points: 3, because: None, settings: None });
        let fit =
            json!({ "trusted": trusted, "fit": { "parameters": [{ "name": "centre", "value": 1.4e10 }] } });
        feed(history, at_s + 61.0, judged(JudgementKind::Fit, Some(sweep), fit));
    }
    let law = json!({ "moment_mu_b": 0.85012, "moment_error": 0.0037, "tip_field_t": 0.02, "tip_field_error": 1e-3,
        "slope_hz_per_t": 2.4e10, "width_hz": 1e7 });
    let sweeps: Vec<usize> = (0..trusted.len()).collect();
    let body = json!({ "verdict": "real", "sweeps": sweeps, "series": 0, "law": law });
    feed(history, 3600.0 * trusted.len() as f64, judged(JudgementKind::Verdict, None, body));
}

fn told(history: &History) -> RunResult {
    RunResult::of(history, Some(&crate::bench::builtin()), Seen::Record)
}

#[test]
fn a_good_night_is_told_with_its_number() {
    let mut history = new();
    spectra(&mut history, &[true; 8]);
    end(&mut history, 30_000.0, Outcome::Finished, "", true);
    let result = told(&history);
    assert_eq!(result.headline, "Finished; real, moment 0.8501 ± 0.0037 μB; the bench is parked.");
    assert_eq!((result.weight, result.outcome.as_str()), (Weight::Good, "finished"));
    assert_eq!(result.found[0].moment_mu_b, Some(Known { value: 0.85012, error: 0.0037 }));
}

#[test]
fn what_was_found_keeps_its_word() {
    let history = &mut new();
    let card = json!({ "title": "", "figure": "table", "source": null, "rows": [["a"]] });
    feed(history, 1.0, judged(JudgementKind::Card, None, card));
    let (n, about, place) = (0, String::new(), Place::default());
    feed(history, 2.0, Entry::Result { n, what: Achieved::Made, about, place });
    for (series, verdict) in ["real", "absent", "of a later version"].into_iter().enumerate() {
        let body = json!({ "verdict": verdict, "sweeps": [series] });
        feed(history, 3.0, judged(JudgementKind::Verdict, None, body));
    }
    let found = json!(told(history).found);
    let words: Vec<&str> = found.as_array().unwrap().iter().map(|f| f["verdict"].as_str().unwrap()).collect();
    assert_eq!(words, ["real", "absent", "of a later version", "made", "shown"]);
}

#[test]
fn a_line_that_is_lost_is_told_with_the_time() {
    let mut history = new();
    // The seventh spectrum begins at 20:00 + 6 h.
    spectra(&mut history, &[true, true, true, true, true, true, false, false, false]);
    end(&mut history, 40_000.0, Outcome::Finished, "", true);
    let result = told(&history);
    assert!(
        result.headline.starts_with("Real until Wed 02:00, then the line was lost, moment"),
        "{result:?}"
    );
    assert_eq!(result.weight, Weight::Look);
    assert!(result.next[0].contains("lost at Wed 02:00"), "{:?}", result.next);
    // One miss in the middle, and one at the end among several, tell little.
    for trusted in [[true, true, false, true, true], [true, false, true, true, false]] {
        let mut history = new();
        spectra(&mut history, &trusted);
        assert_eq!(history.claims[0].lost_s(&history.fits), None, "{trusted:?}");
    }
}

#[test]
fn what_was_planned_and_not_done_is_counted_and_not_green() {
    let mut history = new();
    let steps = (0..19).map(|i| (i, (i >= 9).then(|| "only 5 min are left".to_owned())));
    for (step, left_out) in steps {
        let name = format!("spectrum at {}.5 T", step);
        let place = Place::default();
        feed(&mut history, 60.0, Entry::StepBegin { n: 0, step, name, place, parent: None });
        feed(&mut history, 61.0, Entry::StepEnd { n: 0, step, left_out });
    }
    end(&mut history, 30_000.0, Outcome::Finished, "", true);
    let result = told(&history);
    assert_eq!((result.weight, result.missing[0].done, result.missing[0].planned), (Weight::Look, 9, 19));
    assert!(
        result.headline.starts_with("10 of 19 steps like `spectrum at 0.5 T` skipped"),
        "{}",
        result.headline
    );
    let card = json!({ "title": "", "figure": "field", "source": null, "planned": 19 });
    feed(&mut history, 30_001.0, judged(JudgementKind::Card, None, card));
    assert!(told(&history).headline.starts_with("19 of 19 fields missing"), "{}", told(&history).headline);
}

#[test]
fn holds_and_a_bench_that_is_not_parked_are_told_the_worst_first() {
    let mut history = new();
    feed(&mut history, 600.0, Entry::Held { by: HeldBy::Interlock, reason: "stage warmer than 1 K".into() });
    feed(&mut history, 600.0 + 26.0 * 60.0, Entry::Released { after_s: 1560.0 });
    end(&mut history, 9000.0, Outcome::Stopped, "the window has ended", false);
    let result = told(&history);
    assert_eq!(
        result.headline,
        "The bench is NOT parked; stopped at 22:30: the window has ended; 26 min held (interlock)."
    );
    assert!(result.next[0].starts_with("Look at the bench itself"), "{:?}", result.next);
    assert_eq!((result.weight, result.parked, result.held_s), (Weight::Wrong, Some(false), 1560.0));
}

#[test]
fn a_run_that_goes_on_is_no_run_that_was_cut() {
    let history = new();
    let running = RunResult::of(&history, None, Seen::Answers);
    assert_eq!((running.outcome.as_str(), running.headline.as_str()), ("running", "Running."));
    let silent = RunResult::of(&history, None, Seen::Record);
    assert_eq!((silent.outcome.as_str(), silent.weight), ("cut short", Weight::Wrong));
}
