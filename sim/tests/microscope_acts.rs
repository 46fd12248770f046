//! Acts and faults: what is refused, what they do, what the gauges show of them.

mod microscope_common;

use microscope_common::{STILL, mean, night_with, over, run, set, sit, wait};
use noctule_sim::act::Refusal;
use noctule_sim::{Act, Fault, Signal, microscope::Microscope, world::World};

fn night(seed: u64) -> Microscope {
    Microscope::new(&World::shipped("night").unwrap(), seed)
}

#[test]
fn what_cannot_be_done_is_refused_and_changes_nothing() {
    let mut microscope = night(1);
    let before = microscope.truth();
    for act in [
        Act::Pulse { volts: 3.0, length_s: 0.1 },
        Act::PickUp,
        Act::PutDown,
        Act::Image { x_m: 0.0, y_m: 0.0, size_m: 1e-8, pixels: 16, line_s: 1.0 },
    ] {
        assert!(matches!(microscope.begin(act.clone()), Err(Refusal::NotNow(_))), "{act:?}");
    }
    for act in [
        Act::MoveTip { x_m: 1.0, y_m: 0.0, speed_m_s: 1e-9 },
        Act::MoveTip { x_m: f64::NAN, y_m: 0.0, speed_m_s: 1e-9 },
        Act::MoveTip { x_m: 0.0, y_m: 0.0, speed_m_s: 0.0 },
        Act::Trace { signal: Signal::Current, samples: 0, interval_s: 1.0 },
        Act::Trace { signal: Signal::Current, samples: 5, interval_s: f64::NAN },
        Act::CoarseStep { steps: i32::MIN },
        Act::Refill { to_l: f64::NAN },
        Act::Refill { to_l: 1.0 },
    ] {
        assert!(matches!(microscope.begin(act.clone()), Err(Refusal::Invalid(_))), "{act:?}");
    }
    for (signal, value) in [
        (Signal::Bias, 50.0),
        (Signal::Setpoint, 0.0),
        (Signal::Setpoint, 1.0),
        (Signal::Feedback, 0.5),
        (Signal::TipX, 1.0),
        (Signal::FieldZ, 20.0),
        (Signal::FieldX, f64::NAN),
        (Signal::RfFrequency, 1.0),
        (Signal::RfLevel, 90.0),
        (Signal::LockinOrder, 5.0),
        (Signal::LockinOrder, 1.5),
        (Signal::LockinTimeConstant, 0.0),
        (Signal::LockinReference, 3.0),
        (Signal::LockinModulation, -1.0),
        (Signal::Current, 1e-12),
        (Signal::HeliumLevel, 70.0),
    ] {
        let refusal = microscope.set(signal, value);
        assert!(matches!(refusal, Err(Refusal::Invalid(_))), "{signal:?} {value}: {refusal:?}");
    }
    assert_eq!(microscope.truth(), before);
    set(&mut microscope, Signal::Bias, 0.0);
    assert!(matches!(microscope.begin(Act::Approach), Err(Refusal::NotNow(_))));
}

#[test]
fn one_act_at_a_time_and_one_report_each() {
    let mut microscope = night(1);
    let expected_s = microscope.begin(Act::Approach).unwrap();
    assert!((20.0..60.0).contains(&expected_s));
    assert!(microscope.busy());
    assert_eq!(microscope.begin(Act::Withdraw), Err(Refusal::Busy("the approach")));
    wait(&mut microscope, expected_s - 0.1);
    assert_eq!(microscope.poll(), None);
    wait(&mut microscope, 0.2);
    assert!(microscope.poll().unwrap().achieved);
    assert_eq!(microscope.poll(), None);
    assert!(matches!(microscope.begin(Act::CoarseStep { steps: 1 }), Err(Refusal::NotNow(_))));
    assert!(matches!(microscope.begin(Act::Approach), Err(Refusal::NotNow(_))));
    // A withdrawal takes the tip out of range at once and reports later.
    microscope.begin(Act::Withdraw).unwrap();
    assert_eq!(microscope.read(Signal::Approached), 0.0);
    assert!(microscope.read(Signal::Current).abs() < 1e-12);
    assert_eq!(microscope.poll(), None);
    wait(&mut microscope, 1.0);
    assert!(microscope.poll().unwrap().achieved);
    assert!(run(&mut microscope, Act::CoarseStep { steps: -50 }).achieved);
    assert!(microscope.begin(Act::Approach).unwrap() > expected_s + 100.0);
    assert_eq!(microscope.abort(), Some("the approach"));
    assert_eq!(microscope.read(Signal::Approached), 0.0);
    assert_eq!((microscope.abort(), microscope.poll()), (None, None));
}

#[test]
fn a_coarse_step_too_far_is_a_crash() {
    let mut microscope = night(1);
    assert!(!run(&mut microscope, Act::CoarseStep { steps: 20 }).achieved);
    assert_eq!(microscope.truth().crashes, 1);
}

#[test]
fn moves_take_their_time_and_can_be_stopped() {
    let mut microscope = over(&night_with(&STILL), 1, "A1", 0.0);
    run(&mut microscope, Act::MoveTip { x_m: 0.0, y_m: 0.0, speed_m_s: 1e-8 });
    let act = Act::MoveTip { x_m: 6e-9, y_m: 8e-9, speed_m_s: 1e-9 };
    assert!((microscope.begin(act).unwrap() - 10.0).abs() < 1e-9);
    assert!(matches!(microscope.set(Signal::TipX, 0.0), Err(Refusal::Busy(_))));
    wait(&mut microscope, 5.0);
    assert!((microscope.read(Signal::TipX) - 3e-9).abs() < 1e-15);
    assert_eq!(microscope.abort(), Some("a move of the tip"));
    wait(&mut microscope, 5.0);
    assert!((microscope.read(Signal::TipY) - 4e-9).abs() < 1e-15);
    // An aborted image puts the tip back.
    microscope.begin(Act::Image { x_m: 0.0, y_m: 0.0, size_m: 4e-9, pixels: 16, line_s: 1.0 }).unwrap();
    wait(&mut microscope, 7.3);
    assert_ne!(microscope.read(Signal::TipX), 3e-9);
    microscope.abort();
    assert!((microscope.read(Signal::TipX) - 3e-9).abs() < 1e-15);
}

/// Atoms come and go with the chances of the world, and the surface and the tip agree on them.
#[test]
fn atoms_are_picked_up_and_put_down() {
    let mut microscope = Microscope::new(&World::shipped("bare").unwrap(), 8);
    run(&mut microscope, Act::Approach);
    assert!(!run(&mut microscope, Act::PickUp).achieved, "no atom under the tip");
    assert!(!run(&mut microscope, Act::PutDown).achieved, "no atom on the tip");
    let (mut tries, mut lifted) = (0, 0);
    for name in ["A1", "A2", "A3", "A4", "A8", "A9", "A10", "A11", "A12"] {
        sit(&mut microscope, name);
        while !run(&mut microscope, Act::PickUp).achieved {
            tries += 1;
            assert!(tries < 60);
            sit(&mut microscope, name);
        }
        tries += 1;
        lifted += 1;
        let truth = microscope.truth();
        assert!(!truth.spins.iter().find(|spin| spin.name == name).unwrap().present);
        // A spontaneous change may take atoms along; none does in so short a time.
        assert_eq!(truth.apex.atoms, lifted);
    }
    // 9 lifted at a chance of 0.7 take 12.9 tries, deviation 2.3.
    assert!((9..24).contains(&tries), "{tries}");
    while !run(&mut microscope, Act::PutDown).achieved {}
    let truth = microscope.truth();
    assert_eq!(truth.apex.atoms, lifted - 1);
    assert_eq!(truth.spins.iter().filter(|spin| !spin.present).count() as u32, lifted - 1);
    assert!(truth.under_tip.is_some(), "the atom lies under the tip");
}

#[test]
fn each_fault_shows_where_it_should() {
    let mut microscope = over(&night_with(&STILL), 1, "A1", 0.5);
    set(&mut microscope, Signal::RfFrequency, 12.6e9);
    set(&mut microscope, Signal::RfLevel, -3.0);
    set(&mut microscope, Signal::RfOutput, 1.0);
    wait(&mut microscope, 900.0);

    microscope.inflict(Fault::PressureBurst { pa: 1e-6 });
    assert!(microscope.read(Signal::ChamberPressure) > 5e-7);
    wait(&mut microscope, 100.0);
    assert!(microscope.read(Signal::ChamberPressure) < 2e-8);

    let level_l = microscope.truth().helium_l;
    microscope.inflict(Fault::HeliumLeak { l_per_h: 3.0 });
    wait(&mut microscope, 3600.0);
    let lost_l = level_l - microscope.truth().helium_l;
    assert!((3.5..4.5).contains(&lost_l), "{lost_l}");

    let kelvin = microscope.truth().stage_k;
    microscope.inflict(Fault::WarmUp { k: 0.4 });
    wait(&mut microscope, 1200.0);
    assert!(microscope.read(Signal::StageTemperature) - kelvin > 0.39);
    microscope.clear();
    wait(&mut microscope, 3600.0);
    assert!((microscope.read(Signal::StageTemperature) - kelvin).abs() < 0.02);

    microscope.inflict(Fault::RfDropOut { for_s: 30.0 });
    assert_eq!((microscope.truth().rf_amplitude_v, microscope.read(Signal::RfOutput)), (0.0, 1.0));
    wait(&mut microscope, 31.0);
    assert!(microscope.truth().rf_amplitude_v > 0.01);

    microscope.inflict(Fault::LockinOverload { for_s: 10.0 });
    assert_eq!(microscope.read(Signal::LockinOverload), 1.0);
    wait(&mut microscope, 11.0);
    assert_eq!(microscope.read(Signal::LockinOverload), 0.0);

    let before = microscope.truth().drift_m[0];
    microscope.inflict(Fault::TipDrift { m_per_s: 1e-12 });
    wait(&mut microscope, 100.0);
    assert!((microscope.truth().drift_m[0] - before - 1e-10).abs() < 1e-15);
    microscope.clear();

    let apex = microscope.truth().apex;
    microscope.inflict(Fault::TipChange);
    assert_ne!(microscope.truth().apex, apex);
    microscope.inflict(Fault::TipCrash);
    assert_eq!(microscope.truth().crashes, 1);
    assert!(microscope.read(Signal::Current) > 0.9e-9);
    wait(&mut microscope, 20.0);
    let currents: Vec<f64> = (0..100).map(|_| microscope.read(Signal::Current)).collect();
    assert!((mean(&currents) / 10e-12 - 1.0).abs() < 0.05);
}

#[test]
fn a_quench_ends_the_field_and_boils_helium() {
    let mut microscope = night(1);
    set(&mut microscope, Signal::FieldZ, 1.0);
    wait(&mut microscope, 700.0);
    let level_l = microscope.truth().helium_l;
    microscope.inflict(Fault::Quench);
    wait(&mut microscope, 1.0);
    assert!(microscope.read(Signal::MagnetVoltage).abs() > 5.0);
    wait(&mut microscope, 60.0);
    assert!(microscope.read(Signal::FieldZ).abs() < 1e-3);
    // ½LI² = 500 J at 10 H and 10 A; 1.404 L/h a watt boils 0.195 L.
    let lost_l = level_l - microscope.truth().helium_l;
    assert!((lost_l - 500.0 * 1.4042 / 3600.0).abs() < 0.03, "{lost_l}");
    set(&mut microscope, Signal::FieldZ, 0.2);
    wait(&mut microscope, 200.0);
    assert!((microscope.read(Signal::FieldZ) - 0.2).abs() < 2e-3);
}

#[test]
fn spoilt_gauges_are_stuck_silent_or_astray_for_their_time() {
    let mut microscope = night(1);
    let signal = Signal::PotTemperature;
    let last = microscope.read(signal);
    microscope.inflict(Fault::GaugeStuck { signal, for_s: 60.0 });
    wait(&mut microscope, 30.0);
    assert_eq!(microscope.read(signal), last);
    wait(&mut microscope, 31.0);
    assert_ne!(microscope.read(signal), last);
    microscope.inflict(Fault::GaugeNotANumber { signal, for_s: 5.0 });
    assert!(microscope.read(signal).is_nan());
    wait(&mut microscope, 6.0);
    microscope.inflict(Fault::GaugeDrift { signal, per_s: 0.01, for_s: 100.0 });
    wait(&mut microscope, 50.0);
    assert!((microscope.read(signal) - last - 0.5).abs() < 0.01);
    microscope.clear();
    assert!((microscope.read(signal) - last).abs() < 0.01);
}

#[test]
fn pot_magnet_and_bath_have_their_acts() {
    let mut microscope = night(1);
    set(&mut microscope, Signal::FieldZ, 0.1);
    assert!(
        matches!(microscope.begin(Act::Persist { persistent: true }), Err(Refusal::NotNow(_))),
        "it ramps"
    );
    wait(&mut microscope, 120.0);
    assert!(run(&mut microscope, Act::Persist { persistent: true }).achieved);
    assert!(matches!(microscope.set(Signal::FieldZ, 0.2), Err(Refusal::NotNow(_))));
    assert!(run(&mut microscope, Act::Persist { persistent: false }).achieved);
    set(&mut microscope, Signal::FieldZ, 0.0);
    let expected_s = microscope.begin(Act::Regenerate).unwrap();
    wait(&mut microscope, 4000.0);
    assert!(microscope.read(Signal::PotTemperature) > 1.5);
    assert_eq!(microscope.poll(), None);
    microscope.advance_to(microscope.now_s() + expected_s);
    assert!(microscope.poll().unwrap().achieved);
    assert!(microscope.read(Signal::PotTemperature) < 0.31);
    assert!(run(&mut microscope, Act::Refill { to_l: 65.0 }).achieved);
    assert!((microscope.truth().helium_l - 65.0).abs() < 0.1);
}
