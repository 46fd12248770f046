//! Whether standard errors mean what they say: over many simulated spectra with a known line, the true centre
//! must lie within one and two standard errors as often as a normal distribution has it (68.3 % and 95.4 %).
//!
//! Signal-to-noise is the height of the line over the standard deviation of one point. Each spectrum has 401
//! points; width, place, asymmetry and background differ from one to the next. `NOCTULE_CAMPAIGN=full` takes ten times
//! as many spectra.

use noctule::analysis::fit::{self, Options};
use noctule::analysis::model::Model;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

struct Tally {
    spectra: usize,
    trusted: usize,
    within_one: usize,
    within_two: usize,
    gross: usize,
}

impl Tally {
    fn share(&self, count: usize) -> f64 {
        100.0 * count as f64 / self.trusted as f64
    }
}

fn campaign(signal_to_noise: f64, spectra: usize, seed: u64) -> Tally {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, 1.0 / signal_to_noise).unwrap();
    let f_hz: Vec<f64> = (0..401).map(|i| 14.0e9 + 1.0e6 * f64::from(i)).collect();
    let model = Model::Fano { reference: 14.2e9 };
    let mut tally = Tally { spectra, trusted: 0, within_one: 0, within_two: 0, gross: 0 };
    for _ in 0..spectra {
        let truth = [
            14.2e9 + rng.random_range(-120.0e6..120.0e6),
            rng.random_range(10.0e6..60.0e6),
            if rng.random_bool(0.5) { 1.0 } else { -1.0 },
            rng.random_range(-1.5..1.5),
            rng.random_range(-5.0..5.0),
            rng.random_range(-2.0e-9..2.0e-9),
        ];
        let y: Vec<f64> =
            f_hz.iter().map(|f| model.at(*f, &truth).unwrap() + noise.sample(&mut rng)).collect();
        let fit = fit::resonance(&f_hz, &y, &Options::new()).unwrap();
        if !fit.trusted() {
            if std::env::var_os("NOCTULE_DOUBTS").is_some() {
                println!("{:?} {truth:?} {:?}", fit.doubts, fit.values());
            }
            continue;
        }
        tally.trusted += 1;
        let score = ((fit.value("centre") - truth[0]) / fit.error("centre")).abs();
        tally.within_one += usize::from(score <= 1.0);
        tally.within_two += usize::from(score <= 2.0);
        tally.gross += usize::from(score > 6.0);
    }
    tally
}

#[test]
fn the_true_centre_lies_within_its_errors_as_often_as_it_should() {
    let full = std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full");
    let spectra = if full { 10_000 } else { 1000 };
    for (k, signal_to_noise) in [3.0, 5.0, 10.0, 30.0].into_iter().enumerate() {
        let tally = campaign(signal_to_noise, spectra, 100 + k as u64);
        println!(
            "signal to noise {signal_to_noise:>4}: {} spectra, {} trusted, within one error {:.1} %, within two {:.1} %, beyond six {}",
            tally.spectra,
            tally.trusted,
            tally.share(tally.within_one),
            tally.share(tally.within_two),
            tally.gross
        );
        assert!((tally.share(tally.within_one) - 68.0).abs() <= 3.0);
        assert!((tally.share(tally.within_two) - 95.0).abs() <= 2.0);
        assert!(tally.trusted * 10 >= tally.spectra * 9, "trust is not bought by refusing");
        assert_eq!(tally.gross, 0, "no trusted fit sits on another line");
    }
}
