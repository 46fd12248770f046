//! Arbitrary commands never panic, never hang, and leave finite truths.

use noctule_sim::{Act, Fault, Signal, microscope::Microscope, world::World};
use proptest::prelude::*;

fn signal() -> impl Strategy<Value = Signal> {
    (0..Signal::ALL.len()).prop_map(|index| Signal::ALL[index])
}

/// Numbers of every size, sound ones among them.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        3 => prop::sample::select(vec![0.0, 1.0, 2.0, 4.0, 0.05, -0.06, 1e-11, 1e-10, 3e-9, 0.5, -0.4, 15e9, -10.0, 0.3]),
        1 => any::<f64>(),
    ]
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        3 => Just(Act::Approach),
        1 => Just(Act::Withdraw),
        1 => any::<i32>().prop_map(|steps| Act::CoarseStep { steps: steps % 100 }),
        1 => (number(), number(), number()).prop_map(|(x_m, y_m, speed_m_s)| Act::MoveTip { x_m, y_m, speed_m_s }),
        1 => (number(), number()).prop_map(|(volts, length_s)| Act::Pulse { volts, length_s }),
        1 => Just(Act::PickUp),
        1 => Just(Act::PutDown),
        1 => (signal(), 0..50_u32, number())
            .prop_map(|(signal, samples, interval_s)| Act::Trace { signal, samples, interval_s }),
        1 => (number(), number(), number(), 0..12_u32, number())
            .prop_map(|(x_m, y_m, size_m, pixels, line_s)| Act::Image { x_m, y_m, size_m, pixels, line_s }),
        1 => Just(Act::Regenerate),
        1 => any::<bool>().prop_map(|persistent| Act::Persist { persistent }),
        1 => number().prop_map(|to_l| Act::Refill { to_l }),
    ]
}

fn fault() -> impl Strategy<Value = Fault> {
    prop_oneof![
        number().prop_map(|l_per_h| Fault::HeliumLeak { l_per_h }),
        number().prop_map(|pa| Fault::PressureBurst { pa }),
        number().prop_map(|k| Fault::WarmUp { k }),
        Just(Fault::Quench),
        Just(Fault::TipChange),
        Just(Fault::TipCrash),
        number().prop_map(|m_per_s| Fault::TipDrift { m_per_s }),
        number().prop_map(|for_s| Fault::LockinOverload { for_s }),
        number().prop_map(|for_s| Fault::RfDropOut { for_s }),
        (signal(), number()).prop_map(|(signal, for_s)| Fault::GaugeStuck { signal, for_s }),
        (signal(), number()).prop_map(|(signal, for_s)| Fault::GaugeNotANumber { signal, for_s }),
        (signal(), number(), number()).prop_map(|(signal, per_s, for_s)| Fault::GaugeDrift {
            signal,
            per_s,
            for_s
        }),
    ]
}

#[derive(Debug, Clone)]
enum Step {
    Set(Signal, f64),
    Read(Signal),
    Begin(Act),
    Abort,
    Poll,
    Inflict(Fault),
    Clear,
    Wait(f64),
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        6 => (signal(), number()).prop_map(|(signal, value)| Step::Set(signal, value)),
        4 => signal().prop_map(Step::Read),
        4 => act().prop_map(Step::Begin),
        1 => Just(Step::Abort),
        1 => Just(Step::Poll),
        1 => fault().prop_map(Step::Inflict),
        1 => Just(Step::Clear),
        4 => (0.0..300.0).prop_map(Step::Wait),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn no_command_breaks_the_world(
        steps in prop::collection::vec(step(), 1..60),
        world in 0..4_usize,
        seed in any::<u64>(),
    ) {
        let name = World::shipped_names().nth(world).unwrap();
        let mut microscope = Microscope::new(&World::shipped(name).unwrap(), seed);
        for step in steps {
            match step {
                Step::Set(signal, value) => {
                    if let Err(refusal) = microscope.set(signal, value) {
                        prop_assert!(!refusal.to_string().is_empty());
                    }
                }
                Step::Read(signal) => { let _ = microscope.read(signal); }
                Step::Begin(act) => { let _ = microscope.begin(act); }
                Step::Abort => { let _ = microscope.abort(); }
                Step::Poll => { let _ = microscope.poll(); }
                Step::Inflict(fault) => microscope.inflict(fault),
                Step::Clear => microscope.clear(),
                Step::Wait(seconds) => microscope.advance_to(microscope.now_s() + seconds),
            }
        }
        microscope.clear();
        let truth = microscope.truth();
        prop_assert!(truth.stage_k.is_finite() && truth.stage_k > 0.0);
        prop_assert!(truth.helium_l.is_finite() && truth.helium_l >= 0.0);
        prop_assert!(truth.field_t.iter().all(|b| b.is_finite()));
        prop_assert!(truth.current_a.is_finite());
        prop_assert!(truth.drift_m.iter().all(|m| m.is_finite()));
        for signal in Signal::ALL {
            prop_assert!(microscope.read(signal).is_finite(), "{:?}", signal);
        }
    }
}
