//! Fits of every built-in shape on simulated noisy data: truth within the errors, from automatic starts.

use noctule::analysis::fit::{self, Doubt, Fit, FitError, Options, Shape, Spectrum, Together};
use noctule::analysis::model::Model;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

fn noisy(model: &Model, x: &[f64], truth: &[f64], sigma: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let noise = Normal::new(0.0, sigma).unwrap();
    x.iter().map(|x| model.at(*x, truth).unwrap() + noise.sample(rng)).collect()
}

fn even(low: f64, high: f64, count: usize) -> Vec<f64> {
    (0..count).map(|i| low + (high - low) * i as f64 / (count - 1) as f64).collect()
}

/// Largest distance from the truth in standard errors.
fn worst(fit: &Fit, truth: &[f64]) -> f64 {
    let score = |(p, t): (&fit::Parameter, &f64)| {
        if p.fixed { 0.0 } else { ((p.value - t) / p.standard_error).abs() }
    };
    fit.parameters.iter().zip(truth).map(score).fold(0.0, f64::max)
}

/// How many of the fits are trusted, and of those how many hold the truth within five errors in every parameter.
fn tally(runs: usize, mut run: impl FnMut(&mut ChaCha8Rng) -> (Fit, Vec<f64>)) -> (usize, usize) {
    let (mut trusted, mut right) = (0, 0);
    for seed in 0..runs {
        let (fit, truth) = run(&mut ChaCha8Rng::seed_from_u64(seed as u64));
        let off = worst(&fit, &truth);
        if std::env::var_os("NOCTULE_DOUBTS").is_some() && (!fit.trusted() || off > 5.0) {
            println!("{:?} {off:.1} {truth:?} {:?}", fit.doubts, fit.values());
        }
        trusted += usize::from(fit.trusted());
        right += usize::from(fit.trusted() && off < 5.0);
    }
    println!("{runs} fits, {trusted} trusted, {right} of them right");
    (trusted, right)
}

type Fitter = fn(&[f64], &[f64], &Options) -> Result<Fit, FitError>;

#[test]
fn bells() {
    let x = even(-50.0, 50.0, 201);
    for lorentzian in [true, false] {
        let (trusted, right) = tally(100, |rng| {
            let truth = vec![
                rng.random_range(-30.0..30.0),
                rng.random_range(6.0..20.0),
                if rng.random_bool(0.5) { 1.0 } else { -1.0 },
                rng.random_range(-3.0..3.0),
                rng.random_range(-0.01..0.01),
            ];
            let (model, fit): (Model, Fitter) = if lorentzian {
                (Model::Lorentzian { reference: 0.0 }, fit::lorentzian)
            } else {
                (Model::Gaussian { reference: 0.0 }, fit::gaussian)
            };
            let y = noisy(&model, &x, &truth, 0.25, rng);
            (fit(&x, &y, &Options::new()).unwrap(), truth)
        });
        assert!(trusted >= 97 && right == trusted);
    }
}

#[test]
fn decays_and_approaches() {
    let t_s = even(0.0, 5.0e-3, 120);
    let (trusted, right) = tally(100, |rng| {
        let truth =
            vec![rng.random_range(2.0..9.0), rng.random_range(2.0e-4..2.0e-3), rng.random_range(-1.0..1.0)];
        let y = noisy(&Model::Decay { reference: 0.0 }, &t_s, &truth, 0.3, rng);
        (fit::decay(&t_s, &y, &Options::new()).unwrap(), truth)
    });
    assert!(trusted >= 97 && right == trusted);
    let z_nm = even(0.3, 0.6, 61);
    let (trusted, right) = tally(100, |rng| {
        let truth = vec![rng.random_range(20.0..200.0), rng.random_range(9.0..12.0), 0.0];
        let y = noisy(&Model::Approach { reference: 0.3 }, &z_nm, &truth, 0.5, rng);
        (fit::approach(&z_nm, &y, &Options::new().fix("offset", 0.0)).unwrap(), truth)
    });
    assert!(trusted >= 97 && right == trusted);
}

#[test]
fn inelastic_steps() {
    let v_mv = even(-25.0, 25.0, 251);
    let (trusted, right) = tally(25, |rng| {
        let first = rng.random_range(2.0..9.0);
        let truth = vec![
            first,
            rng.random_range(0.1..0.3),
            first + rng.random_range(4.0..12.0),
            rng.random_range(0.1..0.3),
            rng.random_range(0.1..0.4),
            rng.random_range(-0.2..0.2),
            1.0,
            rng.random_range(-0.002..0.002),
        ];
        let y = noisy(&Model::Steps { count: 2 }, &v_mv, &truth, 0.02, rng);
        (fit::steps(&v_mv, &y, 2, &Options::new()).unwrap(), truth)
    });
    assert!(trusted >= 23 && right == trusted);
}

#[test]
fn hyperfine_combs() {
    let f_mhz = even(0.0, 1200.0, 401);
    let model = Model::Lines { count: 8, shared_width: true, equal_spacing: true, reference: 600.0 };
    let together = Together { shared_width: true, equal_spacing: true };
    let (trusted, right) = tally(12, |rng| {
        let mut truth = vec![
            rng.random_range(560.0..640.0),
            rng.random_range(110.0..135.0),
            rng.random_range(25.0..60.0),
            rng.random_range(-0.5..0.5),
        ];
        truth.extend((0..8).map(|_| rng.random_range(0.7..1.3)));
        truth.extend([10.0, rng.random_range(-5.0e-4..5.0e-4)]);
        let y = noisy(&model, &f_mhz, &truth, 0.15, rng);
        (fit::lines(&f_mhz, &y, 8, together, &Options::new()).unwrap(), truth)
    });
    assert!(trusted >= 11 && right == trusted);
}

#[test]
fn lines_at_free_places() {
    let f_mhz = even(0.0, 500.0, 301);
    for shared_width in [true, false] {
        let model = Model::Lines { count: 3, shared_width, equal_spacing: false, reference: 250.0 };
        let together = Together { shared_width, equal_spacing: false };
        let (trusted, right) = tally(20, |rng| {
            let mut truth: Vec<f64> = [
                rng.random_range(50.0..120.0),
                rng.random_range(190.0..270.0),
                rng.random_range(330.0..450.0),
            ]
            .into();
            truth.extend((0..if shared_width { 1 } else { 3 }).map(|_| rng.random_range(15.0..30.0)));
            truth.push(rng.random_range(-0.5..0.5));
            truth.extend([1.0, -0.8, 1.5, 3.0, 1.0e-3]);
            let y = noisy(&model, &f_mhz, &truth, 0.15, rng);
            (fit::lines(&f_mhz, &y, 3, together, &Options::new()).unwrap(), truth)
        });
        assert!(trusted >= 18 && right == trusted);
    }
}

#[test]
fn global_fits_share_what_they_are_told() {
    let x = even(0.0, 100.0, 101);
    let (trusted, right) = tally(20, |rng| {
        let (width, asymmetry) = (rng.random_range(8.0..14.0), rng.random_range(-0.8..0.8));
        let mut truth = vec![width, asymmetry];
        let mut columns = Vec::new();
        for _ in 0..4 {
            let own = [rng.random_range(25.0..75.0), rng.random_range(0.8..1.5), 2.0, 0.01];
            let all = [own[0], width, own[1], asymmetry, own[2], own[3]];
            columns.push(noisy(&Model::Fano { reference: 50.0 }, &x, &all, 0.15, rng));
            truth.extend(own);
        }
        let spectra: Vec<Spectrum> = columns.iter().map(|y| Spectrum { x: &x, y, sigmas: &[] }).collect();
        let fit = fit::global(Shape::Fano, &spectra, &["width", "asymmetry"], &Options::new()).unwrap();
        assert_eq!(fit.curve_of(3, &x).len(), x.len());
        assert!(fit.curve_of(4, &x).is_empty());
        (fit, truth)
    });
    assert!(trusted >= 19 && right == trusted);
}

#[test]
fn fixed_and_bounded_parameters_are_respected() {
    let x = even(-50.0, 50.0, 201);
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let truth = [3.0, 12.0, 1.0, 0.6, 2.0, 0.0];
    let y = noisy(&Model::Fano { reference: 0.0 }, &x, &truth, 0.1, &mut rng);
    let free = fit::resonance(&x, &y, &Options::new()).unwrap();
    // A loose bound changes the path of the solver, not the answer.
    let loose = fit::resonance(&x, &y, &Options::new().bound("width", 1.0, 90.0)).unwrap();
    for (a, b) in free.parameters.iter().zip(&loose.parameters) {
        assert!((a.value - b.value).abs() < 1e-5 * a.standard_error, "{}", a.name);
        assert!((a.standard_error / b.standard_error - 1.0).abs() < 1e-5, "{}", a.name);
    }
    let held = fit::resonance(&x, &y, &Options::new().fix("asymmetry", 0.6)).unwrap();
    assert_eq!((held.value("asymmetry"), held.error("asymmetry")), (0.6, 0.0));
    assert_eq!(held.degrees_of_freedom, free.degrees_of_freedom + 1);
    assert!(held.error("centre") < free.error("centre"));
    let narrow = fit::resonance(&x, &y, &Options::new().bound("width", 1.0, 8.0)).unwrap();
    assert!(narrow.doubts.contains(&Doubt::AtBound("width".into())) && !narrow.trusted());
    assert_eq!(narrow.value("width"), 8.0);
    let word = narrow.word().unwrap();
    assert!(word.contains("`width` ended at its bound"), "{word}");
}
