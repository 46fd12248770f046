//! Where a line may be: starting places for a fit of one line, found without any fit.

use super::separable::{Limits, Point, Scaled};

/// Looks at windows of doubling length for a step up against the flanks (an even line) or a step across the
/// middle (an odd one), and gives the best place of each length, best first, with its exact sum of squares.
pub(super) fn candidates(scaled: &Scaled, limits: Limits) -> Vec<Point> {
    let (_, [offset, slope]) = scaled.background();
    let n = scaled.t.len();
    let mut running = Vec::with_capacity(n + 1);
    let mut total = 0.0;
    running.push(0.0);
    for (t, z) in scaled.t.iter().zip(&scaled.z) {
        total += z - offset - slope * t;
        running.push(total);
    }
    let mut found: Vec<Point> = Vec::new();
    let mut half = 1;
    while half <= n / 3 {
        let (mut best, mut place) = (0.0, n / 2);
        let mut i = half;
        while i + half <= n {
            let score = score(&running, i, half);
            if score > best {
                (best, place) = (score, i);
            }
            i += half.div_ceil(2);
        }
        let first = place.saturating_sub(half);
        let last = (place + half).min(n - 1);
        let width = (scaled.t[last] - scaled.t[first]).clamp(limits.width.0, limits.width.1);
        let centre = 0.5 * (scaled.t[place - 1] + scaled.t[place.min(n - 1)]);
        found.extend(scaled.point(centre, width));
        half *= 2;
    }
    found.sort_by(|a, b| a.sum.total_cmp(&b.sum));
    found
}

/// Evidence for a line about the gap before point i: squared contrast of the window with its flanks plus squared
/// contrast of its two sides, each over its variance for unit noise.
fn score(running: &[f64], i: usize, half: usize) -> f64 {
    let n = running.len() - 1;
    let sum = |a: usize, b: usize| running[b] - running[a];
    let (left, right) = (i - half, (i + half).min(n));
    let (far_left, far_right) = (left.saturating_sub(2 * half), (right + 2 * half).min(n));
    let inside = (right - left) as f64;
    let outside = (left - far_left + far_right - right) as f64;
    let mut score = 0.0;
    if outside > 0.0 {
        let even = sum(left, right) / inside - (sum(far_left, left) + sum(right, far_right)) / outside;
        score += even * even / (1.0 / inside + 1.0 / outside);
    }
    let (low, high) = (i.saturating_sub(2 * half), (i + 2 * half).min(n));
    let (before, after) = ((i - low) as f64, (high - i) as f64);
    if before > 0.0 && after > 0.0 {
        let odd = sum(i, high) / after - sum(low, i) / before;
        score += odd * odd / (1.0 / before + 1.0 / after);
    }
    score
}
