//! A helium transfer: the level rises, temperature and pressure are disturbed and recover, and the sample drifts.

use noctule_sim::Signal;
use noctule_sim::microscope::Microscope;
use noctule_sim::world::World;

#[test]
fn a_transfer_fills_disturbs_and_recovers() {
    let world = World::shipped("night").unwrap();
    let (mut filled, mut left_alone) = (Microscope::new(&world, 3), Microscope::new(&world, 3));
    filled.advance_to(600.0);
    left_alone.advance_to(600.0);
    let quiet_k = filled.truth().stage_k;
    let takes_s = filled.begin_transfer(66.0).unwrap();
    // 8.1 L at 60 L/h, and what boils off meanwhile.
    assert!((takes_s - 500.0).abs() < 25.0, "{takes_s}");
    filled.advance_to(602.0);
    assert!(filled.read(Signal::ChamberPressure) > 1e-6, "gas is set free when it begins");
    filled.advance_to(600.0 + takes_s - 5.0);
    let warm_k = filled.truth().stage_k;
    assert!(warm_k > 0.5 && warm_k < 1.0, "{quiet_k} K before, {warm_k} K at its end");
    filled.advance_to(600.0 + takes_s + 2.0);
    assert!((filled.truth().helium_l - 66.0).abs() < 0.01);
    assert!(filled.read(Signal::ChamberPressure) > 1e-6, "and when it ends");
    let later_s = 600.0 + takes_s + 3600.0;
    filled.advance_to(later_s);
    left_alone.advance_to(later_s);
    assert!((filled.truth().stage_k - quiet_k).abs() < 5e-3, "{}", filled.truth().stage_k);
    assert!(filled.read(Signal::ChamberPressure) < 2e-8);
    // v τ (1 − e^(−t/τ)) along x and y, beside the drift that was there anyway.
    let (with, without) = (filled.truth().drift_m, left_alone.truth().drift_m);
    let part = -(-(takes_s + 3600.0) / 2100.0_f64).exp_m1();
    for (i, velocity_m_s) in [0.18e-12, -0.12e-12, 0.05e-12].into_iter().enumerate() {
        let way_m = velocity_m_s * 2100.0 * part;
        assert!(
            (with[i] - without[i] - way_m).abs() < 1e-15,
            "{i}: {} against {way_m}",
            with[i] - without[i]
        );
    }
}

#[test]
fn a_transfer_that_leads_nowhere_is_refused_and_disturbs_nothing() {
    let world = World::shipped("night").unwrap();
    let mut microscope = Microscope::new(&world, 3);
    microscope.advance_to(60.0);
    for to_l in [20.0, 90.0, f64::NAN] {
        assert!(microscope.begin_transfer(to_l).is_err(), "{to_l}");
    }
    microscope.advance_to(70.0);
    assert!(microscope.read(Signal::ChamberPressure) < 2e-8);
}
