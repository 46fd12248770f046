//! Verdicts on spectra whose story is known, one story a test. All numbers are invented.

use noctule::analysis::realness::{
    Hypothesis, Judgement, NextMeasurement, PowerFinding, Settings, Spectrum, Verdict, judge,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const SLOPE_1_MU_B: f64 = 2.0 * 13.996_244_917_1e9;

/// One spectrum to make: field in T, level in dBm, tip height in m, and lines as centre, width and height.
struct Shot {
    field_t: f64,
    level_dbm: Option<f64>,
    tip_height_m: Option<f64>,
    lines: Vec<(f64, f64, f64)>,
}

impl Shot {
    fn new(field_t: f64, lines: Vec<(f64, f64, f64)>) -> Shot {
        Shot { field_t, level_dbm: None, tip_height_m: None, lines }
    }
}

/// Spectra of 241 points from 13.8 to 14.76 GHz with noise one.
fn ask(shots: &[Shot], settings: &Settings) -> Judgement {
    let mut rng = ChaCha8Rng::seed_from_u64(14);
    let f: Vec<f64> = (0..241).map(|i| 13.8e9 + 4e6 * f64::from(i)).collect();
    let signals: Vec<Vec<f64>> = shots
        .iter()
        .map(|shot| {
            let lines = |f: f64| -> f64 {
                shot.lines.iter().map(|(c, w, h)| h / (1.0 + (2.0 * (f - c) / w).powi(2))).sum()
            };
            f.iter()
                .map(|f| lines(*f) + <StandardNormal as Distribution<f64>>::sample(&StandardNormal, &mut rng))
                .collect()
        })
        .collect();
    let spectra: Vec<Spectrum> = shots
        .iter()
        .zip(&signals)
        .map(|(s, y)| Spectrum {
            field_t: s.field_t,
            level_dbm: s.level_dbm,
            tip_height_m: s.tip_height_m,
            f_hz: &f,
            y,
            sigma: None,
        })
        .collect();
    judge(&spectra, settings).expect("good numbers")
}

/// Where a moment of 1 μB under a tip of 8 mT has its line.
fn line(field_t: f64) -> f64 {
    SLOPE_1_MU_B * (field_t + 0.008)
}

const FIELDS: [f64; 6] = [0.489, 0.497, 0.493, 0.505, 0.511, 0.501];

#[test]
fn a_moving_line_is_real() {
    let said = ask(&FIELDS.map(|b| Shot::new(b, vec![(line(b), 30e6, 8.0)])), &Settings::default());
    assert_eq!(said.verdict, Verdict::Real, "{:?}", said.reasons);
    let found = &said.lines[0];
    assert!((found.line.moment_mu_b - 1.0).abs() < 4.0 * found.line.moment_error);
    assert!((found.line.tip_field_t - 0.008).abs() < 4.0 * found.line.tip_field_error);
    assert!(said.leading == Hypothesis::MovingLine && found.fields == 6 && said.next.is_none());
}

#[test]
fn a_line_and_a_feature_in_place_are_both_named() {
    let shots = FIELDS.map(|b| Shot::new(b, vec![(line(b), 30e6, 8.0), (14.05e9, 60e6, 25.0)]));
    let said = ask(&shots, &Settings::default());
    assert_eq!(said.verdict, Verdict::Real, "{:?}", said.reasons);
    assert_eq!(said.leading, Hypothesis::MovingAndInPlace);
    assert!(said.fixed.iter().any(|f| (f.centre_hz - 14.05e9).abs() < 10e6 && f.stays));
}

#[test]
fn two_lines_of_one_slope_are_several_lines() {
    let shots = FIELDS.map(|b| Shot::new(b, vec![(line(b) - 70e6, 25e6, 9.0), (line(b) + 70e6, 25e6, 9.0)]));
    let said = ask(&shots, &Settings::default());
    assert_eq!(said.verdict, Verdict::Real, "{:?}", said.reasons);
    assert_eq!((said.lines.len(), said.leading), (2, Hypothesis::SeveralLines));
    let [a, b] = [0, 1].map(|k| said.lines[k].line.predict(0.5).0);
    assert!(((a - b).abs() - 140e6).abs() < 5e6, "{}", (a - b).abs());
}

#[test]
fn a_feature_in_place_is_an_artefact() {
    let said = ask(&FIELDS.map(|b| Shot::new(b, vec![(14.25e9, 30e6, 10.0)])), &Settings::default());
    assert_eq!((said.verdict, said.leading), (Verdict::Artefact, Hypothesis::InPlace), "{:?}", said.reasons);
    let (slope, error) = said.fixed[0].slope_hz_per_t.expect("six fields");
    assert!(slope.abs() < 4.0 * error && said.fixed[0].seen_in == 6);
}

#[test]
fn noise_is_nothing() {
    let said = ask(&FIELDS.map(|b| Shot::new(b, vec![])), &Settings::default());
    assert_eq!((said.verdict, said.leading), (Verdict::Artefact, Hypothesis::Nothing), "{:?}", said.reasons);
    assert!(said.smallest_noticed.is_some_and(|height| height > 1.0 && height < 5.0));
}

#[test]
fn one_field_cannot_tell_and_another_is_asked_for() {
    let said =
        ask(&[0.49, 0.49, 0.49].map(|b| Shot::new(b, vec![(line(b), 30e6, 12.0)])), &Settings::default());
    assert_eq!(said.verdict, Verdict::Undecided, "{:?}", said.reasons);
    let Some(NextMeasurement::AnotherField { field_t, .. }) = said.next else { panic!("{:?}", said.next) };
    assert!((field_t - 0.49).abs() > 0.002, "the smallest moment has to move by three widths: {field_t}");
}

#[test]
fn two_fields_cannot_tell() {
    let said = ask(&[0.489, 0.505].map(|b| Shot::new(b, vec![(line(b), 30e6, 12.0)])), &Settings::default());
    assert_eq!(said.verdict, Verdict::Undecided, "{:?}", said.reasons);
    assert!(said.next.is_some());
}

#[test]
fn power_is_tested() {
    let at = |k: usize, b: f64, height: f64| Shot {
        level_dbm: Some(-20.0 + 3.0 * k as f64),
        ..Shot::new(b, vec![(line(b), 30e6, height)])
    };
    // Height as voltage squared: 10 dB are a factor of ten.
    let grows: Vec<Shot> =
        FIELDS.iter().enumerate().map(|(k, b)| at(k, *b, 5.0 * 10f64.powf(0.3 * k as f64))).collect();
    let said = ask(&grows, &Settings::default());
    let test = said.lines[0].power.as_ref().expect("the level was varied");
    assert!((test.exponent - 2.0).abs() < 4.0 * test.exponent_error, "{test:?}");
    assert_eq!(test.finding, PowerFinding::Driven);

    let falls: Vec<Shot> =
        FIELDS.iter().enumerate().map(|(k, b)| at(k, *b, 14.0 * 10f64.powf(-0.05 * k as f64))).collect();
    let said = ask(&falls, &Settings::default());
    assert_eq!(said.verdict, Verdict::Undecided, "{:?}", said.reasons);
    assert!(matches!(said.next, Some(NextMeasurement::AnotherLevel { level_dbm: Some(l) }) if l < -20.0));
}

#[test]
fn a_tip_without_contrast_shows_no_spin() {
    let settings = Settings { polarisation: Some((0.001, 0.003)), ..Settings::default() };
    let said = ask(&FIELDS.map(|b| Shot::new(b, vec![(line(b), 30e6, 8.0)])), &settings);
    assert_eq!((said.verdict, said.next), (Verdict::Undecided, Some(NextMeasurement::TipContrast)));
}

#[test]
fn another_tip_height_gives_another_tip_field() {
    let mut shots: Vec<Shot> =
        FIELDS.map(|b| Shot { tip_height_m: Some(0.0), ..Shot::new(b, vec![(line(b), 30e6, 10.0)]) }).into();
    // Forty picometres closer the tip adds 4 mT more.
    shots.push(Shot { tip_height_m: Some(-40e-12), ..Shot::new(0.499, vec![(line(0.503), 30e6, 10.0)]) });
    let said = ask(&shots, &Settings::default());
    assert_eq!(said.verdict, Verdict::Real, "{:?}", said.reasons);
    let (height, field, error) = said.lines[0].other_heights[0];
    assert!(height == -40e-12 && (field - 0.012).abs() < 4.0 * error, "{field} ± {error}");
}
