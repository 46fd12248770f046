//! Holds that come while a task runs, or as it ends.

use super::*;
use crate::record::{HeldBy, SafeAct};

/// An image whose end is not asked for within its first 40 s.
const SLOW_IMAGE: Task = Task::Image { x_m: 0.0, y_m: 0.0, size_m: 1e-8, pixels: 64, line_s: 20.0 };

fn wait(play: &mut Play, seconds: f64) {
    let later = play.now.after(seconds).s();
    play.until(later);
}

/// In range, with an image under way.
fn imaging(bench: &str) -> Play {
    let mut play = Play::on(bench);
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.call(1, Request::Task(SLOW_IMAGE));
    wait(&mut play, 1.0);
    play.replies.clear();
    play
}

fn held(play: &Play) -> Vec<(HeldBy, &str)> {
    let held = play.entries.iter().filter_map(|entry| match entry {
        Entry::Held { by, reason } => Some((*by, reason.as_str())),
        _ => None,
    });
    held.collect()
}

fn ended_tasks(play: &Play) -> usize {
    let aborts = |entry: &&Entry| matches!(entry, Entry::SafeStep { step: SafeAct::Abort, .. });
    play.entries.iter().filter(aborts).count()
}

fn begun(play: &Play, task: &str) -> usize {
    play.sent.iter().filter(|sent| *sent == task).count()
}

#[test]
fn an_interlock_that_wants_the_refill_state_does_not_wait_for_the_task_in_hand() {
    let lock = r#"interlocks: [
        Interlock(name: "refill due", trip: "helium_level < 12 L", lasting: "2 s", every: "1 s",
            clear: "helium_level > 30 L", action: Refill, because: "somebody has to fill"),"#;
    let mut play = imaging(&builtin_text().replacen("interlocks: [", lock, 1));
    play.put(Role::HeliumLevel, 0.0115);
    wait(&mut play, 20.0);
    assert!(play.supervisor.awaits_refill() && play.replies.is_empty(), "{:?}", play.notices);
    assert_eq!((play.get(Role::Approached), ended_tasks(&play)), (0.0, 1));
    assert_eq!(begun(&play, "withdraw"), 1, "once is enough: {:?}", play.sent);
    let told = held(&play);
    assert!(
        matches!(told[..], [(HeldBy::Interlock, reason)] if reason.starts_with("refill due tripped")),
        "{told:?}"
    );
    play.put(Role::HeliumLevel, 0.066);
    wait(&mut play, 60.0);
    play.feed(Event::Operator(Spoken::release("A")));
    wait(&mut play, 120.0);
    assert!(!play.supervisor.is_held());
    assert_eq!((play.get(Role::Approached), begun(&play, "image")), (1.0, 2));
    assert!(matches!(play.replies[..], [Ok(Answer::Task(_))]), "{:?}", play.replies);
}

#[test]
fn a_hold_that_has_waited_for_a_task_tells_which_interlock_wanted_it() {
    let mut play = imaging(builtin_text());
    play.put(Role::LockinOverload, 1.0);
    wait(&mut play, 60.0);
    assert!(!play.supervisor.is_held() && play.replies.len() == 1, "the image came to its end");
    play.call(2, Request::Wait { seconds: 1.0 });
    let told = held(&play);
    let [(HeldBy::Interlock, reason)] = told[..] else { panic!("{told:?}") };
    assert!(reason.starts_with("lock-in overload tripped") && !reason.contains("operator"), "{reason}");
    assert!(reason.ends_with("it began between two calls"), "{reason}");
}

/// The flag is read between times: it says what was so before the task has ended.
fn as_the_task_ends(play: &mut Play, n: u64, task: Task, before: f64, after: f64) {
    wait(play, 0.3);
    play.call(n, Request::Task(task));
    play.put(Role::Approached, before);
    play.feed(Event::Operator(Word::HoldForRefill.into()));
    while play.replies.is_empty() {
        play.put(Role::Approached, before);
        wait(play, 0.01);
    }
    play.put(Role::Approached, after);
    play.replies.clear();
    let flag = play.bench.by_role(Role::Approached).unwrap();
    let read = crate::bench::expression::Readings::latest(play.supervisor.latest(), flag);
    assert_eq!(read, Some(before), "or it is no test");
    play.call(n + 1, Request::Wait { seconds: 1e5 });
    wait(play, 60.0);
    assert!(play.supervisor.awaits_refill());
    assert_eq!(play.get(Role::Approached), 0.0);
    play.feed(Event::Operator(Spoken::release("A")));
    wait(play, 120.0);
    assert!(!play.supervisor.is_held() && play.replies.is_empty() && !play.over, "{:?}", play.notices);
}

#[test]
fn a_tip_that_came_in_a_moment_before_a_hold_is_brought_back() {
    let mut play = Play::new();
    play.until(5.0);
    as_the_task_ends(&mut play, 0, Task::Approach, 0.0, 1.0);
    assert_eq!(play.get(Role::Approached), 1.0);
}

#[test]
fn a_tip_that_was_withdrawn_a_moment_before_a_hold_stays_out() {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    play.replies.clear();
    as_the_task_ends(&mut play, 1, Task::Withdraw, 1.0, 0.0);
    assert_eq!((play.get(Role::Approached), begun(&play, "approach")), (0.0, 1));
}

#[test]
fn a_refill_that_was_released_before_it_began_does_not_come_with_the_next_hold() {
    let mut play = Play::new();
    play.set(0, Role::FieldZ, 0.05);
    play.until(60.0);
    play.call(1, Request::Task(Task::Approach));
    wait(&mut play, 5.0);
    play.call(2, Request::Task(SLOW_IMAGE));
    wait(&mut play, 1.0);
    play.feed(Event::Operator(Word::HoldForRefill.into()));
    // Who gives no name has not said that people are clear, so it is a hold for a refill as before.
    play.feed(Event::Operator(Word::Release.into()));
    assert!(play.supervisor.present_hold().is_some_and(|hold| hold.refill && hold.operator));
    play.feed(Event::Operator(Spoken::release("A")));
    assert_eq!(play.supervisor.present_hold(), None);
    wait(&mut play, 60.0);
    play.replies.clear();
    play.call(3, Request::Wait { seconds: 1e5 });
    assert!(!play.supervisor.is_held());
    play.feed(Event::Operator(Word::Hold.into()));
    wait(&mut play, 120.0);
    assert!(play.supervisor.is_held() && !play.supervisor.awaits_refill());
    assert_eq!((play.get(Role::Approached), play.get(Role::FieldZ)), (1.0, 0.05));
}

/// The sequence condenses, and gas bursts out.
fn condensing_in_a_burst(play: &mut Play, n: u64) {
    play.replies.clear();
    play.sent.clear();
    play.call(n, Request::Task(Task::Regenerate));
    wait(play, 1.0);
    play.put(Role::ChamberPressure, 1e-5);
    wait(play, 8.0);
    assert!(play.supervisor.is_held());
}

#[test]
fn condensing_with_the_tip_out_goes_on_in_a_hold_and_in_a_refill() {
    let mut play = Play::new();
    play.set(0, Role::FieldZ, 0.05);
    play.until(60.0);
    condensing_in_a_burst(&mut play, 1);
    assert_eq!((ended_tasks(&play), begun(&play, "withdraw")), (0, 0), "{:?}", play.sent);
    play.put(Role::ChamberPressure, 0.0);
    play.feed(Event::Operator(Word::HoldForRefill.into()));
    // Longer than a task may take that nobody asks for: it ended meanwhile, and that is asked for first.
    wait(&mut play, 7.0 * 3600.0);
    assert!(play.supervisor.awaits_refill());
    assert_eq!((play.get(Role::FieldZ), ended_tasks(&play), begun(&play, "withdraw")), (0.0, 0, 0));
    play.feed(Event::Operator(Spoken::release("A")));
    wait(&mut play, 300.0);
    assert!(!play.supervisor.is_held() && !play.over, "{:?}", play.notices);
    assert!(matches!(&play.replies[..], [Ok(Answer::Task(report))] if report.achieved), "{:?}", play.replies);
    assert_eq!((begun(&play, "regenerate"), begun(&play, "approach")), (1, 0), "{:?}", play.sent);
    assert_eq!(play.get(Role::FieldZ), 0.05);
}

#[test]
fn condensing_under_a_tip_that_is_in_ends_for_its_withdrawal() {
    let mut play = Play::new();
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    condensing_in_a_burst(&mut play, 1);
    assert_eq!((ended_tasks(&play), play.get(Role::Approached)), (1, 0.0));
    play.put(Role::ChamberPressure, 0.0);
    wait(&mut play, 120.0);
    assert_eq!((begun(&play, "regenerate"), play.get(Role::Approached)), (2, 1.0));
}
