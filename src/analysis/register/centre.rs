//! Centring on a maximum from a few readings around it.

use serde::Serialize;

use crate::analysis::realness::{Unusable, at_least, finite, same_length};

/// The top of a small hill.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Centre {
    /// Place of the maximum, unit of the pattern.
    pub x: f64,
    /// Place of the maximum, unit of the pattern.
    pub y: f64,
    /// Standard error of x.
    pub x_error: f64,
    /// Standard error of y.
    pub y_error: f64,
    /// Height of the maximum, unit of the readings.
    pub height: f64,
    /// How it falls off: half the mean second derivative, unit of the readings per squared unit of the pattern; negative.
    pub curvature: f64,
    /// Why the place should not be used; absent when it may.
    pub doubt: Option<String>,
}

/// Fits `c + a x + b y + p x² + q y² (+ r x y)` to readings at the points of a pattern and finds the top.
///
/// Five points (a cross) leave out the mixed term; from six on it is fitted. `reading_error` is the standard error of one
/// reading; with more points than parameters it may be left out and the scatter is used.
///
/// # Errors
/// Refuses fewer than five points, unusable numbers, points that do not span the pattern, a missing error where no
/// scatter is left, and readings that have no maximum.
///
/// ```
/// use noctule::analysis::register::recentre;
/// let points = [(0.0, 0.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)];
/// let readings = points.map(|(x, y): (f64, f64)| 10.0 - (x - 0.2).powi(2) - 2.0 * (y + 0.3).powi(2));
/// let centre = recentre(&points, &readings, Some(0.01)).unwrap();
/// assert!((centre.x - 0.2).abs() < 1e-9 && (centre.y + 0.3).abs() < 1e-9 && centre.doubt.is_none());
/// assert!((centre.curvature + 1.5).abs() < 1e-9);
/// ```
pub fn recentre(
    points: &[(f64, f64)],
    readings: &[f64],
    reading_error: Option<f64>,
) -> Result<Centre, Unusable> {
    let (xs, ys): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    same_length(("points", &xs), ("readings", readings))?;
    at_least(points.len(), 5, "points of the pattern")?;
    for (values, what) in [(&xs[..], "places"), (&ys[..], "places"), (readings, "readings")] {
        finite(values, what)?;
    }
    if let Some(value) = reading_error.filter(|e| !(*e > 0.0 && e.is_finite())) {
        return Err(Unusable::OutOfRange {
            what: "The reading error",
            value,
            range: "the numbers above zero",
        });
    }
    let n = points.len();
    let terms = if n == 5 { 5 } else { 6 };
    if n == terms && reading_error.is_none() {
        return Err(Unusable::NotDetermined { what: "The error of the centre" });
    }
    // A pattern in metres has squares of 1e-20: it is scaled to its own size first.
    let (mx, my) = (xs.iter().sum::<f64>() / n as f64, ys.iter().sum::<f64>() / n as f64);
    let size = points.iter().map(|(x, y)| (x - mx).hypot(y - my)).fold(0.0, f64::max);
    let level = readings.iter().sum::<f64>() / n as f64;
    let spread = readings.iter().map(|r| (r - level).abs()).fold(0.0, f64::max);
    if size <= 0.0 {
        return Err(Unusable::Constant { what: "places" });
    }
    if spread <= 0.0 {
        return Err(Unusable::Constant { what: "readings" });
    }
    let design = nalgebra::DMatrix::from_fn(n, terms, |i, j| {
        let (x, y) = ((xs[i] - mx) / size, (ys[i] - my) / size);
        [1.0, x, y, x * x, y * y, x * y][j]
    });
    let z = nalgebra::DVector::from_iterator(n, readings.iter().map(|r| (r - level) / spread));
    let svd = design.clone().svd(true, true);
    if svd.singular_values.min() < 1e-6 * svd.singular_values.max() {
        return Err(Unusable::NotDetermined { what: "A hill from points that lie in a row" });
    }
    let lost = Unusable::NotDetermined { what: "The centre" };
    let c = svd.solve(&z, 1e-12).map_err(|_| lost.clone())?;
    let normal = (design.transpose() * &design).try_inverse().ok_or(lost)?;
    let rest = (&design * &c - &z).norm_squared();
    let noise = match reading_error {
        Some(e) => e / spread,
        None => (rest / (n - terms) as f64).sqrt(),
    };
    top(&c, &(normal * (noise * noise)), Scale { mx, my, size, level, spread })
}

/// From scaled units back to those of the pattern and the readings.
struct Scale {
    mx: f64,
    my: f64,
    size: f64,
    level: f64,
    spread: f64,
}

/// The summit of the quadratic and its error by the gradient of the summit in the coefficients.
fn top(c: &nalgebra::DVector<f64>, cov: &nalgebra::DMatrix<f64>, scale: Scale) -> Result<Centre, Unusable> {
    let (a, b, p, q) = (c[1], c[2], c[3], c[4]);
    let r = if c.len() == 6 { c[5] } else { 0.0 };
    let det = 4.0 * p * q - r * r;
    if !(p < 0.0 && q < 0.0 && det > 0.0) {
        return Err(Unusable::NotDetermined { what: "A maximum: the readings do not fall off on all sides" });
    }
    let (x, y) = ((r * b - 2.0 * q * a) / det, (r * a - 2.0 * p * b) / det);
    // M s = −g with M = [[2p, r], [r, 2q]]: ds = −M⁻¹ (dg + dM s).
    let inverse = [[2.0 * q / det, -r / det], [-r / det, 2.0 * p / det]];
    let gradient = |axis: usize| -> Vec<f64> {
        let [u, v] = inverse[axis];
        let mut g = vec![0.0, -u, -v, -u * 2.0 * x, -v * 2.0 * y];
        if c.len() == 6 {
            g.push(-(u * y + v * x));
        }
        g
    };
    let error = |axis: usize| {
        let g = nalgebra::DVector::from_vec(gradient(axis));
        (g.transpose() * cov * &g)[(0, 0)].max(0.0).sqrt()
    };
    let (ex, ey) = (error(0), error(1));
    let doubt = if x.hypot(y) > 1.0 {
        Some("The maximum lies outside the pattern.".to_string())
    } else if ex.hypot(ey) > 0.5 {
        Some("The error of the centre is more than half the pattern.".to_string())
    } else {
        None
    };
    let height = c[0] + 0.5 * (a * x + b * y);
    Ok(Centre {
        x: scale.mx + scale.size * x,
        y: scale.my + scale.size * y,
        x_error: scale.size * ex,
        y_error: scale.size * ey,
        height: scale.level + scale.spread * height,
        curvature: 0.5 * (p + q) * scale.spread / (scale.size * scale.size),
        doubt,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_saddle_has_no_maximum() {
        let points: Vec<(f64, f64)> =
            (0..9).map(|i| (f64::from(i % 3) - 1.0, f64::from(i / 3) - 1.0)).collect();
        let z: Vec<f64> = points.iter().map(|(x, y)| x * x - y * y).collect();
        assert!(matches!(recentre(&points, &z, Some(0.1)), Err(Unusable::NotDetermined { .. })));
    }

    #[test]
    fn points_in_a_row_are_refused() {
        let points: Vec<(f64, f64)> = (0..8).map(|i| (f64::from(i), 2.0 * f64::from(i))).collect();
        let z: Vec<f64> = points.iter().map(|(x, _)| -x * x).collect();
        assert!(recentre(&points, &z, Some(0.1)).is_err());
    }

    #[test]
    fn a_hill_far_away_is_doubted() {
        let points = [(0.0, 0.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)];
        let z = points.map(|(x, y): (f64, f64)| -(x - 5.0).powi(2) - y * y);
        assert!(recentre(&points, &z, Some(0.01)).unwrap().doubt.is_some());
    }
}
