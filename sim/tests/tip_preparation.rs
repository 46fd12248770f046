//! Tips: how many atoms it takes, how they switch, what a field does to them.

mod microscope_common;

use microscope_common::{deviation, mean, run, set, sit, wait};
use noctule_sim::noise::{Source, Stream};
use noctule_sim::tip::{Apex, Preparation, Switching};
use noctule_sim::{Act, Signal, microscope::Microscope, world::World};

/// Apexes come with the chances of their world, atom by atom.
#[test]
fn contrast_comes_as_often_as_the_world_says() {
    let odds = World::shipped("bare").unwrap().tip.odds;
    let mut stream = Stream::new(1, Source::Apex);
    for atoms in 0..8 {
        let count = 4000;
        let with = (0..count).filter(|_| Apex::drawn(atoms, &odds, &mut stream).has_contrast()).count();
        let chance = odds.contrast_by_atoms[(atoms as usize).min(5)];
        let scatter = (chance * (1.0 - chance) / f64::from(count)).sqrt();
        assert!((with as f64 / f64::from(count) - chance).abs() <= 4.0 * scatter, "{atoms}: {with}");
    }
    let mut stream = Stream::new(2, Source::Apex);
    for _ in 0..1000 {
        let apex = Apex::drawn(4, &odds, &mut stream);
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

/// Picking up goes on until there is contrast: what the current shows is what the apex has, whatever it took.
#[test]
fn a_histogram_shows_what_the_apex_has() {
    let world = World::shipped("bare").unwrap();
    let mut polarised = 0;
    for seed in 0..12 {
        let mut microscope = Microscope::new(&world, seed);
        set(&mut microscope, Signal::FieldZ, 0.4);
        wait(&mut microscope, 260.0);
        run(&mut microscope, Act::Approach);
        assert!(!shows_contrast(&mut microscope, "A1"));
        for name in ["A2", "A3", "A4", "A8", "A9", "A10"] {
            for _ in 0..10 {
                sit(&mut microscope, name);
                if run(&mut microscope, Act::PickUp).achieved {
                    break;
                }
            }
            let before = microscope.truth().apex;
            let seen = shows_contrast(&mut microscope, "A1");
            let apex = microscope.truth().apex;
            // One that dies on the way is neither, and a weak one may be overlooked.
            if before == apex && (apex.polarisation == 0.0 || apex.polarisation > 0.2) {
                assert_eq!(seen, apex.has_contrast(), "seed {seed}, {name}");
                polarised += u32::from(seen);
            }
        }
    }
    assert!(polarised >= 5, "{polarised}");
}

/// An apex that lives for minutes is gone after an hour, and others stay.
#[test]
fn some_tips_die_within_minutes() {
    let mut world = World::shipped("bare").unwrap();
    world.tip.preparation.changes_per_hour = 0.0;
    world.tip.preparation.pick_up_chance = 1.0;
    let (mut died, count) = (0, 60);
    for seed in 0..count {
        let mut microscope = Microscope::new(&world, seed);
        run(&mut microscope, Act::Approach);
        sit(&mut microscope, "A2");
        assert!(run(&mut microscope, Act::PickUp).achieved);
        let tips = microscope.chronicle().tips.len();
        wait(&mut microscope, 3600.0);
        died += usize::from(microscope.chronicle().tips.len() > tips);
    }
    // A quarter: 15 of 60, deviation 3.4.
    assert!((5..26).contains(&died), "{died}");
}

/// A double tip shows each atom a second time, beside and lower.
#[test]
fn a_double_tip_shows_everything_twice() {
    let mut world = World::shipped("bare").unwrap();
    world.tip.preparation.pick_up_chance = 1.0;
    world.tip.odds.double_chance = 1.0;
    let mut microscope = Microscope::new(&world, 3);
    run(&mut microscope, Act::Approach);
    sit(&mut microscope, "A2");
    assert!(run(&mut microscope, Act::PickUp).achieved);
    let truth = microscope.truth();
    let second = truth.apex.second.unwrap();
    assert!((0.5e-9..2e-9).contains(&second.offset_m[0].hypot(second.offset_m[1])));
    // Where the second end stands over an atom, the first one over bare film rises by the atom less the step between them.
    let atom = truth.spins.iter().find(|spin| spin.name == "A3").unwrap();
    let height = |microscope: &mut Microscope, at_m: [f64; 2]| {
        run(microscope, Act::MoveTip { x_m: at_m[0], y_m: at_m[1], speed_m_s: 5e-9 });
        wait(microscope, 1.0);
        microscope.read(Signal::Height)
    };
    let beside = [0, 1].map(|i| atom.at_m[i] - second.offset_m[i]);
    let bare = [atom.at_m[0] - 3e-9, atom.at_m[1]];
    let rise = height(&mut microscope, beside) - height(&mut microscope, bare);
    // The scanner still creeps by a quarter of a nanometre after such ways, which leaves two thirds of the atom or more.
    let shown = (rise + second.higher_m) / 0.16e-9;
    assert!((0.6..1.05).contains(&shown), "{shown}: {rise:e}, {second:?}");
}

/// The coarse motor leads to ground where other atoms lie, and back to those that were there.
#[test]
fn coarse_steps_along_the_surface_lead_to_other_atoms() {
    let world = World::shipped("bare").unwrap();
    let mut microscope = Microscope::new(&world, 5);
    let here = |microscope: &Microscope| {
        let spins = microscope.truth().spins;
        let near = spins.into_iter().filter(|s| s.present && s.at_m.iter().all(|m| m.abs() < 18e-9));
        near.map(|spin| spin.name).collect::<Vec<_>>()
    };
    let first = here(&microscope);
    run(&mut microscope, Act::Approach);
    assert!(microscope.begin(Act::CoarseShift { x_steps: 2, y_steps: 0 }).is_err(), "in range");
    run(&mut microscope, Act::Withdraw);
    assert!(run(&mut microscope, Act::CoarseShift { x_steps: 2, y_steps: -1 }).achieved);
    let second = here(&microscope);
    assert!(second.len() >= 6 && second.iter().all(|name| name.starts_with("area 2")), "{second:?}");
    let drift = microscope.truth().drift_m;
    assert!(drift[0] < -200e-9 && drift[1] > 100e-9, "{drift:?}");
    assert!(first.iter().all(|name| name.len() < 4), "{first:?}");
}
