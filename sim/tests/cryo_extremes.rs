//! Whatever parameters the checks let through, no room panics, runs for ever or makes up a number; and
//! what is not a number is never let through.

mod examples;

use examples::Example;
use noctule_ground::section::Described;
use noctule_sim::cryo::{BathParams, CryoLoads, Cryostat, CryostatParams, PotParams, StageParams};
use noctule_sim::lockin::{Lockin, LockinInput, LockinParams};
use noctule_sim::magnet::{Magnet, MagnetParams};
use noctule_sim::rf::{RfLine, RfSource, RfSourceParams};
use noctule_sim::vacuum::{Chamber, ChamberParams};
use proptest::prelude::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// Every named field, set to each bad value in turn, must be complained about by its name.
macro_rules! each_field_is_checked {
    ($example:expr, $($field:ident),+ $(,)?) => {
        $(for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -1e9, 1e60] {
            let mut params = $example;
            params.$field = bad;
            let faults = params.out_of_range();
            // In a file a field may have a handier unit.
            let (name, _unit) = stringify!($field).rsplit_once('_').unwrap();
            assert!(faults.iter().any(|fault| fault.contains(name)), "{name} = {bad} was let through: {faults:?}");
        })+
    };
}

#[test]
fn no_field_of_the_cryostat_takes_what_is_no_number() {
    each_field_is_checked!(
        BathParams::example(),
        capacity_l,
        initial_l,
        static_load_w,
        gauge_noise_l,
        gauge_resolution_l,
        refill_l_h
    );
    each_field_is_checked!(
        PotParams::example(),
        base_k,
        static_load_w,
        warming_k_w,
        charge_mol,
        condensed_part,
        initial_part,
        cooling_tau_s,
        dry_k,
        dry_tau_s,
        condensing_k,
        condensing_tau_s,
        condensing_s,
        condensing_bath_w,
        condensing_min_l,
        empty_bath_w,
        empty_bath_k,
        empty_bath_tau_s
    );
    each_field_is_checked!(
        StageParams::example(),
        tau_s,
        warming_k_w,
        rf_part,
        rf_bath_part,
        eddy_w_s2_t2,
        thermometer_noise
    );
}

#[test]
fn no_field_of_magnet_and_vacuum_takes_what_is_no_number() {
    each_field_is_checked!(
        MagnetParams::example(),
        inductance_h,
        current_limit_a,
        tesla_per_ampere,
        lead_ohm,
        lead_heat_w_a,
        lag_s,
        remanence_t,
        remanence_width_t,
        reading_noise_t,
        quench_tau_s,
        quench_clamp_v,
        quench_bath_part,
        quench_below_l
    );
    each_field_is_checked!(
        ChamberParams::example(),
        base_pa,
        initial_excess_pa,
        pump_tau_s,
        bursts_per_h,
        burst_mean_pa,
        gauge_noise,
        gauge_min_pa
    );
}

#[test]
fn no_field_of_rf_and_lockin_takes_what_is_no_number() {
    each_field_is_checked!(
        RfSourceParams::example(),
        frequency_min_hz,
        frequency_max_hz,
        level_min_dbm,
        level_max_dbm,
        levelled_low_dbm,
        levelled_high_dbm,
        level_step_db,
        dropouts_per_h,
        dropout_mean_s
    );
    each_field_is_checked!(
        RfLine::example(),
        fixed_loss_db,
        conductor_loss_db,
        insulation_loss_db,
        reference_hz
    );
    each_field_is_checked!(
        LockinParams { reference_hz: 95.0, chop_duty: 0.5, overload_a: 1e-9 },
        reference_hz,
        chop_duty,
        overload_a
    );
}

fn any_size() -> impl Strategy<Value = f64> {
    (-18.0..18.0_f64).prop_map(|exponent| 10.0_f64.powf(exponent))
}

proptest! {
    #[test]
    fn an_odd_cryostat_stays_finite(
        sizes in prop::collection::vec(any_size(), 12),
        steps in prop::collection::vec(any_size(), 1..6),
        condense: bool,
    ) {
        let mut params = CryostatParams::example();
        params.bath.capacity_l = sizes[0].max(8.0);
        params.bath.initial_l = params.bath.capacity_l * 0.5;
        params.bath.static_load_w = sizes[1];
        params.bath.refill_l_h = sizes[2];
        params.pot.static_load_w = sizes[3];
        params.pot.warming_k_w = sizes[4];
        params.pot.charge_mol = sizes[5];
        params.pot.cooling_tau_s = sizes[6];
        params.pot.dry_tau_s = sizes[7];
        params.pot.condensing_s = sizes[8];
        params.stage.tau_s = sizes[9];
        params.stage.warming_k_w = sizes[10];
        params.stage.eddy_w_s2_t2 = sizes[11];
        prop_assert_eq!(params.check(), Vec::<String>::new());
        let mut cryostat = Cryostat::new(params);
        if condense {
            let _ = cryostat.begin_regeneration();
        }
        for step_s in steps {
            let full_l = cryostat.bath().params().capacity_l;
            let _ = cryostat.bath_mut().begin_refill(full_l);
            cryostat.advance(step_s, CryoLoads { bath_w: 1.0, rf_w: 1e-4, field_rate_t_s: 1e-3, stage_w: 1e-6 });
            prop_assert!(cryostat.stage().t_k().is_finite() && cryostat.pot().t_k() > 0.0);
            prop_assert!(cryostat.stage().t_k() > 0.0);
            prop_assert!((0.0..=full_l).contains(&cryostat.bath().level_l()));
        }
    }

    #[test]
    fn an_odd_magnet_stays_finite(
        sizes in prop::collection::vec(any_size(), 10),
        steps in prop::collection::vec((any_size(), -1.0..1.0_f64), 1..6),
        quench: bool,
    ) {
        let mut params = MagnetParams::example();
        params.inductance_h = sizes[0];
        params.current_limit_a = sizes[1];
        params.tesla_per_ampere = sizes[2];
        params.segments[0].up_to_t = sizes[3].min(1e17);
        params.segments[1].up_to_t = 2.0 * params.segments[0].up_to_t;
        params.segments[2].up_to_t = 3.0 * params.segments[0].up_to_t;
        params.segments[0].rate_t_s = sizes[4];
        params.segments[1].rate_t_s = sizes[5];
        params.lag_s = sizes[6];
        params.remanence_width_t = sizes[7];
        params.quench_tau_s = sizes[8];
        params.lead_heat_w_a = sizes[9];
        prop_assert_eq!(params.check(), Vec::<String>::new());
        let limit_t = params.field_limit_t();
        let mut magnet = Magnet::new(params);
        for (step_s, part) in steps {
            magnet.set_target(part * limit_t).unwrap();
            let step = magnet.advance(step_s);
            prop_assert!(magnet.field_t().is_finite() && magnet.lead_v().is_finite());
            prop_assert!(step.bath_j.is_finite() && step.rate_square_t2_s.is_finite());
            prop_assert!(magnet.nominal_t().abs() <= limit_t * (1.0 + 1e-9));
        }
        if quench {
            magnet.quench();
            let step = magnet.advance(1e9);
            prop_assert!(step.quench_j.is_finite() && step.quench_j >= 0.0);
        }
    }

    #[test]
    fn odd_chambers_sources_and_lockins_stay_finite(
        sizes in prop::collection::vec(any_size(), 6),
        steps in prop::collection::vec(any_size().prop_map(|s| s.min(1e5)), 1..6),
        seed: u64,
    ) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut chamber = Chamber::new(ChamberParams {
            base_pa: sizes[0],
            pump_tau_s: sizes[1],
            burst_mean_pa: sizes[2],
            bursts_per_h: 60.0,
            ..ChamberParams::example()
        });
        let mut source = RfSource::new(RfSourceParams { dropouts_per_h: 60.0, ..RfSourceParams::example() });
        let mut lockin = Lockin::new(LockinParams { reference_hz: 95.0, chop_duty: 0.5, overload_a: 1e-9 });
        lockin.set_time_constant(sizes[3]).unwrap();
        lockin.set_order(1 + (seed % 4) as u32).unwrap();
        for step_s in steps {
            chamber.advance(step_s, &mut rng);
            source.advance(step_s, &mut rng);
            let input = LockinInput { level_a: sizes[4], density_a_rthz: sizes[5], peak_a: sizes[4] };
            lockin.advance(step_s, input, &mut rng);
            prop_assert!(chamber.pressure_pa().is_finite() && chamber.pressure_pa() > 0.0);
            prop_assert!(chamber.gauge_pa(&mut rng).is_finite());
            prop_assert!(lockin.output_a().is_finite());
        }
    }
}
