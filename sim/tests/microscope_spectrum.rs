//! Resonance and rectification as a sweep sees them.

mod microscope_common;

use microscope_common::{STILL, deviation, mean, night_with, over, set, sit, wait};
use noctule_sim::lockin::enbw_hz;
use noctule_sim::{Signal, microscope::Microscope, world::World};

fn radio_on(microscope: &mut Microscope, f_hz: f64) {
    set(microscope, Signal::RfFrequency, f_hz);
    set(microscope, Signal::RfLevel, -3.0);
    set(microscope, Signal::RfOutput, 1.0);
    set(microscope, Signal::LockinTimeConstant, 0.3);
    set(microscope, Signal::LockinOrder, 4.0);
    wait(microscope, 600.0);
}

fn sweep(microscope: &mut Microscope, centre_hz: f64, span_hz: f64, points: u32) -> Vec<(f64, f64)> {
    (0..points)
        .map(|index| {
            let f_hz = centre_hz + span_hz * (f64::from(index) / f64::from(points - 1) - 0.5);
            set(microscope, Signal::RfFrequency, f_hz);
            wait(microscope, 3.3);
            (f_hz, microscope.read(Signal::LockinX))
        })
        .collect()
}

/// Residual of the best line of the form a + b·x + c/(1+δ²) + d·δ/(1+δ²) at a trial centre and width.
fn residual(points: &[(f64, f64)], centre_hz: f64, width_hz: f64) -> f64 {
    let rows: Vec<[f64; 5]> = points
        .iter()
        .map(|(f_hz, x)| {
            let delta = 2.0 * (f_hz - centre_hz) / width_hz;
            let peak = 1.0 / (1.0 + delta * delta);
            [1.0, delta * 0.05, peak, delta * peak, *x * 1e15]
        })
        .collect();
    let mut normal = nalgebra::Matrix4::<f64>::zeros();
    let mut right = nalgebra::Vector4::<f64>::zeros();
    for row in &rows {
        for i in 0..4 {
            right[i] += row[i] * row[4];
            for j in 0..4 {
                normal[(i, j)] += row[i] * row[j];
            }
        }
    }
    let best = normal.lu().solve(&right).unwrap();
    rows.iter().map(|row| (row[4] - (0..4).map(|i| best[i] * row[i]).sum::<f64>()).powi(2)).sum()
}

/// Centre by nested search over centre and width.
fn fitted_hz(points: &[(f64, f64)]) -> f64 {
    let (first, last) = (points[0].0, points[points.len() - 1].0);
    let mut best = (f64::MAX, 0.0);
    for width_mhz in [9.0, 11.0, 13.0, 15.0] {
        for index in 0..=600 {
            let centre_hz = first + (last - first) * (0.1 + 0.8 * f64::from(index) / 600.0);
            let left = residual(points, centre_hz, width_mhz * 1e6);
            if left < best.0 {
                best = (left, centre_hz);
            }
        }
    }
    best.1
}

/// The slope of the line against the field is the moment of the world file: f = 2μ(B+Btip)/h with
/// 2μB/h = 27.9924898 GHz/T (CODATA 2022).
#[test]
fn the_field_line_gives_the_moment_of_the_world() {
    let world = World::shipped("night").unwrap();
    let mut microscope = over(&world, 2, "A1", 0.4);
    radio_on(&mut microscope, 10e9);
    let mut found = Vec::new();
    for step in 0..7 {
        let field_t = 0.4 + 0.1 * f64::from(step);
        set(&mut microscope, Signal::FieldZ, field_t);
        wait(&mut microscope, 120.0);
        sit(&mut microscope, "A1");
        let truth_hz = microscope.truth().lines_hz[0];
        let points = sweep(&mut microscope, truth_hz.round(), 90e6, 121);
        let shown_t = microscope.read(Signal::FieldZ);
        found.push((shown_t, fitted_hz(&points)));
    }
    let n = found.len() as f64;
    let (mx, my) = (found.iter().map(|p| p.0).sum::<f64>() / n, found.iter().map(|p| p.1).sum::<f64>() / n);
    let sxx: f64 = found.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let slope = found.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / sxx;
    let rest: f64 = found.iter().map(|p| (p.1 - my - slope * (p.0 - mx)).powi(2)).sum();
    let error = (rest / (n - 2.0) / sxx).sqrt();
    let moment_mub = slope / 27.992_489_834_113_815e9;
    let error_mub = error / 27.992_489_834_113_815e9;
    let expected = microscope.truth().spins.iter().find(|spin| spin.name == "A1").unwrap().moment_mub[2];
    assert!((expected - 0.895).abs() < 1e-12, "g/2 of the world file");
    assert!((moment_mub - expected).abs() < 3.5 * error_mub, "{moment_mub} ± {error_mub}, {expected}");
    assert!(error_mub < 2e-3, "{error_mub}");
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
    let density = parts.iter().map(|part| part * part).sum::<f64>().sqrt();
    let expected = density * enbw_hz(4, 0.3).unwrap().sqrt();
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
