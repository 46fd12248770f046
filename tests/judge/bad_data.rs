//! Whatever the numbers, the judges answer with finite figures or a word, and never panic.

use noctule::analysis::contrast::{self, contrast_of_histogram, contrast_of_sample, contrast_of_trace};
use noctule::analysis::forecast::{hold_from_cycles, level_forecast, progress};
use noctule::analysis::joint::{Prior, SpectrumAt, Verdict, judge};
use noctule::analysis::noise::{allan_deviation, best_dwell, welch};
use noctule::analysis::realness::{Unusable, resonance_law};
use noctule::analysis::register::{Image, drift, recentre, register};
use proptest::prelude::*;
use serde::Serialize;

/// No number in a result may be NaN or infinite: JSON writes such numbers as null.
fn all_finite<T: Serialize>(result: &T, optional: &[&str]) -> bool {
    fn walk(value: &serde_json::Value, key: &str, optional: &[&str]) -> bool {
        match value {
            serde_json::Value::Null => optional.contains(&key),
            serde_json::Value::Array(list) => list.iter().all(|v| walk(v, key, optional)),
            serde_json::Value::Object(map) => map.iter().all(|(k, v)| walk(v, k, optional)),
            _ => true,
        }
    }
    walk(&serde_json::to_value(result).expect("results are JSON"), "", optional)
}

fn spectrum<'a>(field_t: f64, f_hz: &'a [f64], y: &'a [f64]) -> SpectrumAt<'a> {
    SpectrumAt { field_t, start_s: field_t, upward: true, tip: 0, setpoint_a: None, f_hz, y }
}

const OPTIONAL: [&str; 10] = [
    "over_slow_noise",
    "next",
    "law",
    "suspect",
    "multiplet",
    "g_from",
    "g_to",
    "polarisation",
    "switching",
    "latest_s",
];

fn awkward() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => -10.0..10.0f64,
        1 => Just(0.0),
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(1e300),
        1 => Just(-1e300),
        1 => Just(1e-300),
        1 => Just(1e99),
    ]
}

/// Mostly clean lists, some with awkward numbers, some constant.
fn list(most: usize) -> impl Strategy<Value = Vec<f64>> {
    prop_oneof![
        3 => prop::collection::vec(-10.0..10.0f64, 0..most),
        2 => prop::collection::vec(awkward(), 0..most),
        1 => (awkward(), 0..most).prop_map(|(v, n)| vec![v; n]),
        1 => (prop::collection::vec(-10.0..10.0f64, 0..most), prop_oneof![Just(1e-30), Just(1e90), Just(1e-200)])
            .prop_map(|(v, s)| v.into_iter().map(|x| x * s).collect()),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 120, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn contrast_never_panics(v in list(80), counts in list(40), step in awkward()) {
        for said in [contrast_of_sample(&v), contrast_of_trace(&v, step), contrast_of_histogram(&v, &counts)]
            .into_iter()
            .flatten()
        {
            prop_assert!(all_finite(&said, &OPTIONAL), "{said:?}");
        }
        if let Ok(d) = contrast::dip(&v) {
            prop_assert!(d.statistic > 0.0 && d.statistic <= 0.25 + 1e-12, "{d:?}");
            prop_assert!((0.0..=1.0).contains(&d.p_value));
        }
    }

    #[test]
    fn noise_never_panics(v in list(80), step in awkward(), wanted in awkward(), length in 0usize..100) {
        if let Ok(psd) = welch(&v, step, length) {
            prop_assert!(all_finite(&psd, &[]));
        }
        if let Ok(points) = allan_deviation(&v, step) {
            prop_assert!(all_finite(&points, &[]));
        }
        if let Ok(dwell) = best_dwell(&v, step, wanted) {
            prop_assert!(all_finite(&dwell, &[]), "{dwell:?}");
        }
    }

    #[test]
    fn forecasts_never_panic(t in list(30), y in list(30), mark in awkward(), total in 0usize..100) {
        if let Ok(f) = level_forecast(&t, &y) {
            prop_assert!(all_finite(&f, &[]), "{f:?}");
            if let Ok(m) = f.reaches(mark) {
                prop_assert!(m.at_s.is_finite() && m.earliest_s.is_finite(), "{m:?}");
            }
        }
        if let Ok(h) = hold_from_cycles(&t, mark) {
            prop_assert!(all_finite(&h, &[]));
        }
        if let Ok(p) = progress(&t, total) {
            prop_assert!(all_finite(&p, &[]));
        }
    }

    #[test]
    fn places_never_panic(a in list(30), b in list(30), z in list(30), e in list(30), tolerance in awkward()) {
        let points: Vec<(f64, f64)> = a.iter().copied().zip(b.iter().copied()).collect();
        for error in [None, Some(tolerance)] {
            if let Ok(c) = recentre(&points, &z, error) {
                prop_assert!(all_finite(&c, &["doubt"]), "{c:?}");
            }
        }
        if let Ok(d) = drift(&a, &b, &z, &e) {
            prop_assert!(all_finite(&d, &[]), "{d:?}");
            if let Ok(due) = d.due(tolerance) {
                prop_assert!(all_finite(&due, &["after_s"]), "{due:?}");
            }
        }
    }

    #[test]
    fn images_never_panic(a in prop::collection::vec(awkward(), 100), b in prop::collection::vec(-1.0..1.0f64, 100)) {
        for (a, b) in [(&a, &b), (&b, &a), (&b, &b)] {
            let both = Image::new(10, 10, a).and_then(|a| Image::new(10, 10, b).map(|b| (a, b)));
            if let Ok(s) = both.and_then(|(a, b)| register(a, b)) {
                prop_assert!(all_finite(&s, &[]), "{s:?}");
            }
        }
    }

    #[test]
    fn resonance_laws_never_panic(b in list(8), f in list(8), e in list(8)) {
        if let Ok(line) = resonance_law(&b, &f, &e) {
            prop_assert!(all_finite(&line, &[]), "{line:?}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 30, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn verdicts_never_panic(signals in prop::collection::vec(list(70), 0..4), first in awkward(), span in awkward()) {
        let f: Vec<Vec<f64>> = signals
            .iter()
            .map(|y| (0..y.len()).map(|i| 1e9 * (10.0 + first) + span.abs() * 1e6 * i as f64).collect())
            .collect();
        let spectra: Vec<SpectrumAt> =
            signals.iter().zip(&f).enumerate().map(|(k, (y, f))| spectrum(0.1 * k as f64, f, y)).collect();
        for said in judge(&spectra, &Prior::default()).unwrap_or_default() {
            prop_assert!(all_finite(&said, &OPTIONAL), "{said:?}");
            prop_assert!(said.verdict != Verdict::Real, "random numbers hold no line: {:?}", said.reasons);
            prop_assert!(!said.reasons.is_empty());
        }
    }
}

#[test]
fn each_fault_has_its_word() {
    let f: Vec<f64> = (0..40).map(|i| 14e9 + 1e6 * f64::from(i)).collect();
    let y: Vec<f64> = (0..40).map(|i| f64::from(i * 7 % 5)).collect();
    let ask = |f: &[f64], y: &[f64]| judge(&[spectrum(0.5, f, y)], &Prior::default());
    assert!(matches!(judge(&[], &Prior::default()), Err(Unusable::Empty { .. })));
    assert!(matches!(ask(&[], &[]), Err(Unusable::Empty { .. })));
    assert!(matches!(ask(&f[..2], &y[..2]), Err(Unusable::TooFew { have: 2, .. })));
    assert!(matches!(ask(&f, &y[..39]), Err(Unusable::LengthMismatch { .. })));
    assert!(matches!(ask(&f, &[3.0; 40]), Err(Unusable::Constant { .. })));
    assert!(matches!(ask(&[14e9; 40], &y), Err(Unusable::NotDetermined { .. })));
    let mut spoilt = y.clone();
    spoilt[7] = f64::NAN;
    assert_eq!(ask(&f, &spoilt), Err(Unusable::NotFinite { what: "signals", index: 7 }));
    spoilt[7] = 1e300;
    assert_eq!(ask(&f, &spoilt), Err(Unusable::NotFinite { what: "signals", index: 7 }));
    assert!(matches!(contrast_of_sample(&[1.0; 50]), Err(Unusable::Constant { .. })));
    assert!(matches!(contrast_of_sample(&[1.0, 2.0]), Err(Unusable::TooFew { .. })));
    assert!(matches!(level_forecast(&[1.0; 4], &[1.0, 2.0, 3.0, 4.0]), Err(Unusable::Constant { .. })));
    let settings = Prior { g_from: -1.0, ..Prior::default() };
    assert!(matches!(judge(&[spectrum(0.5, &f, &y)], &settings), Err(Unusable::OutOfRange { .. })));
}

#[test]
fn spectra_as_short_as_they_may_be_are_spoken_of_in_plain_words() {
    let f: Vec<f64> = (0..32).map(|i| 10e9 + 20e6 * f64::from(i)).collect();
    let y: Vec<f64> = (0..32).map(|i| f64::from(i * 5 % 7)).collect();
    let said = judge(&[spectrum(0.5, &f, &y)], &Prior::default()).unwrap().remove(0);
    assert_eq!(said.verdict, Verdict::Undecided, "{:?}", said.reasons);
    assert!(said.reasons.iter().all(|reason| !reason.contains("e308")), "{:?}", said.reasons);
}
