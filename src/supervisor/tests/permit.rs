//! A permit of which nothing is known right now: waited for, never passed, never in the way of what protects.

use super::*;
use crate::record::{Found, SafeAct};

/// A bench that is approached, whose gauge of this role then falls silent for long enough to be distrusted.
fn silent(play: &mut Play, role: Role) {
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.dead.insert(play.bench.by_role(role).unwrap());
    play.until(20.0);
    play.replies.clear();
    play.sent.clear();
}

fn speak(play: &mut Play) {
    play.dead.clear();
}

fn refusal(play: &mut Play) -> String {
    match play.replies.pop() {
        Some(Err(Denial::Forbidden(reason))) => reason,
        other => panic!("{other:?}"),
    }
}

fn reached(play: &Play, probe: Probe) -> u32 {
    play.supervisor.probes()[probe as usize]
}

#[test]
fn a_command_waits_for_a_silent_gauge_and_leaves_when_it_speaks() {
    let mut play = Play::new();
    silent(&mut play, Role::StageTemperature);
    play.set(1, Role::RfOutput, 1.0);
    play.until(50.0);
    assert!(play.sent.is_empty() && play.replies.is_empty(), "{:?} {:?}", play.sent, play.replies);
    assert_eq!(play.supervisor.waits_for_permit(), Some(TimePoint::from_s(20.0 + PATIENCE_S)));
    assert_eq!(play.notices.iter().filter(|text| text.starts_with("for a permit: it is not")).count(), 1);
    speak(&mut play);
    play.until(56.0);
    assert_eq!(play.sent, ["rf_output 1"], "as soon as it is known");
    assert_eq!(play.replies, [Ok(Answer::Done)]);
    assert_eq!((reached(&play, Probe::PermitWaited), reached(&play, Probe::PermitUnknown)), (1, 0));
}

#[test]
fn a_gauge_that_comes_back_with_a_no_refuses_at_once() {
    let mut play = Play::new();
    silent(&mut play, Role::StageTemperature);
    play.set(1, Role::RfOutput, 1.0);
    play.until(30.0);
    play.put(Role::StageTemperature, 2.5);
    speak(&mut play);
    play.until(36.0);
    assert!(refusal(&mut play).contains("(needs approached == 1 and stage_temperature < 2 K)"));
    assert!(play.sent.is_empty(), "{:?}", play.sent);
}

#[test]
fn what_is_known_can_refuse_whatever_the_silent_gauge_would_say() {
    let mut play = Play::new();
    silent(&mut play, Role::StageTemperature);
    play.put(Role::Approached, 0.0);
    play.until(22.0);
    play.set(1, Role::RfOutput, 1.0);
    assert!(refusal(&mut play).contains("needs approached == 1"));
    assert_eq!(reached(&play, Probe::PermitWaited), 0);
}

#[test]
fn the_patience_has_an_end_and_the_words_are_as_ever() {
    let mut play = Play::new();
    silent(&mut play, Role::HeliumLevel);
    play.set(1, Role::FieldZ, 0.1);
    play.until(20.0 + PATIENCE_S - 0.01);
    assert!(play.replies.is_empty(), "{:?}", play.replies);
    play.until(20.0 + PATIENCE_S);
    assert!(refusal(&mut play).contains("not permitted: it is not known whether helium_level > 6 L"));
    assert!(play.sent.is_empty(), "{:?}", play.sent);
    assert_eq!(play.supervisor.waits_for_permit(), None);
    // The next command has a patience of its own.
    play.set(2, Role::FieldZ, 0.1);
    play.until(20.0 + 1.5 * PATIENCE_S);
    assert!(play.replies.is_empty(), "{:?}", play.replies);
}

#[test]
fn an_interlock_acts_at_once_while_a_command_waits() {
    let mut play = Play::new();
    silent(&mut play, Role::StageTemperature);
    play.set(1, Role::RfOutput, 1.0);
    play.until(30.0);
    play.put(Role::Current, 9e-9);
    play.until(31.0);
    assert!(matches!(play.replies[..], [Err(Denial::Ended(_))]), "{:?}", play.replies);
    assert_eq!(play.sent.first().map(String::as_str), Some("withdraw"));
    speak(&mut play);
    play.until(300.0);
    assert!(play.over && !play.sent.contains(&"rf_output 1".to_owned()), "{:?}", play.sent);
}

#[test]
fn a_stop_does_not_wait_for_a_permit() {
    let mut play = Play::new();
    silent(&mut play, Role::StageTemperature);
    play.set(1, Role::RfOutput, 1.0);
    play.until(30.0);
    play.feed(Event::Operator(Word::Stop.into()));
    assert!(matches!(play.replies[..], [Err(Denial::Ended(_))]), "{:?}", play.replies);
    assert_eq!(play.sent.first().map(String::as_str), Some("withdraw"));
}

#[test]
fn a_hold_does_not_wait_either_and_a_task_that_waited_is_done_once() {
    let mut play = Play::new();
    play.until(5.0);
    play.dead.insert(play.bench.by_role(Role::Approached).unwrap());
    play.until(20.0);
    play.call(0, Request::Task(Task::CoarseStep { steps: 5 }));
    play.until(30.0);
    play.feed(Event::Operator(Word::Hold.into()));
    assert!(play.supervisor.is_held() && play.supervisor.waits_for_permit().is_none());
    assert!(!play.entries.iter().any(|entry| matches!(entry, Entry::SafeStep { step: SafeAct::Abort, .. })));
    play.until(60.0);
    play.feed(Event::Operator(Spoken::release("A")));
    play.until(70.0);
    assert!(!play.sent.contains(&"coarse_step".to_owned()), "{:?}", play.sent);
    speak(&mut play);
    play.until(120.0);
    assert!(matches!(play.replies[..], [Ok(Answer::Task(_))]), "{:?}", play.replies);
    assert_eq!(play.sent.iter().filter(|sent| *sent == "coarse_step").count(), 1, "{:?}", play.sent);
}

#[test]
fn a_long_wait_takes_nothing_off_the_time_of_a_task() {
    let mut play = Play::new();
    play.until(5.0);
    play.dead.insert(play.bench.by_role(Role::Approached).unwrap());
    play.until(20.0);
    let task = Task::CoarseStep { steps: 5 };
    assert!(task.longest_s() < PATIENCE_S - 10.0, "or it is no test");
    play.call(0, Request::Task(task));
    play.until(20.0 + PATIENCE_S - 5.0);
    speak(&mut play);
    play.until(200.0);
    assert!(matches!(&play.replies[..], [Ok(Answer::Task(report))] if report.achieved), "{:?}", play.replies);
}

#[test]
fn parking_waits_for_no_permit() {
    let gentle = r#"set: "bias", above: "250 mV", when: "approached == 0""#;
    assert!(builtin_text().contains(gentle), "the shipped bench has another permit now");
    let mut play =
        Play::on(&builtin_text().replace(gentle, r#"set: "bias", when: "stage_temperature < 2 K""#));
    play.set(0, Role::Bias, 0.1);
    play.until(2.0);
    silent(&mut play, Role::StageTemperature);
    play.feed(Event::Operator(Word::Stop.into()));
    play.until(30.0);
    let refused = |entry: &Entry| {
        matches!(entry, Entry::SafeStep { step: SafeAct::Set(column, _), achieved: false, found: Found::Failed(why), .. }
        if column.channel == "bias" && why.to_string().contains("not known whether"))
    };
    assert!(play.entries.iter().any(refused), "refused within seconds: {:?}", play.entries);
    assert_eq!(reached(&play, Probe::PermitWaited), 0);
    // The bench is not safe before it is read back, so it is tried again as soon as the gauge speaks.
    assert!(!play.over && play.supervisor.not_safe_yet().is_some());
    speak(&mut play);
    play.until(100.0);
    let Some(Entry::End { parked: true, .. }) = play.entries.last() else { panic!("not parked") };
}

#[test]
fn after_a_hold_a_condition_that_was_met_before_is_waited_for() {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.set(1, Role::RfOutput, 1.0);
    play.until(10.0);
    play.call(2, Request::Wait { seconds: 100.0 });
    play.put(Role::ChamberPressure, 1e-5);
    play.until(60.0);
    play.put(Role::ChamberPressure, 5e-9);
    // Cold enough for its interlock when the hold ends, too warm for the RF a moment later.
    play.put(Role::StageTemperature, 2.5);
    play.until(72.0);
    assert!(play.supervisor.is_held() && play.supervisor.waits_for_permit().is_some());
    assert_eq!(play.get(Role::RfOutput), 0.0);
    play.put(Role::StageTemperature, 0.3);
    play.until(80.0);
    assert_eq!(play.get(Role::RfOutput), 1.0);
    assert!(!play.supervisor.is_held());
}

#[test]
fn what_is_told_again_to_come_down_needs_no_permit_either() {
    let mut play = Play::new();
    play.set(0, Role::StageHeater, 400e-6);
    play.until(60.0);
    assert_eq!(play.get(Role::StageHeater), 400e-6);
    // Nobody answers, so the first step down is told again and again, and nobody knows how warm the stage is.
    play.silent = Some(crate::instrument::ErrorKind::TimedOut);
    play.dead.insert(play.bench.by_role(Role::StageTemperature).unwrap());
    play.until(80.0);
    play.feed(Event::Operator(Word::Stop.into()));
    play.until(200.0);
    let failed = |entry: &Entry| match entry {
        Entry::SafeStep { step: SafeAct::Set(column, _), found: Found::Failed(why), .. }
            if column.channel == "stage_heater" =>
        {
            Some(why.to_string())
        }
        _ => None,
    };
    let why: Vec<String> = play.entries.iter().filter_map(failed).collect();
    assert!(!why.is_empty() && why.iter().all(|why| !why.contains("not permitted")), "{why:?}");
    play.silent = None;
    play.until(600.0);
    assert_eq!(play.get(Role::StageHeater), 0.0, "though nobody knows how warm it is");
}

/// Where a channel stands after a set that failed is read anew: an old reading would be the start of a leap.
#[test]
fn after_a_set_that_failed_a_ramp_begins_where_the_channel_reads() {
    let mut play = Play::new();
    let channel = play.bench.by_role(Role::RfLevel).unwrap();
    play.call(0, Request::Read { channels: vec![channel], samples: 1, spacing_s: 0.05 });
    play.until(2.0);
    play.set(1, Role::RfLevel, 0.0);
    play.until(60.0);
    play.silent = Some(crate::instrument::ErrorKind::Refused);
    play.set(2, Role::RfLevel, -1.0);
    play.until(61.0);
    assert!(matches!(play.replies.last(), Some(Err(_))), "{:?}", play.replies);
    play.silent = None;
    play.sent.clear();
    play.set(3, Role::RfLevel, -2.0);
    play.until(80.0);
    assert_eq!(play.sent, ["rf_level -2"]);
}

#[test]
fn a_bench_that_refuses_long_ways_to_a_sequence_is_parked_in_steps() {
    let slow = r#"step: "200 uW", slew: "20 uW/s","#;
    assert!(builtin_text().contains(slow), "the shipped bench has another heater now");
    let text = builtin_text().replace(slow, r#"step: "200 uW", slew: "20 uW/s", beyond_step: Refuse,"#);
    let mut play = Play::on(&text);
    play.set(0, Role::StageHeater, 200e-6);
    play.until(900.0);
    play.set(1, Role::StageHeater, 400e-6);
    play.until(1000.0);
    // The second word does not wait until it has settled.
    play.feed(Event::Operator(Word::Stop.into()));
    play.feed(Event::Operator(Word::Stop.into()));
    play.until(1100.0);
    assert_eq!(play.get(Role::StageHeater), 0.0, "{:?}", play.entries);
    let Some(Entry::End { parked: true, .. }) = play.entries.last() else { panic!("not parked") };
}

#[test]
fn a_call_that_did_not_park_the_bench_does_not_say_that_it_has() {
    let mut play = Play::new();
    play.set(0, Role::Bias, 0.08);
    play.until(5.0);
    play.silent = Some(crate::instrument::ErrorKind::Refused);
    play.call(1, Request::Park);
    play.until(60.0);
    let Some(Err(denial)) = play.replies.last() else { panic!("{:?}", play.replies) };
    assert!(format!("{denial:?}").contains("the bench is not parked"), "{denial:?}");
}

/// Less than a level is what is lower, not what is nearer to zero.
#[test]
fn a_permit_above_a_level_lets_lower_ones_pass() {
    let text = builtin_text().replacen(
        "permits: [",
        r#"permits: [ Permit(name: "weak RF", set: "rf_level", above: "-20 dBm", when: "approached == 0", because: "b"),"#,
        1,
    );
    let mut play = Play::on(&text);
    play.call(0, Request::Task(Task::Approach));
    play.until(10.0);
    for (n, level, passes) in [(1, -30.0, true), (2, -15.0, false), (3, -40.0, true)] {
        play.replies.clear();
        play.set(n, Role::RfLevel, level);
        play.until(10.0 + 30.0 * n as f64);
        assert_eq!(play.replies[0].is_ok(), passes, "{level} dBm: {:?}", play.replies);
    }
}
