//! Where a line may be: starting places for a fit of one line, found without any fit.

use super::separable::{Limits, Scaled};

/// Looks at windows of doubling length for a step up against the flanks (an even line) or a step across the
/// middle (an odd one), and gives centre and width of the best place of each length, best first by its exact sum of squares.
pub(super) fn candidates(scaled: &Scaled, limits: Limits) -> Vec<(f64, f64)> {
    let (_, [offset, slope]) = scaled.background();
    let n = scaled.t.len();
    let mut running = Vec::with_capacity(n + 1);
    let mut total = 0.0;
    running.push(0.0);
    for (t, z) in scaled.t.iter().zip(&scaled.z) {
        total += z - offset - slope * t;
        running.push(total);
    }
    let mut found: Vec<(f64, (f64, f64))> = Vec::new();
    let mut half = 1;
    while half <= n / 3 {
        let (mut best, mut place) = (0.0, n / 2);
        let inside = Contrast::new(2 * half, 4 * half);
        let across = Contrast::new(2 * half, 2 * half);
        for i in (half..=n - half).step_by(half.div_ceil(2)) {
            // Away from the ends all windows are alike.
            let score = if i >= 3 * half && i + 3 * half <= n {
                let at = |offset: isize| running[i.wrapping_add_signed(offset * half as isize)];
                let (low, left, here, right, high) = (at(-2), at(-1), running[i], at(1), at(2));
                inside.of(right - left, left - at(-3) + at(3) - right) + across.of(high - here, here - low)
            } else {
                score_at_an_end(&running, i, half)
            };
            if score > best {
                (best, place) = (score, i);
            }
        }
        let first = place.saturating_sub(half);
        let last = (place + half).min(n - 1);
        let width = (scaled.t[last] - scaled.t[first]).clamp(limits.width.0, limits.width.1);
        let centre = 0.5 * (scaled.t[place - 1] + scaled.t[place.min(n - 1)]);
        found.extend(scaled.sum_at(centre, width).map(|sum| (sum, (centre, width))));
        half *= 2;
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.into_iter().map(|(_, place)| place).collect()
}

/// Squared difference of two means over its variance for unit noise.
struct Contrast {
    first: f64,
    second: f64,
    factor: f64,
}

impl Contrast {
    /// Of so many points each.
    fn new(first: usize, second: usize) -> Self {
        let (first, second) = (first as f64, second as f64);
        Self { first, second, factor: 1.0 / (first * second * (first + second)) }
    }

    /// From the sums of both.
    fn of(&self, first: f64, second: f64) -> f64 {
        let difference = first * self.second - second * self.first;
        difference * difference * self.factor
    }
}

/// Evidence for a line about the gap before point i: contrast of the window with its flanks plus contrast of its two
/// sides, as far as there are points.
fn score_at_an_end(running: &[f64], i: usize, half: usize) -> f64 {
    let n = running.len() - 1;
    let sum = |a: usize, b: usize| running[b] - running[a];
    let (left, right) = (i - half, (i + half).min(n));
    let (far_left, far_right) = (left.saturating_sub(2 * half), (right + 2 * half).min(n));
    let outside = left - far_left + far_right - right;
    let mut score = 0.0;
    if outside > 0 {
        let flanks = sum(far_left, left) + sum(right, far_right);
        score += Contrast::new(right - left, outside).of(sum(left, right), flanks);
    }
    let (low, high) = (i.saturating_sub(2 * half), (i + 2 * half).min(n));
    if i > low && high > i {
        score += Contrast::new(high - i, i - low).of(sum(i, high), sum(low, i));
    }
    score
}
