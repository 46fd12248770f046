//! The spin under the tip against closed forms and against the general path.

use noctule_sim::resonance::{
    Junction, NuclearState, Nucleus, ResonanceError, SpinParameters, SpinUnderTip, Surroundings, polarisation,
};
use noctule_sim::spin::constants::{E_C, MU_B_HZ_PER_T};

fn there() -> Surroundings {
    Surroundings {
        field_t: [0.2, 0.0, 0.9],
        tip_field_t: [0.0, 0.01, -0.02],
        temperature_k: 0.4,
        nuclear: NuclearState::Averaged,
    }
}

fn junction() -> Junction {
    Junction { current_a: 10e-12, polarisation: 0.25, tip_direction: [0.0, 0.0, 2.0] }
}

fn molecule() -> SpinParameters {
    let nucleus = Nucleus { spin: 3.5, g_n: -0.315343, hyperfine_ghz: [0.018, 0.018, 0.13] };
    SpinParameters { g: [1.92, 1.92, 1.67], nucleus: Some(nucleus), asymmetry: 0.1, ..Default::default() }
}

/// f0 = μB|g·B|/h, ΔI = −I P (t·u) tanh(hf/2kT) s/(1+s), u along g·B; Bloch's steady state.
#[test]
fn a_lone_spin_obeys_the_closed_form() {
    let g = [1.65, 1.89, 1.92];
    let mut spin = SpinUnderTip::new(SpinParameters { g, ..Default::default() }).unwrap();
    let b: [f64; 3] = std::array::from_fn(|k| g[k] * (there().field_t[k] + there().tip_field_t[k]));
    let length = b.iter().map(|b| b * b).sum::<f64>().sqrt();
    let f0_hz = MU_B_HZ_PER_T * length;
    let found = spin.resonances(&there()).unwrap().list()[0];
    assert!((found.f0_hz / f0_hz - 1.0).abs() < 1e-14);
    // 2 mV at 1 rad/(µs mV): s = (2e6)²·(100 ns)² = 0.04.
    let change = spin.current_change_a(&there(), &junction(), f0_hz, 2e-3).unwrap();
    let expected = -10e-12 * 0.25 * (b[2] / length) * polarisation(f0_hz, 0.4) * 0.04 / 1.04;
    assert!((change / expected - 1.0).abs() < 1e-12, "{change} is not {expected}");
    assert_eq!(spin.moment_mu_b(), [0.825, 0.945, 0.96]);
    // At half the power-broadened width the change is half as large.
    let half_width = spin.driving(&junction(), 2e-3).width_hz() / 2.0;
    let half = spin.current_change_a(&there(), &junction(), f0_hz + half_width, 2e-3).unwrap();
    assert!((half / expected - 0.5).abs() < 1e-6);
    // No field, no line; a tip across the spin sees nothing.
    let nowhere = Surroundings { field_t: [0.0; 3], tip_field_t: [0.0; 3], ..there() };
    assert_eq!(spin.current_change_a(&nowhere, &junction(), 1e9, 2e-3), Ok(0.0));
}

/// A nucleus that couples to nothing leaves the closed form of the lone spin.
#[test]
fn the_general_path_meets_the_closed_form() {
    let nucleus = Nucleus { spin: 1.5, g_n: 1.48, hyperfine_ghz: [0.0; 3] };
    let alone = SpinParameters { g: [1.65, 1.89, 1.92], asymmetry: 0.2, ..Default::default() };
    let mut alone_spin = SpinUnderTip::new(alone).unwrap();
    let mut with_nucleus = SpinUnderTip::new(SpinParameters { nucleus: Some(nucleus), ..alone }).unwrap();
    let f0_hz = alone_spin.resonances(&there()).unwrap().list()[0].f0_hz;
    for offset_mhz in [-30.0, -4.0, 0.0, 1.0, 11.0] {
        let f_hz = f0_hz + offset_mhz * 1e6;
        let expected = alone_spin.current_change_a(&there(), &junction(), f_hz, 5e-3).unwrap();
        let found = with_nucleus.current_change_a(&there(), &junction(), f_hz, 5e-3).unwrap();
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} is not {expected}");
    }
}

/// Eight lines 130 MHz apart at 1.35 T: Nat. Commun. 16 (2025), 10.1038/s41467-025-63232-5,
/// for a titanium isotope with I = 7/2. Positions: see `spin_cases.json`, case s13.
#[test]
fn a_molecule_shows_eight_lines_or_one() {
    let mut spin = SpinUnderTip::new(molecule()).unwrap();
    let averaged = Surroundings { field_t: [0.0, 0.0, 1.35], tip_field_t: [0.0; 3], ..there() };
    let lines = spin.resonances(&averaged).unwrap().list().to_vec();
    let expected = [31.099552, 31.229583, 31.359604, 31.489614, 31.619614, 31.749603, 31.879582, 32.009552];
    assert_eq!(lines.len(), 8);
    let mut order = 0.0;
    for (line, expected) in lines.iter().zip(expected) {
        assert!((line.f0_hz - expected * 1e9).abs() < 1e3, "{line:?} is not at {expected}");
        assert!((line.relative_rabi_squared - 1.0).abs() < 1e-5);
        order += line.order.z;
    }
    // All lines together carry the order of the electron: saturating all takes it all.
    assert!((order / polarisation(31.55e9, 0.4) - 1.0).abs() < 1e-3, "{order}");

    assert_eq!(spin.nuclear_states(), 8);
    for state in 0..8_u8 {
        let stuck = Surroundings { nuclear: NuclearState::Stuck(state), ..averaged };
        let list = spin.resonances(&stuck).unwrap().list();
        assert_eq!(list.len(), 1);
        assert_eq!(list[0].f0_hz, lines[usize::from(state)].f0_hz);
        // The whole order in one line: about eight times as high as in the average.
        assert!((list[0].order.z / polarisation(list[0].f0_hz, 0.4) - 1.0).abs() < 1e-4);
    }
}

/// The curve for one drive and the point by point evaluation are the same function.
#[test]
fn spectrum_and_points_agree() {
    let mut spin = SpinUnderTip::new(molecule()).unwrap();
    let spectrum = spin.spectrum(&there(), &junction(), 4e-3).unwrap();
    let highest = spectrum.lines().iter().map(|line| line.height_a.abs()).fold(0.0, f64::max);
    // In a tilted field the nucleus can flip along: eight strong lines, and weak ones between them.
    let strong = spectrum.lines().iter().filter(|line| line.height_a.abs() > 0.1 * highest);
    assert_eq!(strong.count(), 8);
    assert!(spectrum.lines().len() > 8);
    for k in 0..400 {
        let f_hz = spectrum.lines()[0].f0_hz - 0.2e9 + f64::from(k) * 4e6;
        let point = spin.current_change_a(&there(), &junction(), f_hz, 4e-3).unwrap();
        assert!((spectrum.at(f_hz) - point).abs() < 1e-9 * highest);
    }
}

/// What is kept never outlives its surroundings: a used spin answers as a fresh one.
#[test]
fn kept_lines_follow_every_change() {
    let mut used = SpinUnderTip::new(molecule()).unwrap();
    let base = there();
    let changes = [
        base,
        Surroundings { temperature_k: 1.2, ..base },
        Surroundings { field_t: [0.2, 0.0, 0.8], ..base },
        Surroundings { tip_field_t: [0.0, 0.0, 0.05], ..base },
        Surroundings { nuclear: NuclearState::Stuck(3), ..base },
        base,
    ];
    for surroundings in changes {
        let mut fresh = SpinUnderTip::new(molecule()).unwrap();
        assert_eq!(used.resonances(&surroundings), fresh.resonances(&surroundings));
    }
    let bad = Surroundings { field_t: [f64::NAN, 0.0, 0.0], ..base };
    assert!(used.resonances(&bad).is_err() && used.resonances(&base).is_ok());
}

/// 1/T2 grows by events·I/e; the Rabi rate by (I/Iref)^exponent.
#[test]
fn current_shortens_coherence_and_strengthens_the_drive() {
    let parameters =
        SpinParameters { events_per_electron: 0.64, rabi_exponent: 1.0, t2_s: 150e-9, ..Default::default() };
    let spin = SpinUnderTip::new(parameters).unwrap();
    let driving = spin.driving(&Junction { current_a: -20e-12, ..junction() }, 3e-3);
    let rate = 1.0 / 150e-9 + 0.64 * 20e-12 / E_C;
    assert!((driving.t2_s * rate - 1.0).abs() < 1e-14);
    assert!((driving.rabi_rad_s / 6e6 - 1.0).abs() < 1e-14);
}

#[test]
fn every_bad_parameter_is_named() {
    let nucleus = Nucleus { spin: 0.3, g_n: f64::NAN, hyperfine_ghz: [0.0, f64::INFINITY, 0.0] };
    let bad = SpinParameters {
        g: [f64::NAN, 2.0, 0.0],
        nucleus: Some(nucleus),
        t1_s: -1.0,
        t2_s: f64::NAN,
        events_per_electron: -0.5,
        ..Default::default()
    };
    let Err(ResonanceError::Faults(faults)) = SpinUnderTip::new(bad).map(|_| ()) else {
        panic!("it was taken")
    };
    let text: Vec<String> = faults.iter().map(ToString::to_string).collect();
    for needle in
        ["g must be", "t1_s must be", "t2_s must be", "events_per_electron", "can't have spin 0.3", "tensor"]
    {
        assert!(text.iter().any(|line| line.contains(needle)), "{needle}: {text:#?}");
    }
    let long = SpinParameters { t1_s: 1e-7, t2_s: 3e-7, ..Default::default() };
    assert!(SpinUnderTip::new(long).unwrap_err().to_string().contains("twice t1_s"));
}

#[test]
fn bad_conditions_are_refused() {
    let mut spin = SpinUnderTip::new(molecule()).unwrap();
    for bad in [
        Surroundings { temperature_k: -0.1, ..there() },
        Surroundings { temperature_k: f64::NAN, ..there() },
        Surroundings { tip_field_t: [0.0, 0.0, f64::INFINITY], ..there() },
        Surroundings { nuclear: NuclearState::Stuck(8), ..there() },
    ] {
        assert!(spin.resonances(&bad).is_err(), "{bad:?}");
    }
    assert!(spin.current_change_a(&there(), &junction(), 20e9, f64::NAN).is_err());
    let blind = Junction { tip_direction: [0.0; 3], ..junction() };
    assert_eq!(spin.current_change_a(&there(), &blind, 20e9, 1e-3), Ok(0.0));
}
