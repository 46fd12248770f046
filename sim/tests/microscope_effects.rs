//! Each effect that makes nights hard, alone, as a gauge shows it.

mod microscope_common;

use microscope_common::{STILL, deviation, mean, night_with, run, set, sit, wait};
use noctule_sim::microscope::{Effects, Microscope};
use noctule_sim::world::World;
use noctule_sim::{Act, Signal};

fn over(effects: Effects, changes: &[(&str, &str)]) -> Microscope {
    let world = World { effects, ..night_with(&[&STILL[..], changes].concat()) };
    let mut microscope = Microscope::new(&world, 3);
    set(&mut microscope, Signal::Bias, 0.06);
    set(&mut microscope, Signal::Setpoint, 10e-12);
    set(&mut microscope, Signal::FieldZ, 0.6);
    wait(&mut microscope, 400.0);
    assert!(run(&mut microscope, Act::Approach).achieved);
    sit(&mut microscope, "A1");
    set(&mut microscope, Signal::RfFrequency, 15e9);
    set(&mut microscope, Signal::RfLevel, -3.0);
    set(&mut microscope, Signal::RfOutput, 1.0);
    set(&mut microscope, Signal::LockinOrder, 4.0);
    wait(&mut microscope, 600.0);
    microscope
}

/// Mean of many readings of a lock-in output at a frequency, fA.
fn level_fa(microscope: &mut Microscope, signal: Signal, f_hz: f64) -> f64 {
    set(microscope, Signal::RfFrequency, f_hz);
    let values: Vec<f64> = (0..60)
        .map(|_| {
            wait(microscope, 4.0);
            microscope.read(signal)
        })
        .collect();
    mean(&values) * 1e15
}

fn peak_fa(microscope: &mut Microscope) -> f64 {
    let line_hz = microscope.truth().lines_hz[0];
    let away = [-60e6, 60e6].map(|off_hz| level_fa(microscope, Signal::LockinX, line_hz + off_hz));
    level_fa(microscope, Signal::LockinX, line_hz) - mean(&away)
}

/// I(1 + P t·s): where aligned moments carry more current the loop rests higher and saturation lowers the current;
/// with the other sign both turn round. One law, compared with its sign.
#[test]
fn height_and_saturation_have_opposite_signs() {
    for aligned_conducts in [false, true] {
        let mut microscope = over(Effects { aligned_conducts, ..Effects::default() }, &[]);
        let blind = over(
            Effects { aligned_conducts, ..Effects::default() },
            &[("polarisation: 0.36", "polarisation: 0.0")],
        );
        let higher_m = microscope.truth().gap_m - blind.truth().gap_m;
        let sign = if aligned_conducts { 1.0 } else { -1.0 };
        // P·cos 12°·tanh(hf/2kT) of some 0.3 over 2κ = 21.74/nm: more than 8 pm.
        assert!(higher_m * sign > 8e-12, "{higher_m}");
        let peak = peak_fa(&mut microscope);
        assert!(peak * sign < -25.0, "{peak}");
    }
}

/// A 40 Hz loop leaves 0.849398 of a 95 Hz chop in phase and 0.357641 a quarter ahead (textbook, first order).
#[test]
fn the_loop_takes_its_part_of_the_chop() {
    let free = peak_fa(&mut over(Effects::default(), &[]));
    let on = Effects { loop_suppresses: true, ..Effects::default() };
    let held = peak_fa(&mut over(on, &[]));
    // 60 readings of 2.4 fA each: 0.5 fA.
    assert!((held - 0.849_398 * free).abs() < 2.0, "{held} {free}");
    let mut microscope = over(on, &[]);
    let line_hz = microscope.truth().lines_hz[0];
    let ahead = level_fa(&mut microscope, Signal::LockinY, line_hz)
        - level_fa(&mut microscope, Signal::LockinY, line_hz + 60e6);
    assert!((ahead - 0.357_641 * free).abs() < 2.0, "{ahead} {free}");
}

/// A leak of 5e-14 A/V at −3 dBm (223.872 mV zero-to-peak in 50 Ω) shows 11.19 fA, tip withdrawn or not.
#[test]
fn the_chop_leaks() {
    let effects = Effects { crosstalk_a_v: 5e-14, ..Effects::default() };
    let mut microscope = over(effects, &[]);
    run(&mut microscope, Act::Withdraw);
    let leak = level_fa(&mut microscope, Signal::LockinX, 15e9);
    assert!((leak - 11.193_6).abs() < 2.0, "{leak}");
}

/// A tip field of 5 % wander moves the line by 5 % of its part, γ·B.
#[test]
fn a_wandering_tip_moves_the_line() {
    let effects = Effects { tip_wander: 0.05, tip_wander_s: 60.0, ..Effects::default() };
    let mut microscope = over(effects, &[("exchange_mt: -0.75", "exchange_mt: 20.0")]);
    let mut lines_hz = Vec::new();
    let mut tips_t = Vec::new();
    for _ in 0..700 {
        wait(&mut microscope, 120.0);
        let truth = microscope.truth();
        lines_hz.push(truth.lines_hz[0]);
        tips_t.push(truth.tip_field_t[2]);
    }
    // The shift follows the field along z with gz μB/h = 25.053 GHz/T.
    let spread_hz = microscope_common::deviation(&lines_hz);
    let spread_t = microscope_common::deviation(&tips_t);
    assert!((spread_hz / spread_t / 25.053e9 - 1.0).abs() < 0.05, "{spread_hz} {spread_t}");
    // 700 values with correlation e⁻²: known to 2.8 %; four of them.
    assert!((spread_t / mean(&tips_t).abs() / 0.05 - 1.0).abs() < 0.11, "{spread_t}");
}

/// A nucleus that stays shows one line of the molecule's eight at a time, and another after some time.
#[test]
fn a_multiplet_shows_one_line_at_a_time() {
    let effects = Effects { nuclear_lifetime_s: 5.3, ..Effects::default() };
    let mut microscope = over(effects, &[]);
    sit(&mut microscope, "M1");
    let mut seen = std::collections::BTreeSet::new();
    for _ in 0..200 {
        wait(&mut microscope, 5.3);
        let lines_hz = microscope.truth().lines_hz;
        assert_eq!(lines_hz.len(), 1);
        seen.insert((lines_hz[0] / 20e6).round() as i64);
    }
    assert!(seen.len() >= 8, "{seen:?}");
}

/// The RF warms the sample, which moves by 4e-8 m/W of the power that the line loses; after 3τ 95.02 % of it.
#[test]
fn radio_makes_the_sample_drift() {
    let effects = Effects { drift_rf_m_w: [4e-8, 0.0, 0.0], drift_heat_s: 200.0, ..Effects::default() };
    let mut microscope = over(effects, &[]);
    let way_m = microscope.truth().drift_m[0];
    wait(&mut microscope, 4000.0);
    let end_m = microscope.truth().drift_m[0];
    // On since 600 s, and on the grid of a second.
    assert!((way_m / end_m - 0.950_213).abs() < 0.001, "{way_m} {end_m}");
    // −3 dBm are 0.501187 mW, half of the time: 10.0237 pm, but for the flatness of the source (0.3 dB).
    assert!((end_m / 10.0237e-12 - 1.0).abs() < 0.07, "{end_m}");
}

/// An effect that is on elsewhere leaves the noise of every gauge alone. (The flips of a nucleus cut the time of
/// the lock-in into more steps, each with a number of its own: its X is compared with an effect of no size.)
#[test]
fn effects_have_streams_of_their_own() {
    let signals = [Signal::Current, Signal::Height, Signal::LockinY, Signal::StageTemperature];
    let read = |effects: Effects| {
        let mut microscope = over(effects, &[]);
        (signals.map(|signal| microscope.read(signal).to_bits()), microscope.read(Signal::LockinX).to_bits())
    };
    let quiet = read(Effects::default());
    let sized = Effects { tip_wander_s: 77.0, line_wander_s: 99.0, ..Effects::default() };
    assert_eq!(quiet, read(sized));
    assert_eq!(quiet.0, read(Effects { nuclear_lifetime_s: 5.3, ..Effects::default() }).0);
}

/// 1/f noise of the input: 1 pA/√Hz at 1 Hz is 1000/√95 fA/√Hz at the reference and 1000/√190 at its second
/// harmonic; a filter of order 4 has the noise bandwidth 5/(64τ). It is the input's own, so the height loop leaves it.
#[test]
fn slow_noise_of_the_input_falls_with_the_root_of_the_frequency() {
    let mut levels = Vec::new();
    for (reference, f_hz) in [(0.0, 95.0), (2.0, 190.0)] {
        let effects = Effects { input_flicker_a: 1e-12, loop_suppresses: true, ..Effects::default() };
        let mut microscope = over(effects, &[]);
        set(&mut microscope, Signal::RfOutput, 0.0);
        set(&mut microscope, Signal::LockinReference, reference);
        set(&mut microscope, Signal::LockinTimeConstant, 0.3);
        let values: Vec<f64> = (0..3000)
            .map(|_| {
                wait(&mut microscope, 6.0);
                microscope.read(Signal::LockinX) * 1e15
            })
            .collect();
        let expected = 1000.0 / f64::sqrt(f_hz) * (5.0_f64 / 64.0 / 0.3).sqrt();
        let found = deviation(&values);
        // 3000 independent values know their deviation to 1.3 %; the current's own noise adds 0.2 %.
        assert!((found / expected - 1.0).abs() < 0.055, "{f_hz} Hz: {found} {expected}");
        levels.push(found);
    }
    assert!((levels[0] / levels[1] / 2f64.sqrt() - 1.0).abs() < 0.06, "{levels:?}");
}

/// The flank of a resonance follows the temperature of the line's warm part: with 5 MHz/K and 2 K the flank of
/// −1.2 dB at 14.62 GHz, 60 MHz wide, moves by megahertz and comes back; without the effect it stays.
#[test]
fn a_resonance_of_the_line_follows_the_room() {
    let spread = |line_resonance_hz_k: f64| {
        let effects =
            Effects { line_resonance_hz_k, line_wander_k: 2.0, line_wander_s: 600.0, ..Effects::default() };
        let mut microscope = over(effects, &[]);
        set(&mut microscope, Signal::RfFrequency, 14.64e9);
        let amplitudes: Vec<f64> = (0..200)
            .map(|_| {
                wait(&mut microscope, 600.0);
                microscope.truth().rf_amplitude_v
            })
            .collect();
        deviation(&amplitudes) / mean(&amplitudes)
    };
    assert!(spread(0.0) < 1e-9, "nothing else moves");
    // Slope of h/(1 + x²) at x = 2·20/60 over the centre: −2xh/(1 + x²)² · 2/60 dB/MHz = 0.0256 dB/MHz; 10 MHz rms
    // are 0.256 dB, 2.9 % of the amplitude, less by the curvature of so wide a swing.
    let found = spread(5e6);
    assert!((0.018..0.036).contains(&found), "{found}");
}
