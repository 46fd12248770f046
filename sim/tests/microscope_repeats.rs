//! The same seed gives the same world to the last bit, however often a gauge is looked at.

mod microscope_common;

use microscope_common::{run, set, sit, wait};
use noctule_sim::{Act, Fault, Signal, microscope::Microscope, world::World};

/// Plays half an hour and returns the bits of everything that was read on the way.
/// `extra` is asked after each step, and may read what it likes.
fn play(seed: u64, mut extra: impl FnMut(&mut Microscope)) -> Vec<u64> {
    let world = World::shipped("hard").unwrap();
    let mut microscope = Microscope::new(&world, seed);
    let mut bits = Vec::new();
    set(&mut microscope, Signal::Bias, 0.09);
    set(&mut microscope, Signal::Setpoint, 40e-12);
    set(&mut microscope, Signal::FieldZ, 0.4);
    wait(&mut microscope, 300.3);
    run(&mut microscope, Act::Approach);
    sit(&mut microscope, "A1");
    set(&mut microscope, Signal::RfFrequency, 10.05e9);
    set(&mut microscope, Signal::RfLevel, -4.0);
    set(&mut microscope, Signal::RfOutput, 1.0);
    microscope.inflict(Fault::PressureBurst { pa: 1e-7 });
    for step in 0..400 {
        set(&mut microscope, Signal::RfFrequency, 10.0e9 + 1e6 * f64::from(step));
        if step == 200 {
            set(&mut microscope, Signal::FieldZ, 0.42);
        }
        wait(&mut microscope, 3.1);
        for signal in [
            Signal::LockinX,
            Signal::Current,
            Signal::Height,
            Signal::StageTemperature,
            Signal::ChamberPressure,
            Signal::FieldZ,
        ] {
            bits.push(microscope.read(signal).to_bits());
        }
        extra(&mut microscope);
    }
    bits.push(microscope.read(Signal::HeliumLevel).to_bits());
    bits
}

#[test]
fn the_same_seed_gives_the_same_bits() {
    assert_eq!(play(11, |_| {}), play(11, |_| {}));
    assert_ne!(play(11, |_| {}), play(12, |_| {}));
}

/// What the extra readings are of does not matter, as long as it is none of those compared.
#[test]
fn reading_other_gauges_more_often_changes_nothing() {
    let quiet = play(11, |_| {});
    let looked = play(11, |microscope| {
        for signal in [
            Signal::PreparationPressure,
            Signal::PotTemperature,
            Signal::LockinY,
            Signal::LockinOverload,
            Signal::MagnetVoltage,
            Signal::FieldX,
            Signal::Bias,
            Signal::RfLevel,
        ] {
            microscope.read(signal);
            microscope.read(signal);
        }
        let _ = microscope.truth();
    });
    assert_eq!(quiet, looked);
}

/// Reading one noisy gauge twice as often leaves all the others alone.
#[test]
fn each_gauge_has_a_stream_of_its_own() {
    let quiet = play(7, |_| {});
    let looked = play(7, |microscope| {
        microscope.read(Signal::Current);
    });
    for (index, (a, b)) in quiet.iter().zip(&looked).enumerate() {
        if index % 6 != 1 || index + 1 == quiet.len() {
            assert_eq!(a, b, "reading {index}");
        }
    }
}

/// Time may pass in one step or in many.
#[test]
fn small_steps_of_time_end_in_the_same_world() {
    let world = World::shipped("hard").unwrap();
    let start = || {
        let mut microscope = Microscope::new(&world, 4);
        set(&mut microscope, Signal::FieldZ, 0.5);
        run(&mut microscope, Act::Approach);
        sit(&mut microscope, "A1");
        microscope
    };
    let (mut once, mut often) = (start(), start());
    let from_s = once.now_s();
    once.advance_to(from_s + 3000.0);
    for step in 1..=30_000 {
        often.advance_to(from_s + f64::from(step) * 0.1);
    }
    once.advance_to(from_s + 3000.5);
    often.advance_to(from_s + 3000.5);
    assert_eq!(once.truth(), often.truth());
    for signal in Signal::ALL {
        assert_eq!(once.read(signal).to_bits(), often.read(signal).to_bits(), "{signal:?}");
    }
}

/// Time does not run backwards, and what is no time does not pass.
#[test]
fn nonsense_times_change_nothing() {
    let mut microscope = Microscope::new(&World::shipped("night").unwrap(), 1);
    microscope.advance_to(10.0);
    for t_s in [5.0, -1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        microscope.advance_to(t_s);
        assert_eq!(microscope.now_s(), 10.0);
    }
}
