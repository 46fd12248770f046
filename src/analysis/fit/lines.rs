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

/// The best equally spaced places of a grid of spacings, middles and widths, on thinned-out data.
fn combs(x: &[f64], y: &[f64], count: usize) -> Vec<Place> {
    let stride = x.len().div_ceil(160);
    // Means of neighbours, so that thinning out does not throw signal away.
    let mean = |values: &[f64]| -> Vec<f64> {
        values.chunks(stride).map(|c| c.iter().sum::<f64>() / c.len() as f64).collect()
    };
    let (x, y) = (mean(x), mean(y));
    let (low, high) = prepare::range(&x);
    let range = high - low;
    let gaps = (count - 1) as f64;
    let mut found: Vec<(f64, Place)> = Vec::new();
    for spacing in geometric(0.08 * range / gaps, 0.98 * range / gaps, 24) {
        let room = 0.5 * (range - gaps * spacing);
        let middles = ((2.0 * room / (0.35 * spacing)) as usize).clamp(3, 41);
        for middle in even(0.5 * (low + high) - room, 0.5 * (low + high) + room, middles) {
            for width in [0.15 * spacing, 0.4 * spacing, 1.0 * spacing] {
                let centres: Vec<f64> =
                    (0..count).map(|k| middle + spacing * (k as f64 - 0.5 * gaps)).collect();
                if let Some((_, left)) = factors(&columns(&x, &centres, width), &y) {
                    found.push((left, Place { centres, width }));
                }
            }
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.into_iter().take(4).map(|(_, place)| place).collect()
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
