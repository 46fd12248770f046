//! The ramp in pieces of constant rate.

use super::params::MagnetParams;

/// A stretch of the ramp with one rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Piece {
    /// Where it ends, A.
    pub end_a: f64,
    /// Signed rate, A/s.
    pub rate_a_s: f64,
}

/// The piece that begins at `from_a` on the way to `to_a`; `None` when there.
///
/// Pieces end at zero, at the edges of segments and at the target, so the sign of the
/// current and the rate are constant within one.
pub(super) fn piece(params: &MagnetParams, from_a: f64, to_a: f64) -> Option<Piece> {
    if from_a == to_a {
        return None;
    }
    let direction = (to_a - from_a).signum();
    let growing = from_a * direction >= 0.0;
    let size_a = from_a.abs();
    let edge = |k: usize| params.segments[k].up_to_t / params.tesla_per_ampere;
    let last = params.segments.len() - 1;
    // On an edge, a growing field is in the segment above it and a falling one in that below.
    let k = (0..last).find(|&k| if growing { size_a < edge(k) } else { size_a <= edge(k) }).unwrap_or(last);
    let bound_a = if growing {
        if k == last { f64::INFINITY } else { edge(k) }
    } else if k == 0 {
        0.0
    } else {
        edge(k - 1)
    };
    let sign = if growing { direction } else { -direction };
    let bound_a = sign * bound_a;
    let end_a = if direction > 0.0 { bound_a.min(to_a) } else { bound_a.max(to_a) };
    let rate_a_s = direction * params.segments[k].rate_t_s / params.tesla_per_ampere;
    Some(Piece { end_a, rate_a_s })
}

/// Time in s for the whole way.
pub(super) fn time_s(params: &MagnetParams, from_a: f64, to_a: f64) -> f64 {
    let mut at_a = from_a;
    let mut sum_s = 0.0;
    while let Some(piece) = piece(params, at_a, to_a) {
        sum_s += (piece.end_a - at_a) / piece.rate_a_s;
        at_a = piece.end_a;
    }
    sum_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::examples::Example;

    #[test]
    fn the_way_through_all_segments_takes_the_sum_of_their_times() {
        let params = MagnetParams::example();
        let up_s = 2.0 / 5e-3 + 2.0 / 3e-3 + 2.0 / 1.2e-3;
        assert!((time_s(&params, 0.0, 60.0) - up_s).abs() < 1e-6);
        assert!((time_s(&params, 60.0, 0.0) - up_s).abs() < 1e-6);
        assert!((time_s(&params, -60.0, 60.0) - 2.0 * up_s).abs() < 1e-6);
        assert!((time_s(&params, 35.0, -5.0) - 1.5 / 3e-3 - 2.5 / 5e-3).abs() < 1e-6);
        assert_eq!(time_s(&params, 12.0, 12.0), 0.0);
    }

    #[test]
    fn edges_belong_to_the_side_the_ramp_comes_to() {
        let params = MagnetParams::example();
        let up = piece(&params, 20.0, 30.0).unwrap();
        assert!((up.rate_a_s - 0.03).abs() < 1e-12);
        let down = piece(&params, 20.0, 10.0).unwrap();
        assert!((down.rate_a_s + 0.05).abs() < 1e-12);
        let through_zero = piece(&params, 5.0, -5.0).unwrap();
        assert_eq!(through_zero.end_a, 0.0);
        let beyond = piece(&params, 0.0, -5.0).unwrap();
        assert!((beyond.end_a + 5.0).abs() < 1e-12 && beyond.rate_a_s < 0.0);
    }
}
