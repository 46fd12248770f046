//! What the tests of the microscope share.
#![allow(dead_code)]

use noctule_sim::{Act, ActReport, Signal, microscope::Microscope, world::World};

/// The night's world with some of its text replaced.
pub fn night_with(changes: &[(&str, &str)]) -> World {
    let mut text = World::shipped_text("night").unwrap().to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "`{from}` is in the file");
        text = text.replacen(from, to, 1);
    }
    World::read(&text).unwrap_or_else(|faults| panic!("{faults}"))
}

/// Changes that make the sample stand still.
pub const STILL: [(&str, &str); 4] = [
    ("velocity_pm_s: [0.060, -0.045, 0.020]", "velocity_pm_s: [0.0, 0.0, 0.0]"),
    ("wander_pm_s: 0.020", "wander_pm_s: 0.0"),
    ("creep_fraction: 0.006", "creep_fraction: 0.0"),
    ("landing_scatter_nm: 0.04", "landing_scatter_nm: 0.0"),
];

/// Runs an act to its end.
pub fn run(microscope: &mut Microscope, act: Act) -> ActReport {
    let expected_s = microscope.begin(act).unwrap();
    microscope.advance_to(microscope.now_s() + expected_s + 2.0);
    microscope.poll().expect("the act has ended")
}

pub fn set(microscope: &mut Microscope, signal: Signal, value: f64) {
    microscope.set(signal, value).unwrap_or_else(|refusal| panic!("{signal:?} {value}: {refusal}"));
}

pub fn wait(microscope: &mut Microscope, seconds: f64) {
    microscope.advance_to(microscope.now_s() + seconds);
}

/// In range over a site, as the truth says, at a field.
pub fn over(world: &World, seed: u64, site: &str, field_t: f64) -> Microscope {
    let mut microscope = Microscope::new(world, seed);
    set(&mut microscope, Signal::Bias, 0.06);
    set(&mut microscope, Signal::Setpoint, 10e-12);
    set(&mut microscope, Signal::FieldZ, field_t);
    wait(&mut microscope, 20.0 + 600.0 * field_t.abs());
    assert!(run(&mut microscope, Act::Approach).achieved);
    sit(&mut microscope, site);
    microscope
}

/// Puts the tip where the site really is.
pub fn sit(microscope: &mut Microscope, site: &str) {
    // Creep answers to the move itself, so the second try lands nearer.
    for _ in 0..3 {
        let truth = microscope.truth();
        let at_m = truth.spins.iter().find(|spin| spin.name == site).unwrap().at_m;
        set(microscope, Signal::TipX, at_m[0]);
        set(microscope, Signal::TipY, at_m[1]);
    }
    wait(microscope, 2.0);
}

pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

pub fn deviation(values: &[f64]) -> f64 {
    let middle = mean(values);
    (values.iter().map(|v| (v - middle).powi(2)).sum::<f64>() / (values.len() - 1) as f64).sqrt()
}
