//! Resonance and rectification as a sweep sees them.

mod microscope_common;

use microscope_common::{STILL, deviation, mean, night_with, over, set, sit, wait};
use noctule_sim::{Signal, microscope::Microscope, world::World};

fn radio_on(microscope: &mut Microscope, f_hz: f64) {
    set(microscope, Signal::RfFrequency, f_hz);
    set(microscope, Signal::RfLevel, -3.0);
    set(microscope, Signal::RfOutput, 1.0);
    set(microscope, Signal::LockinTimeConstant, 0.3);
    set(microscope, Signal::LockinOrder, 4.0);
    wait(microscope, 600.0);
}

/// Noise of the output is the density times the root of the noise bandwidth 5/(64τ).
#[test]
fn noise_of_the_output_has_its_size() {
    let mut microscope = over(&night_with(&STILL), 2, "A1", 0.6);
    set(&mut microscope, Signal::LockinTimeConstant, 0.3);
    set(&mut microscope, Signal::LockinOrder, 4.0);
    let mut values = Vec::new();
    for _ in 0..4000 {
        wait(&mut microscope, 6.0);
        values.push(microscope.read(Signal::LockinX));
    }
    // Shot, Johnson, vibration (0.008 pm · 21.7358/nm · I) and 1/f (0.0005·I/√95) in squares, fA/√Hz.
    let parts: [f64; 4] =
        [1.7900707438534378, 4.070354775692163, 8e-15 * 21.735757707902366e9 * 1e4, 5.0 / 95f64.sqrt()];
    // Under the loop of 40 Hz |jf/(jf + fb)| = 0.921635 of it is left at 95 Hz.
    let density = 0.921_635 * parts.iter().map(|part| part * part).sum::<f64>().sqrt();
    let expected = density * (5.0_f64 / 64.0 / 0.3).sqrt();
    let measured = deviation(&values) * 1e15;
    // The deviation of 4000 independent values is known to 1.1 %; four of them.
    assert!((measured / expected - 1.0).abs() < 0.045, "{measured} instead of {expected}");
    assert!(mean(&values).abs() * 1e15 < 4.0 * expected / 4000f64.sqrt());
    assert!((2.0..4.0).contains(&measured), "{measured}");
}

/// Signal to noise of one point on the peak of the shipped night.
#[test]
fn the_night_has_the_signal_it_promises() {
    let world = World::shipped("night").unwrap();
    let mut microscope = over(&world, 2, "A1", 0.6);
    radio_on(&mut microscope, 15e9);
    sit(&mut microscope, "A1");
    let line_hz = microscope.truth().lines_hz[0];
    let level = |microscope: &mut Microscope, f_hz: f64| {
        set(microscope, Signal::RfFrequency, f_hz);
        let values: Vec<f64> = (0..40)
            .map(|_| {
                wait(microscope, 4.0);
                microscope.read(Signal::LockinX)
            })
            .collect();
        mean(&values) * 1e15
    };
    let off = 0.5 * (level(&mut microscope, line_hz - 60e6) + level(&mut microscope, line_hz + 60e6));
    let peak_fa = level(&mut microscope, line_hz) - off;
    assert!((30.0..80.0).contains(&peak_fa), "{peak_fa}");
}

/// A molecule with I = 7/2 shows 2I + 1 = 8 lines.
#[test]
fn a_molecule_has_eight_lines() {
    let world = World::shipped("hyperfine").unwrap();
    let microscope = over(&world, 2, "M1", 0.6);
    let mut lines_hz = microscope.truth().lines_hz[..8].to_vec();
    lines_hz.sort_by(f64::total_cmp);
    for pair in lines_hz.windows(2) {
        // 142 MHz apart along z, but for the second order A²/2f of the transverse part.
        assert!(((pair[1] - pair[0]) * 1e-6 - 142.0).abs() < 3.0, "{lines_hz:?}");
    }
}

/// Each molecule has a nucleus of its own: with an isotope without spin it shows one line, in the
/// middle of the others' eight.
#[test]
fn an_isotope_without_spin_shows_one_line() {
    let world = World::shipped("hyperfine").unwrap();
    let lines_of = |site: &str| over(&world, 2, site, 0.6).truth().lines_hz;
    let (loud, quiet) = (lines_of("M2"), lines_of("M3"));
    assert_eq!(quiet.len(), 1);
    let middle_hz = mean(&loud[..8]);
    assert!((quiet[0] - middle_hz).abs() < 3e6, "{} {middle_hz}", quiet[0]);
}

/// Each spin of a detuned pair shows its lines split by J plus the dipole part along the field:
/// levels of the secular pair are (C) Jz/4 ± (z1+z2)/2 and −Jz/4 ± ½√(Jt²+δ²), so lines come in
/// twos that are Jz apart whatever the detuning. With the field along z and the pair in the plane
/// Jz = J + g1 g2 · 12.9801 MHz nm³/r³.
#[test]
fn a_coupled_pair_is_split_by_its_exchange_and_dipole() {
    let world = World::shipped("hyperfine").unwrap();
    let microscope = over(&world, 2, "P1", 0.6);
    let lines_hz = &microscope.truth().lines_hz;
    let distance_nm = (0.84f64 * 0.84 + 0.36 * 0.36).sqrt();
    let along_mhz = 740.0 + 1.79 * 1.88 * 12.980_131_622_565 / distance_nm.powi(3);
    let split_mhz = (lines_hz[0] - lines_hz[1]).abs() * 1e-6;
    // What the secular form leaves out is of second order: (40 MHz)²/15 GHz.
    assert!((split_mhz - along_mhz).abs() < 0.5, "{split_mhz} instead of {along_mhz}");
}

/// What the line does to the RF stays where it is when the field changes; the resonance does not.
#[test]
fn false_peaks_do_not_move_with_the_field() {
    let world = night_with(&STILL);
    let dip_hz = 14.62e9;
    let mut depths = Vec::new();
    for field_t in [0.45, 0.75] {
        let mut microscope = over(&world, 3, "A1", field_t);
        radio_on(&mut microscope, dip_hz);
        let level = |microscope: &mut Microscope, f_hz: f64| {
            set(microscope, Signal::RfFrequency, f_hz);
            let values: Vec<f64> = (0..60)
                .map(|_| {
                    wait(microscope, 3.0);
                    microscope.read(Signal::LockinX)
                })
                .collect();
            mean(&values)
        };
        let beside = 0.5 * (level(&mut microscope, dip_hz - 110e6) + level(&mut microscope, dip_hz + 110e6));
        depths.push((beside - level(&mut microscope, dip_hz)) * 1e15);
    }
    // 2.4 fA of noise in each reading, 60 of them, three levels.
    assert!(depths.iter().all(|depth| *depth > 2.0), "{depths:?}");
    assert!((depths[0] - depths[1]).abs() < 2.5, "{depths:?}");
}

/// Without polarisation, without RF, withdrawn, or beside the spin there is nothing to see.
#[test]
fn no_resonance_without_its_conditions() {
    let amplitude = |world: &World, offset_m: f64| {
        let mut microscope = over(world, 3, "A1", 0.6);
        radio_on(&mut microscope, 15e9);
        sit(&mut microscope, "A1");
        let line_hz = microscope.truth().lines_hz[0];
        let x_m = microscope.read(Signal::TipX);
        set(&mut microscope, Signal::TipX, x_m + offset_m);
        let mut level = |f_hz: f64| {
            set(&mut microscope, Signal::RfFrequency, f_hz);
            let values: Vec<f64> = (0..30)
                .map(|_| {
                    wait(&mut microscope, 3.0);
                    microscope.read(Signal::LockinX)
                })
                .collect();
            mean(&values) * 1e15
        };
        level(line_hz) - 0.5 * (level(line_hz - 60e6) + level(line_hz + 60e6))
    };
    let still = night_with(&STILL);
    assert!(amplitude(&still, 0.0) > 30.0);
    assert!(amplitude(&still, 1.3e-9).abs() < 3.0);
    let mut bare = STILL.to_vec();
    bare.push(("polarisation: 0.36", "polarisation: 0.0"));
    assert!(amplitude(&night_with(&bare), 0.0).abs() < 3.0);
}

/// The line is measured through the junction itself (Appl. Phys. Lett. 107, 093101 (2015): an RF
/// voltage rectified at a non-linearity): the level that gives the same rectified current at two
/// frequencies differs by the difference of their transmissions.
#[test]
fn a_sequence_can_measure_the_line_through_the_junction() {
    // Without polarisation, so that no wing of a resonance lies under it: this is the line alone.
    let world = night_with(&[&STILL[..], &[("polarisation: 0.36", "polarisation: 0.0")]].concat());
    let mut microscope = over(&world, 6, "A1", 0.6);
    // On the shoulder of the adatom's step, where the current is most bent.
    set(&mut microscope, Signal::Bias, 0.019);
    set(&mut microscope, Signal::Setpoint, 200e-12);
    wait(&mut microscope, 5.0);
    set(&mut microscope, Signal::Feedback, 0.0);
    radio_on(&mut microscope, 13e9);
    let reading = |microscope: &mut Microscope, f_hz: f64, level_dbm: f64| {
        set(microscope, Signal::RfFrequency, f_hz);
        set(microscope, Signal::RfLevel, level_dbm);
        wait(microscope, 4.0);
        microscope.read(Signal::LockinX)
    };
    let wanted_a = reading(&mut microscope, 13e9, -3.0);
    let amplitude_v = microscope.truth().rf_amplitude_v;
    for f_hz in [12e9, 14.62e9, 17.3e9, 21.35e9, 24e9] {
        let (mut low_dbm, mut high_dbm) = (-20.0, 15.0);
        for _ in 0..14 {
            let middle_dbm = 0.5 * (low_dbm + high_dbm);
            if reading(&mut microscope, f_hz, middle_dbm) < wanted_a {
                low_dbm = middle_dbm;
            } else {
                high_dbm = middle_dbm;
            }
        }
        // The same reading means the same amplitude: the levels differ by the transmissions.
        let error_db = 20.0 * (microscope.truth().rf_amplitude_v / amplitude_v).log10();
        assert!(error_db.abs() < 0.05, "{f_hz}: {error_db} dB");
    }
}
