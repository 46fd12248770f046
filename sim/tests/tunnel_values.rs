//! The junction against closed forms. Values marked C are computed from the formula named beside them
//! with CODATA 2022 constants, independently of this crate.

use noctule_sim::tunnel::{
    Amplifier, Barrier, Shape, Step, johnson_density, peak_shape, shot_density, step_integral, step_shape,
};

fn near(value: f64, expected: f64, relative: f64) {
    assert!((value / expected - 1.0).abs() < relative, "{value} instead of {expected}");
}

/// Boltzmann's constant in eV/K (CODATA 2022).
const K_EV: f64 = 8.617_333_262_145_179e-5;

/// 2κ = 2√(2mφ)/ħ = 10.2463344·√(φ/eV) nm⁻¹ (C; Phys. Rev. Lett. 49, 57 (1982), from memory, not checked).
#[test]
fn the_current_falls_as_its_barrier_says() {
    for (work_function_ev, per_nm, decade_pm) in [
        (1.0, 10.246334446323688, 224.7228123439009),
        (4.0, 20.492668892647377, 112.36140617195045),
        (4.5, 21.735757707902366, 105.93534966378955),
        (5.0, 22.911500342177437, 100.49909689917826),
    ] {
        let barrier = Barrier::new(work_function_ev);
        near(barrier.decay_per_m() * 1e-9, per_nm, 1e-8);
        let decade = barrier.current_a(0.05, 0.5e-9) / barrier.current_a(0.05, 0.5e-9 + decade_pm * 1e-12);
        near(decade, 10.0, 1e-7);
    }
    // φ = 4.5 eV: 1 pm is 2.197 %, 5 pm 11.480 %, 10 pm 24.279 % (C).
    let barrier = Barrier::new(4.5);
    for (step_m, change) in
        [(1e-12, 0.02197370011517319), (5e-12, 0.11480420493749666), (1e-11, 0.242788415346324)]
    {
        near(barrier.current_a(0.05, 5e-10 - step_m) / barrier.current_a(0.05, 5e-10) - 1.0, change, 1e-6);
    }
    near(barrier.gap_m(0.06, barrier.current_a(0.06, 0.62e-9)), 0.62e-9, 1e-12);
}

/// √(2eI) and √(4kT/R) (C; Phys. Rev. 32, 97 and 110 (1928), from memory, not checked), fA/√Hz.
#[test]
fn noise_densities_have_their_worked_values() {
    for (current_a, density_fa) in [
        (1e-12, 0.5660700723408719),
        (5e-12, 1.2657711617824132),
        (10e-12, 1.7900707438534378),
        (100e-12, 5.66070072340872),
        (1e-9, 17.900707438534376),
    ] {
        near(shot_density(current_a) * 1e15, density_fa, 1e-12);
    }
    for (ohm, kelvin, density_fa) in [
        (1e9, 300.0, 4.070354775692163),
        (1e9, 4.2, 0.4816108719703076),
        (1e10, 300.0, 1.2871591976131003),
        (1e8, 300.0, 12.871591976131002),
    ] {
        near(johnson_density(ohm, kelvin) * 1e15, density_fa, 1e-12);
    }
}

/// Independent sources add in squares; 1/f is the only one that depends on the frequency.
#[test]
fn an_amplifier_adds_its_sources_in_squares() {
    let amplifier = Amplifier {
        feedback_ohm: 1e9,
        feedback_k: 300.0,
        bandwidth_hz: 1000.0,
        range_a: 1e-9,
        flicker_relative: 1e-3,
        vibration_m: 1e-14,
    };
    let decay_per_m = Barrier::new(4.5).decay_per_m();
    let sum = [4.070354775692163, 1.7900707438534378, 10.0 / 95f64.sqrt(), 1e-14 * decay_per_m * 1e4]
        .iter()
        .map(|fa| fa * fa)
        .sum::<f64>()
        .sqrt();
    near(amplifier.density(10e-12, decay_per_m, 95.0) * 1e15, sum, 1e-9);
    // First-order filter: noise bandwidth π/2 of its corner.
    let quiet = Amplifier { flicker_relative: 0.0, vibration_m: 0.0, ..amplifier };
    near(
        quiet.reading_rms(0.0, decay_per_m),
        4.070354775692163e-15 * (1000.0 * std::f64::consts::FRAC_PI_2).sqrt(),
        1e-9,
    );
}

/// Θ(x) = [1+(x−1)eˣ]/(eˣ−1)² (C; Phys. Rev. 165, 821 (1968), from memory, not checked).
#[test]
fn the_step_has_its_worked_values() {
    for (x, theta) in [
        (-10.0, 0.999591361467505),
        (-5.0, 0.9726352905053439),
        (-2.0, 0.7944868122665104),
        (-1.0, 0.6613031126615341),
        (0.0, 0.5),
        (1.0, 0.3386968873384659),
        (2.0, 0.2055131877334896),
        (5.0, 0.027364709494656053),
        (10.0, 0.00040863853249506634),
    ] {
        near(step_shape(x), theta, 1e-12);
        assert!((step_shape(x) + step_shape(-x) - 1.0).abs() < 1e-14);
    }
    near(peak_shape(0.0), 1.0 / 6.0, 1e-14);
    near(step_integral(0.0), 1.0, 1e-14);
}

fn crossing(f: impl Fn(f64) -> f64, level: f64, mut low: f64, mut high: f64) -> f64 {
    let rising = f(high) > f(low);
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if (f(middle) > level) == rising { high = middle } else { low = middle }
    }
    0.5 * (low + high)
}

/// 10–90 % width of the step 6.377558 kT; full width of its derivative 5.439170 kT ("5.4 kT" in
/// the handbook; digits C).
#[test]
fn thermal_widths_have_their_worked_values() {
    let ten = crossing(step_shape, 0.1, 0.0, 20.0);
    let ninety = crossing(step_shape, 0.9, -20.0, 0.0);
    near(ten - ninety, 6.377558024819945, 1e-9);
    near(2.0 * crossing(peak_shape, 1.0 / 12.0, 0.0, 20.0), 5.439169905221189, 1e-9);
    for (kelvin, width_mv) in [
        (4.2, 1.9685878691943068),
        (1.2, 0.562453676912659),
        (0.4, 0.18748455897088637),
        (0.05, 0.023435569871360796),
    ] {
        let shape = Shape { steps: vec![Step { energy_ev: 0.014, fraction: 1.0 }], ..Shape::default() };
        let kt_ev = K_EV * kelvin;
        let top = shape.curvature(0.014, kt_ev);
        let half = |v: f64| shape.curvature(v, kt_ev) - 0.5 * top;
        let width_v = crossing(half, 0.0, 0.014, 0.020) - crossing(half, 0.0, 0.008, 0.014);
        near(width_v * 1e3, width_mv, 1e-7);
    }
}

/// Modulation alone broadens the second derivative to 1.216617 V0 (zero-to-peak), 1.720557 Vrms
/// (kernel (1−u²)^{3/2}, C; Phys. Rev. B 7, 2336 (1973), from memory, not checked).
#[test]
fn modulation_broadens_as_its_kernel_says() {
    let shape = Shape { steps: vec![Step { energy_ev: 0.014, fraction: 1.0 }], ..Shape::default() };
    let (kt_ev, v0) = (K_EV * 0.02, 2e-3);
    let reading = |v: f64| -shape.harmonics(v, v0, kt_ev).second_v;
    let half = 0.5 * reading(0.014);
    let width_v = crossing(reading, half, 0.0140, 0.0165) - crossing(reading, half, 0.0115, 0.0140);
    // The cold step is still 0.5 % of V0 wide and the cycle has 64 nodes.
    near(width_v / v0, 1.2166174009154453, 3e-3);
}

/// Small modulation: V0·u′ + V0³/8·u‴ at ω, −V0²/4·u″ at 2ω, V0²/4·u″ at zero frequency (C).
#[test]
fn harmonics_have_their_small_limits() {
    let (a, b) = (0.4, 3.0);
    let shape = Shape { quadratic_per_v: a, cubic_per_v2: b, steps: Vec::new() };
    let (v, v0) = (0.05, 0.02);
    let parts = shape.harmonics(v, v0, 1e-4);
    let (first, second, third) = (1.0 + 2.0 * a * v + 3.0 * b * v * v, 2.0 * a + 6.0 * b * v, 6.0 * b);
    near(parts.first_v, v0 * first + v0.powi(3) / 8.0 * third, 1e-12);
    near(parts.second_v, -v0 * v0 / 4.0 * second, 1e-9);
    near(parts.rectified_v, v0 * v0 / 4.0 * second, 1e-9);
}
