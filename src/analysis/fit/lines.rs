//! Several lines in one spectrum: hyperfine lines, isotopes, neighbours.

use super::linear::{even, factors, geometric};
use super::resonance::line_starts;
use super::shape::{check_shape, from_starts};
use super::{Fit, FitError, Options, prepare};
use crate::analysis::model::Model;

/// Most lines that are fitted at once.
const MOST: usize = 16;

/// How several lines belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Together {
    /// One width for all lines.
    pub shared_width: bool,
    /// Equal distances of neighbouring lines, as of hyperfine lines in a strong field.
    pub equal_spacing: bool,
}

/// Fits `count` asymmetric lines with one asymmetry on one linear background ([`Model::Lines`]).
///
/// Parameters: `centre_1` and so on in rising order, or `centre` (the middle of all lines) and `spacing` with equal
/// spacing; `width` or `width_1` and so on; `asymmetry`; `height_1` and so on; `offset`, `slope`.
///
/// # Errors
/// [`FitError`]; fewer than two or more than sixteen lines are a bad setting.
pub fn lines(
    x: &[f64],
    y: &[f64],
    count: usize,
    together: Together,
    options: &Options,
) -> Result<Fit, FitError> {
    if !(2..=MOST).contains(&count) {
        return Err(FitError::BadSetting { message: format!("the number of lines must be 2 to {MOST}") });
    }
    let Together { shared_width, equal_spacing } = together;
    let (low, high) = prepare::range(x);
    let model = Model::Lines { count, shared_width, equal_spacing, reference: 0.5 * (low + high) };
    check_shape(x, y, &model, options)?;
    let mut places = combs(x, y, count);
    if !equal_spacing {
        places.extend(peeled(x, y, count));
    }
    let starts: Vec<Vec<f64>> = places.iter().filter_map(|place| start(x, y, place, together)).collect();
    let mut fit = from_starts(model, x, y, &starts, options)?;
    if !equal_spacing && !options.steered() {
        order_lines(&mut fit, count, shared_width);
    }
    Ok(fit)
}

/// Centres and one width.
struct Place {
    centres: Vec<f64>,
    width: f64,
}

/// Linear factors for given places, put together as a start of the model.
fn start(x: &[f64], y: &[f64], place: &Place, together: Together) -> Option<Vec<f64>> {
    let count = place.centres.len();
    let (f, _) = factors(&columns(x, &place.centres, place.width), y)?;
    let mut start = if together.equal_spacing {
        let (first, last) = (place.centres[0], place.centres[count - 1]);
        vec![0.5 * (first + last), (last - first) / (count - 1) as f64]
    } else {
        place.centres.clone()
    };
    start.extend(std::iter::repeat_n(place.width, if together.shared_width { 1 } else { count }));
    start.push(0.0);
    start.extend(&f[2..]);
    start.extend(&f[..2]);
    Some(start)
}

/// Background and symmetric lines as columns.
fn columns(x: &[f64], centres: &[f64], width: f64) -> Vec<Vec<f64>> {
    let (low, high) = prepare::range(x);
    let middle = 0.5 * (low + high);
    let mut columns = vec![vec![1.0; x.len()], x.iter().map(|x| x - middle).collect()];
    for centre in centres {
        let line = |x: &f64| {
            let delta = 2.0 * (x - centre) / width;
            1.0 / (1.0 + delta * delta)
        };
        columns.push(x.iter().map(line).collect());
    }
    columns
}

/// The best equally spaced places. The response of a symmetric line of a few widths is worked out once at all x; the
/// sum of its squares at the teeth of a comb then takes no time, so spacings and places can be tried finely.
fn combs(x: &[f64], y: &[f64], count: usize) -> Vec<Place> {
    let (low, high) = prepare::range(x);
    let range = high - low;
    let gaps = (count - 1) as f64;
    let mut found: Vec<(f64, Place)> = Vec::new();
    for width in geometric(0.06 * range / gaps, 0.6 * range / gaps, 4) {
        let response = Response::of(x, y, width);
        let fine = 0.35 * width / range;
        let mut best: Vec<(f64, f64, f64)> = Vec::new();
        let mut spacing = 0.6 * width.max(0.1 * range / gaps);
        while spacing < range / gaps {
            let room = range - gaps * spacing;
            let places = (room / (fine * range)).ceil() as usize + 2;
            for first in even(low, low + room, places) {
                let teeth = (0..count).map(|k| response.at(first + spacing * k as f64));
                best.push((teeth.map(|r| r * r).sum(), first, spacing));
            }
            spacing += 0.7 * fine * range / gaps;
        }
        best.sort_by(|a, b| b.0.total_cmp(&a.0));
        for (_, first, spacing) in best.into_iter().take(3) {
            let centres: Vec<f64> = (0..count).map(|k| first + spacing * k as f64).collect();
            if let Some((_, left)) = factors(&columns(x, &centres, width), y) {
                found.push((left, Place { centres, width }));
            }
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.into_iter().take(4).map(|(_, place)| place).collect()
}

/// How well a line of one width fits at each place, on an even grid over the data.
struct Response {
    low: f64,
    step: f64,
    values: Vec<f64>,
}

impl Response {
    fn of(x: &[f64], y: &[f64], width: f64) -> Self {
        let (low, high) = prepare::range(x);
        let cells = ((4.0 * (high - low) / width).ceil() as usize).clamp(16, 400);
        let step = (high - low) / cells as f64;
        let (flat, background) = match factors(&columns(x, &[], width), y) {
            Some((f, _)) => (f[0], f[1]),
            None => (0.0, 0.0),
        };
        let middle = 0.5 * (low + high);
        let level: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - flat - background * (x - middle)).collect();
        let mut values = Vec::with_capacity(cells + 1);
        for cell in 0..=cells {
            let centre = low + step * cell as f64;
            let (mut inside, mut outside, mut kernel, mut kernels) = (0.0, 0.0, 0.0, 0.0);
            let mut near = 0.0;
            // A narrow kernel less its mean over five widths, so that neighbours and background cancel.
            for (x, y) in x.iter().zip(&level) {
                let delta = 2.0 * (x - centre) / width;
                if delta.abs() < 5.0 {
                    let k = 1.0 / (1.0 + delta * delta);
                    near += 1.0;
                    inside += k * y;
                    outside += y;
                    kernel += k;
                    kernels += k * k;
                }
            }
            let norm = kernels - kernel * kernel / near;
            values.push(if norm > 0.0 { (inside - outside * kernel / near) / norm.sqrt() } else { 0.0 });
        }
        Self { low, step, values }
    }

    fn at(&self, x: f64) -> f64 {
        let place = ((x - self.low) / self.step).clamp(0.0, (self.values.len() - 1) as f64);
        let left = (place as usize).min(self.values.len() - 2);
        let share = place - left as f64;
        self.values[left] * (1.0 - share) + self.values[left + 1] * share
    }
}

/// Lines found one by one, each in what the lines before it left over.
fn peeled(x: &[f64], y: &[f64], count: usize) -> Option<Place> {
    let mut left = y.to_vec();
    let mut centres = Vec::new();
    let mut widths = Vec::new();
    for _ in 0..count {
        let [centre, width, height, asymmetry, ..] = *line_starts(x, &left, &[]).first()?;
        centres.push(centre);
        widths.push(width);
        for (x, left) in x.iter().zip(&mut left) {
            let delta = 2.0 * (x - centre) / width;
            *left -= height * (1.0 + asymmetry * delta) / (1.0 + delta * delta);
        }
    }
    centres.sort_by(f64::total_cmp);
    widths.sort_by(f64::total_cmp);
    Some(Place { centres, width: widths[count / 2] })
}

/// Numbers the lines in rising order of their centres.
fn order_lines(fit: &mut Fit, count: usize, shared_width: bool) {
    let mut rank: Vec<usize> = (0..count).collect();
    rank.sort_by(|a, b| fit.parameters[*a].value.total_cmp(&fit.parameters[*b].value));
    let asymmetry = count + if shared_width { 1 } else { count };
    let mut from = rank.clone();
    if shared_width {
        from.push(count);
    } else {
        from.extend(rank.iter().map(|k| count + k));
    }
    from.push(asymmetry);
    from.extend(rank.iter().map(|k| asymmetry + 1 + k));
    from.extend(asymmetry + 1 + count..fit.parameters.len());
    fit.reorder(&from);
}
