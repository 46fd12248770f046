//! Data that nothing can be learned from: a typed word, no panic, no made-up number.

use noctule::analysis::fit::{self, Doubt, Fit, FitError, Options, Shape, Spectrum, Together};
use noctule::analysis::peaks;
use proptest::prelude::*;

type Outcome = Result<Fit, FitError>;

/// Every way to fit, by name.
fn everything(x: &[f64], y: &[f64], options: &Options) -> Vec<(&'static str, Outcome)> {
    let free = Together { shared_width: true, equal_spacing: false };
    let comb = Together { shared_width: true, equal_spacing: true };
    let spectra = [Spectrum { x, y, sigmas: &[] }, Spectrum { x, y, sigmas: &[] }];
    let closure = |row: &[f64], p: &[f64]| p[0] * (-p[1] * row[0]).exp();
    vec![
        ("resonance", fit::resonance(x, y, options)),
        ("bounded resonance", fit::resonance(x, y, &options.clone().bound("width", 1e-9, 1e12))),
        ("lorentzian", fit::lorentzian(x, y, options)),
        ("gaussian", fit::gaussian(x, y, options)),
        ("decay", fit::decay(x, y, options)),
        ("approach", fit::approach(x, y, options)),
        ("line", fit::line(x, y, options)),
        ("steps", fit::steps(x, y, 1, options)),
        ("lines", fit::lines(x, y, 2, free, options)),
        ("comb", fit::lines(x, y, 3, comb, options)),
        ("formula", fit::formula("b1*exp(-b2*x)", &[("b1", 1.0), ("b2", 0.1)], &[("x", x)], y)),
        ("closure", fit::closure(closure, &[("b1", 1.0), ("b2", 0.1)], &[x], y, options)),
        ("global", fit::global(Shape::Fano, &spectra, &["width"], &Options::new())),
    ]
}

/// A fit that claims to be trusted has finite numbers throughout; one that is not says why.
fn check(name: &str, outcome: &Outcome) {
    match outcome {
        Err(error) => assert!(!error.to_string().is_empty()),
        Ok(fit) if fit.trusted() => {
            for p in &fit.parameters {
                assert!(p.value.is_finite() && p.standard_error.is_finite(), "{name}: {p:?}");
            }
            assert!(fit.reduced_chi_square.is_finite() && fit.residuals.largest.is_finite(), "{name}");
        }
        Ok(fit) => assert!(!fit.doubts.is_empty() && fit.word().is_some(), "{name}: {fit:?}"),
    }
}

fn ramp(n: usize) -> Vec<f64> {
    (0..n).map(|i| i as f64).collect()
}

#[test]
fn no_points() {
    for (name, outcome) in everything(&[], &[], &Options::new()) {
        assert_eq!(outcome.unwrap_err(), FitError::Empty, "{name}");
    }
    assert!(peaks::find(&[], &[], &peaks::Search::default()).is_err());
}

#[test]
fn two_points() {
    for (name, outcome) in everything(&[1.0, 2.0], &[3.0, 4.0], &Options::new()) {
        assert!(matches!(outcome.unwrap_err(), FitError::TooFewPoints { .. }), "{name}");
    }
}

#[test]
fn columns_of_different_length() {
    for (name, outcome) in everything(&ramp(20), &ramp(19), &Options::new()) {
        assert!(matches!(outcome.unwrap_err(), FitError::LengthMismatch { .. }), "{name}");
    }
}

#[test]
fn not_a_number_in_either_column() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let mut broken = ramp(30);
        broken[17] = bad;
        for (name, outcome) in everything(&ramp(30), &broken, &Options::new()) {
            assert_eq!(outcome.unwrap_err(), FitError::NotFinite { index: 17 }, "{name}");
        }
        for (name, outcome) in everything(&broken, &ramp(30), &Options::new()) {
            assert_eq!(outcome.unwrap_err(), FitError::NotFinite { index: 17 }, "{name}");
        }
    }
}

#[test]
fn values_too_large_to_square() {
    let mut broken = ramp(30);
    broken[3] = 1e300;
    for (name, outcome) in everything(&ramp(30), &broken, &Options::new()) {
        assert_eq!(outcome.unwrap_err(), FitError::TooLarge { index: 3 }, "{name}");
    }
    for (name, outcome) in everything(&broken, &ramp(30), &Options::new()) {
        assert_eq!(outcome.unwrap_err(), FitError::TooLarge { index: 3 }, "{name}");
    }
}

#[test]
fn equal_x() {
    for (name, outcome) in everything(&[5.0; 40], &ramp(40), &Options::new()) {
        match outcome {
            Err(error) => assert_eq!(error, FitError::EqualX, "{name}"),
            // A formula may have any columns, so it is fitted; the derivatives then show what is missing.
            Ok(fit) => assert!(fit.doubts.contains(&Doubt::Singular), "{name}: {:?}", fit.doubts),
        }
    }
}

#[test]
fn constant_y() {
    for (name, outcome) in everything(&ramp(40), &[7.0; 40], &Options::new()) {
        match outcome {
            Err(error) => assert_eq!(error, FitError::ConstantY, "{name}"),
            Ok(fit) if name == "line" => {
                assert!((fit.value("slope").abs() < 1e-15) && (fit.value("offset") - 7.0).abs() < 1e-13);
            }
            // An exponential can be constant: its rate is zero, which is then no scale of anything.
            Ok(fit) => assert!(fit.value("b2").abs() < 1e-6, "{name}: {:?}", fit.values()),
        }
    }
}

#[test]
fn sigmas_that_are_none() {
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e-300] {
        let mut sigmas = vec![1.0; 30];
        sigmas[4] = bad;
        let y: Vec<f64> = ramp(30).iter().map(|x| (x * 0.3).sin()).collect();
        for (name, outcome) in everything(&ramp(30), &y, &Options::new().sigmas(&sigmas)) {
            if !["formula", "global"].contains(&name) {
                assert_eq!(outcome.unwrap_err(), FitError::BadSigma { index: 4 }, "{name}");
            }
        }
    }
}

#[test]
fn options_that_make_no_sense() {
    let (x, y) = (ramp(30), ramp(30).iter().map(|x| (x * 0.3).sin()).collect::<Vec<f64>>());
    let fit = |options: Options| fit::resonance(&x, &y, &options).unwrap_err();
    assert_eq!(fit(Options::new().fix("colour", 1.0)), FitError::UnknownParameter { name: "colour".into() });
    assert_eq!(fit(Options::new().bound("width", 5.0, 1.0)), FitError::BadBounds { name: "width".into() });
    assert_eq!(
        fit(Options::new().bound("width", f64::NAN, 1.0)),
        FitError::BadBounds { name: "width".into() }
    );
    assert_eq!(fit(Options::new().start("width", f64::NAN)), FitError::BadValue { name: "width".into() });
    let all = ["centre", "width", "height", "asymmetry", "offset", "slope"];
    let fixed = all.iter().fold(Options::new(), |o, n| o.fix(n, 1.0));
    assert_eq!(fit(fixed), FitError::NothingFree);
    let unused = fit::formula("a*x", &[("a", 1.0), ("b", 1.0)], &[("x", &x)], &y).unwrap_err();
    assert_eq!(unused.to_string(), "the formula does not use the parameter `b`");
    let outside = fit::formula("ln(-a)*x", &[("a", 1.0)], &[("x", &x)], &y).unwrap_err();
    assert_eq!(outside, FitError::ModelNotFinite { index: 0 });
}

#[test]
fn doubles_of_a_parameter_are_singular() {
    let x = ramp(30);
    let y: Vec<f64> = x.iter().map(|x| 3.0 * x + (x * 1.7).sin()).collect();
    let fit = fit::formula("(a+b)*x", &[("a", 1.0), ("b", 1.0)], &[("x", &x)], &y).unwrap();
    assert!(fit.doubts.contains(&Doubt::Singular) && !fit.trusted());
    assert_eq!(fit.error("a"), f64::INFINITY);
}

#[test]
fn a_variance_beyond_all_numbers_is_no_answer() {
    let fit = fit::line(&[0.0, -2.3e-126, 0.0], &[-4.4e76, 0.0, 0.0], &Options::new()).unwrap();
    assert!(fit.doubts.contains(&Doubt::NotFinite) && !fit.trusted());
}

#[test]
fn noise_alone_is_no_resonance() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    let x = ramp(401);
    let mut trusted = 0;
    for seed in 0..400 {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let y: Vec<f64> = x.iter().map(|_| StandardNormal.sample(&mut rng)).collect();
        trusted += usize::from(fit::resonance(&x, &y, &Options::new()).unwrap().trusted());
    }
    println!("{trusted} of 400 spectra of pure noise gave a trusted resonance");
    assert!(trusted <= 4);
}

/// `NOCTULE_CAMPAIGN=full` tries a hundred times as many.
fn cases() -> u32 {
    if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full") { 2400 } else { 24 }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the bits of the data, the outcome is a typed error, a fit with doubts, or finite numbers.
    #[test]
    fn any_bits(pairs in prop::collection::vec((any::<f64>(), any::<f64>()), 0..24)) {
        let (x, y): (Vec<f64>, Vec<f64>) = pairs.into_iter().unzip();
        for (name, outcome) in everything(&x, &y, &Options::new()) {
            check(name, &outcome);
        }
        let _ = peaks::find(&x, &y, &peaks::Search::default());
    }

    /// Numbers of very different size, ties in x, plateaus in y.
    #[test]
    fn wild_but_finite(
        rows in prop::collection::vec((0_i32..12, -3_i32..3, -60_i32..60), 8..40),
        scale in -90_i32..90,
    ) {
        let x: Vec<f64> = rows.iter().map(|r| f64::from(r.0) * 10_f64.powi(scale)).collect();
        let y: Vec<f64> = rows.iter().map(|r| f64::from(r.1) * 10_f64.powi(r.2)).collect();
        for (name, outcome) in everything(&x, &y, &Options::new()) {
            check(name, &outcome);
        }
        let _ = peaks::find(&x, &y, &peaks::Search::default());
    }
}
