//! Spectra across other gaps: what the alignment of the spin adds to the slope is taken from them, however far the line goes.

use noctule::analysis::joint::{Judgement, Prior, SpectrumAt, Verdict, judge};

/// 2μB/h, Hz/T, from the constants of CODATA 2022 (physics.nist.gov/constants).
const PER_MOMENT: f64 = 2.0 * 13.996_244_917_1e9;
const MOMENT: f64 = 0.9;
const USUAL_A: f64 = 10e-12;

/// Field of a tip, T, whose exchange decays over 60 pm, where 2κ is 1/42 pm and aligned spins conduct worse (P = 0.36).
fn tip_t(exchange_t: f64, field_t: f64, setpoint_a: f64) -> f64 {
    let current = (setpoint_a / USUAL_A).ln() - (1.0 - 0.36 * (field_t / 0.55).tanh()).ln();
    6e-3 + exchange_t * (42.0 * current / 60.0).exp()
}

fn judged(exchange_t: f64, setpoints: [f64; 2]) -> Judgement {
    let mut state = 3u64;
    let mut uniform = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut normal = move || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
    let fields = [0.40, 0.44, 0.39, 0.47, 0.42, 0.50, 0.45, 0.41, 0.49, 0.38, 0.40, 0.40];
    let spectra: Vec<(f64, f64, Vec<f64>, Vec<f64>)> = fields
        .iter()
        .enumerate()
        .map(|(k, b)| {
            let setpoint = if k < 10 { USUAL_A } else { setpoints[k - 10] };
            let line = PER_MOMENT * MOMENT * (b + tip_t(exchange_t, *b, setpoint));
            let about = PER_MOMENT * MOMENT * (b + tip_t(exchange_t, 0.43, USUAL_A));
            let put_off = 60e6 * (k as f64 * 0.618).fract() - 30e6;
            let f: Vec<f64> = (0..101).map(|i| about + put_off + 3e6 * (f64::from(i) - 50.0)).collect();
            let y = f.iter().map(|f| 9.0 / (1.0 + ((f - line) / 7e6).powi(2)) + normal()).collect();
            (*b, setpoint, f, y)
        })
        .collect();
    let given: Vec<SpectrumAt<'_>> = spectra
        .iter()
        .enumerate()
        .map(|(k, (field_t, setpoint, f_hz, y))| SpectrumAt {
            field_t: *field_t,
            start_s: 300.0 * k as f64,
            upward: true,
            tip: 0,
            setpoint_a: Some(*setpoint),
            f_hz,
            y,
        })
        .collect();
    let mut said = judge(&given, &Prior::default()).expect("good spectra");
    assert_eq!(said.len(), 1, "the tip is the same all along");
    said.remove(0)
}

#[test]
fn what_alignment_adds_is_taken_from_spectra_across_other_gaps() {
    // At the setpoint the fields of these tips go by 0.2, 1 and -0.6 mT on the way to full alignment; from 6 to 15 pA the
    // line of the second goes by 60 MHz, four widths.
    for exchange_t in [0.5e-3, 2.5e-3, -1.5e-3] {
        let (same, other) = (judged(exchange_t, [USUAL_A; 2]), judged(exchange_t, [6e-12, 15e-12]));
        let of = format!("{exchange_t} T");
        assert_eq!(
            (same.verdict, other.verdict),
            (Verdict::Real, Verdict::Real),
            "{of}: {:?}",
            other.reasons
        );
        let at_04 = other.points.iter().filter(|point| point.field_t == 0.40).count();
        assert_eq!(at_04, 3, "{of}: the lines across other gaps are seen");
        let [same, other] = [same, other].map(|said| said.law.expect("it is real"));
        let pull = |law: &noctule::analysis::joint::ProvedLaw| (law.moment_mu_b - MOMENT) / law.moment_error;
        assert!(pull(&other).abs() < 2.0, "{of}: {} ± {}", other.moment_mu_b, other.moment_error);
        assert!(
            other.moment_error < 0.7 * same.moment_error,
            "{of}: ± {} where one gap alone gives ± {}",
            other.moment_error,
            same.moment_error
        );
    }
}
