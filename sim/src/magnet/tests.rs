use super::*;
use crate::examples::Example;

fn plain() -> MagnetParams {
    MagnetParams { remanence_t: 0.0, lag_s: 0.0, ..MagnetParams::example() }
}

#[test]
fn one_long_step_equals_many_short_ones() {
    let mut once = Magnet::new(MagnetParams::example());
    let mut often = Magnet::new(MagnetParams::example());
    let mut sums = [MagnetStep::default(); 2];
    for target_t in [3.1, -0.4, 5.5, 5.2] {
        once.set_target(target_t).unwrap();
        often.set_target(target_t).unwrap();
        let step = once.advance(2000.0);
        sums[0].bath_j += step.bath_j;
        sums[0].rate_square_t2_s += step.rate_square_t2_s;
        for _ in 0..20_000 {
            let step = often.advance(0.1);
            sums[1].bath_j += step.bath_j;
            sums[1].rate_square_t2_s += step.rate_square_t2_s;
        }
        assert!((once.field_t() - often.field_t()).abs() < 1e-9, "{} {}", once.field_t(), often.field_t());
    }
    assert!((sums[0].bath_j / sums[1].bath_j - 1.0).abs() < 1e-8);
    assert!((sums[0].rate_square_t2_s / sums[1].rate_square_t2_s - 1.0).abs() < 1e-8);
}

#[test]
fn the_ramp_arrives_when_it_says() {
    let mut magnet = Magnet::new(plain());
    magnet.set_target(-3.0).unwrap();
    let needed_s = magnet.until_target_s();
    assert!((needed_s - 400.0 - 1.0 / 3e-3).abs() < 1e-6);
    magnet.advance(needed_s - 1.0);
    assert!(magnet.ramping() && magnet.rate_t_s() < 0.0);
    magnet.advance(1.001);
    assert!(!magnet.ramping());
    assert_eq!(magnet.field_t(), -3.0);
    assert_eq!(magnet.rate_t_s(), 0.0);
    magnet.set_target(0.0).unwrap();
    magnet.advance(10.0);
    magnet.hold();
    let held_t = magnet.field_t();
    magnet.advance(1000.0);
    assert_eq!(magnet.field_t(), held_t);
}

#[test]
fn limits_are_kept() {
    let mut magnet = Magnet::new(plain());
    assert!(magnet.set_target(6.0).is_ok());
    assert!(matches!(magnet.set_target(6.01), Err(MagnetError::Field { .. })));
    assert!(magnet.set_target(f64::NAN).is_err());
    let mut bare = Magnet::new(MagnetParams { switch: None, ..plain() });
    assert_eq!(bare.set_persistent(true), Err(MagnetError::NoSwitch));
    assert_eq!(bare.until_mode_s(), 0.0);
}

#[test]
fn the_field_lags_a_ramp_by_rate_times_time() {
    let mut magnet = Magnet::new(MagnetParams { remanence_t: 0.0, lag_s: 2.0, ..MagnetParams::example() });
    magnet.set_target(1.0).unwrap();
    magnet.advance(100.0);
    assert!((magnet.field_t() - magnet.nominal_t() + 5e-3 * 2.0).abs() < 1e-12);
    magnet.advance(100.0 + 20.0);
    assert!((magnet.field_t() - 1.0 + 0.01 * (-10.0_f64).exp()).abs() < 1e-9);
}

#[test]
fn remanence_opposes_the_last_ramp_and_makes_a_loop() {
    let mut magnet = Magnet::new(MagnetParams::example());
    let mut at_zero = Vec::new();
    for target_t in [1.0, 0.0, -1.0, 0.0] {
        magnet.set_target(target_t).unwrap();
        magnet.advance(600.0);
        at_zero.push(magnet.field_t() - target_t);
    }
    assert!((at_zero[0] + 1.5e-3).abs() < 1e-9, "after a ramp up the field is short of it");
    assert!((at_zero[1] - 1.5e-3).abs() < 1e-9, "after a ramp down some stays");
    assert!((at_zero[3] + 1.5e-3).abs() < 1e-9);
    // A small step back turns only a part over.
    magnet.set_target(-0.003).unwrap();
    magnet.advance(60.0);
    let moved_t = magnet.field_t() + 0.003 + 1.5e-3;
    assert!((moved_t - 3e-3 * (1.0 - (-0.1_f64).exp())).abs() < 1e-9);
}

#[test]
fn persistent_mode_comes_and_goes_in_the_time_it_says() {
    let mut magnet = Magnet::new(plain());
    magnet.set_target(2.0).unwrap();
    assert_eq!(magnet.set_persistent(true), Err(MagnetError::Ramping));
    magnet.advance(500.0);
    magnet.set_persistent(true).unwrap();
    assert!((magnet.until_mode_s() - 45.0 - 20.0).abs() < 1e-9);
    assert_eq!(magnet.set_target(1.0), Err(MagnetError::Persistent));
    magnet.advance(10.0);
    assert_eq!(magnet.set_persistent(false), Err(MagnetError::Persistent));
    magnet.advance(56.0);
    assert_eq!(magnet.mode(), MagnetMode::Persistent);
    assert_eq!(magnet.lead_v(), 0.0);
    // 1e-6 an hour for a thousand hours, less the second already spent.
    magnet.advance(1000.0 * 3600.0 - 1.0);
    assert!((magnet.field_t() / 2.0 - (-1e-3_f64).exp()).abs() < 1e-9);
    magnet.set_persistent(false).unwrap();
    let needed_s = magnet.until_mode_s();
    magnet.advance(needed_s - 0.1);
    assert!(matches!(magnet.mode(), MagnetMode::WarmingSwitch { .. }));
    magnet.advance(0.2);
    assert_eq!(magnet.mode(), MagnetMode::Supply);
    assert!(!magnet.ramping());
    assert!(magnet.set_target(0.0).is_ok());
}

#[test]
fn leads_and_heater_warm_the_bath() {
    let mut magnet = Magnet::new(plain());
    magnet.set_target(2.0).unwrap();
    let step = magnet.advance(400.0);
    assert!((step.bath_j - 400.0 * (0.06 + 2.5e-3 * 10.0)).abs() < 1e-9);
    assert!((step.ramping_s - 400.0).abs() < 1e-9);
    assert!((step.rate_square_t2_s - 400.0 * 25e-6).abs() < 1e-12);
    magnet.set_persistent(true).unwrap();
    magnet.advance(100.0);
    assert_eq!(magnet.advance(3600.0).bath_j, 0.0);
}

#[test]
fn a_quench_gives_its_energy_to_the_bath_whatever_the_steps() {
    for steps in [1, 7, 400] {
        let mut magnet = Magnet::new(plain());
        magnet.place(6.0).unwrap();
        assert!((magnet.energy_j() - 18_000.0).abs() < 1e-9);
        magnet.quench();
        assert!((magnet.lead_v() + 8.0).abs() < 1e-12);
        assert_eq!(magnet.release(), Err(MagnetError::Quenched));
        let mut heat_j = 0.0;
        for _ in 0..steps {
            heat_j += magnet.advance(100.0 / f64::from(steps)).quench_j;
        }
        assert!((heat_j - 18_000.0).abs() < 1e-6);
        assert_eq!(magnet.field_t(), 0.0);
        assert!(magnet.quenched());
        assert_eq!(magnet.set_target(1.0), Err(MagnetError::Quenched));
        magnet.release().unwrap();
        magnet.set_target(1.0).unwrap();
    }
}

#[test]
fn a_magnet_out_of_helium_quenches_and_an_empty_one_does_not() {
    let mut magnet = Magnet::new(plain());
    assert!(!magnet.watch_helium(0.5));
    magnet.place(1.0).unwrap();
    assert!(!magnet.watch_helium(20.0));
    assert!(magnet.watch_helium(1.9));
    assert_eq!(magnet.mode(), MagnetMode::Quenching);
    assert!(!magnet.watch_helium(1.9));
}
