//! Laws in closed form must not care how a time is cut into steps, whatever the settings.

mod examples;

use examples::Example;
use noctule_sim::cryo::{CryoFaults, CryoLoads, Cryostat, CryostatParams};
use proptest::prelude::*;

#[derive(Debug, Clone)]
struct Setting {
    initial_l: f64,
    refill_l_h: f64,
    bath_w: f64,
    charge_mol: f64,
    dry_tau_s: f64,
    rf_w: f64,
    pot_fault_w: f64,
    condense: bool,
    refill: bool,
}

fn settings() -> impl Strategy<Value = Setting> {
    (
        (8.5..69.0_f64, 0.2..80.0_f64, 0.0..30.0_f64, 1e-3..1.0_f64),
        // Time constants equal to the stage's 90 s are met on purpose.
        (prop_oneof![Just(90.0), 10.0..5000.0_f64], 0.0..1e-2_f64, 0.0..5e-3_f64),
        any::<bool>(),
        any::<bool>(),
    )
        .prop_map(
            |(
                (initial_l, refill_l_h, bath_w, charge_mol),
                (dry_tau_s, rf_w, pot_fault_w),
                condense,
                refill,
            )| {
                Setting {
                    initial_l,
                    refill_l_h,
                    bath_w,
                    charge_mol,
                    dry_tau_s,
                    rf_w,
                    pot_fault_w,
                    condense,
                    refill,
                }
            },
        )
}

fn build(setting: &Setting) -> (Cryostat, CryoLoads) {
    let mut params = CryostatParams::example();
    params.bath.initial_l = setting.initial_l;
    params.bath.refill_l_h = setting.refill_l_h;
    params.pot.charge_mol = setting.charge_mol;
    params.pot.dry_tau_s = setting.dry_tau_s;
    let mut cryostat = Cryostat::new(params);
    cryostat.set_faults(CryoFaults { pot_w: setting.pot_fault_w, ..CryoFaults::default() });
    if setting.condense {
        cryostat.begin_regeneration().unwrap();
    }
    if setting.refill {
        cryostat.bath_mut().begin_refill(70.0).unwrap();
    }
    (cryostat, CryoLoads { bath_w: setting.bath_w, rf_w: setting.rf_w, ..CryoLoads::default() })
}

proptest! {
    #[test]
    fn steps_add_up(
        setting in settings(),
        pieces in prop::collection::vec(prop_oneof![1e-3..1.0_f64, 1.0..3000.0_f64, 3000.0..3e5_f64], 1..12),
    ) {
        let (mut once, loads) = build(&setting);
        let (mut cut, _) = build(&setting);
        once.advance(pieces.iter().sum(), loads);
        for piece in &pieces {
            cut.advance(*piece, loads);
        }
        prop_assert!((once.bath().level_l() - cut.bath().level_l()).abs() < 1e-8);
        prop_assert!((once.pot().hold_left_s(0.0) - cut.pot().hold_left_s(0.0)).abs() < 1e-5 * 3600.0);
        prop_assert!((once.pot().t_k() - cut.pot().t_k()).abs() < 1e-6);
        prop_assert!((once.stage().t_k() - cut.stage().t_k()).abs() < 1e-6);
        prop_assert_eq!(once.bath().refilling(), cut.bath().refilling());
        let balance_l = setting.initial_l + once.bath().filled_l() - once.bath().boiled_l() - once.bath().level_l();
        prop_assert!(balance_l.abs() < 1e-7 * (1.0 + once.bath().filled_l()), "balance {balance_l}");
    }
}
