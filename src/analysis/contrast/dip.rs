//! The dip of a sample from the nearest distribution with one mode, and how unlikely it is.
//!
//! Statistic: Ann. Stat. 13, 70 (1985), 10.1214/aos/1176346577; algorithm: J. R. Stat. Soc. C 34, 320 (1985),
//! 10.2307/2347485 (both from memory, not checked). Written from the definition by greatest convex minorant and
//! least concave majorant.
#![allow(
    clippy::needless_range_loop,
    reason = "rows and columns of small matrices are named by their numbers"
)]

use super::dip_table::{LEVELS, ROWS};

/// Dip of a sorted sample: the least largest distance between its distribution function and any with one mode.
pub(super) fn dip_sorted(x: &[f64]) -> f64 {
    assert!(!x.is_empty(), "the dip of nothing does not exist");
    let n = x.len();
    if n < 2 || x[0] == x[n - 1] {
        return 0.5 / n as f64;
    }
    // All in units of counts; the distribution function jumps from i to i + 1 at point i.
    let (mut low, mut high) = (0, n - 1);
    let mut dip = 1.0f64;
    let mut minorant = vec![0.0; n];
    let mut majorant = vec![0.0; n];
    while low < high {
        let below = hull(x, low, high, 0.0, &mut minorant, true);
        let above = hull(x, low, high, 1.0, &mut majorant, false);
        // Between hull corners the gap is concave less convex, so its largest value sits at a corner.
        let gap = |k: usize| majorant[k] - minorant[k];
        let at_below = below.iter().copied().max_by(|a, b| gap(*a).total_cmp(&gap(*b))).unwrap_or(low);
        let at_above = above.iter().copied().max_by(|a, b| gap(*a).total_cmp(&gap(*b))).unwrap_or(high);
        let (left, right) = if gap(at_below) >= gap(at_above) {
            (at_below, above.iter().copied().find(|k| *k >= at_below).unwrap_or(high))
        } else {
            (below.iter().rev().copied().find(|k| *k <= at_above).unwrap_or(low), at_above)
        };
        let largest = gap(at_below).max(gap(at_above));
        if largest <= dip {
            break;
        }
        for k in low..=left {
            dip = dip.max(k as f64 + 1.0 - minorant[k]);
        }
        for k in right..=high {
            dip = dip.max(majorant[k] - k as f64);
        }
        if (left, right) == (low, high) {
            break;
        }
        (low, high) = (left, right);
    }
    dip / (2.0 * n as f64)
}

/// Corners of the convex (or concave) hull of the points `(x_i, i + lift)` and its value at every point.
fn hull(x: &[f64], low: usize, high: usize, lift: f64, value: &mut [f64], convex: bool) -> Vec<usize> {
    let mut corners: Vec<usize> = Vec::new();
    for k in low..=high {
        // Of points at one place the convex hull keeps the first, the concave hull the last.
        if corners.last().is_some_and(|&last| x[last] == x[k]) {
            if convex {
                continue;
            }
            corners.pop();
        }
        while corners.len() >= 2 {
            let (a, b) = (corners[corners.len() - 2], corners[corners.len() - 1]);
            let turn = (b - a) as f64 * (x[k] - x[b]) - (k - b) as f64 * (x[b] - x[a]);
            if (convex && turn >= 0.0) || (!convex && turn <= 0.0) {
                corners.pop();
            } else {
                break;
            }
        }
        corners.push(k);
    }
    let mut next = 0;
    for k in low..=high {
        while next + 1 < corners.len() && x[corners[next]] < x[k] {
            next += 1;
        }
        let b = corners[next];
        value[k] = if next == 0 || x[b] == x[k] {
            b as f64 + lift
        } else if x[b] < x[k] {
            // Ties at the upper end of the convex hull.
            b as f64 + lift
        } else {
            let a = corners[next - 1];
            a as f64 + lift + (b - a) as f64 * (x[k] - x[a]) / (x[b] - x[a])
        };
    }
    corners
}

/// Probability that a uniform sample of this size has a larger dip; the table ends at 1e-4.
pub(super) fn dip_p_value(dip: f64, n: usize) -> f64 {
    let scaled = dip * (n as f64).sqrt();
    let row = ROWS.partition_point(|r| r.0 <= n);
    if row == 0 {
        return tail(&ROWS[0].1, scaled);
    }
    if row == ROWS.len() {
        return tail(&ROWS[row - 1].1, scaled);
    }
    // √n·dip approaches its limit as 1/√n.
    let (small, large) = (&ROWS[row - 1], &ROWS[row]);
    let place = |n: usize| (n as f64).powf(-0.5);
    let t = (place(n) - place(small.0)) / (place(large.0) - place(small.0));
    let mut mixed = [0.0; LEVELS.len()];
    for (m, (s, l)) in mixed.iter_mut().zip(small.1.iter().zip(&large.1)) {
        *m = s + t * (l - s);
    }
    tail(&mixed, scaled)
}

/// Linear in probability between the levels of one row.
fn tail(row: &[f64; LEVELS.len()], scaled: f64) -> f64 {
    let k = row.partition_point(|q| *q < scaled);
    if k == 0 {
        return 1.0;
    }
    if k == row.len() {
        return 1.0 - LEVELS[LEVELS.len() - 1];
    }
    let t = (scaled - row[k - 1]) / (row[k] - row[k - 1]).max(f64::MIN_POSITIVE);
    1.0 - (LEVELS[k - 1] + t * (LEVELS[k] - LEVELS[k - 1]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_samples_by_hand() {
        assert_eq!(dip_sorted(&[0.0, 0.0, 1.0, 1.0]), 0.25);
        assert!((dip_sorted(&[0.05, 0.15, 0.25, 0.35, 0.45]) - 0.1).abs() < 1e-15);
        assert_eq!(dip_sorted(&[3.0; 7]), 0.5 / 7.0);
    }
}
