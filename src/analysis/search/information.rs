//! How much an observation at a place is expected to tell.

use super::background::Ground;
use super::cells::{Cells, Prior, State, parts};

/// Cells below this share of the largest weight do not matter for the choice.
const NEGLIGIBLE: f64 = 1e-4;

/// Cells looked at in one choice; when more matter, every so many of them stand for their neighbours.
const MOST: usize = 120;

/// The place whose outcome is expected to tell the cells apart best.
pub(super) fn best(
    places: &[f64],
    cells: &Cells,
    weights: &[f64],
    prior: &Prior,
    sigma: f64,
    ground: &Ground,
) -> f64 {
    let largest = weights.iter().copied().fold(0.0, f64::max);
    let matter: Vec<usize> = (0..cells.count()).filter(|k| weights[*k] > NEGLIGIBLE * largest).collect();
    // A stride that is no multiple of the number of widths takes turns among them.
    let mut stride = matter.len().div_ceil(MOST);
    if stride > 1 && stride.is_multiple_of(5) {
        stride += 1;
    }
    let taken: Vec<(f64, f64, f64, State)> = matter
        .iter()
        .step_by(stride)
        .map(|k| (weights[*k], cells.centre(*k), cells.width(*k), cells.state(*k, prior, sigma, ground)))
        .collect();
    let total: f64 = taken.iter().map(|t| t.0).sum();
    let mut best = (f64::NEG_INFINITY, places[0]);
    for place in places {
        let (mut mean, mut square, mut within) = (0.0, 0.0, 0.0);
        let functions = cells.functions(*place);
        let own: f64 = ground.forward(&functions, 1.0).iter().map(|v| v * v).sum();
        for (weight, centre, width, state) in &taken {
            let (expected, variance) = state.predict(parts(*place, *centre, *width), &functions);
            mean += weight * expected;
            square += weight * expected * expected;
            within += weight * variance;
        }
        let (mean, square, within) = (mean / total, square / total, own + within / total);
        let between = (square - mean * mean).max(0.0);
        // Mutual information of outcome and cell, in nats, with Gaussian outcomes.
        let told = 0.5 * (between / (sigma * sigma + within)).ln_1p();
        if told > best.0 {
            best = (told, *place);
        }
    }
    best.1
}
