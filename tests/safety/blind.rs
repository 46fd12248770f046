//! An interlock that can't see acts: each channel that one needs falls silent, shows too much, or is stuck.

use crate::bed::{SWEEP, night, night_with_seed};
use noctule::bench::{Action, ChannelId, Interlock, Role, builtin, builtin_text, read};
use noctule::diagnostic::Code;
use noctule::supervisor::Probe;

#[test]
fn a_current_that_shows_more_than_it_can_trips_like_a_current_beyond_its_mark() {
    for kind in ["OverRange", "UnderRange"] {
        let faults = format!(r#"{kind}(at: "10 min", for: "2 min", channel: "current")"#);
        let night = night(SWEEP, &faults);
        let trip = &night.done.tally.trips[0];
        assert!(trip.name == "current too large" && trip.at_s < 603.0, "{trip:?}");
        night.parked_by("current too large", false);
    }
}

#[test]
fn a_stage_that_is_too_cold_to_show_is_no_reason_to_stop() {
    let night = night(SWEEP, r#"UnderRange(at: "10 min", for: "1 min", channel: "stage_temperature")"#);
    night.rode_out();
}

/// Silence, rubbish and standing still of each channel that an interlock of the shipped bench rests on.
#[test]
fn each_dangerous_interlock_that_one_silent_channel_blinds_acts_within_its_patience() {
    let bench = builtin();
    // Condensing asks for two thermometers; while one of them says that it is cold, nobody need know the other.
    let asks_both = |lock: &&Interlock| lock.action != Action::Condense;
    let dangerous = bench.interlocks.iter().filter(|lock| lock.action >= Action::Withdraw);
    for lock in dangerous.filter(asks_both) {
        // One that asks for the age of a channel says by itself what silence means.
        // While the stage is known to be cold, nobody need know what the heater does.
        let heater = bench.by_role(Role::StageHeater);
        let rests_on = |id: &ChannelId| {
            lock.trip.is_disarmed_by(*id) && !lock.trip.asks_silence(*id) && Some(*id) != heater
        };
        for id in lock.trip.channels().filter(rests_on) {
            let channel = &bench.channel(id).name;
            let lasting_s = lock.patience_s + 60.0;
            let faults = format!(r#"NotANumber(at: "5 min", for: "{lasting_s} s", channel: "{channel}")"#);
            let text =
                format!("approach(); set(\"StageHeater\", 20.uW); wait({}.s); park();", 400.0 + lasting_s);
            let night = night(&text, &faults);
            let acted = night.done.tally.trips.iter().find(|trip| trip.name == lock.name);
            let trip = acted.unwrap_or_else(|| panic!("{}: {:?}", lock.name, night.done.tally.trips));
            let late_s = trip.at_s - 300.0 - lock.patience_s;
            // A channel that fails is asked again after five seconds at the latest.
            assert!(
                (-1.0 - lock.every_s..lock.every_s + 6.0).contains(&late_s),
                "{} of {channel}: {late_s} s late",
                lock.name
            );
            assert_eq!(trip.action, lock.blind.name(), "{}", lock.name);
            night.reached(Probe::BlindLock);
        }
    }
}

#[test]
fn a_hold_for_blindness_is_left_when_the_channel_speaks_again() {
    let night = night(SWEEP, r#"NotANumber(at: "10 min", for: "1 min", channel: "magnet_voltage")"#);
    let trip = &night.done.tally.trips[0];
    assert_eq!((trip.name.as_str(), trip.action.as_str()), ("magnet voltage", "hold"), "{trip:?}");
    night.rode_out().reached(Probe::BlindLock);
}

#[test]
fn a_current_that_flows_while_the_flag_says_out_of_range_brings_the_tip_out() {
    let text = "approach(); wait(20.min); park();";
    let night = night(text, r#"Saturated(at: "10 min", for: "2 min", channel: "approached", to: "0")"#);
    let trip = &night.done.tally.trips[0];
    assert!(trip.name == "in range unnoticed" && trip.action == "withdraw", "{trip:?}");
    assert!((600.0..620.0).contains(&trip.at_s), "{trip:?}");
}

#[test]
fn the_check_names_each_interlock_that_one_stuck_or_silent_channel_disarms() {
    let told = |text: &str| {
        let (_, found) = read(text, "bench.ron").expect("a sound bench");
        assert!(found.iter().all(|warning| warning.code == Code::BenchBlind), "{found:#?}");
        found.into_iter().map(|warning| warning.message).collect::<Vec<_>>()
    };
    assert!(told(builtin_text()).is_empty(), "the shipped bench has no such interlock");
    let without = |text: &str, name: &str| {
        let from = text.find(&format!("Interlock(name: \"{name}\"")).expect("the interlock");
        let to = from + text[from..].find("\"),\n").expect("its end") + 4;
        format!("{}{}", &text[..from], &text[to..])
    };
    let found = told(&without(builtin_text(), "current frozen"));
    // The current is still looked at beside the flag, so one of the two is noticed.
    assert!(found.is_empty(), "{found:?}");
    let found = told(&without(&without(builtin_text(), "current frozen"), "in range unnoticed"));
    let part = |part: &str| found.iter().any(|message| message.contains(part));
    assert!(part("`current` stuck at one value disarms `current too large`"), "{found:?}");
    assert!(part("`approached` stuck at one value disarms `stage warming up`"), "{found:?}");
    let found = told(&without(builtin_text(), "helium gauge silent"));
    assert!(found.iter().any(|message| message.contains("`helium_level` may be silent")), "{found:?}");
}

/// A danger, the channels that would show it, what the sequence is at, and how soon the tip is out or the run held, s.
struct Danger {
    fault: &'static str,
    channels: &'static [&'static str],
    sequence: &'static str,
    within_s: f64,
    /// The mildest that counts as acting.
    at_least: Action,
}

const IN_RANGE: &str = "approach(); wait(3.h); park();";
const FOR_LONG: &str = "approach(); wait(6.h); park();";
const AT_FIELD: &str = "ramp_field(0.4.T); approach(); wait(3.h); park();";

const DANGERS: [Danger; 6] = [
    Danger {
        fault: r#"TipCrash(at: "15 min")"#,
        channels: &["current", "approached", "height"],
        sequence: IN_RANGE,
        within_s: 180.0,
        at_least: Action::Withdraw,
    },
    Danger {
        fault: r#"WarmUp(at: "15 min", by: "40 K")"#,
        channels: &["stage_temperature", "pot_temperature"],
        sequence: IN_RANGE,
        within_s: 600.0,
        at_least: Action::Withdraw,
    },
    Danger {
        fault: r#"Quench(at: "15 min")"#,
        channels: &["magnet_voltage", "field_z"],
        sequence: AT_FIELD,
        within_s: 600.0,
        at_least: Action::Hold,
    },
    Danger {
        fault: r#"PressureBurst(at: "15 min", height: "1e-3 mbar")"#,
        channels: &["chamber_pressure"],
        sequence: IN_RANGE,
        within_s: 2400.0,
        at_least: Action::Withdraw,
    },
    Danger {
        fault: r#"HeliumLeak(at: "15 min", loss: "100 L/h")"#,
        channels: &["helium_level"],
        sequence: FOR_LONG,
        within_s: 4.1 * 3600.0,
        at_least: Action::Park,
    },
    Danger {
        fault: r#"LockinOverload(at: "15 min", for: "1 h")"#,
        channels: &["lockin_overload"],
        sequence: IN_RANGE,
        within_s: 120.0,
        at_least: Action::Hold,
    },
];

/// From shortly before the danger on, the channel that would show it says something else, or nothing.
#[test]
fn a_danger_is_acted_on_while_the_channel_that_would_show_it_lies_or_is_silent() {
    let kinds = ["Stuck", "NotANumber", "Garbled", "NoReply", "OverRange", "UnderRange", "Outage"];
    let mut missed = Vec::new();
    for danger in &DANGERS {
        for channel in danger.channels {
            for kind in kinds {
                // A flag that stands still can't be told from one that is right; an overload spoils points and hurts nothing.
                if *channel == "lockin_overload" && ["Stuck", "OverRange", "UnderRange"].contains(&kind) {
                    continue;
                }
                let faults = format!(r#"{kind}(at: "14 min", channel: "{channel}"), {}"#, danger.fault);
                let night = night(danger.sequence, &faults);
                let acted = |action: &str| {
                    let found = [
                        Action::Hold,
                        Action::Withdraw,
                        Action::Condense,
                        Action::Refill,
                        Action::Park,
                        Action::ParkLatch,
                    ];
                    let found = found.iter().find(|known| known.name() == action).copied();
                    found.unwrap_or(Action::Warn) >= danger.at_least
                };
                let in_time = |at_s: f64| (840.0..900.0 + danger.within_s).contains(&at_s);
                let trip =
                    night.done.tally.trips.iter().find(|trip| in_time(trip.at_s) && acted(&trip.action));
                // A verb that fails ends the run parked as well.
                let ended = night.done.tally.parked && in_time(night.done.tally.end_s);
                let what = trip.map(|trip| format!("{} ({}) at {:.0} s", trip.name, trip.action, trip.at_s));
                println!("{} / {channel} {kind}: {}", danger.fault, what.as_deref().unwrap_or("nothing"));
                if trip.is_none() && !ended {
                    missed.push(format!("{} / {channel} {kind}: {:?}", danger.fault, night.done.tally.trips));
                }
            }
        }
    }
    assert!(missed.is_empty(), "{missed:#?}");
}

/// Nights in which nothing goes wrong: no interlock trips. `NOCTULE_CAMPAIGN=full` takes a thousand.
#[test]
fn nothing_trips_in_an_ordinary_night() {
    let full = std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full");
    let night_text =
        format!("ramp_field(0.2.T); {SWEEP} set(\"RfOutput\", 0); wait(4.h); ramp_field(0.0.T);");
    let mut hours = 0.0;
    for seed in 0..if full { 1000 } else { 4 } {
        let night = night_with_seed(&night_text, seed);
        assert_eq!(night.ending().0, "finished", "seed {seed}: {:?}", night.ending());
        assert!(night.done.tally.trips.is_empty(), "seed {seed}: {:?}", night.done.tally.trips);
        hours += night.done.tally.end_s / 3600.0;
    }
    println!("no trip in {hours:.0} hours");
}
