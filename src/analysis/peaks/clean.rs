//! Taking lines out one by one, the strongest first.

use super::profile::{Taken, fit, remove_line};
use super::scan::{Scan, Window, running, strength};
use super::significance::Chance;
use super::{Peak, Peaks, Search, noise, waves};
use crate::analysis::fit::{FitError, check_columns, degenerate, range};

const FEWEST: usize = 16;

pub(super) fn find(x: &[f64], y: &[f64], search: &Search) -> Result<Peaks, FitError> {
    check_columns(x, y, &[])?;
    check_settings(search)?;
    if degenerate(range(x)) {
        return Err(FitError::EqualX);
    }
    if x.len() < FEWEST {
        return Err(FitError::TooFewPoints { points: x.len(), parameters: FEWEST - 1 });
    }
    let (x, mut level) = in_order(x, y);
    let n = x.len();
    let spacing = (x[n - 1] - x[0]) / (n - 1) as f64;
    let nothing = Peaks { lines: Vec::new(), noise: 0.0, colour: 1.0, next_false_alarm: 1.0, spikes: 0 };
    if degenerate(range(&level)) {
        return Ok(nothing);
    }
    let magnitude = range(&level).1.abs().max(range(&level).0.abs());
    // A floor at the rounding of the data keeps exact data from making noise of nothing.
    let sigma = search.sigma.unwrap_or_else(|| noise::spread(&level)).max(1e-13 * magnitude);
    let spikes = flatten_spikes(&mut level, sigma);
    if let Some(widest) = search.over_waves {
        waves::take_out(&mut level, 2.0 * widest / spacing, sigma);
    }
    remove_line(&mut level);
    let halves = halves(n, spacing, search.widths);
    if halves.is_empty() {
        let message = "no window of the wanted widths fits the data".to_owned();
        return Err(FitError::BadSetting { message });
    }
    let places = halves.iter().map(|m| n as f64 / (2 * m) as f64).sum();
    // The variance of the estimate alone corresponds to about 0.45 degrees of freedom a point; a strong window raises
    // the estimate it is divided by, which makes chance excesses rarer. This share is from simulation of pure noise.
    let freedom = if search.sigma.is_some() { f64::INFINITY } else { 0.55 * n as f64 };
    let mut scan = Scan {
        colour: vec![1.0; halves.len()],
        weights: Vec::new(),
        halves,
        sigma,
        chance: Chance { places, freedom },
    };
    scan.weigh(true, n);
    let mut left = level.clone();
    let (mut taken, mut next) = take_out(&mut left, &scan, search);
    scan.measure_colour(&running(&left));
    if scan.coloured(n) || !sparse(&taken, n) {
        // Taking out a few lines did not leave white noise: the noise itself is slow. Its own spread, lines and all, is
        // then the measure of what stands out.
        scan.measure_colour(&running(&level));
        scan.weigh(false, n);
        (taken, next) = take_out(&mut level, &scan, search);
    } else {
        scan.colour.fill(1.0);
    }
    let mut lines: Vec<Peak> = taken.iter().map(|t| peak(t, &x, &scan)).collect();
    lines.sort_by(|a, b| a.centre.total_cmp(&b.centre));
    let colour = scan.colour.iter().copied().fold(1.0, f64::max);
    Ok(Peaks { lines, noise: sigma, colour, next_false_alarm: scan.chance.anywhere(next), spikes })
}

/// Whether lines fill few of the places that they could take; slow noise fills them all.
fn sparse(taken: &[Taken], n: usize) -> bool {
    let filled: f64 = taken.iter().map(|t| t.width.max(4.0)).sum();
    filled < 0.35 * n as f64
}

fn check_settings(search: &Search) -> Result<(), FitError> {
    let refuse = |message: &str| Err(FitError::BadSetting { message: message.to_owned() });
    if !(search.false_alarm > 0.0 && search.false_alarm < 1.0) {
        return refuse("the false-alarm probability must lie between 0 and 1");
    }
    if search.sigma.is_some_and(|s| !(s.is_finite() && s > 0.0)) {
        return refuse("the noise must be a positive finite number");
    }
    if search.over_waves.is_some_and(|w| !(w > 0.0 && w.is_finite())) {
        return refuse("the width of the widest line must be a positive finite number");
    }
    if search.widths.is_some_and(|(low, high)| !(low > 0.0 && high >= low && high.is_finite())) {
        return refuse("the widths must be positive and in rising order");
    }
    Ok(())
}

fn in_order(x: &[f64], y: &[f64]) -> (Vec<f64>, Vec<f64>) {
    if x.is_sorted() {
        return (x.to_vec(), y.to_vec());
    }
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_by(|a, b| x[*a].total_cmp(&x[*b]));
    (order.iter().map(|i| x[*i]).collect(), order.iter().map(|i| y[*i]).collect())
}

/// Half lengths of windows, growing by about the root of two.
fn halves(n: usize, spacing: f64, widths: Option<(f64, f64)>) -> Vec<usize> {
    let mut halves = Vec::new();
    let (mut m, mut larger) = (2, 3);
    while 6 * m <= n {
        // A window suits lines from somewhat narrower to somewhat wider than its core.
        let core = 2.0 * m as f64 * spacing;
        if widths.is_none_or(|(low, high)| core > 0.6 * low && core < 1.7 * high) {
            halves.push(m);
        }
        (m, larger) = (larger, 2 * m);
    }
    halves
}

/// Replaces points that stick out of their neighbours alone; gives their number.
fn flatten_spikes(level: &mut [f64], sigma: f64) -> usize {
    let mut spikes = 0;
    let old = level.to_vec();
    for i in 2..old.len() - 2 {
        // Implied by what follows, and quicker to see.
        if (old[i] - old[i - 1]).abs() < 4.0 * sigma || (old[i] - old[i + 1]).abs() < 4.0 * sigma {
            continue;
        }
        let mut near = [old[i - 2], old[i - 1], old[i], old[i + 1], old[i + 2]];
        near.sort_by(f64::total_cmp);
        // The neighbours must agree among themselves: the tip of a narrow line is no spike.
        let off = (old[i] - near[2]).abs();
        let neighbours = (old[i - 1] - old[i + 1]).abs().max((old[i - 1] - near[2]).abs());
        // On a coarse grid a line is one point high, but its flanks show in the points beside it.
        // Four errors: noise on the four neighbours of a spike passes three in one of seven hundred.
        let flanks = 0.5 * (old[i - 1] + old[i + 1] - old[i - 2] - old[i + 2]) * (old[i] - near[2]).signum();
        if off > 7.0 * sigma && off > 5.0 * neighbours && flanks < 4.0 * sigma {
            level[i] = 0.5 * (old[i - 1] + old[i + 1]);
            spikes += 1;
        }
    }
    spikes
}

/// Takes lines out of the level; gives them and the largest evidence left.
fn take_out(level: &mut [f64], scan: &Scan, search: &Search) -> (Vec<Taken>, f64) {
    let n = level.len();
    let threshold = scan.chance.level(search.false_alarm);
    // Low enough that the strongest remnant is always among the maxima.
    let floor = threshold.min(scan.chance.level(0.95)) * 0.8;
    let mut taken: Vec<Taken> = Vec::new();
    // A scan of everything, then of its maxima only as lines are taken out of it; again from the start until a
    // scan shows nothing new.
    loop {
        let mut sums = running(level);
        let mut maxima = scan.maxima(&sums, floor);
        maxima.truncate(400);
        let before = taken.len();
        let mut next = 0.0;
        while taken.len() < search.most && sparse(&taken, n) {
            let Some(best) = strongest(&maxima, &sums, scan, &taken, threshold) else { break };
            if best.evidence < threshold {
                next = best.evidence;
                break;
            }
            let line = fit(level, (best.place as f64 - 0.5, 2.0 * best.half as f64), 1.5, best.evidence);
            line.subtract(level);
            maxima.retain(|w| w.place != best.place || w.half != best.half);
            taken.push(line);
            // Without the line, the straight line under it is seen better.
            remove_line(level);
            sums = running(level);
        }
        refine(level, &mut taken, scan, threshold);
        if taken.len() <= before || taken.len() >= search.most || !sparse(&taken, n) {
            return (taken, next);
        }
    }
}

/// Fits each line that has others about it again, without those, which were still there when it was first fitted, and
/// drops those that do not stand out of what is then left.
fn refine(level: &mut [f64], taken: &mut Vec<Taken>, scan: &Scan, threshold: f64) {
    let places: Vec<(f64, f64)> = taken.iter().map(|t| (t.place, t.width)).collect();
    // Further off, a line is no more than the offset and slope that each fit has of its own.
    let crowded = |line: &Taken| {
        let about = |(place, width): &&(f64, f64)| (place - line.place).abs() < 12.0 * (width + line.width);
        places.iter().filter(about).count() > 1
    };
    let (mut close, apart): (Vec<Taken>, Vec<Taken>) = taken.iter().partition(|line| crowded(line));
    if close.is_empty() {
        return;
    }
    // Longer stretches each time: the far tails, which tell asymmetry from slope, are clear of the other lines only
    // once those are well known.
    for reach in [2.5, 3.5, 5.0, 7.0, 8.0] {
        for line in &mut close {
            line.add(level);
            *line = fit(level, (line.place, line.width), reach, line.evidence);
            line.subtract(level);
        }
        remove_line(level);
    }
    close.retain_mut(|line| {
        line.add(level);
        line.evidence = scan.about(&running(level), line.place, line.width);
        let stays = line.evidence >= threshold;
        if stays {
            line.subtract(level);
        }
        stays
    });
    *taken = apart;
    taken.append(&mut close);
}

/// The maximum with the most evidence in the present level that is no remnant of a line already taken out. A wide
/// window over several narrow lines gives way to the strongest of them.
fn strongest(
    maxima: &[Window],
    sums: &[f64],
    scan: &Scan,
    taken: &[Taken],
    threshold: f64,
) -> Option<Window> {
    let mut present: Vec<Window> = Vec::with_capacity(maxima.len());
    for window in maxima {
        let k = scan.halves.binary_search(&window.half).expect("a half length of this scan");
        let evidence = scan.evidence(sums, window.place, k);
        if !remnant(window, evidence, taken) {
            present.push(Window { evidence, ..*window });
        }
    }
    let strongest = |among: &mut dyn Iterator<Item = Window>| {
        among.reduce(|best, w| if w.evidence > best.evidence { w } else { best })
    };
    let mut best = strongest(&mut present.iter().copied())?;
    // A window that stands out against both shorter and longer ones about it sits on a line of its own.
    let own = |w: &Window| {
        let rival = |v: &Window| {
            let (short, long) = (v.half.min(w.half), v.half.max(w.half));
            5 * long <= 11 * short && v.place.abs_diff(w.place) <= long && v.evidence > w.evidence
        };
        !present.iter().any(rival)
    };
    loop {
        let floor = (0.05 * best.evidence).max(threshold);
        let inside = |w: &Window| {
            2 * w.half <= best.half && w.place.abs_diff(best.place) < 3 * best.half && w.evidence > floor
        };
        match strongest(&mut present.iter().copied().filter(|w| inside(w) && own(w))) {
            Some(narrow) => best = narrow,
            None => return Some(best),
        }
    }
}

/// A real line is never exactly of the model's shape; near a strong one, what is left of it is not another line
/// until it reaches a share of its evidence that falls with distance.
fn remnant(window: &Window, evidence: f64, taken: &[Taken]) -> bool {
    taken.iter().any(|line| {
        let reach = line.width + 2.0 * window.half as f64;
        let distance = (window.place as f64 - 0.5 - line.place).abs() / reach;
        evidence < 0.05 * line.evidence / (1.0 + distance * distance).powf(1.5)
    })
}

fn peak(line: &Taken, x: &[f64], scan: &Scan) -> Peak {
    let last = x.len() - 1;
    let left = (line.place.max(0.0) as usize).min(last - 1);
    let spacing = (x[last] - x[0]) / last as f64;
    Peak {
        centre: x[left] + (line.place - left as f64) * (x[left + 1] - x[left]),
        width: line.width * spacing,
        height: line.height,
        asymmetry: line.odd / line.height,
        score: strength(line.evidence),
        false_alarm: scan.chance.anywhere(line.evidence),
    }
}
