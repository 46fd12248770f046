//! Evidence belongs to one state of the tip: where the line goes, or jumps, a segment ends.
//!
//! A tip that changes takes the line away, turns it round, or puts it elsewhere, from one spectrum on. This is looked for
//! along the law that is proved or likeliest: spectra in the order of time that hold the place of the line show it up to
//! one moment and no more after it (or the other way round), or their centres step. Each part is then judged by itself; the
//! cut is kept only where a part of its own is proved, so that nothing is cut where nothing is known.

use super::centres::Centre;
use super::law::{Line, step};
use super::scan::Found;
use super::spectra::Ready;
use super::tables::{Place, Tables};
use crate::analysis::order::middle;

/// Log likelihood by which a line has to be missed in a row of spectra.
const MISSED: f64 = 12.0;
/// No spectrum counts for more than this: one alone may be spoilt.
const MOST: f64 = 8.0;
/// Log likelihood by which one spectrum misses the line.
const ONE: f64 = 2.0;
/// Fewest spectra in a row.
const FEWEST: usize = 2;
/// Part of the usual height that still counts as the line: heights differ with frequency and field.
const HEIGHT: f64 = 0.5;
/// Places either way within which the line may wander.
const WANDERS: i64 = 4;

/// When a spectrum that holds the line began, and by how much it is likelier with the line than without.
#[derive(Debug, Clone, Copy)]
struct Held {
    start_s: f64,
    ratio: f64,
}

/// Begin of the first spectrum of a new segment, where the line goes or comes along a law.
pub(super) fn goes(spectra: &[Ready], tables: &Tables, found: Found, shown: &[usize]) -> Option<f64> {
    let law = |b: f64| (found.slope * (b.abs() + found.tip_t)).abs();
    let at = |k: usize| tables.all[k].index(law(spectra[k].field_t)).map(|i| tables.all[k].places[i]);
    let heights: Vec<f64> = shown.iter().filter_map(|k| at(*k)).map(|p| p.n[0] / p.g[0].max(1e-9)).collect();
    if heights.len() < 3 {
        return None;
    }
    let height = HEIGHT * middle(heights);
    let ratio = |p: &Place| height * p.n[0] - 0.5 * height * height * p.g[0];
    let mut held = Vec::new();
    for (s, t) in spectra.iter().zip(&tables.all) {
        let Some(i) = t.index(law(s.field_t)).filter(|i| !t.masked[*i]) else { continue };
        let near = (-WANDERS..=WANDERS).map(|d| i as i64 + d);
        let open = near.filter_map(|k| usize::try_from(k).ok()).filter(|k| *k < t.places.len());
        let best = open.map(|k| ratio(&t.places[k])).fold(f64::NEG_INFINITY, f64::max);
        held.push(Held { start_s: s.start_s, ratio: best.clamp(-MOST, MOST) });
    }
    held.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    lost(&held).or_else(|| {
        // The same from the end: the first spectrum of those that show it.
        let mut back = held.clone();
        back.reverse();
        let last_without = lost(&back)?;
        held.iter().map(|h| h.start_s).find(|s| *s > last_without)
    })
}

/// From where on a row of spectra misses the line that those before show.
fn lost(held: &[Held]) -> Option<f64> {
    let (mut sum, mut top, mut first) = (0.0, 0.0, 0);
    for (i, h) in held.iter().enumerate() {
        sum += h.ratio;
        if sum >= top {
            (top, first) = (sum, i + 1);
        }
    }
    let tail = &held[first..];
    let missing = tail.iter().filter(|h| h.ratio < -ONE).count();
    let showing = tail.iter().filter(|h| h.ratio > ONE).count();
    let enough = first > 0 && missing >= FEWEST && 3 * showing <= missing;
    (enough && tail.iter().map(|h| h.ratio).sum::<f64>() < -MISSED).then(|| tail[0].start_s)
}

/// Begin of the first spectrum after which the centres lie elsewhere along one law.
pub(super) fn steps(spectra: &[Ready], seen: &[Centre], line: &Line<'_>) -> Option<f64> {
    let mut order: Vec<usize> = (0..seen.len()).collect();
    let start = |i: &usize| spectra[seen[*i].index].start_s;
    order.sort_by(|a, b| start(a).total_cmp(&start(b)));
    let after = step(line, &order)?;
    Some(start(&order[after]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn held(ratios: &[f64]) -> Vec<Held> {
        ratios.iter().enumerate().map(|(i, r)| Held { start_s: i as f64, ratio: *r }).collect()
    }

    #[test]
    fn a_line_is_lost_where_a_row_misses_it_and_not_where_one_does() {
        assert_eq!(lost(&held(&[8.0, 8.0, 6.0, 8.0, -8.0, -7.0])), Some(4.0));
        assert_eq!(lost(&held(&[8.0, 8.0, -8.0, 6.0, 8.0, 8.0])), None, "one spoilt spectrum");
        assert_eq!(lost(&held(&[8.0, 8.0, 6.0, 8.0, -8.0])), None, "one at the end may be spoilt as well");
        assert_eq!(lost(&held(&[-8.0, -8.0, -8.0])), None, "where it never was it can't be lost");
    }
}
