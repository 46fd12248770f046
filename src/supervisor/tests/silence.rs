//! Instruments that give no answer are waited for, and those that are not as they were left are brought back.

use super::*;
use crate::instrument::{ErrorKind, InstrumentError};
use crate::record::{Axis, Trouble};

/// A sweep of so many points that is at work.
fn sweeping(bench: &str, points: u64) -> Play {
    let mut play = Play::on(bench);
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.replies.clear();
    let id = |role| play.bench.by_role(role).unwrap();
    let axis = Axis { channel: id(Role::Bias), from: 0.0, to: 0.01, points };
    let plan = SweepPlan { settle_s: Some(1.0), ..SweepPlan::plain("slow", axis, vec![id(Role::Current)]) };
    play.call(1, Request::Sweep(Arc::new(plan)));
    play.until(8.0);
    play
}

fn troubles(play: &Play) -> Vec<&Trouble> {
    play.entries
        .iter()
        .filter_map(|entry| match entry {
            Entry::Fault { trouble, .. } => Some(trouble),
            _ => None,
        })
        .collect()
}

#[test]
fn a_silent_instrument_is_waited_for_and_the_sweep_goes_on() {
    for (kind, outage_s) in
        [(ErrorKind::Absent, 2.0), (ErrorKind::TimedOut, 60.0), (ErrorKind::Garbled, 590.0)]
    {
        let mut play = sweeping(builtin_text(), 30);
        play.silent = Some(kind);
        play.until(8.0 + outage_s);
        assert!(play.replies.is_empty() && !play.over, "after {outage_s} s of {kind:?}: {:?}", play.notices);
        assert!(play.supervisor.is_held());
        let waits = play.supervisor.present_hold().unwrap().in_words();
        assert!(waits.contains("to answer (silent for"), "{waits}");
        play.silent = None;
        play.until(8.0 + outage_s + 200.0);
        let Some(Ok(Answer::Sweep(data))) = play.replies.pop() else { panic!("{:?}", play.notices) };
        assert_eq!((data.values.len(), data.doubtful.count()), (30, 0));
        let troubles = troubles(&play);
        let silent = |trouble: &&&Trouble| matches!(trouble, Trouble::Silent { patience_s: Some(_), .. });
        assert_eq!(troubles.iter().filter(silent).count(), 1, "{troubles:?}");
        assert!(troubles.iter().any(|trouble| matches!(trouble, Trouble::Back { .. })), "{troubles:?}");
        assert!(play.entries.iter().any(|entry| matches!(entry, Entry::Released { .. })));
    }
}

#[test]
fn who_is_silent_for_longer_than_the_bench_waits_ends_the_run() {
    let brief = builtin_text().replace("pause: \"200 ms\"", "pause: \"200 ms\", patience: \"1 min\"");
    let mut play = sweeping(&brief, 30);
    play.silent = Some(ErrorKind::Absent);
    play.until(60.0);
    assert!(play.replies.is_empty());
    play.until(80.0);
    let Some(Err(Denial::Ended(ending))) = play.replies.pop() else { panic!("{:?}", play.replies) };
    assert_eq!(ending.outcome, Outcome::Fault);
    assert!(ending.reason.contains("has given no answer for"), "{}", ending.reason);
    // It is parked as soon as somebody answers.
    play.silent = None;
    play.until(120.0);
    assert!(play.over);
    let none = builtin_text().replace("pause: \"200 ms\"", "pause: \"200 ms\", patience: \"0 s\"");
    let mut play = sweeping(&none, 30);
    play.silent = Some(ErrorKind::Absent);
    play.until(12.0);
    assert!(matches!(play.replies.pop(), Some(Err(Denial::Instrument(_)))), "as it was before");
}

#[test]
fn a_channel_that_fails_while_its_instrument_answers_is_told_after_a_second_try() {
    let mut play = sweeping(builtin_text(), 30);
    play.fails = Some(ErrorKind::TimedOut);
    play.until(60.0);
    play.replies.clear();
    play.sent.clear();
    play.call(2, Request::Task(Task::MoveTip { x_m: 1e-9, y_m: 0.0, speed_m_s: 1e-8 }));
    play.until(80.0);
    assert!(matches!(play.replies.pop(), Some(Err(Denial::Instrument(_)))), "{:?}", play.replies);
    assert_eq!(play.sent.iter().filter(|sent| *sent == "move_tip").count(), 6);
    assert!(!play.supervisor.is_held());
}

#[test]
fn a_busy_instrument_is_asked_again_for_some_seconds() {
    let mut play = sweeping(builtin_text(), 10);
    play.until(60.0);
    play.replies.clear();
    play.fails = Some(ErrorKind::Busy);
    play.call(2, Request::Task(Task::MoveTip { x_m: 1e-9, y_m: 0.0, speed_m_s: 1e-8 }));
    play.until(63.0);
    assert!(play.replies.is_empty());
    play.fails = None;
    play.until(66.0);
    assert!(matches!(play.replies.pop(), Some(Ok(Answer::Task(_)))), "{:?}", play.replies);
}

#[test]
fn what_was_measured_since_an_instrument_was_last_as_it_was_left_is_doubtful() {
    let mut play = sweeping(builtin_text(), 10);
    // Silent, and when it is back it is not as it was left.
    play.silent = Some(ErrorKind::Absent);
    play.until(20.0);
    play.silent = None;
    play.changed = Some(InstrumentError::changed("bias shows 3 V", vec![("bias".to_owned(), 0.06)]));
    play.until(100.0);
    let Some(Ok(Answer::Sweep(data))) = play.replies.pop() else { panic!("{:?}", play.notices) };
    assert_eq!(data.values.len(), 10);
    assert!(data.doubtful.count() >= 2, "{:?}", data.doubtful);
    assert!(troubles(&play).iter().any(|trouble| matches!(trouble, Trouble::Changed { .. })));
    let restored = play.entries.iter().any(|entry| {
        matches!(entry, Entry::SafeStep { during: crate::record::During::Restore,
            step: crate::record::SafeAct::Set(column, _), .. } if column.channel == "bias")
    });
    assert!(restored);
}

#[test]
fn what_was_read_before_a_link_came_out_of_step_is_doubtful() {
    let mut play = sweeping(builtin_text(), 10);
    play.silent = Some(ErrorKind::Absent);
    play.until(20.0);
    play.silent = None;
    let odd = InstrumentError::new(ErrorKind::OutOfStep, "something came that nobody had asked for");
    play.changed = Some(InstrumentError { certain_until: Some(TimePoint::from_s(6.5)), ..odd });
    play.until(100.0);
    let Some(Ok(Answer::Sweep(data))) = play.replies.pop() else { panic!("{:?}", play.notices) };
    assert_eq!(data.values.len(), 10);
    assert!((1..=3).contains(&data.doubtful.count()) && data.doubtful.holds(1), "{:?}", data.doubtful);
    let told =
        |trouble: &&Trouble| matches!(trouble, Trouble::Misread { good_until_s, .. } if *good_until_s == 6.5);
    assert_eq!(troubles(&play).into_iter().filter(told).count(), 1);
}

#[test]
fn two_hands_do_not_pull_at_one_bench_for_ever_and_the_bench_says_what_is_done() {
    let text = builtin_text();
    let changed = || Some(InstrumentError::changed("bias shows 3 V", vec![("bias".to_owned(), 0.06)]));
    let outage = |play: &mut Play, at_s: f64| {
        play.silent = Some(ErrorKind::Absent);
        play.until(at_s + 2.0);
        play.silent = None;
        play.changed = changed();
        play.until(at_s + 10.0);
    };
    let mut play = sweeping(text, 300);
    for k in 0..3 {
        outage(&mut play, 10.0 + 20.0 * f64::from(k));
        assert!(!play.supervisor.is_held(), "{k}: {:?}", play.notices);
    }
    outage(&mut play, 70.0);
    assert!(play.supervisor.present_hold().unwrap().operator, "somebody has to look");
    play.feed(Event::Operator(Spoken::release("A")));
    play.until(90.0);
    assert!(!play.supervisor.is_held());

    let mut play = sweeping(&text.replacen("retry:", "look: Look(if_changed: Park),\n    retry:", 1), 300);
    outage(&mut play, 10.0);
    play.until(200.0);
    assert!(play.over, "{:?}", play.notices);
    let mut play = sweeping(&text.replacen("retry:", "look: Look(if_changed: Hold),\n    retry:", 1), 300);
    outage(&mut play, 10.0);
    assert!(play.supervisor.present_hold().unwrap().operator);
}
