//! Peak finding: false alarms on pure noise as often as promised, lines found where they are.

use noctule::analysis::peaks::{self, Search};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal, StandardNormal};

fn noise(n: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    (0..n).map(|_| StandardNormal.sample(rng)).collect()
}

fn full() -> bool {
    std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full")
}

#[test]
fn false_alarms_on_pure_noise_are_as_rare_as_promised() {
    // Probability of the strongest remnant: uniform if calibrated, so shares below p should be p.
    for (n, known) in [(60, false), (200, false), (401, true), (401, false), (2000, false)] {
        let spectra = if full() { 4_000_000 / n } else { 160_000 / n };
        let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
        let mut rng = ChaCha8Rng::seed_from_u64(n as u64);
        let mut below = [0; 4];
        let levels = [0.5, 0.1, 0.01, 0.001];
        for _ in 0..spectra {
            let slope = Normal::new(0.0, 3.0 / n as f64).unwrap().sample(&mut rng);
            let y: Vec<f64> =
                noise(n, &mut rng).iter().enumerate().map(|(i, v)| 5.0 + slope * i as f64 + v).collect();
            let search = Search { false_alarm: 1e-9, sigma: known.then_some(1.0), ..Search::default() };
            let chance = peaks::find(&x, &y, &search).unwrap().next_false_alarm;
            for (count, level) in below.iter_mut().zip(levels) {
                *count += usize::from(chance < level);
            }
        }
        print!("{n:>5} points, noise {}: {spectra} spectra;", if known { "known" } else { "estimated" });
        for (count, level) in below.iter().zip(levels) {
            print!("  p < {level}: {:.5}", *count as f64 / spectra as f64);
        }
        println!();
        // Three standard deviations of the counted number, and a factor of two, may lie between promise and count.
        for (count, level) in below.iter().zip(levels) {
            let promised = level * spectra as f64;
            assert!((*count as f64) < 1.25 * promised + 3.0 * promised.sqrt(), "{n} points at {level}");
        }
        assert!(below[1] as f64 > 0.03 * spectra as f64, "the promise is not kept by missing everything");
    }
}

fn line(x: f64, centre: f64, width: f64, height: f64, asymmetry: f64) -> f64 {
    let delta = 2.0 * (x - centre) / width;
    height * (1.0 + asymmetry * delta) / (1.0 + delta * delta)
}

/// Shares of spectra in which every line is found within half its width, and in which nothing else is.
fn shares(
    runs: usize,
    mut spectrum: impl FnMut(&mut ChaCha8Rng) -> (Vec<f64>, Vec<(f64, f64)>),
) -> (f64, f64) {
    let (mut found, mut clean) = (0, 0);
    for seed in 0..runs {
        let (y, truth) = spectrum(&mut ChaCha8Rng::seed_from_u64(seed as u64));
        let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
        let peaks = peaks::find(&x, &y, &Search::default()).unwrap();
        let near =
            |centre: f64, width: f64| peaks.lines.iter().any(|p| (p.centre - centre).abs() < 0.5 * width);
        found += usize::from(truth.iter().all(|(centre, width)| near(*centre, *width)));
        clean += usize::from(peaks.lines.len() <= truth.len());
        if std::env::var_os("NOCTULE_DOUBTS").is_some() && peaks.lines.len() != truth.len() {
            println!("{truth:?}\n   {:?}", peaks.lines);
        }
    }
    let share = |count: usize| count as f64 / runs as f64;
    println!("all lines found in {:.3}, nothing else in {:.3} of {runs}", share(found), share(clean));
    (share(found), share(clean))
}

#[test]
fn one_line_is_found_and_counted_once_whatever_its_shape() {
    for (asymmetry, height) in
        [(0.0, 3.0), (0.0, -3.0), (1.0, 3.0), (-40.0, 0.08), (0.6, 30.0), (0.6, 3000.0)]
    {
        let (found, clean) = shares(60, |rng| {
            let (centre, width) = (rng.random_range(60.0..340.0), rng.random_range(8.0..30.0));
            let mut y = noise(401, rng);
            for (i, y) in y.iter_mut().enumerate() {
                *y += 0.02 * i as f64 + line(i as f64, centre, width, height, asymmetry);
            }
            (y, vec![(centre, width)])
        });
        assert!(found >= 0.95 && clean >= 0.95, "asymmetry {asymmetry}, height {height}");
    }
}

#[test]
fn a_strong_line_of_another_shape_is_still_one_line() {
    let (found, clean) = shares(40, |rng| {
        let (centre, width) = (rng.random_range(80.0..320.0), rng.random_range(10.0..30.0));
        let mut y = noise(401, rng);
        for (i, y) in y.iter_mut().enumerate() {
            *y += 200.0 * (-2.77 * ((i as f64 - centre) / width).powi(2)).exp();
        }
        (y, vec![(centre, width)])
    });
    assert!(found >= 0.95 && clean >= 0.95);
}

/// Eight lines of signal-to-noise 6 in a row, their distance about 41 points.
fn row_of_lines(runs: usize, width: f64) -> (f64, f64) {
    shares(runs, |rng| {
        let (first, spacing) = (rng.random_range(60.0..100.0), rng.random_range(38.0..41.0));
        let mut y = noise(401, rng);
        let truth: Vec<(f64, f64)> = (0..8).map(|k| (first + spacing * f64::from(k), width)).collect();
        for (i, y) in y.iter_mut().enumerate() {
            *y += truth.iter().map(|(c, w)| line(i as f64, *c, *w, 6.0, 0.3)).sum::<f64>();
        }
        (y, truth)
    })
}

#[test]
fn hyperfine_lines_are_counted() {
    let runs = if full() { 400 } else { 40 };
    let (found, clean) = row_of_lines(runs, 6.0);
    assert!(found >= 0.9 && clean >= 0.9);
    // Three and a half widths apart the search is at its limit; what it misses there is known.
    let (found, clean) = row_of_lines(runs, 12.0);
    assert!(found >= 0.4 && clean >= 0.75);
}

#[test]
fn slow_noise_and_spikes_raise_few_alarms() {
    let mut alarms = 0_u64;
    let (runs, mut coloured) = (if full() { 1000 } else { 12 }, 0_u64);
    for seed in 0..runs {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut y = noise(2000, &mut rng);
        // Noise with a memory of 20 points as large as the white noise, and a spike.
        let mut slow = 0.0;
        for y in &mut y {
            slow = 0.95 * slow + (1.0_f64 - 0.95 * 0.95).sqrt() * rng.sample::<f64, _>(StandardNormal);
            *y += slow;
        }
        y[1234] += 40.0;
        let x: Vec<f64> = (0..2000).map(f64::from).collect();
        let peaks = peaks::find(&x, &y, &Search::default()).unwrap();
        assert!(peaks.spikes >= 1);
        alarms += u64::from(!peaks.lines.is_empty());
        coloured += u64::from(peaks.colour > 1.5);
    }
    println!("slow noise: alarms in {alarms} of {runs}, called coloured in {coloured}");
    assert!(alarms * 25 <= runs && coloured * 40 >= runs * 39);
}

#[test]
fn settings_and_data_that_make_no_sense_are_refused() {
    let x: Vec<f64> = (0..50).map(f64::from).collect();
    let flat = peaks::find(&x, &[2.0; 50], &Search::default()).unwrap();
    assert!(flat.lines.is_empty());
    let exact = peaks::find(&x, &x, &Search::default()).unwrap();
    assert!(exact.lines.is_empty(), "an exact slope has no lines: {exact:?}");
    assert!(peaks::find(&x, &x, &Search { false_alarm: 0.0, ..Search::default() }).is_err());
    assert!(peaks::find(&x, &x, &Search { sigma: Some(f64::NAN), ..Search::default() }).is_err());
    assert!(peaks::find(&x, &x, &Search { widths: Some((3.0, 1.0)), ..Search::default() }).is_err());
    assert!(peaks::find(&x, &x, &Search { widths: Some((1e6, 2e6)), ..Search::default() }).is_err());
    assert!(peaks::find(&[], &[], &Search::default()).is_err());
    assert!(peaks::find(&[1.0; 50], &x, &Search::default()).is_err());
}

/// A ripple as an RF line has it, with periods of 770, 213 and 83 MHz, in units of the noise of a point.
fn ripple(x_mhz: f64, phases: [f64; 3]) -> f64 {
    let waves = [(770.0, 6.0), (213.0, 4.0), (83.0, 0.8)];
    let one = |((period, size), phase): (&(f64, f64), f64)| {
        size * (std::f64::consts::TAU * x_mhz / period + phase).cos()
    };
    waves.iter().zip(phases).map(one).sum()
}

#[test]
fn humps_of_a_wavy_background_are_no_lines() {
    let x: Vec<f64> = (0..501).map(|i| 12_000.0 + 2.0 * f64::from(i)).collect();
    let search = Search { over_waves: Some(40.0), ..Search::default() };
    let (mut false_lines, mut found) = (0, 0);
    let spectra = if full() { 1000 } else { 40 };
    for seed in 0..spectra {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let phases = std::array::from_fn(|_| rng.random_range(0.0..6.3));
        let background: Vec<f64> =
            x.iter().zip(noise(x.len(), &mut rng)).map(|(x, e)| 40.0 + ripple(*x, phases) + e).collect();
        false_lines += peaks::find(&x, &background, &search).unwrap().lines.len();
        let centre = rng.random_range(12_050.0..12_950.0);
        let line = |x: f64| 10.0 / (1.0 + ((x - centre) / 10.0).powi(2));
        let y: Vec<f64> = x.iter().zip(&background).map(|(x, b)| b + line(*x)).collect();
        let lines = peaks::find(&x, &y, &search).unwrap().lines;
        found += usize::from(lines.iter().any(|l| (l.centre - centre).abs() < 10.0));
    }
    println!("{false_lines} humps taken for lines, {found} lines found in {spectra} spectra each");
    assert!(false_lines * 50 <= spectra as usize, "{false_lines} humps in {spectra} spectra");
    assert!(found * 100 >= 95 * spectra as usize, "{found} lines in {spectra} spectra");
}

#[test]
fn the_highest_line_on_a_coarse_grid_is_found() {
    // 25 MHz from point to point, a line of 20 MHz: it is high in one point or two.
    let x: Vec<f64> = (0..121).map(|i| 12_000.0 + 25.0 * f64::from(i)).collect();
    let spectra = if full() { 1000 } else { 100 };
    let mut found = 0;
    for seed in 0..spectra {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let centre = rng.random_range(12_200.0..14_800.0);
        let line = |x: f64| 60.0 / (1.0 + ((x - centre) / 10.0).powi(2));
        let y: Vec<f64> = x.iter().zip(noise(x.len(), &mut rng)).map(|(x, e)| 40.0 + line(*x) + e).collect();
        let lines = peaks::find(&x, &y, &Search::default()).unwrap().lines;
        let highest = lines.iter().max_by(|a, b| a.score.total_cmp(&b.score));
        found += usize::from(highest.is_some_and(|l| (l.centre - centre).abs() < 25.0));
    }
    println!("{found} of {spectra} lines found on a grid coarser than they are wide");
    assert!(found * 100 >= 95 * spectra as usize, "{found} of {spectra}");
}
