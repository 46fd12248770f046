//! The duty to park ends when every step is read back, or with a person's word; a hold does not wait for ever.

use super::*;
use crate::instrument::ErrorKind;

/// In range, with links that then refuse to begin anything, and a run that is stopped.
fn stopped_in_an_outage(bench: &str) -> Play {
    let mut play = Play::on(bench);
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.replies.clear();
    play.fails = Some(ErrorKind::Absent);
    play.call(1, Request::Wait { seconds: 1e6 });
    play.feed(Event::Operator(Word::Stop.into()));
    play
}

fn told(play: &Play) -> usize {
    play.notices.iter().filter(|text| text.starts_with("NOT safe yet")).count()
}

#[test]
fn parking_is_tried_again_until_it_is_done() {
    for outage_s in [15.0, 700.0, 3600.0] {
        let mut play = stopped_in_an_outage(builtin_text());
        play.until(outage_s);
        assert!(!play.over && told(&play) > 0, "after {outage_s} s: {:?}", play.notices);
        assert!(play.supervisor.not_safe_yet().unwrap().starts_with("withdraw the tip"));
        play.fails = None;
        // The pauses grow to five seconds at most.
        play.until(outage_s + 10.0);
        assert!(play.over, "after {outage_s} s");
        assert_eq!(play.get(Role::Approached), 0.0);
        let Some(Entry::End { parked, .. }) = play.entries.last() else { panic!("no end") };
        assert!(parked);
        // What failed again and again is told once, and that it was reached at last.
        let withdrawn = play.entries.iter().filter_map(|entry| match entry {
            Entry::SafeStep { step: crate::record::SafeAct::Withdraw, achieved, .. } => Some(*achieved),
            _ => None,
        });
        assert_eq!(withdrawn.collect::<Vec<_>>(), [false, true]);
    }
}

#[test]
fn the_attempts_end_after_the_patience_of_the_bench_or_with_a_word() {
    let end = |play: &Play| match play.entries.last() {
        Some(Entry::End { parked, .. }) => *parked,
        other => panic!("no end: {other:?}"),
    };
    let brief = builtin_text().replacen("park: [", "park_patience: \"20 min\",\n    park: [", 1);
    let mut play = stopped_in_an_outage(&brief);
    play.until(1150.0);
    assert!(!play.over);
    play.until(1400.0);
    assert!(play.over && !end(&play));
    let mut play = stopped_in_an_outage(builtin_text());
    play.until(600.0);
    for _ in 0..3 {
        play.feed(Event::Operator(Word::Stop.into()));
    }
    play.until(630.0);
    assert!(!play.over, "an impatient word gives nothing up");
    play.feed(Event::Operator(Word::LeaveAsIs.into()));
    play.until(640.0);
    assert!(play.over && !end(&play), "{:?}", play.notices);
}

#[test]
fn a_word_to_stop_does_not_cut_the_first_attempt_short() {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.call(1, Request::Wait { seconds: 1e6 });
    for _ in 0..4 {
        play.feed(Event::Operator(Word::Stop.into()));
        play.feed(Event::Operator(Word::LeaveAsIs.into()));
    }
    play.until(120.0);
    assert!(play.over && play.get(Role::Approached) == 0.0);
    let Some(Entry::End { parked: true, .. }) = play.entries.last() else { panic!("not parked") };
}

#[test]
fn a_hold_that_can_not_clear_ends_parked() {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.call(1, Request::Wait { seconds: 1e6 });
    play.put(Role::StageTemperature, 1.5);
    play.until(11.9 * 3600.0);
    assert!(play.supervisor.is_held() && !play.over);
    play.until(12.2 * 3600.0);
    assert!(play.over, "{:?}", play.notices.last());
    let Some(Entry::End { ending, parked: true, .. }) = play.entries.last() else { panic!("not parked") };
    assert_eq!(ending.outcome, Outcome::Interlock);
    assert!(ending.reason.contains("in vain"), "{}", ending.reason);
}

#[test]
fn a_person_who_holds_is_waited_for() {
    let mut play = Play::new();
    play.call(0, Request::Wait { seconds: 1e6 });
    play.feed(Event::Operator(Word::Hold.into()));
    play.until(3.0 * 24.0 * 3600.0);
    assert!(play.supervisor.is_held() && !play.over);
}

/// Held with the tip out, then released with instruments that refuse to approach.
fn back_from_a_hold_refused(in_range: f64) -> Play {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.replies.clear();
    play.call(1, Request::Wait { seconds: 100.0 });
    play.put(Role::ChamberPressure, 1e-5);
    play.until(200.0);
    assert!(play.supervisor.is_held() && play.get(Role::Approached) == 0.0);
    play.put(Role::Approached, in_range);
    play.fails = Some(ErrorKind::Refused);
    play.put(Role::ChamberPressure, 5e-9);
    play.until(400.0);
    play
}

#[test]
fn what_a_hold_was_to_bring_back_and_is_there_already_counts_as_brought_back() {
    let play = back_from_a_hold_refused(1.0);
    assert_eq!(play.replies, [Ok(Answer::Done)]);
    assert_eq!(play.supervisor.probes()[Probe::ReachedAlready as usize], 1);
    let play = back_from_a_hold_refused(0.0);
    let Some(Err(Denial::Ended(ending))) = play.replies.last() else { panic!("{:?}", play.replies) };
    assert!(ending.reason.contains("approach the tip: it fails (refused)"), "{}", ending.reason);
}

#[test]
fn a_task_that_is_refused_after_a_start_without_an_answer_is_done_where_its_goal_shows_it() {
    let approach = |in_range: f64, first: Option<ErrorKind>| {
        let mut play = Play::new();
        play.fails = first.or(Some(ErrorKind::Refused));
        play.call(0, Request::Task(Task::Approach));
        play.fails = Some(ErrorKind::Refused);
        play.put(Role::Approached, in_range);
        play.until(5.0);
        play.replies.pop().expect("an answer")
    };
    assert!(matches!(approach(1.0, Some(ErrorKind::TimedOut)), Ok(Answer::Task(report)) if report.achieved));
    assert!(approach(0.0, Some(ErrorKind::TimedOut)).is_err());
    // Without a start that may have been heard, a refusal is what it says.
    assert!(approach(1.0, None).is_err());
}
