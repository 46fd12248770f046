//! Thinning of long curves: each pixel column keeps its smallest and its largest value.

use super::Place;

/// At most two points for each of `columns` equal parts of the x range, in their order along x. Short curves and
/// curves that do not run along x come back as they are, the latter at most so many points at even distance.
///
/// No peak is lost: the smallest and the largest y of each column are kept.
pub fn thin(points: &[Place], columns: usize) -> Vec<Place> {
    let columns = columns.max(1);
    let kept: Vec<Place> = points.iter().copied().filter(|(x, y)| x.is_finite() && y.is_finite()).collect();
    if kept.len() <= 2 * columns {
        return kept;
    }
    let rising = kept.windows(2).all(|w| w[1].0 >= w[0].0);
    let falling = !rising && kept.windows(2).all(|w| w[1].0 <= w[0].0);
    if !rising && !falling {
        let every = kept.len().div_ceil(2 * columns);
        return kept.into_iter().step_by(every).collect();
    }
    let (from, to) = (kept[0].0, kept[kept.len() - 1].0);
    let column_of = |x: f64| (((x - from) / (to - from)) * columns as f64) as usize;
    let mut thinned = Vec::with_capacity(2 * columns);
    let mut start = 0;
    while start < kept.len() {
        let column = column_of(kept[start].0).min(columns - 1);
        let mut end = start;
        let (mut least, mut most) = (start, start);
        while end < kept.len() && column_of(kept[end].0).min(columns - 1) == column {
            if kept[end].1 < kept[least].1 {
                least = end;
            }
            if kept[end].1 > kept[most].1 {
                most = end;
            }
            end += 1;
        }
        thinned.push(kept[least.min(most)]);
        if least != most {
            thinned.push(kept[least.max(most)]);
        }
        start = end.max(start + 1);
    }
    thinned
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_single_spike_in_a_million_points_survives() {
        let mut points: Vec<Place> =
            (0..1_000_000).map(|i| (f64::from(i), (f64::from(i) * 0.1).sin())).collect();
        points[654_321].1 = 40.0;
        points[111_111].1 = -30.0;
        let thinned = thin(&points, 300);
        assert!(thinned.len() <= 600);
        assert!(thinned.iter().any(|p| p.1 == 40.0) && thinned.iter().any(|p| p.1 == -30.0));
        assert!(thinned.windows(2).all(|w| w[1].0 > w[0].0));
    }

    #[test]
    fn equal_x_and_numbers_that_are_none_do_no_harm() {
        let points = vec![(1.0, 2.0); 5000];
        assert!(thin(&points, 10).len() <= 20);
        assert!(thin(&[(f64::NAN, 1.0), (1.0, f64::INFINITY)], 10).is_empty());
    }
}
