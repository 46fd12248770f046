//! Every fault that the mimic can have on the way: which error it is, and that the next call is sound.

use crate::common::{instruments, mimic, mimic_bench, plain_scpi, scpi_channel, scpi_link};
use noctule::instrument::{ErrorKind, Instrument, Scpi, Task};
use std::time::{Duration, Instant};

const TIMEOUT_S: f64 = 0.25;

/// A reading that meets a fault, and one after it.
fn meets(kind: &str, expected: ErrorKind) {
    let (name, inside) = kind.strip_suffix(')').and_then(|kind| kind.split_once('(')).expect("a kind");
    let once = format!("{name}(at: \"0 s\", on: \"electronics\", times: 1, {inside})");
    let mimic = mimic(1.0, &once);
    let mut scpi = plain_scpi(mimic.address("electronics").expect("electronics"), TIMEOUT_S);
    let bias = scpi_channel("SOUR:VOLT {}", "SOUR:VOLT?", "V");
    let began = Instant::now();
    // A dropped connection meets whatever comes first.
    if !kind.starts_with("DropConnection") {
        assert_eq!(scpi.set(&bias, 0.0625), Ok(()), "{kind}");
    }
    let error = scpi.read(&bias).expect_err("the fault");
    assert_eq!(error.kind, expected, "{kind}: {error}");
    assert!(began.elapsed() < Duration::from_secs(5), "{kind}: nobody waits for long");
    for volts in [0.125, 0.03125] {
        assert_eq!(scpi.set(&bias, volts), Ok(()), "{kind}");
        assert_eq!(scpi.read(&bias), Ok(volts), "{kind}");
    }
}

#[test]
fn a_dropped_connection_is_absent() {
    meets("DropConnection()", ErrorKind::Absent);
}

#[test]
fn half_a_reply_is_timed_out() {
    meets("HalfReply()", ErrorKind::TimedOut);
}

#[test]
fn two_replies_are_out_of_step() {
    meets("DoubleReply()", ErrorKind::OutOfStep);
}

#[test]
fn binary_rubbish_is_garbled() {
    meets("Rubbish()", ErrorKind::Garbled);
}

#[test]
fn megabytes_without_an_end_are_garbled() {
    meets("Flood(bytes: 8000000)", ErrorKind::Garbled);
}

#[test]
fn silence_is_timed_out() {
    meets("NoReply()", ErrorKind::TimedOut);
}

#[test]
fn mixed_up_characters_are_garbled() {
    meets("Garbled()", ErrorKind::Garbled);
}

#[test]
fn what_stands_for_no_number_is_garbled() {
    meets("NotANumber()", ErrorKind::Garbled);
}

#[test]
fn a_late_reply_is_never_taken_for_a_new_one() {
    meets("LateReply(by: \"400 ms\")", ErrorKind::TimedOut);
    // Again, waiting until the late reply has come.
    let mimic = mimic(1.0, "LateReply(at: \"0 s\", by: \"400 ms\", on: \"electronics\", times: 1)");
    let mut scpi = plain_scpi(mimic.address("electronics").expect("electronics"), TIMEOUT_S);
    let bias = scpi_channel("SOUR:VOLT {}", "SOUR:VOLT?", "V");
    assert_eq!(scpi.set(&bias, 0.0625), Ok(()));
    assert_eq!(scpi.read(&bias).expect_err("late").kind, ErrorKind::TimedOut);
    assert_eq!(scpi.set(&bias, 0.125), Ok(()));
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(scpi.read(&bias), Ok(0.125));
}

#[test]
fn faults_of_the_error_query_fail_the_set_and_the_next_is_sound() {
    for (kind, expected) in [
        ("NoReply", ErrorKind::TimedOut),
        ("DoubleReply", ErrorKind::OutOfStep),
        ("Rubbish", ErrorKind::Garbled),
        ("DropConnection", ErrorKind::Absent),
    ] {
        // Every message is met for a second; then the link is sound again.
        let faults = format!("{kind}(at: \"0 s\", on: \"electronics\", for: \"600 ms\")");
        let mimic = mimic(1.0, &faults);
        let bench = mimic_bench(&mimic);
        let mut all = instruments(&bench);
        let bias = bench.channel(bench.find("bias").expect("bias"));
        let electronics = &mut all[bias.link];
        assert_eq!(electronics.set(bias, 0.0625).expect_err("the fault").kind, expected, "{kind}");
        std::thread::sleep(Duration::from_millis(700));
        assert_eq!(electronics.set(bias, 0.125), Ok(()), "{kind}");
        let read = electronics.read(bias).expect("a reading");
        assert!((read - 0.125).abs() < 1e-12, "{kind}: {read}");
    }
}

#[test]
fn a_refusal_is_told_in_the_words_of_the_instrument() {
    let mimic = mimic(1.0, "Refuses(at: \"0 s\", on: \"source\", times: 1)");
    let bench = mimic_bench(&mimic);
    let mut all = instruments(&bench);
    let level = bench.channel(bench.find("rf_level").expect("rf_level"));
    let source = &mut all[level.link];
    let error = source.set(level, -20.0).expect_err("the fault");
    assert_eq!(error.kind, ErrorKind::Refused);
    assert!(error.message.contains("Device-specific error") && error.message.contains("-300"), "{error}");
    assert_eq!(source.set(level, -20.0), Ok(()));
    assert_eq!(source.read(level), Ok(-20.0));
}

#[test]
fn a_task_that_lies_about_its_end_is_found_busy() {
    let mimic = mimic(0.01, "EndsEarly(at: \"0 s\", on: \"electronics\", for: \"1 h\")");
    let bench = mimic_bench(&mimic);
    let mut all = instruments(&bench);
    let electronics = &mut all[bench.task_link.expect("a link for tasks")];
    electronics.begin(&Task::Approach, None).expect("begun");
    let report = electronics.poll().expect("an answer").expect("a report, though it runs");
    assert!(report.achieved);
    let approached = bench.channel(bench.find("approached").expect("approached"));
    assert_eq!(electronics.read(approached), Ok(0.0), "reading back tells the truth");
    assert_eq!(electronics.begin(&Task::Approach, None).expect_err("still running").kind, ErrorKind::Busy);
}

#[test]
fn the_faults_of_the_world_reach_the_gauges() {
    let faults = "
        PressureBurst(at: \"1 s\", height: \"1e-6 mbar\"),
        GaugeNotANumber(at: \"1 s\", signal: \"stage_temperature\", for: \"1 day\"),
    ";
    let mimic = mimic(0.01, faults);
    let bench = mimic_bench(&mimic);
    let mut all = instruments(&bench);
    let channel = |name: &str| bench.channel(bench.find(name).expect("a gauge"));
    let monitors = &mut all[channel("chamber_pressure").link];
    let before = monitors.read(channel("chamber_pressure")).expect("a reading");
    assert!(before < 1e-6, "{before} Pa");
    assert!(monitors.read(channel("stage_temperature")).is_ok());
    crate::common::Raw::connect(mimic.address("magnet").expect("magnet")).ask("SYST:PACE 1000;:SYST:PACE?");
    std::thread::sleep(Duration::from_millis(20));
    let after = monitors.read(channel("chamber_pressure")).expect("a reading");
    assert!(after > 10.0 * before, "{before} Pa, {after} Pa");
    assert_eq!(monitors.read(channel("stage_temperature")).expect_err("no number").kind, ErrorKind::Garbled);
}

#[test]
fn after_many_faults_in_a_row_no_reading_was_ever_another_ones() {
    let faults = "
        LateReply(at: \"0 s\", by: \"60 ms\", on: \"electronics\", every: \"0.1 s\", times: 1),
        DoubleReply(at: \"0.05 s\", on: \"electronics\", every: \"0.13 s\", times: 1),
        DropConnection(at: \"0.02 s\", on: \"electronics\", every: \"0.17 s\", times: 1),
        HalfReply(at: \"0.03 s\", on: \"electronics\", every: \"0.23 s\", times: 1),
    ";
    let mimic = mimic(1.0, faults);
    let mut link = scpi_link(mimic.address("electronics").expect("electronics"), None);
    // Faults come faster than a longer silence would let anything be asked.
    link.silence_s = 0.001;
    let mut scpi = Scpi::new("peer", &link, 0.04);
    let bias = scpi_channel("SOUR:VOLT {}", "SOUR:VOLT?", "V");
    let (mut sound, mut failed) = (0, 0);
    let began = Instant::now();
    let mut step = 0_u32;
    while began.elapsed() < Duration::from_secs(2) {
        step += 1;
        let volts = 0.01 + 1e-6 * f64::from(step);
        // Without an error queue a set may get lost with its connection; what is read then is the value before.
        let allowed = [volts, mimic.with_microscope(|m| m.read(noctule_sim::Signal::Bias))];
        let taken = scpi.set(&bias, volts).is_ok();
        match scpi.read(&bias) {
            Ok(read) if taken => {
                assert!(allowed.contains(&read), "step {step}: {read} was read, {allowed:?} was there");
                sound += 1;
            }
            Ok(_) => sound += 1,
            Err(_) => failed += 1,
        }
    }
    assert!(sound > 20 && failed > 10, "{sound} sound, {failed} failed");
}
