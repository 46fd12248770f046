//! The adaptive search beside a plain sweep of four times as many points: the same lines, the same noise, one run;
//! symmetric lines, and asymmetric ones as they are in most junctions.
//! `NOCTULE_CAMPAIGN=full` takes 500 lines.

use noctule::analysis::fit::{self, Options};
use noctule::analysis::search::Search;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

const SWEEP: usize = 240;

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

struct Line {
    centre: f64,
    width: f64,
    height: f64,
    asymmetry: f64,
    offset: f64,
}

impl Line {
    fn at(&self, f: f64) -> f64 {
        let delta = 2.0 * (f - self.centre) / self.width;
        self.offset + self.height * (1.0 + self.asymmetry * delta) / (1.0 + delta * delta)
    }
}

/// Range of the search in MHz, at least twenty widths of any line.
const RANGE: (f64, f64) = (0.0, 400.0);

/// Median errors of the centre, by a sweep and by a search with a quarter of its points; how often the search's
/// centre lies within two of its own errors; and its mean error in the direction of the asymmetry.
struct Compared {
    swept: f64,
    sought: f64,
    within: f64,
    bias: f64,
}

/// `spread` is the largest asymmetry of either sign; both methods know whether there is any.
fn compare(lines: usize, signal_to_noise: f64, spread: f64, known: bool) -> Compared {
    let (mut swept, mut sought, mut within, mut biases) = (Vec::new(), Vec::new(), 0, Vec::new());
    for seed in 0..lines {
        let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed as u64);
        let line = Line {
            centre: rng.random_range(25.0..375.0),
            width: rng.random_range(10.0..20.0),
            height: rng.random_range(0.7..1.5),
            asymmetry: if spread > 0.0 { rng.random_range(-spread..spread) } else { 0.0 },
            offset: rng.random_range(-3.0..3.0),
        };
        let sigma = line.height / signal_to_noise;
        let noise = Normal::new(0.0, sigma).unwrap();
        let f: Vec<f64> =
            (0..SWEEP).map(|i| RANGE.0 + (RANGE.1 - RANGE.0) * i as f64 / (SWEEP - 1) as f64).collect();
        let y: Vec<f64> = f.iter().map(|f| line.at(*f) + noise.sample(&mut rng)).collect();
        let options = Options::new().fix("slope", 0.0);
        let sweep = if spread > 0.0 {
            fit::resonance(&f, &y, &options).unwrap()
        } else {
            fit::lorentzian(&f, &y, &options).unwrap()
        };
        swept.push((sweep.value("centre") - line.centre).abs());
        let widths = (8.0, 20.0);
        let mut search = Search::new(RANGE, widths, (0.5, 2.0), spread, known.then_some(sigma)).unwrap();
        for _ in 0..SWEEP / 4 {
            let f = search.next();
            assert!((RANGE.0..=RANGE.1).contains(&f));
            search.observe(f, line.at(f) + noise.sample(&mut rng)).unwrap();
        }
        let found = search.estimate();
        let off = found.centre - line.centre;
        within += usize::from(off.abs() < 2.0 * found.centre_error);
        // Lines that were missed altogether say nothing of a bias.
        if off.abs() < line.width {
            biases.push(off * line.asymmetry.signum());
        }
        sought.push(off.abs());
    }
    let answer = Compared {
        swept: median(&mut swept),
        sought: median(&mut sought),
        within: within as f64 / lines as f64,
        bias: biases.iter().sum::<f64>() / biases.len() as f64,
    };
    println!(
        "signal to noise {signal_to_noise}, asymmetry up to {spread}, noise {}: {lines} lines, median error of the centre {:.3} MHz by a sweep of {SWEEP}, {:.3} MHz by a search of {}; within two of its errors {:.1} %; mean error towards the asymmetry {:+.3} MHz",
        if known { "known" } else { "estimated" },
        answer.swept,
        answer.sought,
        SWEEP / 4,
        100.0 * answer.within,
        answer.bias
    );
    answer
}

/// Lines of a campaign: 500 if it is a full one, a number if one is given, else what a debug build has time for.
fn lines(few: usize) -> usize {
    let asked = std::env::var("NOCTULE_CAMPAIGN").unwrap_or_default();
    if asked == "full" { 500 } else { asked.parse().unwrap_or(few) }
}

#[test]
fn a_quarter_of_the_points_finds_the_centre_as_well() {
    for (signal_to_noise, known) in [(5.0, true), (5.0, false), (10.0, true), (3.0, true)] {
        let c = compare(lines(25), signal_to_noise, 0.0, known);
        assert!(c.sought <= c.swept, "{} against {}", c.sought, c.swept);
        assert!(c.within > 0.8);
    }
}

#[test]
fn lopsided_lines_are_found_as_well_and_without_bias() {
    let lines = lines(10);
    for (signal_to_noise, known) in [(5.0, true), (10.0, true), (5.0, false)] {
        let c = compare(lines, signal_to_noise, 1.0, known);
        // Medians of so few lines as a debug build has time for differ by a quarter of their own.
        let room = if lines >= 500 { 1.0 } else { 1.3 };
        assert!(c.sought <= room * c.swept, "{} against {}", c.sought, c.swept);
        assert!(c.within > 0.8);
        // A symmetric shape is drawn aside by 1 MHz and more; a mean of few lines scatters by its own error.
        let allowed = 5.0 * c.swept / (lines as f64).sqrt();
        assert!(c.bias.abs() < allowed.max(0.15), "the centre is drawn aside by {} MHz", c.bias);
    }
}

#[test]
fn a_range_without_a_line_is_called_empty() {
    let mut empty = 0;
    for seed in 0..10 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let noise = Normal::new(5.0, 0.2).unwrap();
        let mut search = Search::new(RANGE, (10.0, 20.0), (0.7, 1.5), 0.0, Some(0.2)).unwrap();
        for _ in 0..80 {
            let f = search.next();
            search.observe(f, noise.sample(&mut rng)).unwrap();
        }
        empty += usize::from(search.estimate().presence < 0.05);
    }
    assert!(empty >= 9, "{empty} of 10");
}

#[test]
fn nonsense_is_refused_and_leaves_the_search_as_it_was() {
    assert!(Search::new((1.0, 1.0), (0.1, 0.2), (1.0, 2.0), 0.5, None).is_err());
    assert!(Search::new((2.0, 1.0), (0.1, 0.2), (1.0, 2.0), 0.5, None).is_err());
    assert!(Search::new((0.0, 1.0), (0.0, 0.2), (1.0, 2.0), 0.5, None).is_err());
    assert!(Search::new((0.0, 1.0), (0.1, 2.0), (1.0, 2.0), 0.5, None).is_err());
    assert!(Search::new((0.0, 1.0), (0.1, 0.2), (0.0, 0.0), 0.5, None).is_err());
    assert!(Search::new((0.0, f64::NAN), (0.1, 0.2), (1.0, 2.0), 0.5, None).is_err());
    assert!(Search::new((0.0, 1.0), (0.1, 0.2), (1.0, 2.0), 0.5, Some(0.0)).is_err());
    assert!(Search::new((0.0, 1.0), (0.1, 0.2), (1.0, 2.0), -1.0, None).is_err());
    assert!(Search::new((0.0, 1.0), (0.1, 0.2), (1.0, 2.0), f64::NAN, None).is_err());
    let mut search = Search::new((0.0, 1.0), (0.02, 0.05), (1.0, 2.0), 0.5, None).unwrap();
    let before = search.estimate();
    assert!(search.observe(0.5, f64::NAN).is_err() && search.observe(f64::INFINITY, 1.0).is_err());
    assert_eq!(search.estimate(), before);
    // Observations all alike, or huge, give numbers all the same.
    for i in 0..30 {
        let f = search.next();
        search.observe(f, if i % 7 == 3 { 1e90 } else { 0.0 }).unwrap();
        assert!(search.estimate().centre.is_finite());
    }
}

#[test]
fn a_rippling_background_is_no_line_and_hides_none() {
    let searches = lines(3);
    let (mut empty, mut found) = (0, 0);
    for seed in 0..searches {
        for height in [0.0, 15.0] {
            let mut rng = ChaCha8Rng::seed_from_u64(300 + seed as u64);
            let noise = Normal::new(0.0, 1.0).unwrap();
            let phases: [f64; 3] = std::array::from_fn(|_| rng.random_range(0.0..6.3));
            let centre = rng.random_range(50.0..250.0);
            let signal = |f: f64| {
                let waves = [(770.0, 2.5), (213.0, 3.0), (83.0, 1.5)];
                let wave = |((period, size), phase): (&(f64, f64), f64)| {
                    size * (std::f64::consts::TAU * f / period + phase).cos()
                };
                let ripple: f64 = waves.iter().zip(phases).map(wave).sum();
                ripple + height / (1.0 + ((f - centre) / 9.0).powi(2))
            };
            let mut search = Search::new((0.0, 300.0), (6.0, 40.0), (-70.0, 70.0), 1.0, None).unwrap();
            for _ in 0..60 {
                let f = search.next();
                search.observe(f, signal(f) + noise.sample(&mut rng)).unwrap();
            }
            let said = search.estimate();
            if height == 0.0 {
                empty += usize::from(said.presence < 0.99);
            } else {
                found += usize::from(said.presence > 0.99 && (said.centre - centre).abs() < 5.0);
            }
        }
    }
    println!("{empty} of {searches} ripples called empty, {found} of {searches} lines on them found");
    assert!(empty * 100 >= 99 * searches && found * 100 >= 95 * searches);
}
