//! Any way of cutting a time into steps gives the same field, heat and mode.

mod examples;

use examples::Example;
use noctule_sim::magnet::{Magnet, MagnetParams, MagnetStep};
use proptest::prelude::*;

#[derive(Debug, Clone)]
enum Order {
    Ramp(f64),
    Persist(bool),
    Hold,
    Quench,
    Release,
}

fn orders() -> impl Strategy<Value = Order> {
    prop_oneof![
        4 => (-6.0..6.0_f64).prop_map(Order::Ramp),
        2 => any::<bool>().prop_map(Order::Persist),
        1 => Just(Order::Hold),
        1 => Just(Order::Quench),
        1 => Just(Order::Release),
    ]
}

fn obey(magnet: &mut Magnet, order: &Order) -> bool {
    match order {
        Order::Ramp(field_t) => magnet.set_target(*field_t).is_ok(),
        Order::Persist(persistent) => magnet.set_persistent(*persistent).is_ok(),
        Order::Hold => {
            magnet.hold();
            true
        }
        Order::Quench => {
            magnet.quench();
            true
        }
        Order::Release => magnet.release().is_ok(),
    }
}

proptest! {
    #[test]
    fn steps_add_up(
        night in prop::collection::vec((orders(), prop::collection::vec(1e-3..900.0_f64, 1..6)), 1..12),
    ) {
        let mut once = Magnet::new(MagnetParams::example());
        let mut cut = Magnet::new(MagnetParams::example());
        let (mut whole, mut parts) = (MagnetStep::default(), MagnetStep::default());
        let add = |sum: &mut MagnetStep, step: MagnetStep| {
            sum.bath_j += step.bath_j;
            sum.quench_j += step.quench_j;
            sum.rate_square_t2_s += step.rate_square_t2_s;
            sum.ramping_s += step.ramping_s;
        };
        for (order, pieces) in &night {
            // Rounding may decide whether a ramp that ends with the step is over: leave that out.
            prop_assert_eq!(once.ramping(), cut.ramping());
            prop_assert_eq!(obey(&mut once, order), obey(&mut cut, order));
            add(&mut whole, once.advance(pieces.iter().sum()));
            for piece in pieces {
                add(&mut parts, cut.advance(*piece));
            }
            prop_assert!((once.field_t() - cut.field_t()).abs() < 1e-8);
            prop_assert!(once.nominal_t().abs() <= 6.0 + 1e-9);
            prop_assert!((once.lead_v() - cut.lead_v()).abs() < 1e-6);
        }
        prop_assert!((whole.bath_j - parts.bath_j).abs() < 1e-6 * (1.0 + whole.bath_j));
        prop_assert!((whole.quench_j - parts.quench_j).abs() < 1e-4);
        prop_assert!((whole.rate_square_t2_s - parts.rate_square_t2_s).abs() < 1e-9);
        prop_assert!((whole.ramping_s - parts.ramping_s).abs() < 1e-6);
    }
}
