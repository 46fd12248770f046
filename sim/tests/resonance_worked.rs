//! Line shape, width, saturation and contrast against worked values.
//!
//! The values were computed independently from the formulas named beside each
//! check; they are not readings from any instrument.

use nalgebra::Vector3;
use noctule_sim::resonance::{Driving, Homodyne, Junction, Resonances, polarisation, width_hz};
use noctule_sim::spin::{Coupling, Site, SpinSystem};

fn assert_near(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
}

/// A free spin 1/2 whose line lies at 20.55 GHz, at 0 K.
fn spin() -> Resonances {
    // 20.55 GHz at 0.82 T as in Science 366, 509 (2019), 10.1126/science.aay6779, gives g = 1.7906.
    Resonances::of_half([1.790549948094639; 3], [0.0, 0.82, 0.0], 0.0)
}

fn junction(polarisation: f64) -> Junction {
    Junction {
        current_a: 10e-12,
        polarisation,
        tip_direction: [0.0, 2.0, 0.0],
        homodyne: Homodyne::default(),
    }
}

const AT: [[f64; 3]; 2] = [[0.0; 3]; 2];

/// ΔI = I0 + Ip (1 + αδ)/(1 + δ²) with I0 = 2 fA, Ip = 25 fA, α = 0.3, Γ = 12 MHz.
#[test]
fn the_asymmetric_line_has_its_worked_values() {
    let values = [
        (-24.0, 1.70588235294112),
        (-12.0, 4.0),
        (-6.0, 10.75),
        (0.0, 27.0),
        (6.0, 18.25),
        (12.0, 10.0),
        (24.0, 5.23529411764706),
    ];
    // s = 1: width √2/(πT2) = 12 MHz, half of the order lost; −I P/2 = 25 fA.
    let t2_s = 2.0_f64.sqrt() / (std::f64::consts::PI * 12e6);
    let driving = Driving { rabi_rad_s: 1.0 / t2_s, t1_s: t2_s, t2_s, asymmetry: 0.3 };
    assert_near(driving.width_hz(), 12e6, 1e-12);
    for (offset_mhz, expected_fa) in values {
        let f_hz = 20.550e9 + offset_mhz * 1e6;
        let found_a = spin().current_change_a(f_hz, &AT, &driving, &junction(-5e-3));
        assert_near(2.0 + found_a * 1e15, expected_fa, 1e-5);
    }
}

/// Saturation lowers the current where alignment raises it, and the other way round.
#[test]
fn saturation_undoes_what_alignment_does() {
    let driving = Driving { rabi_rad_s: 1e9, t1_s: 1e-6, t2_s: 1e-6, asymmetry: 0.0 };
    for polarisation in [0.3, -0.3] {
        let junction = junction(polarisation);
        let rest = junction.contrast(&spin().list()[0].order);
        let change = spin().current_change_a(20.55e9, &AT, &driving, &junction) / 10e-12;
        assert_near(rest, polarisation, 1e-12);
        // s = 10⁶: all but a part in 10⁶ of the order is lost.
        assert_near(change, -polarisation, 1e-5);
    }
}

/// The rectified part alone, at s ≪ 1: ratio·ΩT2·x/(1+x²), odd about the line at φ = 0, even at 90°; none with the
/// tip along the spin. Maximum ½ at x = 1 (Bloch's steady state, textbook).
#[test]
fn the_rectified_part_is_odd_or_even() {
    let driving = Driving { rabi_rad_s: 1.0, t1_s: 1e-7, t2_s: 1e-7, asymmetry: 0.0 };
    let across = |ratio: f64, phase_rad: f64, tip_direction: [f64; 3]| Junction {
        tip_direction,
        homodyne: Homodyne { ratio, phase_rad },
        ..junction(0.3)
    };
    let at = |x: f64, junction: &Junction| {
        let f_hz = 20.55e9 + x / (2.0 * std::f64::consts::PI * 1e-7);
        spin().current_change_a(f_hz, &AT, &driving, junction) / (10e-12 * 0.3 * 1e-7)
    };
    let odd = across(0.2, 0.0, [1.0, 0.0, 0.0]);
    for (x, expected) in [(-3.0, -0.3), (-1.0, -0.5), (1.0, 0.5), (3.0, 0.3)] {
        assert_near(at(x, &odd), 0.2 * expected, 1e-4);
        let even = across(0.2, std::f64::consts::FRAC_PI_2, [1.0, 0.0, 0.0]);
        assert_near(at(x, &even), 0.2 / (1.0 + x * x), 1e-4);
    }
    // Proportional to the RF over the bias.
    assert_near(at(1.0, &across(0.4, 0.0, [1.0, 0.0, 0.0])), 0.2, 1e-4);
    let tilted = across(0.2, 0.0, [0.5, 0.75_f64.sqrt(), 0.0]);
    assert!((at(1.0, &tilted) - 0.05).abs() < 1e-4, "30° off: half of it");
    assert!(at(1.0, &across(0.2, 0.0, [0.0, 1.0, 0.0])).abs() < 1e-6);
}

/// 10 pA are 62.415 electrons/µs: 0.2 flips each make T1 of 180 ns 55.44 ns, 0.64 losses of phase T2 of 60 ns
/// 17.66 ns (worked out beside the code with CODATA's e).
#[test]
fn a_current_shortens_life_and_memory() {
    let alone = Driving { rabi_rad_s: 1e6, t1_s: 180e-9, t2_s: 60e-9, asymmetry: 0.1 };
    let there = alone.under_current(-10e-12, 0.2, 0.64);
    assert_near(there.t1_s, 55.436_755e-9, 1e-7);
    assert_near(there.t2_s, 17.663_998e-9, 1e-7);
    // Coherence can't outlive twice the lifetime.
    let short = Driving { t2_s: 300e-9, ..alone }.under_current(10e-12, 1.0, 0.0);
    assert_near(short.t2_s, 2.0 * short.t1_s, 1e-12);
}

/// Lines carried along their slopes meet those computed at the very fields: 0.1 mT away to second order.
#[test]
fn slopes_carry_the_lines() {
    let sites = vec![Site::electron(0.5).g_values([1.98, 1.97, 1.93]), Site::nucleus(3.5, 1.2)];
    let system = SpinSystem::new(sites, vec![Coupling::values([0, 1], [0.042, 0.042, 0.096])]).unwrap();
    let (field_t, tip_t) = ([0.0, 0.0, 0.6124], [-0.0006, 0.0004, 0.0042]);
    let off_t = [[7e-5, 0.0, -5.5e-5], [-3e-5, 1e-5, -1.1e-5]];
    let lines = |field_t: [f64; 3], tip_t: [f64; 3]| {
        let levels = system.levels_with_site_field(field_t, 0, tip_t).unwrap();
        Resonances::of(&system, &levels, 0, Vector3::from(field_t), 0.32).unwrap()
    };
    let sum = |a: [f64; 3], b: [f64; 3]| [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
    let (near, there) = (lines(field_t, tip_t), lines(sum(field_t, off_t[0]), sum(tip_t, off_t[1])));
    let strong = |lines: &Resonances| -> Vec<_> {
        lines.list().iter().filter(|line| line.relative_rabi_squared > 0.1).copied().collect()
    };
    assert_eq!(strong(&near).len(), 8);
    for (carried, exact) in strong(&near).iter().zip(strong(&there)) {
        assert!((carried.at_hz(&off_t) - exact.f0_hz).abs() < 1e3);
    }
}

/// Eight lines 130 MHz apart at 1.35 T: Nat. Commun. 16 (2025), 10.1038/s41467-025-63232-5,
/// for a titanium isotope with I = 7/2. Positions: see `spin_cases.json`, case s13. A nucleus that stays shows one.
#[test]
fn a_molecule_shows_eight_lines_or_one() {
    let sites = vec![Site::electron(0.5).g_values([1.92, 1.92, 1.67]), Site::nucleus(3.5, -0.315343)];
    let system = SpinSystem::new(sites, vec![Coupling::values([0, 1], [0.018, 0.018, 0.13])]).unwrap();
    let levels = system.levels([0.0, 0.0, 1.35]).unwrap();
    let lines = Resonances::of(&system, &levels, 0, Vector3::z(), 0.4).unwrap();
    let expected = [31.099552, 31.229583, 31.359604, 31.489614, 31.619614, 31.749603, 31.879582, 32.009552];
    assert_eq!(lines.list().len(), 8);
    let mut order = 0.0;
    for (state, (line, expected)) in lines.list().iter().zip(expected).enumerate() {
        assert!((line.f0_hz - expected * 1e9).abs() < 1e3, "{line:?} is not at {expected}");
        order += line.order.z;
        let one = Resonances::of_stuck(&system, &levels, Vector3::z(), 0.4, (state, 8));
        assert_eq!((one.list().len(), one.list()[0].f0_hz), (1, line.f0_hz));
        // The whole order in one line: eight times as high as in the average.
        assert_near(one.list()[0].order.z, polarisation(line.f0_hz, 0.4), 1e-4);
    }
    // All lines together carry the order of the electron: saturating all takes it all.
    assert_near(order, polarisation(31.55e9, 0.4), 1e-3);
}

/// FWHM = √(1 + Ω²T1T2)/(π T2); saturation s/(1 + s) with s = Ω²T1T2.
#[test]
fn width_and_saturation_have_their_worked_values() {
    let driving = Driving { rabi_rad_s: 2.6e6, t1_s: 88e-6, t2_s: 210e-9, asymmetry: 0.0 };
    assert_near(driving.saturation(), 124.9248, 1e-12);
    assert_near(driving.width_hz(), 17.009301034325194e6, 1e-12);
    let junction = junction(-1e-3);
    let height_a = spin().current_change_a(20.55e9, &AT, &driving, &junction);
    assert_near(height_a / 10e-15, 0.9920587525253167, 1e-6);
    let weak = [
        (210.0, 1.5157613627799555),
        (30.0, 10.61032953945969),
        (40.0, 7.957747154594767),
        (100.0, 3.1830988618379066),
        (189.0, 1.684179291977728),
        (292.0, 1.0901023499444886),
    ];
    for (t2_ns, width_mhz) in weak {
        assert_near(width_hz(t2_ns * 1e-9), width_mhz * 1e6, 1e-12);
    }
    let strong = Driving { rabi_rad_s: 1e200, ..driving };
    assert_near(spin().current_change_a(20.55e9, &AT, &strong, &junction), 10e-15, 1e-12);
}

/// P = tanh(hf/2kT).
#[test]
fn thermal_contrast_has_its_worked_values() {
    let values = [
        (20.0, 1.2, 0.3798949896462757),
        (20.0, 0.4, 0.8335968784662031),
        (20.0, 0.05, 0.9999999907978172),
        (15.0, 0.3, 0.8335968784662031),
        (30.0, 4.2, 0.16974252535254947),
    ];
    for (f_ghz, temperature_k, expected) in values {
        assert_near(polarisation(f_ghz * 1e9, temperature_k), expected, 1e-13);
    }
    assert_eq!(polarisation(0.0, 0.0), 0.0);
}

/// f0 = 2|μ·B|/h for a moment of g/2 Bohr magnetons: values worked out beside the code.
#[test]
fn zeeman_lines_have_their_worked_values() {
    let values = [
        (1.0, 0.5, 13.996244917056908),
        (1.0, 1.0, 27.992489834113815),
        (0.9, 0.9, 22.67391676563219),
        (1.0, 1.35, 37.78986127605365),
    ];
    for (moment, field, f_ghz) in values {
        for direction in [[0.0, 0.0, 1.0], [0.6, 0.0, 0.8]] {
            let spin = Resonances::of_half([2.0 * moment; 3], direction.map(|part| field * part), 0.4);
            assert_near(spin.list()[0].f0_hz, f_ghz * 1e9, 1e-11);
        }
    }
    assert!(Resonances::of_half([2.0; 3], [0.0; 3], 0.4).list().is_empty());
}
