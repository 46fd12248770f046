//! Line shape, width, saturation and contrast against worked values.
//!
//! The values were computed independently from the formulas named beside each
//! check; they are not readings from any instrument.

use noctule_sim::resonance::{
    Driving, Line, Spectrum, ising_line_hz, polarisation, t2_of_width_s, width_hz, zeeman_line_hz,
};
use noctule_sim::spin::dipolar_splitting_hz;

fn assert_near(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
}

fn peak() -> Line {
    Line { f0_hz: 20.550e9, width_hz: 12e6, height_a: 25e-15, asymmetry: 0.3 }
}

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
    let spectrum = Spectrum::new(vec![peak()]).unwrap();
    for (offset_mhz, expected_fa) in values {
        let f_hz = 20.550e9 + offset_mhz * 1e6;
        assert_near(2.0 + peak().at(f_hz) * 1e15, expected_fa, 1e-12);
        assert_near(2.0 + spectrum.at(f_hz) * 1e15, expected_fa, 1e-12);
    }
}

/// δ± = (−1 ± √(1+α²))/α with the values (1 ± √(1+α²))/2 at α = 0.3.
#[test]
fn extrema_and_the_other_form_have_their_worked_values() {
    let ((f_max, max), other) = peak().extrema();
    let (f_min, min) = other.unwrap();
    // Distances of a MHz from 20 GHz: eight digits are left of sixteen.
    assert_near((f_max - 20.550e9) / 6e6, 0.1467688363035169, 1e-6);
    assert_near((f_min - 20.550e9) / 6e6, -6.813435502970184, 1e-6);
    assert_near(f_max - 20.550e9, 0.880613e6, 1e-6);
    assert_near(max / 25e-15, 1.0220153254455275, 1e-12);
    assert_near(min / 25e-15, -0.022015325445527534, 1e-12);
    // They are extrema: nothing near them is higher, or lower.
    for step in [-1e5, -1e3, 1e3, 1e5] {
        assert!(peak().at(f_max + step) <= max && peak().at(f_min + step) >= min);
    }
    let fano = peak().fano().unwrap();
    assert_near(fano.q, 6.813435502970184, 1e-12);
    let back = fano.line().unwrap();
    assert_near(back.height_a, 25e-15, 1e-12);
    assert_near(back.asymmetry, 0.3, 1e-12);
    for k in -50..=50 {
        let f_hz = 20.550e9 + f64::from(k) * 1e6;
        assert!((fano.at(f_hz) - peak().at(f_hz)).abs() < 1e-27, "the two forms are one curve");
    }
    let symmetric = Line { asymmetry: 0.0, ..peak() };
    assert_eq!(symmetric.extrema(), ((20.550e9, 25e-15), None));
    assert_eq!(symmetric.fano(), None);
    let small = Line { asymmetry: 1e-9, ..peak() };
    // δ ≈ α/2, here 3 mHz: a number next to 20 GHz is only good to 4 µHz. No cancellation.
    assert!((small.extrema().0.0 - 20.550e9 - 3e-3).abs() < 4e-6);
}

/// max |dI/df| = (3√3/4) A/Γ at f0 ± Γ/(2√3), against a difference quotient.
#[test]
fn the_steepest_slope_is_where_it_should_be() {
    let line = Line { asymmetry: 0.0, ..peak() };
    let at = 20.550e9 + 12e6 / (2.0 * 3.0_f64.sqrt());
    let slope = |f: f64| (line.at(f - 1e3) - line.at(f + 1e3)) / 2e3;
    assert_near(slope(at), line.steepest_slope_a_per_hz(), 1e-6);
    assert!(slope(at + 1e5) < slope(at) && slope(at - 1e5) < slope(at));
}

/// FWHM = √(1 + Ω²T1T2)/(π T2); saturation s/(1 + s) with s = Ω²T1T2.
#[test]
fn width_and_saturation_have_their_worked_values() {
    let driving = Driving { rabi_rad_s: 2.6e6, t1_s: 88e-6, t2_s: 210e-9, asymmetry: 0.0 };
    assert_near(driving.saturation(), 124.9248, 1e-12);
    assert_near(driving.width_hz(), 17.009301034325194e6, 1e-12);
    assert_near(driving.saturated_fraction(), 0.9920587525253167, 1e-12);
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
    let effective = [
        (3.6, 88.41941282883074),
        (10.0, 31.830988618379067),
        (20.0, 15.915494309189533),
        (50.0, 6.366197723675813),
    ];
    for (width_mhz, t2_ns) in effective {
        assert_near(t2_of_width_s(width_mhz * 1e6), t2_ns * 1e-9, 1e-12);
    }
    assert!(Driving { rabi_rad_s: 1e200, ..driving }.saturated_fraction() == 1.0);
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

/// f0 = 2|μ·B|/h; an easy axis counts only the field along itself.
#[test]
fn zeeman_lines_have_their_worked_values() {
    let values = [
        (1.0, 0.5, 13.996244917056908),
        (1.0, 1.0, 27.992489834113815),
        (0.9, 0.9, 22.67391676563219),
        (1.0, 1.35, 37.78986127605365),
    ];
    for (moment, field, f_ghz) in values {
        assert_near(zeeman_line_hz(moment, [0.0, 0.0, field]), f_ghz * 1e9, 1e-11);
        assert_near(zeeman_line_hz(moment, [field * 0.6, 0.0, field * 0.8]), f_ghz * 1e9, 1e-11);
    }
    for (field, f_ghz) in [(0.2, 30.455828939515833), (0.13, 19.796288810685294)] {
        assert_near(ising_line_hz(5.44, [0.0, 0.0, 2.0], [4.0, 0.0, -field]), f_ghz * 1e9, 1e-11);
    }
    // 20.55 GHz at 0.82 T as in Science 366, 509 (2019), 10.1126/science.aay6779, gives g = 1.7906.
    assert_near(zeeman_line_hz(1.790549948094639 / 2.0, [0.0, 0.82, 0.0]), 20.55e9, 1e-11);
}

/// Δf = μ0 m1 m2/(π h r³), moments across the line between them.
#[test]
fn dipolar_splittings_have_their_worked_values() {
    let values = [
        (1.0, 1536.515292742161),
        (1.5, 455.2637904421218),
        (1.8, 263.4628416910426),
        (2.0, 192.0644115927701),
        (2.46, 103.21232607852691),
        (3.0, 56.90797380526522),
        (4.0, 24.008051449096264),
    ];
    for (distance_nm, expected_mhz) in values {
        assert_near(dipolar_splitting_hz(5.44, 5.44, distance_nm), expected_mhz * 1e6, 1e-11);
    }
    assert_near(dipolar_splitting_hz(5.44, 5.88, 2.0), 207.599_033_118_655_9e6, 1e-11);
}
