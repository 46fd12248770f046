//! Ordinary faults, one by one: the fault happens in a rehearsal, and what was promised follows.

use crate::bed::{SWEEP, night, night_until};
use crate::outages::{LINKS, away, safe_in_time};
use noctule::record::Entry;
use noctule::run::faults::PROMISES;
use noctule::supervisor::Probe;

#[test]
fn every_promise_names_a_test_that_is_there() {
    let here = include_str!("cases.rs");
    for promise in PROMISES {
        if let Some(name) = promise.test.strip_prefix("safety::cases::") {
            assert!(here.contains(&format!("fn {name}()")), "{name}");
        } else {
            assert_eq!(promise.test, "nights", "{promise:?}");
        }
    }
}

#[test]
fn undisturbed() {
    let night = night(SWEEP, "");
    night.rode_out();
    assert!(night.done.tally.trips.is_empty(), "{:?}", night.done.tally.trips);
    let order: Vec<String> = night.steps("park").into_iter().map(|step| step.0).collect();
    assert_eq!(
        order,
        [
            "withdraw the tip",
            "rf_output to 0",
            "bias to 50 mV",
            "lockin_modulation to 0 mV",
            "stage_heater to 0 uW",
            "leave field_z as it is"
        ]
    );
}

#[test]
fn helium_low() {
    night(SWEEP, r#"HeliumLeak(at: "3 min", loss: "2000 L/h")"#).parked_by("helium low", false);
}

#[test]
fn pressure_burst() {
    let night = night(SWEEP, r#"PressureBurst(at: "10 min", height: "1e-6 mbar")"#);
    night.rode_out().tripped("pressure burst", "withdraw");
    assert_eq!(night.steps("hold")[0].0, "withdraw the tip", "the tip comes out first");
    let back: Vec<String> = night.steps("restore").into_iter().map(|step| step.0).collect();
    assert_eq!(back, ["approach the tip", "rf_output to 1"], "and what was changed is brought back");
}

#[test]
fn stage_warming_up() {
    let night = night(SWEEP, r#"WarmUp(at: "10 min", by: "2 K", for: "10 min")"#);
    night.rode_out().tripped("stage warming up", "withdraw");
}

#[test]
fn stage_warm() {
    let night = night(SWEEP, r#"WarmUp(at: "10 min", by: "40 K")"#);
    night.tripped("stage warming up", "withdraw").parked_by("stage warm", true);
}

#[test]
fn stage_sensor_silent() {
    let night = night(SWEEP, r#"NotANumber(at: "10 min", for: "5 min", channel: "stage_temperature")"#);
    night.rode_out().tripped("stage sensor silent", "withdraw");
}

#[test]
fn current_too_large() {
    let night = night(SWEEP, r#"Saturated(at: "10 min", for: "5 s", channel: "current", to: "10 nA")"#);
    night.parked_by("current too large", false);
    assert!(night.done.oracle.reactions_s.iter().all(|s| *s <= 0.52), "{:?}", night.done.oracle.reactions_s);
}

#[test]
fn tip_crash() {
    night(SWEEP, r#"TipCrash(at: "10 min")"#).parked_by("current too large", false);
}

#[test]
fn current_zero() {
    let night = night(SWEEP, r#"Saturated(at: "10 min", for: "2 min", channel: "current", to: "0 A")"#);
    night.rode_out().tripped("current lost", "hold");
}

#[test]
fn quench() {
    let sequence = format!("ramp_field(0.4.T);{SWEEP}");
    let night = night(&sequence, r#"Quench(at: "10 min")"#);
    night.parked_by("magnet voltage", true);
}

#[test]
fn lead_voltage() {
    let night = night(SWEEP, r#"Saturated(at: "10 min", for: "3 s", channel: "magnet_voltage", to: "3 V")"#);
    night.parked_by("magnet voltage", true);
}

#[test]
fn rf_overdrive() {
    let night =
        night(SWEEP, r#"Saturated(at: "10 min", for: "1 min", channel: "stage_temperature", to: "0.9 K")"#);
    night.rode_out().tripped("RF overdrive", "hold");
    assert!(night.steps("hold").iter().any(|step| step.0 == "rf_output to 0" && step.1));
}

#[test]
fn rf_drop_out() {
    assert!(night(SWEEP, r#"RfDropOut(at: "10 min", for: "1 min")"#).rode_out().done.tally.trips.is_empty());
}

#[test]
fn lockin_overload() {
    night(SWEEP, r#"LockinOverload(at: "10 min", for: "20 s")"#)
        .rode_out()
        .tripped("lock-in overload", "hold");
}

#[test]
fn frozen_sensor() {
    let night = night(SWEEP, r#"Stuck(at: "5 min", for: "10 min", channel: "stage_temperature")"#);
    night.rode_out().tripped("stage sensor frozen", "withdraw");
}

#[test]
fn clock_jump() {
    night(SWEEP, r#"ClockJump(at: "10 min", by: "-30 min")"#).rode_out().tripped("clock jump", "warn");
}

#[test]
fn a_dead_gauge_blinds_nobody() {
    // The pressure gauge dies first; the crash is seen all the same, and as fast.
    let faults = r#"NotANumber(at: "3 min", channel: "chamber_pressure"), TipCrash(at: "10 min")"#;
    let night = night(SWEEP, faults);
    night.tripped("pressure gauge silent", "warn").parked_by("current too large", false);
    let trip = night.done.tally.trips.iter().find(|trip| trip.name == "current too large").unwrap();
    assert!(trip.at_s < 602.0, "{trip:?}");
}

#[test]
fn short_silence() {
    for heard in [true, false] {
        for at in ["30 s", "10 min", "13 min"] {
            night(SWEEP, &format!(r#"NoReply(at: "{at}", for: "1.5 s", heard: {heard})"#)).rode_out();
        }
    }
}

#[test]
fn reconnect() {
    night(SWEEP, r#"ReconnectNeeded(at: "10 min")"#).rode_out();
}

#[test]
fn silence_of_minutes() {
    for (at, lasting) in [("30 s", "10 s"), ("10 min", "1 min"), ("13 min", "10 min")] {
        let night = night(SWEEP, &format!(r#"NoReply(at: "{at}", for: "{lasting}")"#));
        night.rode_out();
    }
}

#[test]
fn short_outage() {
    for at in ["30 s", "10 min", "13 min"] {
        night(SWEEP, &away(&LINKS[0], at, 0.35)).rode_out();
    }
}

#[test]
fn gauges_away() {
    let night = night(SWEEP, &away(&LINKS[5], "10 min", 600.0));
    night.rode_out().tripped("stage sensor silent", "withdraw");
}

#[test]
fn an_instrument_away() {
    for link in &LINKS[1..5] {
        let night = night(SWEEP, &away(link, "10 min", 900.0));
        // A sweep of the current goes on without a lock-in, but for its overload that nobody sees.
        if link.name == "lockin" {
            night.rode_out();
        }
        safe_in_time(&night, 600.0, 1500.0);
    }
}

#[test]
fn all_away() {
    for for_s in [5.0, 60.0, 3600.0] {
        let night = night(SWEEP, &away(&LINKS[0], "10 min", for_s));
        if for_s < 900.0 {
            night.rode_out();
        } else {
            assert_eq!(night.ending().0, "fault", "{:?}", night.ending());
            assert!(night.ending().1.contains("has given no answer for"), "{:?}", night.ending());
        }
        safe_in_time(&night, 600.0, 600.0 + for_s);
    }
}

#[test]
fn long_silence() {
    let night = night(SWEEP, r#"NoReply(at: "10 min", for: "30 min")"#);
    let (word, reason) = night.ending();
    assert_eq!(word, "fault", "{reason}");
    assert!(reason.contains("has given no answer for"), "{reason}");
    let steps = night.steps("park");
    assert!(steps.iter().all(|step| !step.2.is_empty()), "each says how it stands: {steps:?}");
    let (first, again) = steps.split_at(6);
    let failed: Vec<_> = first.iter().filter(|step| !step.1).collect();
    assert!(failed.len() >= 4, "every step is tried at once: {steps:?}");
    // The links come back, and what failed is reached then, each step once.
    assert!(night.done.tally.parked, "{steps:?}");
    assert_eq!(again.len(), failed.len(), "{steps:?}");
    assert!(again.iter().all(|step| step.1), "{steps:?}");
}

#[test]
fn a_hung_driver_answers_much_later() {
    let night = night(SWEEP, r#"LateReply(at: "10 min", for: "20 s", by: "2 min")"#);
    night.rode_out().reached(Probe::WaitedForInstrument);
}

/// What waits behind a hung driver passes as soon as it is well, so the sequence goes on soon after.
#[test]
fn a_driver_that_hung_for_minutes_holds_nothing_up_when_it_is_well() {
    let ordinary_s = night(SWEEP, "").done.tally.end_s;
    let night = night(SWEEP, r#"LateReply(at: "10 min", for: "10 min", by: "5 min")"#);
    night.rode_out();
    let end_s = night.done.tally.end_s;
    assert!(end_s < ordinary_s + 600.0 + 300.0 + 300.0, "over after {end_s} s, not {ordinary_s} s");
}

#[test]
fn refuses() {
    let night = night(SWEEP, r#"Refuses(at: "10 min")"#);
    assert_eq!(night.ending().0, "fault", "{:?}", night.ending());
    assert!(night.ending().1.contains("will not do it"));
    assert!(!night.done.tally.parked);
    assert!(night.steps("park").iter().any(|step| step.2.contains("will not do it")));
}

#[test]
fn lies() {
    let field = night("ramp_field(0.1.T);", r#"Lies(at: "1 s", for: "1 h", channel: "field_z")"#);
    assert_eq!(field.ending().0, "fault", "{:?}", field.ending());
    assert!(field.ending().1.contains("has not arrived"), "{:?}", field.ending());
    let park = night(SWEEP, r#"Lies(at: "10 min")"#);
    assert!(!park.done.tally.parked, "a park that did not happen is not called one");
    let withdraw = &park.steps("park")[0];
    assert!(!withdraw.1 && withdraw.2.contains("reads 1"), "{withdraw:?}");
}

#[test]
fn slow_disk() {
    let slow = night(SWEEP, r#"SlowDisk(at: "0 s", lag: "2 s")"#);
    slow.rode_out();
    assert!(slow.done.tally.end_s > night(SWEEP, "").done.tally.end_s + 2.0);
}

#[test]
fn disk_full() {
    let night = night(SWEEP, r#"DiskFull(at: "10 min")"#);
    let (word, reason) = night.ending();
    assert_eq!(word, "fault");
    assert!(reason.contains("can't be written") && reason.contains("no space left"), "{reason}");
    assert!(night.done.tally.parked, "the bench is parked all the same");
}

#[test]
fn keeper_lost() {
    let night = night(SWEEP, r#"KeeperLost(at: "10 min")"#);
    assert_eq!(night.ending(), ("fault", "the keeper process is gone".to_owned()));
    assert!(night.done.tally.parked);
}

#[test]
fn an_operator_holds_for_a_refill_and_releases() {
    let faults = r#"Operator(at: "10 min", says: "refill"), Operator(at: "40 min", says: "release")"#;
    let night = night(SWEEP, faults);
    night.rode_out();
    let released = night.entries.iter().find(|(_, entry)| matches!(entry, Entry::Released { .. }));
    assert!(released.is_some_and(|(at, _)| at.s() >= 2400.0));
}

#[test]
fn a_stop_in_a_hold_parks() {
    let faults =
        r#"PressureBurst(at: "10 min", height: "1e-5 mbar"), Operator(at: "10.5 min", says: "stop")"#;
    let night = night(SWEEP, faults);
    assert_eq!(night.ending().0, "stopped", "{:?}", night.ending());
    assert!(night.done.tally.parked);
}

#[test]
fn a_second_trip_in_a_hold_is_heeded() {
    // Held for an overload; then the pressure rises: the tip has to come out as well.
    let faults =
        r#"LockinOverload(at: "10 min", for: "2 min"), PressureBurst(at: "10.5 min", height: "1e-6 mbar")"#;
    let night = night(SWEEP, faults);
    night.rode_out().tripped("lock-in overload", "hold").tripped("pressure burst", "withdraw");
    // The RF that was on before the first trip is on again.
    assert!(night.steps("restore").iter().any(|step| step.0 == "rf_output to 1" && step.1));
}

#[test]
fn a_withdrawal_ends_a_running_task_and_the_task_is_done_again() {
    let sequence = r#"approach(); let i = image(#{ x: 0.nm, y: 0.nm, size: 10.nm, pixels: 64, line_time: 4.s });
        note(`${find_spots(i).len()} spots`);"#;
    let night = night(sequence, r#"PressureBurst(at: "5 min", height: "1e-6 mbar")"#);
    assert_eq!(night.ending().0, "finished", "{:?}", night.ending());
    assert_eq!(night.steps("hold")[0].0, "end the running task");
}

#[test]
fn task_answer_lost() {
    let night = night(SWEEP, r#"NoReply(at: "0 s", channel: "tasks", times: 1)"#);
    night.rode_out().reached(Probe::HeardAfterAll);
}

#[test]
fn field_reading_stuck() {
    let night = night("ramp_field(0.1.T);", r#"Stuck(at: "0 s", channel: "field_z")"#);
    assert_eq!(night.ending().0, "fault", "{:?}", night.ending());
    assert!(night.ending().1.contains("has not arrived"), "{:?}", night.ending());
    night.reached(Probe::NotArrived);
}

#[test]
fn helium_gauge_silent() {
    let sequence = "ramp_field(0.02.T); wait(20.min); ramp_field(0.1.T);";
    let night = night(sequence, r#"NotANumber(at: "5 min", channel: "helium_level")"#);
    assert_eq!(night.ending().0, "failed", "{:?}", night.ending());
    assert!(night.ending().1.contains("not known whether helium_level"), "{:?}", night.ending());
    assert!(night.done.tally.parked);
    night.tripped("helium gauge silent", "warn").reached(Probe::PermitUnknown);
}

#[test]
fn a_short_silence_only_delays_what_needs_the_gauge() {
    let sequence = r#"approach(); wait(600.s - elapsed()); set("RfOutput", 1); set("RfOutput", 0);"#;
    let night = night(sequence, r#"NotANumber(at: "580 s", for: "1 min", channel: "stage_temperature")"#);
    assert_eq!(night.ending().0, "finished", "{:?}", night.ending());
    night.reached(Probe::PermitWaited);
    let waited_s = night.done.tally.end_s - 600.0;
    assert!((40.0..110.0).contains(&waited_s), "{waited_s}");
}

#[test]
fn a_hold_is_left_when_the_gauge_speaks_again() {
    let faults = r#"NotANumber(at: "9.5 min", for: "100 s", channel: "stage_temperature"),
        PressureBurst(at: "10 min", height: "1e-6 mbar")"#;
    night(SWEEP, faults).rode_out().reached(Probe::PermitWaited).reached(Probe::Restored);
}

#[test]
fn task_never_ends() {
    let night = night(SWEEP, r#"NeverDone(at: "0 s", channel: "tasks")"#);
    assert_eq!(night.ending().0, "fault", "{:?}", night.ending());
    night.reached(Probe::TaskOverdue);
}

#[test]
fn not_brought_back() {
    let faults = r#"PressureBurst(at: "10 min", height: "1e-5 mbar"), Refuses(at: "10.5 min", for: "2 h")"#;
    let night = night(SWEEP, faults);
    assert_eq!(night.ending().0, "fault", "{:?}", night.ending());
    assert!(night.ending().1.contains("could not be brought back"), "{:?}", night.ending());
    night.reached(Probe::NotRestored);
}

/// A withdrawal that was only pretended: on the way back the tip is in range already, and the approach is refused.
#[test]
fn what_is_there_already_need_not_be_brought_back() {
    let faults = r#"PressureBurst(at: "10 min", height: "1e-6 mbar"), Lies(at: "599 s", for: "15 s", channel: "tasks")"#;
    night(SWEEP, faults).rode_out().reached(Probe::ReachedAlready).reached(Probe::Restored);
}

#[test]
fn trip_while_parking() {
    // Late replies, so that parking takes its time.
    let faults = r#"LateReply(at: "599 s", for: "1 min", by: "300 ms"),
        Saturated(at: "10 min", for: "1 min", channel: "current", to: "10 nA"),
        Saturated(at: "601.5 s", for: "1 min", channel: "magnet_voltage", to: "3 V")"#;
    let night = night(SWEEP, faults);
    // The third one sees a current though the tip is out: the amplifier stands at its limit.
    let names: Vec<&str> = night.done.tally.trips.iter().map(|trip| trip.name.as_str()).collect();
    assert_eq!(names, ["current too large", "magnet voltage", "in range unnoticed"]);
    night.parked_by("current too large", false).reached(Probe::TrippedAtEnd);
}

#[test]
fn operator_stops() {
    let night = night(SWEEP, r#"Operator(at: "10 min", says: "stop")"#);
    assert_eq!(night.ending(), ("stopped", "stopped on request".to_owned()));
    assert!(night.done.tally.parked);
    night.reached(Probe::Stopped);
}

#[test]
fn window_ends() {
    let night = night_until(SWEEP, "", Some(900.0));
    assert_eq!(night.ending().0, "stopped", "{:?}", night.ending());
    assert!(night.done.tally.parked && night.done.tally.end_s <= 900.0);
    night.reached(Probe::WindowEnded);
}

/// Every branch of recovery can be taken in a rehearsal, so a campaign that is long enough takes them all.
#[test]
fn every_branch_of_recovery_is_taken_by_some_fault() {
    let mut taken = [0_u32; Probe::ALL.len()];
    let mut add = |night: crate::bed::Night| {
        taken.iter_mut().zip(night.done.probes).for_each(|(sum, count)| *sum += count);
    };
    for faults in [
        r#"NoReply(at: "0 s", channel: "tasks", times: 1), NotANumber(at: "2 min", channel: "chamber_pressure")"#,
        r#"NeverDone(at: "0 s", channel: "tasks")"#,
        r#"LateReply(at: "10 min", for: "1 min", by: "30 s")"#,
        r#"PressureBurst(at: "10 min", height: "1e-5 mbar"), Refuses(at: "10.5 min", for: "2 h")"#,
        r#"LockinOverload(at: "10 min", for: "2 min"), PressureBurst(at: "10.5 min", height: "1e-6 mbar")"#,
        r#"Saturated(at: "10 min", for: "1 min", channel: "current", to: "10 nA")"#,
        r#"Quench(at: "10 min"), Saturated(at: "10 min", channel: "magnet_voltage", to: "3 V")"#,
        r#"Operator(at: "5 s", says: "hold"), Operator(at: "5 min", says: "release"), Operator(at: "8 min", says: "stop")"#,
        r#"DiskFull(at: "10 min")"#,
        r#"KeeperLost(at: "10 min")"#,
        r#"NoReply(at: "10 min", for: "30 min")"#,
        r#"PressureBurst(at: "10 min", height: "1e-6 mbar"), Lies(at: "599 s", for: "30 s", channel: "tasks")"#,
    ] {
        add(night(SWEEP, faults));
    }
    let two_trips = r#"LateReply(at: "599 s", for: "1 min", by: "300 ms"),
        Saturated(at: "10 min", for: "1 min", channel: "current", to: "10 nA"),
        Saturated(at: "601.5 s", for: "1 min", channel: "magnet_voltage", to: "3 V")"#;
    add(night(SWEEP, two_trips));
    add(night_until(SWEEP, "", Some(900.0)));
    add(night("ramp_field(0.1.T);", r#"Stuck(at: "0 s", channel: "field_z")"#));
    let silent = r#"NotANumber(at: "5 min", channel: "helium_level")"#;
    add(night("ramp_field(0.02.T); wait(20.min); ramp_field(0.1.T);", silent));
    add(night("approach(); set(\"Bias\", 400.mV);", ""));
    // The pot runs dry under the tip.
    add(night(
        "approach(); wait(2.h);",
        r#"Saturated(at: "10 min", for: "5 min", channel: "pot_temperature", to: "1.2 K"), Saturated(at: "10 min", for: "5 min", channel: "stage_temperature", to: "0.7 K")"#,
    ));
    let image = "approach(); image(#{ x: 0.nm, y: 0.nm, size: 10.nm, pixels: 64, line_time: 4.s });";
    add(night(image, r#"PressureBurst(at: "5 min", height: "1e-6 mbar")"#));
    let missing = Probe::ALL.iter().zip(taken).filter(|(_, count)| *count == 0).map(|(probe, _)| *probe);
    // What guards a tip is no fault, and has its tests in `tests/tip/guard.rs`.
    // No interlock of the built-in bench refills, and none of these sequences has a spot to find again: the tests of the
    // supervisor have both. A rehearsal has no keeper to be replaced, and no simulated link is ever out of step, loses its
    // settings or is set by hand: `tests/survive/edges.rs`, `tests/links/` and `tests/night/over_tcp.rs` have real ones.
    let elsewhere = [
        Probe::Guarded,
        Probe::Changed,
        Probe::OutOfStep,
        Probe::RefillByLock,
        Probe::SpotLost,
        Probe::KeeperReplaced,
        Probe::MovedByHand,
    ];
    assert_eq!(missing.collect::<Vec<_>>(), elsewhere);
}
