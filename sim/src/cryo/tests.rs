//! The cryostat's parts together.

use super::*;
use crate::examples::Example;
use rand::SeedableRng;

fn loads() -> CryoLoads {
    CryoLoads { bath_w: 0.05, rf_w: 1e-4, field_rate_t_s: 2e-4, stage_w: 0.0 }
}

#[test]
fn one_long_step_equals_many_short_ones_through_all_events() {
    let mut once = Cryostat::new(CryostatParams::example());
    let mut often = Cryostat::new(CryostatParams::example());
    for cryostat in [&mut once, &mut often] {
        cryostat.advance(3600.0, loads());
        cryostat.begin_regeneration().unwrap();
    }
    once.advance(9.0 * 86_400.0, loads());
    for _ in 0..9 * 8640 {
        often.advance(10.0, loads());
    }
    assert!((once.bath().level_l() - often.bath().level_l()).abs() < 1e-7);
    assert!((once.pot().t_k() - often.pot().t_k()).abs() < 1e-6);
    assert!((once.stage().t_k() - often.stage().t_k()).abs() < 1e-6);
    assert_eq!(once.pot().phase(), PotPhase::Dry);
    assert_eq!(once.pot().regenerations(), 1);
}

#[test]
fn the_stage_stands_above_the_pot_by_its_load() {
    let mut cryostat = Cryostat::new(CryostatParams::example());
    cryostat.advance(20_000.0, loads());
    let stage_w = 0.1 * 1e-4 + 7.0 * 4e-8;
    assert!((cryostat.stage_load_w(loads()) - stage_w).abs() < 1e-18);
    assert!((cryostat.pot().t_k() - 0.3 - 250.0 * stage_w).abs() < 1e-9);
    assert!((cryostat.stage().t_k() - cryostat.pot().t_k() - 600.0 * stage_w).abs() < 1e-9);
}

#[test]
fn a_pot_lasts_as_long_as_its_liquid_and_then_warms() {
    let mut cryostat = Cryostat::new(CryostatParams::example());
    let hold_s = cryostat.pot().hold_left_s(0.0);
    assert!((hold_s - 0.95 * PotParams::example().full_hold_s(0.0)).abs() < 1e-6);
    cryostat.advance(hold_s - 1.0, CryoLoads::default());
    assert!((cryostat.stage().t_k() - 0.3).abs() < 1e-9);
    cryostat.advance(3.0 * 2400.0, CryoLoads::default());
    assert_eq!(cryostat.pot().phase(), PotPhase::Dry);
    assert!(cryostat.pot().t_k() > 1.5);
    assert_eq!(cryostat.regeneration_left_s(CryoLoads::default()), None);
}

#[test]
fn regeneration_takes_the_time_it_says_and_warms_the_stage_meanwhile() {
    let mut cryostat = Cryostat::new(CryostatParams::example());
    let none = CryoLoads::default();
    cryostat.begin_regeneration().unwrap();
    assert_eq!(cryostat.begin_regeneration(), Err(CryoError::Condensing));
    let needed_s = cryostat.regeneration_left_s(none).unwrap();
    cryostat.advance(4400.0, none);
    assert!(cryostat.stage().t_k() > 1.5);
    cryostat.advance(needed_s - 4400.0 - 5.0, none);
    assert!(!cryostat.regenerated(none));
    cryostat.advance(6.0, none);
    assert!(cryostat.regenerated(none));
    let spent_s = needed_s + 1.0 - 4500.0;
    let left = PotParams::example().full_hold_s(0.0) - spent_s;
    assert!((cryostat.pot().hold_left_s(0.0) - left).abs() < 1e-3);
}

#[test]
fn without_helium_nothing_condenses() {
    let mut params = CryostatParams::example();
    params.bath.initial_l = 3.0;
    let mut cryostat = Cryostat::new(params);
    assert!(matches!(cryostat.begin_regeneration(), Err(CryoError::TooLittleHelium { .. })));
    cryostat.advance(3.0 * 86_400.0, CryoLoads::default());
    assert!(cryostat.bath().empty());
    assert_eq!(cryostat.pot().phase(), PotPhase::Dry);
    assert!(cryostat.pot().t_k() > 10.0);
}

#[test]
fn a_condensation_fails_when_the_bath_runs_dry_in_it() {
    let mut params = CryostatParams::example();
    params.bath.initial_l = 8.5;
    let mut cryostat = Cryostat::new(params);
    cryostat.begin_regeneration().unwrap();
    cryostat.set_faults(CryoFaults { bath_w: 30.0, ..CryoFaults::default() });
    cryostat.advance(4000.0, CryoLoads::default());
    assert_eq!(cryostat.pot().phase(), PotPhase::Dry);
    assert_eq!(cryostat.pot().regenerations(), 0);
}

#[test]
fn a_fault_warms_the_stage_and_ends_with_it() {
    let mut cryostat = Cryostat::new(CryostatParams::example());
    let stage_w = 1e-4;
    cryostat.set_faults(CryoFaults { stage_w, ..CryoFaults::default() });
    cryostat.advance(7200.0, CryoLoads::default());
    assert!((cryostat.stage().t_k() - 0.3 - 1e-4 * 850.0).abs() < 1e-4);
    cryostat.set_faults(CryoFaults::default());
    cryostat.advance(7200.0, CryoLoads::default());
    assert!((cryostat.stage().t_k() - 0.3).abs() < 1e-4);
}

#[test]
fn loads_that_are_no_numbers_do_no_harm() {
    let mut cryostat = Cryostat::new(CryostatParams::example());
    let nonsense =
        CryoLoads { bath_w: f64::NAN, rf_w: f64::INFINITY, field_rate_t_s: f64::NAN, stage_w: -1.0 };
    cryostat.advance(1000.0, nonsense);
    cryostat.advance(f64::NAN, CryoLoads::default());
    assert!(cryostat.stage().t_k().is_finite() && cryostat.bath().level_l() > 60.0);
}

#[test]
fn thermometers_scatter_about_the_temperature() {
    let mut rng = ChaCha8Rng::seed_from_u64(4);
    let cryostat = Cryostat::new(CryostatParams::example());
    let n = 2000;
    let mean = (0..n).map(|_| cryostat.stage_thermometer_k(&mut rng)).sum::<f64>() / f64::from(n);
    assert!((mean - 0.3).abs() < 4.0 * 0.3 * 3e-4 / f64::from(n).sqrt());
    assert!((cryostat.pot_thermometer_k(&mut rng) - 0.3).abs() < 5.0 * 0.3 * 3e-4);
}

#[test]
fn faults_of_all_parts_are_told_at_once() {
    let mut params = CryostatParams::example();
    params.bath.capacity_l = -1.0;
    params.pot.base_k = 4.0;
    params.stage.rf_part = 2.0;
    let faults = params.check();
    assert!(faults.iter().any(|f| f.starts_with("bath: `capacity_l`")), "{faults:?}");
    assert!(faults.iter().any(|f| f.starts_with("pot: `base_k`")));
    assert!(faults.iter().any(|f| f.starts_with("stage: `rf_part`")));
}
