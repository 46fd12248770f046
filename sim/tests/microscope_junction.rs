//! Heights, images, drift and differential conductance as measured on the simulated microscope.

mod microscope_common;

use microscope_common::{STILL, mean, night_with, over, run, set, sit, wait};
use noctule_sim::tunnel::peak_shape;
use noctule_sim::{Act, Signal, microscope::Microscope, world::World};

/// Boltzmann's constant in eV/K (CODATA 2022).
const K_EV: f64 = 8.617_333_262_145_179e-5;

/// Ten times the setpoint brings the tip one decade length nearer: 105.935 pm at 4.5 eV (C).
#[test]
fn the_loop_moves_a_decade_for_a_decade() {
    let mut microscope = over(&night_with(&STILL), 1, "A1", 0.0);
    let height = |microscope: &mut Microscope, setpoint_a: f64| {
        set(microscope, Signal::Setpoint, setpoint_a);
        wait(microscope, 1.0);
        mean(&(0..400).map(|_| microscope.read(Signal::Height)).collect::<Vec<_>>())
    };
    let step_m = height(&mut microscope, 10e-12) - height(&mut microscope, 100e-12);
    // 0.8 pm of noise over √400, two readings: 0.06 pm.
    assert!((step_m * 1e12 - 105.935).abs() < 0.25, "{step_m}");
}

/// The loop follows a step with 1/(2πf): 63 % of the way after 3.979 ms at 40 Hz (C).
#[test]
fn the_loop_has_its_bandwidth() {
    let mut microscope = over(&night_with(&STILL), 1, "A1", 0.0);
    let before = microscope.truth().gap_m;
    set(&mut microscope, Signal::Setpoint, 100e-12);
    wait(&mut microscope, 1.0 / (2.0 * std::f64::consts::PI * 40.0));
    let moved = before - microscope.truth().gap_m;
    wait(&mut microscope, 1.0);
    // Nearer by, the tip's field orders the spin more: the way is not quite that of the barrier alone.
    let whole = before - microscope.truth().gap_m;
    assert!((whole * 1e12 - 105.93534966).abs() < 0.1, "{whole}");
    assert!((moved / whole - (1.0 - (-1.0f64).exp())).abs() < 1e-6, "{moved} {whole}");
}

/// Centre of the bump in an image, by its first moments above half height, and its error's size.
fn centre(image: &[f64], pixels: usize, size_m: f64) -> [f64; 2] {
    let floor = image.iter().copied().fold(f64::MAX, f64::min);
    let top = image.iter().copied().fold(f64::MIN, f64::max);
    let mut sum = [0.0; 3];
    for (index, height) in image.iter().enumerate() {
        let weight = (height - floor - 0.4 * (top - floor)).max(0.0);
        let place = |n: usize| size_m * ((n as f64 + 0.5) / pixels as f64 - 0.5);
        sum[0] += weight;
        sum[1] += weight * place(index % pixels);
        sum[2] += weight * place(index / pixels);
    }
    [sum[1] / sum[0], sum[2] / sum[0]]
}

/// Two images an hour apart: the adatom has moved by the drift of the world, 0.06 and −0.045 pm/s.
#[test]
fn images_an_hour_apart_show_the_drift() {
    let world = night_with(&[
        ("wander_pm_s: 0.020", "wander_pm_s: 0.0"),
        ("creep_fraction: 0.006", "creep_fraction: 0.0"),
    ]);
    let mut microscope = over(&world, 1, "A1", 0.0);
    let at_m = [microscope.read(Signal::TipX), microscope.read(Signal::TipY)];
    let (pixels, size_m) = (48_u32, 2e-9);
    let mut look = || {
        let act = Act::Image { x_m: at_m[0], y_m: at_m[1], size_m, pixels, line_s: 1.0 };
        let image = run(&mut microscope, act).data;
        assert_eq!(image.len(), (pixels * pixels) as usize);
        let found = centre(&image, pixels as usize, size_m);
        wait(&mut microscope, 3504.0);
        found
    };
    let (first, second) = (look(), look());
    // An image takes 96 s and another look starts after 3504 s more (and the 2 s after the act): 3602 s.
    let moved = [0, 1].map(|i| (second[i] - first[i]) * 1e12);
    assert!((moved[0] - 0.060 * 3602.0).abs() < 3.0, "{moved:?}");
    assert!((moved[1] + 0.045 * 3602.0).abs() < 3.0, "{moved:?}");
}

#[test]
fn an_image_shows_atom_hole_and_step() {
    let mut microscope = over(&night_with(&STILL), 1, "A1", 0.0);
    let mut top = |x_nm: f64, y_nm: f64| {
        let act = Act::Image { x_m: x_nm * 1e-9, y_m: y_nm * 1e-9, size_m: 1.6e-9, pixels: 24, line_s: 0.5 };
        let image = run(&mut microscope, act).data;
        let middle = image[12 * 24 + 12];
        (middle - image[0]) * 1e9
    };
    // The height of the adatom, but for what the inelastic channel adds to the current there.
    assert!((top(3.20, -1.85) - 0.16).abs() < 0.012);
    assert!((top(5.70, -5.60) + 0.09).abs() < 0.006);
    assert!((top(-2.70, -7.40) - 0.21).abs() < 0.06);
    let far = |x_m: f64, microscope: &mut Microscope| {
        run(microscope, Act::MoveTip { x_m, y_m: 0.0, speed_m_s: 1e-8 });
        mean(&(0..50).map(|_| microscope.read(Signal::Height)).collect::<Vec<_>>())
    };
    let step_nm = (far(-24e-9, &mut microscope) - far(-14e-9, &mut microscope)) * 1e9;
    assert!((step_nm - 0.24).abs() < 0.002, "{step_nm}");
}

/// Width at half height of sampled points about their peak, by straight lines between them.
fn width(points: &[(f64, f64)]) -> f64 {
    let base = 0.5 * (points[0].1 + points[points.len() - 1].1);
    let peak = points.iter().map(|p| p.1).fold(f64::MIN, f64::max) - base;
    let half = base + 0.5 * peak;
    let crossings: Vec<f64> = points
        .windows(2)
        .filter(|pair| (pair[0].1 - half) * (pair[1].1 - half) < 0.0)
        .map(|pair| pair[0].0 + (half - pair[0].1) / (pair[1].1 - pair[0].1) * (pair[1].0 - pair[0].0))
        .collect();
    assert!(crossings.len() >= 2, "{points:?}");
    crossings[crossings.len() - 1] - crossings[0]
}

/// The width that a step should show: the thermal peak χ over the modulation's kernel (1−u²)^{3/2}
/// (both C; Phys. Rev. 165, 821 (1968) and Phys. Rev. B 7, 2336 (1973), from memory, not checked),
/// folded here numerically.
fn expected_width_v(kt_ev: f64, v0: f64) -> f64 {
    let folded = |v: f64| {
        (0..400)
            .map(|k| {
                let u = (f64::from(k) + 0.5) / 200.0 - 1.0;
                (1.0 - u * u).powf(1.5) * peak_shape((v + v0 * u) / kt_ev)
            })
            .sum::<f64>()
    };
    let half = 0.5 * folded(0.0);
    let (mut low, mut high) = (0.0, 5.0 * v0 + 20.0 * kt_ev);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if folded(middle) > half { low = middle } else { high = middle }
    }
    2.0 * low
}

/// Second harmonic against bias over the adatom's step at 19 mV, with noise, averaged.
#[test]
fn a_measured_step_has_its_broadened_width() {
    let mut microscope = over(&night_with(&STILL), 5, "A1", 0.0);
    let v0 = 0.6e-3;
    set(&mut microscope, Signal::Bias, 0.019);
    set(&mut microscope, Signal::Setpoint, 300e-12);
    set(&mut microscope, Signal::LockinReference, 2.0);
    set(&mut microscope, Signal::LockinModulation, v0);
    set(&mut microscope, Signal::LockinTimeConstant, 0.1);
    set(&mut microscope, Signal::LockinOrder, 2.0);
    wait(&mut microscope, 5.0);
    set(&mut microscope, Signal::Feedback, 0.0);
    let kt_ev = K_EV * microscope.truth().stage_k.hypot(0.25);
    let mut widths = Vec::new();
    for _ in 0..6 {
        let points: Vec<(f64, f64)> = (0..81)
            .map(|index| {
                let bias_v = 0.019 + 2.4e-3 * (f64::from(index) / 40.0 - 1.0);
                set(&mut microscope, Signal::Bias, bias_v);
                let values: Vec<f64> = (0..25)
                    .map(|_| {
                        wait(&mut microscope, 1.0);
                        microscope.read(Signal::LockinX)
                    })
                    .collect();
                (bias_v, mean(&values))
            })
            .collect();
        widths.push(width(&points));
    }
    let expected = expected_width_v(kt_ev, v0);
    let measured = mean(&widths);
    let error = microscope_common::deviation(&widths) / (widths.len() as f64).sqrt();
    // Besides the statistical error 1 %: linear interpolation, 60 µV points, sloping background.
    assert!((measured - expected).abs() < 4.0 * error + 0.01 * expected, "{measured} ± {error}, {expected}");
}

/// The first harmonic rises by the conductance of the channel across a step.
#[test]
fn conductance_rises_across_a_step() {
    let mut microscope = over(&night_with(&STILL), 5, "A1", 0.0);
    set(&mut microscope, Signal::Bias, 0.019);
    set(&mut microscope, Signal::Setpoint, 300e-12);
    set(&mut microscope, Signal::LockinReference, 1.0);
    set(&mut microscope, Signal::LockinModulation, 0.5e-3);
    wait(&mut microscope, 5.0);
    set(&mut microscope, Signal::Feedback, 0.0);
    let mut level = |bias_v: f64| {
        set(&mut microscope, Signal::Bias, bias_v);
        wait(&mut microscope, 6.0);
        mean(
            &(0..50)
                .map(|_| {
                    wait(&mut microscope, 4.0);
                    microscope.read(Signal::LockinX)
                })
                .collect::<Vec<_>>(),
        )
    };
    let ratio = level(0.022) / level(0.016);
    // 1 + 2aV + 3bV² + 0.12 (its own Zeeman step at no field is none) + 0.10 above.
    let elastic = |v: f64| 1.0 + 0.3 * v + 7.5 * v * v;
    let expected = (elastic(0.022) + 0.10) / elastic(0.016);
    assert!((ratio / expected - 1.0).abs() < 0.01, "{ratio} instead of {expected}");
}

/// The spin of a lone adatom falls out of sight within an hour or so unless the tip follows.
#[test]
fn drift_carries_the_spin_away() {
    let mut microscope = over(&World::shipped("night").unwrap(), 9, "A1", 0.6);
    let miss = |microscope: &Microscope| microscope.truth().miss_m.map_or(f64::INFINITY, |miss| miss * 1e12);
    assert!(miss(&microscope) < 30.0, "{}", miss(&microscope));
    wait(&mut microscope, 1800.0);
    let later = miss(&microscope);
    assert!((40.0..500.0).contains(&later), "{later}");
    sit(&mut microscope, "A1");
    assert!(miss(&microscope) < 30.0);
}
