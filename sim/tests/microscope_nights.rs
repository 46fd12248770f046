//! Twenty nights as a sequence would spend them: find the spin by its height, sweep, fit, step the
//! field, and compare the slope of the field line with the world file. Nothing here looks at the truth.

mod microscope_common;

use microscope_common::{mean, night_with, run, set, wait};
use nalgebra::{SMatrix, SVector};
use noctule_sim::{Act, Signal, microscope::Microscope, world::World};

/// 2μB/h, Hz/T (CODATA 2022).
const HZ_PER_T_MUB: f64 = 27.992_489_834_113_815e9;

/// Goes to the top of the atom along one axis: a parabola through thirteen heights.
fn centre_along(microscope: &mut Microscope, axis: Signal) {
    let here_m = microscope.read(axis);
    let mut sums = [0.0; 5];
    for index in -6..=6 {
        let off_nm = f64::from(index) * 0.05;
        set(microscope, axis, here_m + off_nm * 1e-9);
        wait(microscope, 0.1);
        let mut height = || {
            wait(microscope, 0.02);
            microscope.read(Signal::Height) * 1e12
        };
        let height_pm = mean(&[height(), height(), height(), height()]);
        let square = off_nm * off_nm;
        for (sum, part) in
            sums.iter_mut().zip([square, square * square, height_pm, off_nm * height_pm, square * height_pm])
        {
            *sum += part;
        }
    }
    let [second, fourth, flat, slope, bend] = sums;
    let curvature = (13.0 * bend - second * flat) / (13.0 * fourth - second * second);
    let top_nm = (-slope / second / (2.0 * curvature)).clamp(-0.3, 0.3);
    set(microscope, axis, here_m + top_nm * 1e-9);
    wait(microscope, 0.3);
}

/// a + b·x + p·(1+αδ)/(1+δ²) with x in MHz from `middle_hz`; parameters a, b, p, centre, width, α.
fn model(p: &SVector<f64, 6>, x_mhz: f64) -> f64 {
    let delta = 2.0 * (x_mhz - p[3]) / p[4];
    p[0] + p[1] * x_mhz / 60.0 + p[2] * (1.0 + p[5] * delta) / (1.0 + delta * delta)
}

/// Centre of the line, Hz, by damped least squares (fA and MHz).
fn centre_hz(points: &[(f64, f64)]) -> f64 {
    let middle_hz = points[points.len() / 2].0;
    let points: Vec<(f64, f64)> = points.iter().map(|(f, x)| ((f - middle_hz) * 1e-6, x * 1e15)).collect();
    let top = points.iter().copied().fold((0.0, f64::MIN), |best, p| if p.1 > best.1 { p } else { best });
    let mut best = SVector::<f64, 6>::from([points[0].1, 0.0, top.1 - points[0].1, top.0, 12.0, 0.2]);
    let rest = |p: &SVector<f64, 6>| points.iter().map(|(x, y)| (y - model(p, *x)).powi(2)).sum::<f64>();
    let (mut damping, mut left) = (1e-3, rest(&best));
    for _ in 0..60 {
        let mut normal = SMatrix::<f64, 6, 6>::zeros();
        let mut right = SVector::<f64, 6>::zeros();
        for (x, y) in &points {
            let value = model(&best, *x);
            let slopes = SVector::<f64, 6>::from_fn(|k, _| {
                let step = 1e-5 * (1.0 + best[k].abs());
                let mut moved = best;
                moved[k] += step;
                (model(&moved, *x) - value) / step
            });
            normal += slopes * slopes.transpose();
            right += slopes * (y - value);
        }
        for k in 0..6 {
            normal[(k, k)] *= 1.0 + damping;
        }
        let Some(step) = normal.lu().solve(&right) else { break };
        let trial = best + step;
        if rest(&trial) < left {
            (best, left, damping) = (trial, rest(&trial), damping * 0.3);
        } else {
            damping *= 5.0;
        }
    }
    middle_hz + best[3] * 1e6
}

/// Straight line through the points: slope and its standard error from the scatter.
fn slope(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / sxx;
    let rest: f64 = points.iter().map(|p| (p.1 - my - slope * (p.0 - mx)).powi(2)).sum();
    (slope, (rest / (n - 2.0) / sxx).sqrt())
}

/// Nineteen fields from 0.4 to 1.0 T, 201 points of 3 s each: moment and error in Bohr magnetons.
fn night(world: &World, seed: u64) -> (f64, f64) {
    let mut microscope = Microscope::new(world, seed);
    set(&mut microscope, Signal::Bias, 0.06);
    set(&mut microscope, Signal::Setpoint, 10e-12);
    set(&mut microscope, Signal::FieldZ, 0.4);
    wait(&mut microscope, 260.0);
    assert!(run(&mut microscope, Act::Approach).achieved);
    // Where the evening's image showed A1.
    run(&mut microscope, Act::MoveTip { x_m: 3.20e-9, y_m: -1.85e-9, speed_m_s: 1e-9 });
    set(&mut microscope, Signal::RfLevel, -3.0);
    set(&mut microscope, Signal::RfFrequency, 10e9);
    set(&mut microscope, Signal::RfOutput, 1.0);
    let mut found: Vec<(f64, f64)> = Vec::new();
    for index in 0..19 {
        let field_t = 0.4 + 0.6 * f64::from(index) / 18.0;
        set(&mut microscope, Signal::FieldZ, field_t);
        wait(&mut microscope, 60.0);
        for axis in [Signal::TipX, Signal::TipY, Signal::TipX, Signal::TipY] {
            centre_along(&mut microscope, axis);
        }
        // A first guess of the moment for the first two, the line through what was found after that.
        let shown_t = microscope.read(Signal::FieldZ);
        let guess_hz = match found[..] {
            [first, .., last] => last.1 + (last.1 - first.1) / (last.0 - first.0) * (shown_t - last.0),
            _ => 0.895 * HZ_PER_T_MUB * (shown_t + 4e-3),
        };
        let mut points = Vec::new();
        for step in -100..=100 {
            let f_hz = (guess_hz + 0.6e6 * f64::from(step)).round();
            set(&mut microscope, Signal::RfFrequency, f_hz);
            wait(&mut microscope, 3.0);
            points.push((f_hz, microscope.read(Signal::LockinX)));
        }
        found.push((microscope.read(Signal::FieldZ), centre_hz(&points)));
    }
    let (slope_hz_t, error_hz_t) = slope(&found);
    (slope_hz_t / HZ_PER_T_MUB, error_hz_t / HZ_PER_T_MUB)
}

/// The line against the field gives the moment of the world file, f = 2μ(B+Btip)/h, within three
/// standard errors; one outlier in twenty is allowed.
///
/// The drift does not wander here: its velocity keeps for an hour and a half, so that the tip stands off the spin
/// alike at neighbouring fields, and the error of a straight line knows nothing of that. The next test has it.
#[test]
fn the_moment_is_recovered_in_twenty_nights() {
    let world = night_with(&[("wander_pm_s: 0.020", "wander_pm_s: 0.0")]);
    let expected_mub = world.surface.species[0].moment_mub()[2];
    assert!((expected_mub - 0.895).abs() < 1e-12, "g/2 of the world file");
    let pulls: Vec<f64> = (0..20)
        .map(|seed| {
            let (moment_mub, error_mub) = night(&world, seed);
            assert!(error_mub < 1e-4, "seed {seed}: {moment_mub} ± {error_mub}");
            (moment_mub - expected_mub) / error_mub
        })
        .collect();
    let outside = pulls.iter().filter(|pull| pull.abs() > 3.0).count();
    assert!(outside <= 1, "{pulls:?}");
    // With nothing systematic left the mean of twenty is within four of its own errors.
    assert!(mean(&pulls).abs() < 4.0 * 1.06 / 20f64.sqrt(), "{pulls:?}");
}

/// With it the pulls get wider, by the share that neighbouring fields have in common, and no more than that.
#[test]
fn a_wandering_drift_makes_the_error_of_a_straight_line_too_small() {
    let world = World::shipped("night").unwrap();
    let pulls: Vec<f64> = (20..40)
        .map(|seed| {
            let (moment_mub, error_mub) = night(&world, seed);
            (moment_mub - 0.895) / error_mub
        })
        .collect();
    let rms = mean(&pulls.iter().map(|pull| pull * pull).collect::<Vec<_>>()).sqrt();
    assert!((0.6..2.2).contains(&rms), "{rms} {pulls:?}");
}
