//! What is promised for each fault, and the test that holds it.

use std::fmt::Write;

/// A promise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Promise {
    /// The fault.
    pub fault: &'static str,
    /// What follows.
    pub behaviour: &'static str,
    /// Whether a sequence goes on to its end with nothing else done than waiting and repeating.
    pub rides_out: bool,
    /// The test.
    pub test: &'static str,
}

const fn rides(fault: &'static str, behaviour: &'static str, test: &'static str) -> Promise {
    Promise { fault, behaviour, rides_out: true, test }
}

const fn ends(fault: &'static str, behaviour: &'static str, test: &'static str) -> Promise {
    Promise { fault, behaviour, rides_out: false, test }
}

/// All promises, in the order of the kinds that nights are drawn from.
pub const PROMISES: [Promise; 47] = [
    rides(
        "pressure burst in the chamber",
        "tip out, wait until pumped off, tip back, go on",
        "safety::cases::pressure_burst",
    ),
    rides(
        "stage warmer than 1 K for a while",
        "tip out, wait until cold, tip back, go on",
        "safety::cases::stage_warming_up",
    ),
    rides(
        "stage thermometer gives no number",
        "after 2 min tip out and wait; goes on when it reads again",
        "safety::cases::stage_sensor_silent",
    ),
    rides(
        "tunnel current reads zero",
        "after 30 s hold with RF off; goes on when it flows again",
        "safety::cases::current_zero",
    ),
    rides("lock-in overload", "hold; the current point is measured again", "safety::cases::lockin_overload"),
    rides("RF drop-out", "goes on; the points are in the record as they are", "safety::cases::rf_drop_out"),
    rides("helium leak up to 0.3 L/h", "goes on; the level is in the record", "nights"),
    rides("tip change", "goes on; fits and verdict say what it was worth", "nights"),
    rides("sample drifts faster", "re-centring follows it", "nights"),
    rides(
        "gauge stuck at one value",
        "the stage thermometer: tip out after 5 min, until it moves again; goes on",
        "safety::cases::frozen_sensor",
    ),
    rides("gauge shows old values", "goes on", "nights"),
    rides("helium gauge drifts by up to 1 L/h", "goes on", "nights"),
    rides("gauge without an interlock saturated", "goes on", "nights"),
    rides(
        "pressure gauge gives no number",
        "warning after 5 min; goes on, the other channels are read alone",
        "safety::cases::a_dead_gauge_blinds_nobody",
    ),
    rides("no reply for up to 1.5 s", "each command is tried three times", "safety::cases::short_silence"),
    rides("late replies, within the patience of the link", "goes on, slower", "nights"),
    rides("garbled replies for up to 0.35 s", "each command is tried three times", "nights"),
    rides("connection lost", "made anew, the command is repeated", "safety::cases::reconnect"),
    rides(
        "clock of the computer jumps",
        "warning; times of the run come from a clock that never jumps",
        "safety::cases::clock_jump",
    ),
    rides("slow disk", "the sequence waits for it, nothing is lost", "safety::cases::slow_disk"),
    rides(
        "overload and pressure burst together",
        "the hold is entered anew, with the tip out; goes on when both are over",
        "safety::cases::a_second_trip_in_a_hold_is_heeded",
    ),
    rides(
        "an operator holds, for a refill or without, and releases",
        "waits at the next point, goes on",
        "safety::cases::an_operator_holds_for_a_refill_and_releases",
    ),
    rides(
        "the answer to a task's start is lost",
        "asked again, the task that runs is taken for the one that was begun",
        "safety::cases::task_answer_lost",
    ),
    rides(
        "no reply for up to the patience of the link, 15 min",
        "held, the others made safe; asked until it is back, looked at, goes on",
        "safety::cases::silence_of_minutes",
    ),
    ends("magnet quench", "park and latch", "safety::cases::quench"),
    ends("tip crash", "park", "safety::cases::tip_crash"),
    ends("stage warmer than 4.5 K", "tip out, then park and latch", "safety::cases::stage_warm"),
    ends("large helium leak", "park below 4 L; no field ramp below 6 L", "safety::cases::helium_low"),
    ends("current reads its limit", "park", "safety::cases::current_too_large"),
    ends("lead voltage", "park and latch", "safety::cases::lead_voltage"),
    ends(
        "no reply for longer than the bench waits",
        "the run ends; each park step is tried, again and again until it is read back; what failed is said",
        "safety::cases::long_silence",
    ),
    ends(
        "an instrument refuses",
        "the verb fails at once; park goes through all steps and says what failed",
        "safety::cases::refuses",
    ),
    ends(
        "an instrument lies about completion",
        "found by reading back: a field that does not arrive fails, a park step that was not done is repeated and reported",
        "safety::cases::lies",
    ),
    ends(
        "disk full",
        "park; nothing is called done that is not on disk; the end is written with space kept for it",
        "safety::cases::disk_full",
    ),
    ends(
        "reading of the field stuck",
        "a field that does not arrive in its time fails the verb; park",
        "safety::cases::field_reading_stuck",
    ),
    ends(
        "helium gauge gives no number",
        "warning after 10 min; no ramp on a level that nobody knows",
        "safety::cases::helium_gauge_silent",
    ),
    ends(
        "a task never ends",
        "aborted after its longest time, the verb fails; park",
        "safety::cases::task_never_ends",
    ),
    ends(
        "a driver hangs for minutes",
        "waited for like a silent one; a later reply is dropped",
        "safety::cases::a_hung_driver_answers_much_later",
    ),
    ends(
        "an instrument refuses after a hold",
        "what can't be brought back is not measured on; park, and say what failed",
        "safety::cases::not_brought_back",
    ),
    ends(
        "a second interlock while the bench is parked",
        "recorded; parking goes on",
        "safety::cases::trip_while_parking",
    ),
    ends("an operator stops", "ends at the next point; park", "safety::cases::operator_stops"),
    ends("the window ends", "parked before it does", "safety::cases::window_ends"),
    ends("keeper lost", "park, where the bench says so", "safety::cases::keeper_lost"),
    rides(
        "nobody on any link for up to 0.35 s",
        "each command is tried three times",
        "safety::cases::short_outage",
    ),
    rides(
        "the gauges away for up to 20 min, then back",
        "tip out when the stage was not read for 2 min; goes on when they read again",
        "safety::cases::gauges_away",
    ),
    ends(
        "one instrument away for up to an hour, then back",
        "the run ends if it is not waited for; what can be parked is, the rest within 10 s after it is back",
        "safety::cases::an_instrument_away",
    ),
    ends(
        "all links away for up to an hour, then back",
        "waited for; after the patience, 15 min, the run ends; safe within 10 s after they are back",
        "safety::cases::all_away",
    ),
];

/// The table as it stands in the documentation.
pub fn promises_table() -> String {
    let mut table = String::from("| fault | promised behaviour | a sequence | test |\n|---|---|---|---|\n");
    for Promise { fault, behaviour, rides_out, test } in PROMISES {
        let word = if rides_out { "goes on" } else { "may end" };
        let _ = writeln!(table, "| {fault} | {behaviour} | {word} | `{test}` |");
    }
    table
}
