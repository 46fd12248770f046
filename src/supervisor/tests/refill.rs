use super::*;
use crate::record::{CentrePlan, Centred};

const ADATOM: (f64, f64) = (0.16e-9, 0.28e-9);

fn on_a_spot(bench: &str) -> Play {
    let mut play = Play::on(bench);
    play.spot = Some(([3e-10, -1e-10], ADATOM.0, ADATOM.1));
    play.call(0, Request::Task(Task::Approach));
    play.until(5.0);
    let found = recentre(&mut play, 1);
    assert!(found.found && !found.searched, "{found:?}");
    // A paraboloid is not quite what stands there, and its misfit is in the standard error.
    assert!((found.x_m - 3e-10).abs() < found.x_error_m, "{found:?}");
    assert!((found.y_m + 1e-10).abs() < found.y_error_m, "{found:?}");
    assert!(found.x_error_m.max(found.y_error_m) < 30e-12, "{found:?}");
    play.replies.clear();
    play
}

fn recentre(play: &mut Play, n: u64) -> Centred {
    let plan = CentrePlan { search_m: 0.0, ..CentrePlan::of_bench(&play.bench.recentre.unwrap()) };
    play.call(n, Request::Recentre(plan));
    let later = play.now.after(60.0).s();
    play.until(later);
    match play.replies.pop() {
        Some(Ok(Answer::Centred(centred))) => centred,
        other => panic!("{other:?}"),
    }
}

/// Waits for something in the sequence, is held for a refill, and the bench is ready for it.
fn held_for_refill(play: &mut Play) {
    play.call(2, Request::Wait { seconds: 1e5 });
    play.feed(Event::Operator(Word::HoldForRefill.into()));
    let later = play.now.after(60.0).s();
    play.until(later);
    assert!(play.supervisor.awaits_refill());
    assert_eq!(play.get(Role::Approached), 0.0);
}

fn wait(play: &mut Play, seconds: f64) {
    let later = play.now.after(seconds).s();
    play.until(later);
}

#[test]
fn every_mark_is_waited_for_and_an_operators_word_as_well() {
    let mut play = on_a_spot(builtin_text());
    held_for_refill(&mut play);
    wait(&mut play, 3600.0);
    assert!(play.supervisor.awaits_refill(), "all marks hold, but nobody has said release");
    let wrong = [
        (Role::HeliumLevel, 0.029, 0.05),
        (Role::StageTemperature, 0.6, 0.3),
        (Role::ChamberPressure, 5e-7, 0.0),
    ];
    for (role, wrong, _) in wrong {
        play.put(role, wrong);
    }
    wait(&mut play, 60.0);
    play.feed(Event::Operator(Spoken::release("A")));
    assert!(
        play.notices.last().unwrap().contains("it goes on when helium_level > 30 L"),
        "{:?}",
        play.notices
    );
    for (role, _, right) in wrong {
        wait(&mut play, 300.0);
        assert!(play.supervisor.awaits_refill(), "{role} is not back yet");
        play.put(role, right);
    }
    wait(&mut play, 120.0);
    assert!(!play.supervisor.is_held());
    assert_eq!(play.get(Role::Approached), 1.0);
}

#[test]
fn a_gauge_that_has_fallen_silent_is_no_reason_to_go_on() {
    for role in [Role::HeliumLevel, Role::StageTemperature, Role::ChamberPressure] {
        let mut play = on_a_spot(builtin_text());
        held_for_refill(&mut play);
        play.dead.insert(play.bench.by_role(role).unwrap());
        wait(&mut play, 90.0);
        play.feed(Event::Operator(Spoken::release("A")));
        wait(&mut play, 600.0);
        // A dead stage thermometer also trips an interlock of its own; it is held all the same.
        assert!(play.supervisor.is_held(), "{role}");
        assert_eq!(play.get(Role::Approached), 0.0, "{role}");
        play.dead.clear();
        wait(&mut play, 120.0);
        assert!(!play.supervisor.is_held(), "{role}");
    }
}

#[test]
fn a_spot_that_has_moved_is_followed_near_by_and_searched_for_further_out() {
    for (at, searched) in [([3.6e-10, -1.5e-10], false), ([12.5e-10, -10.5e-10], true)] {
        let mut play = on_a_spot(builtin_text());
        held_for_refill(&mut play);
        play.spot = Some((at, ADATOM.0, ADATOM.1));
        play.feed(Event::Operator(Spoken::release("A")));
        wait(&mut play, 300.0);
        assert!(!play.supervisor.is_held() && !play.over, "{:?}", play.entries.last());
        let (x, y) = (play.get(Role::TipX), play.get(Role::TipY));
        let own = play.entries.iter().find_map(|entry| match entry {
            Entry::Judgement { n: OWN_CALL, body, .. } => {
                serde_json::from_value::<Centred>(body.clone()).ok()
            }
            _ => None,
        });
        let own = own.unwrap();
        assert_eq!(own.searched, searched);
        // Errors are standard errors: the place lies within three of them.
        let near = |is: f64, at: f64, error: f64| (is - at).abs() < 3.0 * error;
        assert!(near(x, at[0], own.x_error_m) && near(y, at[1], own.y_error_m), "{own:?} for {at:?}");
        assert!(own.x_error_m.max(own.y_error_m) < 30e-12, "{own:?}");
        // The wait that was interrupted goes on.
        assert!(play.replies.is_empty());
    }
}

#[test]
fn a_spot_that_is_gone_or_another_one_ends_the_run_parked() {
    let gone = None;
    let too_far = Some(([4e-9, 0.0], ADATOM.0, ADATOM.1));
    // What stands there now is broader: another kind of thing.
    let another = Some(([5e-10, -1e-10], 0.21e-9, 0.42e-9));
    for spot in [gone, too_far, another] {
        let mut play = on_a_spot(builtin_text());
        held_for_refill(&mut play);
        if spot.is_none() {
            play.put(Role::Height, 0.0);
        }
        play.spot = spot;
        play.feed(Event::Operator(Spoken::release("A")));
        wait(&mut play, 1200.0);
        let Some(Err(Denial::Ended(ending))) = play.replies.pop() else {
            panic!("{spot:?}: {:?}", play.replies)
        };
        assert_eq!(ending.outcome, Outcome::Fault);
        assert!(ending.reason.starts_with("the spot under the tip was not found again"), "{}", ending.reason);
        assert!(play.over && matches!(play.entries.last(), Some(Entry::End { parked: true, .. })));
        assert_eq!(play.get(Role::Approached), 0.0);
    }
}

#[test]
fn a_tip_that_stood_on_no_spot_is_not_put_on_one() {
    let mut play = on_a_spot(builtin_text());
    play.call(2, Request::Task(Task::MoveTip { x_m: 1e-9, y_m: 0.0, speed_m_s: 5e-9 }));
    wait(&mut play, 5.0);
    play.replies.clear();
    play.call(3, Request::Wait { seconds: 1e5 });
    play.feed(Event::Operator(Word::HoldForRefill.into()));
    wait(&mut play, 60.0);
    play.feed(Event::Operator(Spoken::release("A")));
    wait(&mut play, 120.0);
    assert!(!play.supervisor.is_held());
    assert_eq!((play.get(Role::TipX), play.get(Role::Approached)), (1e-9, 1.0));
}

#[test]
fn a_hold_in_the_middle_of_a_recentring_begins_its_pattern_anew() {
    let mut play = on_a_spot(builtin_text());
    let plan = CentrePlan { search_m: 0.0, ..CentrePlan::of_bench(&play.bench.recentre.unwrap()) };
    play.call(2, Request::Recentre(plan));
    wait(&mut play, 1.0);
    play.feed(Event::Operator(Word::Hold.into()));
    wait(&mut play, 60.0);
    assert!(play.supervisor.is_held() && play.replies.is_empty());
    play.spot = Some(([3.5e-10, -1e-10], ADATOM.0, ADATOM.1));
    play.feed(Event::Operator(Spoken::release("A")));
    wait(&mut play, 60.0);
    let Some(Ok(Answer::Centred(centred))) = play.replies.pop() else { panic!("{:?}", play.replies) };
    assert!(centred.found && (centred.x_m - 3.5e-10).abs() < 3.0 * centred.x_error_m, "{centred:?}");
}

#[test]
fn an_ordinary_hold_becomes_one_for_a_refill() {
    let mut play = on_a_spot(builtin_text());
    play.call(2, Request::Wait { seconds: 1e5 });
    play.feed(Event::Operator(Word::Hold.into()));
    wait(&mut play, 30.0);
    assert!(play.supervisor.is_held() && !play.supervisor.awaits_refill());
    assert_eq!(play.get(Role::Approached), 1.0);
    play.feed(Event::Operator(Word::HoldForRefill.into()));
    wait(&mut play, 60.0);
    assert!(play.supervisor.awaits_refill());
    assert_eq!(play.get(Role::Approached), 0.0, "the tip is out before anybody brings helium");
}

#[test]
fn a_burst_on_the_way_back_takes_the_tip_out_again() {
    let mut play = on_a_spot(builtin_text());
    let field = play.bench.by_role(Role::FieldZ).unwrap();
    play.call(2, Request::Set { channel: field, value: 0.05 });
    wait(&mut play, 60.0);
    play.replies.clear();
    play.call(3, Request::Wait { seconds: 1e5 });
    play.feed(Event::Operator(Word::HoldForRefill.into()));
    wait(&mut play, 90.0);
    play.feed(Event::Operator(Spoken::release("A")));
    // The field is up, and only then the tip comes in and looks for its spot.
    while play.get(Role::Approached) == 0.0 {
        assert!(play.supervisor.is_held() && !play.over);
        wait(&mut play, 1.0);
    }
    assert_eq!(play.get(Role::FieldZ), 0.05, "the magnet is at rest before the tip comes in");
    assert!(play.supervisor.is_held(), "it is still on its way back");
    play.put(Role::ChamberPressure, 1e-5);
    wait(&mut play, 60.0);
    assert!(play.supervisor.is_held());
    assert_eq!(play.get(Role::Approached), 0.0);
    play.put(Role::ChamberPressure, 0.0);
    wait(&mut play, 300.0);
    assert!(!play.supervisor.is_held() && !play.over);
    assert_eq!((play.get(Role::Approached), play.get(Role::FieldZ)), (1.0, 0.05));
}

#[test]
fn an_interlock_can_ask_for_the_refill() {
    let lock = r#"interlocks: [
        Interlock(name: "refill due", trip: "helium_level < 12 L", lasting: "1 min", every: "20 s",
            clear: "helium_level > 30 L", action: Refill, because: "somebody has to fill"),"#;
    let mut play = on_a_spot(&builtin_text().replacen("interlocks: [", lock, 1));
    play.call(2, Request::Wait { seconds: 1e5 });
    play.put(Role::HeliumLevel, 0.0115);
    wait(&mut play, 240.0);
    assert!(play.supervisor.awaits_refill());
    play.put(Role::HeliumLevel, 0.066);
    wait(&mut play, 600.0);
    assert!(play.supervisor.awaits_refill(), "the level is back, but nobody has said so");
    play.feed(Event::Operator(Spoken::release("A")));
    wait(&mut play, 120.0);
    assert!(!play.supervisor.is_held());
    assert_eq!(play.get(Role::Approached), 1.0);
}
