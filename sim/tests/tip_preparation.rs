//! Tips: how many atoms it takes, how they switch, what a field does to them.

mod microscope_common;

use microscope_common::{deviation, mean, run, set, sit, wait};
use noctule_sim::noise::{Source, Stream};
use noctule_sim::tip::{Apex, Preparation, Switching};
use noctule_sim::{Act, Signal, microscope::Microscope, world::World};

/// Three or four picked-up atoms typically give contrast (common practice, no source).
#[test]
fn three_or_four_atoms_typically_give_contrast() {
    let mut stream = Stream::new(1, Source::Apex);
    let mut part = |atoms: u32| {
        let count = 4000;
        (0..count).filter(|_| Apex::drawn(atoms, &mut stream).has_contrast()).count() as f64
            / f64::from(count)
    };
    assert_eq!(part(0), 0.0);
    assert!(part(1) < 0.15);
    assert!((0.65..0.85).contains(&part(3)));
    assert!(part(4) > 0.85);
    let mut stream = Stream::new(2, Source::Apex);
    for _ in 0..1000 {
        let apex = Apex::drawn(4, &mut stream);
        assert!((apex.axis.iter().map(|a| a * a).sum::<f64>() - 1.0).abs() < 1e-12 && apex.axis[2] > 0.9);
        assert!((0.0..0.5).contains(&apex.polarisation));
    }
}

const SWITCHING: Switching =
    Switching { thermal_hz: 1e-3, per_electron: 3e-8, threshold_v: 0.08, width_v: 1.5e-3 };

/// In equilibrium the two states are occupied as their Zeeman energies say: ratio e^{2mB/kT} (C,
/// Boltzmann), here m = 5 μB, B = 50 mT, T = 0.4 K, μB/k = 0.67171382 K/T.
#[test]
fn thermal_switching_obeys_boltzmann() {
    let apex = Apex { moment_mub: 5.0, polarisation: 0.3, ..Apex::BARE };
    let [leave_up, leave_down] = SWITCHING.rates_hz(&apex, 0.0, 0.0, [0.0, 0.0, 0.05], 0.4);
    let expected = (2.0 * 5.0 * 0.671_713_82 * 0.05 / 0.4f64).exp();
    assert!((leave_down / leave_up / expected - 1.0).abs() < 1e-6);
    // Turned by the field's sign; nothing of it without contrast.
    let [other_up, other_down] = SWITCHING.rates_hz(&apex, 0.0, 0.0, [0.0, 0.0, -0.05], 0.4);
    assert!((other_up / leave_down - 1.0).abs() < 1e-12 && (other_down / leave_up - 1.0).abs() < 1e-12);
    assert_eq!(SWITCHING.rates_hz(&Apex::BARE, 0.1, 1e-10, [0.0; 3], 0.4), [0.0; 2]);
}

/// Electrons flip it in proportion to the current, once the bias is over the threshold.
#[test]
fn hot_electrons_switch_the_tip() {
    let apex = Apex { moment_mub: 5.0, polarisation: 0.3, ..Apex::BARE };
    let rate = |bias_v: f64, current_a: f64| {
        SWITCHING.rates_hz(&apex, bias_v, current_a, [0.0; 3], 0.4)[0] - SWITCHING.thermal_hz
    };
    // 3e-8 · 100 pA / e = 18.72 Hz.
    assert!((rate(0.12, 100e-12) - 18.7245).abs() < 1e-3);
    assert!((rate(0.12, 50e-12) / rate(0.12, 100e-12) - 0.5).abs() < 1e-9);
    assert!((rate(0.08, 100e-12) / rate(0.12, 100e-12) - 0.5).abs() < 1e-9);
    assert!(rate(-0.12, 100e-12) > 18.0 && rate(0.05, 100e-12) < 1e-6);
}

#[test]
fn pulses_change_the_tip_only_over_their_threshold() {
    let law = World::shipped("night").unwrap().tip.preparation;
    assert_eq!(law.pulse_change(1.9), 0.0);
    assert!((law.pulse_change(-4.0) - law.pulse_chance).abs() < 1e-12);
    let doubled = Preparation { pulse_threshold_v: 4.0, ..law };
    assert_eq!(doubled.pulse_change(4.0), 0.0);
}

/// Whether the histogram over an atom has two peaks, by the spread of the current with the loop open.
fn shows_contrast(microscope: &mut Microscope, site: &str) -> bool {
    sit(microscope, site);
    set(microscope, Signal::Bias, 0.1);
    set(microscope, Signal::Setpoint, 100e-12);
    wait(microscope, 2.0);
    set(microscope, Signal::Feedback, 0.0);
    let data = run(microscope, Act::Trace { signal: Signal::Current, samples: 2000, interval_s: 5e-3 }).data;
    set(microscope, Signal::Feedback, 1.0);
    deviation(&data) / mean(&data) > 0.05
}

/// A tip prepared as one does it: pick up, test over another atom, go on until there is contrast.
#[test]
fn a_bare_tip_is_prepared_within_a_few_atoms() {
    let world = World::shipped("bare").unwrap();
    let mut needed = Vec::new();
    for seed in 0..20 {
        let mut microscope = Microscope::new(&world, seed);
        set(&mut microscope, Signal::FieldZ, 0.4);
        wait(&mut microscope, 260.0);
        run(&mut microscope, Act::Approach);
        assert!(!shows_contrast(&mut microscope, "A1"));
        for (count, name) in ["A2", "A3", "A4", "A8", "A9", "A10"].into_iter().enumerate() {
            for _ in 0..10 {
                sit(&mut microscope, name);
                if run(&mut microscope, Act::PickUp).achieved {
                    break;
                }
            }
            let seen = shows_contrast(&mut microscope, "A1");
            assert_eq!(seen, microscope.truth().apex.has_contrast(), "seed {seed}, {}", count + 1);
            if seen {
                needed.push((count + 1) as f64);
                break;
            }
        }
    }
    assert!(needed.len() >= 18, "{needed:?}");
    assert!((1.8..3.8).contains(&mean(&needed)), "{needed:?}");
}
