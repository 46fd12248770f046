//! What a sequence would measure to know its instrument: set, wait, read. Each comes out as the world file says.

mod lockin_common;
mod microscope_common;

use lockin_common::settled_fraction;
use microscope_common::{STILL, deviation, mean, night_with, over, run, set, sit, wait};
use noctule_sim::microscope::{Effects, Microscope};
use noctule_sim::world::World;
use noctule_sim::{Act, Signal};

/// Neither drift nor ripple nor noise: what is left is the law itself.
fn quiet_night(effects: Effects, changes: &[(&str, &str)]) -> World {
    let flat = [
        ("amplitude_db: 0.55", "amplitude_db: 0.0"),
        ("amplitude_db: 0.25", "amplitude_db: 0.0"),
        ("amplitude_db: 0.06", "amplitude_db: 0.0"),
        ("amplitude_db: 0.10", "amplitude_db: 0.0"),
        ("asymmetry: 0.25", "asymmetry: 0.0"),
        ("feedback_k: 300.0", "feedback_k: 1e-6"),
        ("flicker_relative: 0.0005", "flicker_relative: 0.0"),
        ("vibration_pm_rthz: 0.008", "vibration_pm_rthz: 0.0"),
        ("thermal_switching_hz: 3e-4", "thermal_switching_hz: 0.0"),
    ];
    World { effects, ..night_with(&[&STILL[..], &flat, changes].concat()) }
}

fn driven(world: &World, level_dbm: f64) -> Microscope {
    let mut microscope = over(world, 5, "A1", 0.6);
    set(&mut microscope, Signal::RfLevel, level_dbm);
    set(&mut microscope, Signal::RfOutput, 1.0);
    set(&mut microscope, Signal::LockinTimeConstant, 1.0);
    set(&mut microscope, Signal::LockinOrder, 4.0);
    // The stage warms by the RF, then keeps its temperature.
    wait(&mut microscope, 3000.0);
    sit(&mut microscope, "A1");
    microscope
}

/// Lock-in at a frequency, fA: ten readings, each settled.
fn x_fa(microscope: &mut Microscope, f_hz: f64) -> f64 {
    set(microscope, Signal::RfFrequency, f_hz);
    let mut read = || {
        wait(microscope, 25.0);
        microscope.read(Signal::LockinX) * 1e15
    };
    mean(&[read(), read(), read(), read(), read(), read(), read(), read(), read(), read()])
}

/// Height over a base fifteen widths away (1/900 of the line is left there), fA, and full width at half height, Hz: halved between the flanks.
fn height_and_width(microscope: &mut Microscope, guess_hz: f64) -> (f64, f64) {
    let line_hz = microscope.truth().lines_hz[0];
    let far_hz = 15.0 * guess_hz;
    let base = mean(&[-far_hz, far_hz].map(|off_hz| x_fa(microscope, line_hz + off_hz)));
    let top = x_fa(microscope, line_hz) - base;
    let mut edge = |sign: f64| {
        let (mut near, mut far) = (0.0, 4.0 * guess_hz);
        for _ in 0..9 {
            let middle = 0.5 * (near + far);
            if (x_fa(microscope, line_hz + sign * middle) - base) / top > 0.5 {
                near = middle;
            } else {
                far = middle;
            }
        }
        0.5 * (near + far)
    };
    (top, edge(1.0) + edge(-1.0))
}

/// T1 and T2 of the adatom at 10 pA: 62.415 electrons/µs, of which each loses 0.2 of the phase.
fn memory_s(current_a: f64) -> f64 {
    1.0 / (1.0 / 60e-9 + 0.2 * current_a / 1.602_176_634e-19)
}

/// Over 30 dB the height goes as s/(1+s) and the width as √(1+s)/(πT2), s = Ω²T1T2 with the amplitude at the
/// junction (steady state of the Bloch equations, textbook).
#[test]
fn height_and_width_follow_the_level_over_thirty_decibels() {
    let world = quiet_night(Effects::default(), &[("readout: 0.062", "readout: 1.0")]);
    let (t1_s, t2_s) = (180e-9, memory_s(10e-12));
    let mut full = Vec::new();
    for level_dbm in [-24.0, -14.0, -4.0, 6.0] {
        let mut microscope = driven(&world, level_dbm);
        let line_hz = microscope.truth().lines_hz[0];
        set(&mut microscope, Signal::RfFrequency, line_hz);
        let amplitude_v = microscope.truth().rf_amplitude_v;
        let s = (0.45e9 * amplitude_v).powi(2) * t1_s * t2_s;
        let expected_hz = (1.0 + s).sqrt() / (std::f64::consts::PI * t2_s);
        let (top_fa, width_hz) = height_and_width(&mut microscope, expected_hz);
        assert!((width_hz / expected_hz - 1.0).abs() < 0.03, "{level_dbm}: {width_hz} {expected_hz}");
        // Polarisation and current depend on the temperature, which depends on the level.
        let truth = microscope.truth();
        let order = (0.5 * 0.047_992_430_7 * line_hz * 1e-9 / truth.stage_k).tanh();
        full.push(top_fa * (1.0 + s) / s / order);
    }
    let middle = mean(&full);
    assert!(full.iter().all(|value| (value / middle - 1.0).abs() < 0.05), "{full:?}");
}

/// More current, shorter memory: the width at weak drive is (1/T2 + 0.2·I/e)/π (Sci. Adv. 4, eaaq1543 (2018),
/// 10.1126/sciadv.aaq1543, for the law), and the line is where the tip's field at that gap puts it.
#[test]
fn place_and_width_follow_the_setpoint() {
    let changes = [("readout: 0.062", "readout: 1.0"), ("exchange_mt: -0.75", "exchange_mt: 3.0")];
    let world = quiet_night(Effects::default(), &changes);
    let mut places_hz = Vec::new();
    for setpoint_a in [5e-12, 20e-12, 80e-12] {
        let mut microscope = driven(&world, -18.0);
        set(&mut microscope, Signal::Setpoint, setpoint_a);
        wait(&mut microscope, 10.0);
        let line_hz = microscope.truth().lines_hz[0];
        set(&mut microscope, Signal::RfFrequency, line_hz);
        let truth = microscope.truth();
        let t2_s = memory_s(truth.current_a);
        let s = (0.45e9 * truth.rf_amplitude_v).powi(2) * 180e-9 * t2_s;
        let expected_hz = (1.0 + s).sqrt() / (std::f64::consts::PI * t2_s);
        let (_, width_hz) = height_and_width(&mut microscope, expected_hz);
        assert!((width_hz / expected_hz - 1.0).abs() < 0.03, "{setpoint_a}: {width_hz} {expected_hz}");
        // f = |g·(B + Btip)| μB/h with g of the world file.
        let along = [0, 1, 2].map(|i| [1.86, 1.86, 1.79][i] * (truth.field_t[i] + truth.tip_field_t[i]));
        let expected_hz = along.iter().map(|b| b * b).sum::<f64>().sqrt() * 13.996_244_917e9;
        assert!((line_hz - expected_hz).abs() < 1e3, "{line_hz} {expected_hz}");
        places_hz.push(line_hz);
    }
    assert!(places_hz[2] - places_hz[0] > 20e6, "{places_hz:?}");
}

/// Under saturation the line is as high as the thermal order, tanh(hf/2kT) (textbook).
#[test]
fn contrast_follows_the_field() {
    let world = quiet_night(Effects::default(), &[("readout: 0.062", "readout: 1.0")]);
    let mut ratios = Vec::new();
    for field_t in [0.3, 0.6, 1.2] {
        let mut microscope = driven(&world, -2.0);
        set(&mut microscope, Signal::FieldZ, field_t);
        wait(&mut microscope, 1500.0);
        let line_hz = microscope.truth().lines_hz[0];
        set(&mut microscope, Signal::RfFrequency, line_hz);
        let truth = microscope.truth();
        let s = (0.45e9 * truth.rf_amplitude_v).powi(2) * 180e-9 * memory_s(10e-12);
        let base = mean(&[-3e9, 3e9].map(|off_hz| x_fa(&mut microscope, line_hz + off_hz)));
        let top = x_fa(&mut microscope, line_hz) - base;
        let order = (0.5 * 0.047_992_430_7 * line_hz * 1e-9 / truth.stage_k).tanh();
        // The loop keeps the whole current; of it 1 − η cos θ is without contrast (η = Pt·Ps, tip 12° off the field).
        let without = 1.0 / (1.0 - 0.36 * order * 12f64.to_radians().cos());
        ratios.push(top * (1.0 + s) / s / (order * without));
    }
    let middle = mean(&ratios);
    assert!(ratios.iter().all(|ratio| (ratio / middle - 1.0).abs() < 0.04), "{ratios:?}");
}

/// The output after a step of the RF is 1 − e^(−x)·Σ x^k/k!, x = t/τ, for one to four stages (textbook).
#[test]
fn the_lockin_settles_as_its_order_says() {
    let world = quiet_night(Effects::default(), &[("readout: 0.062", "readout: 1.0")]);
    let mut microscope = driven(&world, -4.0);
    let line_hz = microscope.truth().lines_hz[0];
    set(&mut microscope, Signal::RfFrequency, line_hz);
    for order in 1..=4_u32 {
        set(&mut microscope, Signal::LockinOrder, f64::from(order));
        set(&mut microscope, Signal::LockinTimeConstant, 0.3);
        wait(&mut microscope, 60.0);
        let whole_a = microscope.read(Signal::LockinX);
        set(&mut microscope, Signal::RfOutput, 0.0);
        wait(&mut microscope, 60.0);
        set(&mut microscope, Signal::RfOutput, 1.0);
        let mut t_s = 0.0;
        for step_s in [0.1, 0.2, 0.3, 0.6, 1.0, 2.0] {
            wait(&mut microscope, step_s);
            t_s += step_s;
            let found = microscope.read(Signal::LockinX) / whole_a;
            let expected = settled_fraction(order, 0.3, t_s);
            assert!((found - expected).abs() < 0.03, "order {order}, {t_s} s: {found} {expected}");
        }
    }
}

/// Current under the loop, read so slowly that readings are independent: of white noise behind the filter of 1 kHz
/// the loop of 40 Hz leaves 1000/1040, so the Allan deviation falls as 1/√τ from there (IEEE 1139, textbook); of
/// 1/f noise it takes all that is slower than itself. With the loop open a flicker floor stays:
/// σ² = 2 ln 2 · h₋₁ with the density h₋₁/f.
#[test]
fn the_allan_deviation_is_that_of_white_noise_under_the_loop_and_has_a_floor_without_it() {
    let changes = [("flicker_relative: 0.0005", "flicker_relative: 0.05")];
    let world = night_with(&[&STILL[..], &changes].concat());
    for closed in [true, false] {
        let mut microscope = over(&world, 7, "A1", 0.6);
        set(&mut microscope, Signal::TipX, 0.0);
        set(&mut microscope, Signal::TipY, 0.0);
        wait(&mut microscope, 60.0);
        set(&mut microscope, Signal::Feedback, f64::from(u8::from(closed)));
        let values: Vec<f64> = (0..16_384)
            .map(|_| {
                wait(&mut microscope, 0.05);
                microscope.read(Signal::Current)
            })
            .collect();
        let allan = |length: usize| {
            let means: Vec<f64> = values.chunks_exact(length).map(mean).collect();
            let squares: Vec<f64> = means.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).collect();
            (0.5 * mean(&squares)).sqrt()
        };
        let mean_a = mean(&values);
        let floor_a = 0.05 * mean_a.abs() * (2.0 * 2f64.ln()).sqrt();
        if closed {
            // Shot 1.790, Johnson 4.070, vibration 1.739 fA/√Hz in squares; π/2 · 1 kHz; the loop's part.
            let density_a =
                1e-15 * (1.790_07_f64.powi(2) + 4.070_35_f64.powi(2) + 1.738_9_f64.powi(2)).sqrt();
            let white_a = density_a * (std::f64::consts::FRAC_PI_2 * 1e3 / 1.04).sqrt();
            // The slow noise under the loop: five relaxations, of each the part c/(c + 40 Hz).
            let slow =
                [1e-4, 1e-3, 1e-2, 1e-1, 1.0].map(|corner| corner / (corner + 40.0)).iter().sum::<f64>();
            let one_a = white_a.hypot(0.05 * mean_a * (10f64.ln() * slow).sqrt());
            let rms_a = deviation(&values);
            assert!((rms_a / one_a - 1.0).abs() < 0.05, "{rms_a} {one_a}");
            assert!(allan(256) < 0.3 * floor_a, "{} {floor_a}", allan(256));
        } else {
            // 4 s to a minute: within the octaves that the sum of relaxations covers. 80 pairs know it to 8 %.
            for length in [64, 128, 256] {
                let found = allan(length) / floor_a;
                assert!((0.7..1.35).contains(&found), "{length}: {found}");
            }
        }
    }
}

/// A ramp warms by eddy currents; the sample moves by 2e-4 m s²/T² · (dB/dt)² in the end and comes back with τ.
#[test]
fn a_ramp_moves_the_sample_and_it_comes_back() {
    let effects = Effects { drift_ramp_m_s2_t2: [2e-4, 0.0, 0.0], drift_heat_s: 300.0, ..Effects::default() };
    let world = World { effects, ..night_with(&STILL) };
    let mut microscope = Microscope::new(&world, 3);
    set(&mut microscope, Signal::FieldZ, 1.0);
    // 2 mT/s for 500 s: 2e-4 · 4e-6 = 800 pm, of which 1 − e^(−500/300) = 81.11 % is reached.
    wait(&mut microscope, 500.0);
    let top_m = microscope.truth().drift_m[0];
    assert!((top_m / 800e-12 - 0.811_124).abs() < 0.01, "{top_m}");
    wait(&mut microscope, 600.0);
    let left = microscope.truth().drift_m[0] / top_m;
    assert!((left - (-2.0_f64).exp()).abs() < 0.01, "{left}");
}

/// The Rabi rate goes with the gradient of the tip's field over the gap: with exchange alone it is
/// proportional to the current, since both fall exponentially, as I^(1/(2κλ)) (Nat. Phys. 15, 1005 (2019),
/// 10.1038/s41567-019-0573-x, for the mechanism, from a summary). Height at weak drive is proportional to Ω².
#[test]
fn the_gradient_drives() {
    let effects = Effects { gradient_reference_t_m: 2e7, ..Effects::default() };
    let changes = [
        ("readout: 0.062", "readout: 1.0"),
        ("moment_mub: 5.0", "moment_mub: 0.0"),
        ("exchange_mt: -0.75", "exchange_mt: 1.2"),
        ("dephasing_per_electron: 0.2", "dephasing_per_electron: 0.0"),
    ];
    let world = quiet_night(effects, &changes);
    let mut heights = Vec::new();
    for setpoint_a in [5e-12, 10e-12] {
        let mut microscope = driven(&world, -30.0);
        set(&mut microscope, Signal::Setpoint, setpoint_a);
        wait(&mut microscope, 10.0);
        let line_hz = microscope.truth().lines_hz[0];
        let base = mean(&[-2e9, 2e9].map(|off_hz| x_fa(&mut microscope, line_hz + off_hz)));
        heights.push((x_fa(&mut microscope, line_hz) - base) / setpoint_a);
    }
    // Twice the current is ln 2/2κ nearer; Ω² grows by e^(2·that/λ): 2^(2/(21.7358·0.06)) = 2.895.
    let expected = 2f64.powf(2.0 / (21.735_757_7 * 0.06));
    let found = heights[1] / heights[0];
    assert!((found / expected - 1.0).abs() < 0.12, "{found} {expected}");
}

/// Tip field, moment and polarisation of a paramagnetic apex follow Brillouin's function (textbook; for spin 1/2
/// tanh(μB B/kT)): the height of the film does not, so the bump of the adatom shows it.
#[test]
fn a_paramagnetic_apex_loses_its_field_at_zero() {
    let effects = Effects { apex_spin: 0.5, ..Effects::default() };
    let world = quiet_night(effects, &[]);
    let mut sizes = Vec::new();
    for field_t in [0.1, 0.6] {
        let microscope = over(&world, 3, "A1", field_t);
        let truth = microscope.truth();
        let size_t = truth.tip_field_t.iter().map(|b| b * b).sum::<f64>().sqrt();
        let kt_t = truth.stage_k / 0.671_713_8;
        sizes.push(size_t / (truth.field_t[2] / kt_t).tanh());
    }
    // The gap differs by some pm through the contrast.
    assert!((sizes[0] / sizes[1] - 1.0).abs() < 0.05, "{sizes:?}");
}

/// Ripple without any spin: the rectified current follows the line's transmission, which moves with the helium
/// that boils off: a turn of φ is a shift of φ/(2πτ) (own derivation).
#[test]
fn ripple_moves_with_the_helium_under_a_blind_tip() {
    let effects = Effects { line_phase_rad_l: 2.0, ..Effects::default() };
    let changes = [
        ("polarisation: 0.36", "polarisation: 0.0"),
        ("moment_mub: 5.0", "moment_mub: 0.0"),
        ("exchange_mt: -0.75", "exchange_mt: 0.0"),
        ("delay_ns: 4.7", "delay_ns: 4.0"),
    ];
    let mut world = quiet_night(effects, &changes);
    world.rf_line.waves[1].amplitude_db = 2.0;
    let mut microscope = driven(&world, -3.0);
    let phase = |microscope: &mut Microscope| {
        // One period of 250 MHz in twelve steps: first Fourier component.
        let (mut c, mut s) = (0.0, 0.0);
        for k in 0..12 {
            let turn = std::f64::consts::TAU * f64::from(k) / 12.0;
            let value = x_fa(microscope, 17e9 + 250e6 * f64::from(k) / 12.0);
            c += value * turn.cos();
            s += value * turn.sin();
        }
        f64::atan2(-s, c)
    };
    let helium_l = microscope.truth().helium_l;
    let first = phase(&mut microscope);
    let took_l = helium_l - microscope.truth().helium_l;
    run(&mut microscope, Act::MoveTip { x_m: 1e-9, y_m: 1e-9, speed_m_s: 1e-9 });
    wait(&mut microscope, 2400.0);
    let before_l = microscope.truth().helium_l;
    let second = phase(&mut microscope);
    let boiled_l = (helium_l - took_l * 0.5) - (before_l - took_l * 0.5);
    let turned = (second - first).rem_euclid(std::f64::consts::TAU);
    assert!((turned - 2.0 * boiled_l).abs() < 0.15, "{turned} {}", 2.0 * boiled_l);
}
