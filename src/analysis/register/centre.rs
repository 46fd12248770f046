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
    let (noise, lean) = match reading_error {
        Some(e) => (e / spread, (0.0, 0.0)),
        None => scatter(&design, &c, &z),
    };
    top(&c, &(normal * (noise * noise)), lean, Scale { mx, my, size, level, spread })
}

/// Scatter of one reading from what the paraboloid leaves, enlarged for the few readings it comes from, so that errors made
/// of it hold the truth in 68 % of cases (quantile of t by its expansion in one over the degrees of freedom, common practice);
/// and how far the top leans to one side.
///
/// No hill is a paraboloid: it flattens out. Under a pattern whose middle is the top that is the same on all sides and moves
/// nothing, but it would be taken for scatter. A term that goes with the square of the paraboloid takes it up; by how much the
/// top moves with that term is what the paraboloid alone is wrong by beside the middle.
fn scatter(
    design: &nalgebra::DMatrix<f64>,
    c: &nalgebra::DVector<f64>,
    z: &nalgebra::DVector<f64>,
) -> (f64, (f64, f64)) {
    let (n, terms) = design.shape();
    let fitted = design * c;
    let enlarged =
        |variance: f64, freedom: f64| variance.sqrt() * (1.0 + 0.5 / freedom + 0.25 / (freedom * freedom));
    let freedom = (n - terms) as f64;
    let plain = (enlarged((&fitted - z).norm_squared() / freedom, freedom), (0.0, 0.0));
    let Some((x, y)) = summit(c).filter(|_| n >= terms + 3) else { return plain };
    let (mut found, mut at, mut paraboloid) = (plain, (x, y), c.clone());
    // The square is that of the paraboloid about the top, which moves with it; three rounds leave little of the way.
    for _ in 0..3 {
        let fitted = design * &paraboloid;
        let height = paraboloid[0] + 0.5 * (paraboloid[1] * at.0 + paraboloid[2] * at.1);
        let mut wide = design.clone().insert_column(terms, 0.0);
        for i in 0..n {
            wide[(i, terms)] = (fitted[i] - height).powi(2);
        }
        let Ok(d) = wide.clone().svd(true, true).solve(z, 1e-12) else { return found };
        paraboloid = d.rows(0, terms).into_owned();
        let Some(top) = summit(&paraboloid) else { return found };
        at = top;
        let left = (wide * d - z).norm_squared() / (freedom - 1.0);
        found = (enlarged(left, freedom - 1.0), (at.0 - x, at.1 - y));
    }
    found
}

/// Where the paraboloid is flat, if it falls off from there on all sides.
fn summit(c: &nalgebra::DVector<f64>) -> Option<(f64, f64)> {
    let (a, b, p, q) = (c[1], c[2], c[3], c[4]);
    let r = if c.len() == 6 { c[5] } else { 0.0 };
    let det = 4.0 * p * q - r * r;
    (p < 0.0 && q < 0.0 && det > 0.0).then(|| ((r * b - 2.0 * q * a) / det, (r * a - 2.0 * p * b) / det))
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
fn top(
    c: &nalgebra::DVector<f64>,
    cov: &nalgebra::DMatrix<f64>,
    lean: (f64, f64),
    scale: Scale,
) -> Result<Centre, Unusable> {
    let (a, b, p, q) = (c[1], c[2], c[3], c[4]);
    let r = if c.len() == 6 { c[5] } else { 0.0 };
    let det = 4.0 * p * q - r * r;
    let (x, y) = summit(c).ok_or(Unusable::NoMaximum)?;
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
    let (ex, ey) = (error(0).hypot(lean.0), error(1).hypot(lean.1));
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

    /// A Gaussian hill, read at nine places with a scatter of its own: true spread and mean error of x, and the share of tops
    /// within one and two errors.
    fn hills(beside: f64) -> [f64; 4] {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let (mut one, mut two, mut squares, mut quoted) = (0, 0, 0.0, 0.0);
        let runs = 2000;
        for run in 0..runs {
            let (x0, y0) = (beside * f64::from(run % 3 - 1), beside * f64::from(run % 5 - 2) / 2.0);
            let points: Vec<(f64, f64)> =
                (0..9).map(|i| (0.25 * f64::from(i % 3 - 1), 0.25 * f64::from(i / 3 - 1))).collect();
            let mut read = |(x, y): &(f64, f64)| {
                let noise: f64 = StandardNormal.sample(&mut rng);
                160.0 * (-((x - x0).powi(2) + (y - y0).powi(2)) / (2.0 * 0.28 * 0.28)).exp() + 0.8 * noise
            };
            let z: Vec<f64> = points.iter().map(&mut read).collect();
            let top = recentre(&points, &z, None).unwrap();
            let off = (top.x - x0).abs();
            one += i32::from(off < top.x_error);
            two += i32::from(off < 2.0 * top.x_error);
            squares += off * off;
            quoted += top.x_error;
        }
        let n = f64::from(runs);
        [(squares / n).sqrt(), quoted / n, f64::from(one) / n, f64::from(two) / n]
    }

    /// The error quoted is that of the scatter, not of the hill's not being a paraboloid, which is ten times as large.
    #[test]
    fn errors_of_a_hill_are_those_of_its_scatter() {
        let [spread, quoted, one, _] = hills(0.0);
        println!("true spread {spread:.5} nm, quoted {quoted:.5} nm, {one:.3} within");
        assert!((0.62..=0.76).contains(&one), "{one} within the error");
        assert!(quoted < 2.0 * spread && quoted > 0.7 * spread, "{quoted} for {spread}");
    }

    /// Beside the middle the paraboloid is wrong by a part of the way, and the error says so.
    #[test]
    fn errors_beside_the_middle_cover_the_lean() {
        let [spread, quoted, one, two] = hills(0.03);
        println!("true spread {spread:.5} nm, quoted {quoted:.5} nm, {one:.3} and {two:.3} within");
        assert!(one > 0.5 && two > 0.93, "{one} and {two} within one and two errors");
    }

    #[test]
    fn a_saddle_has_no_maximum() {
        let points: Vec<(f64, f64)> =
            (0..9).map(|i| (f64::from(i % 3) - 1.0, f64::from(i / 3) - 1.0)).collect();
        let z: Vec<f64> = points.iter().map(|(x, y)| x * x - y * y).collect();
        let told = recentre(&points, &z, Some(0.1)).expect_err("no maximum").to_string();
        assert_eq!(told, "The readings do not fall off on all sides, so they have no maximum.");
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
