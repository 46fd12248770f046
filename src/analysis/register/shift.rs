//! The shift between two images: cross-correlation to the nearest point, least squares below it.

use rustfft::{FftPlanner, num_complex::Complex};
use serde::Serialize;

use super::image::Image;
use super::level::level_plane;
use crate::analysis::realness::Unusable;

/// How far a second image is shifted against the first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Shift {
    /// Shift along the rows, in points: the first image's feature at column x is at x + this in the second.
    pub x: f64,
    /// Shift along the columns, in points.
    pub y: f64,
    /// Standard error along the rows, points, from the noise that remains between the shifted images.
    pub x_error: f64,
    /// Standard error along the columns, points.
    pub y_error: f64,
    /// Correlation of the overlap after shifting, −1 to 1. Below about 0.3 the shift is a guess.
    pub correlation: f64,
    /// Points that both images share after shifting.
    pub overlap: usize,
}

/// Rounds of the least-squares refinement.
const ROUNDS: usize = 6;

/// Finds the shift of `moved` against `reference`, both levelled by a plane first.
///
/// # Errors
/// Refuses images of different size, without structure, and shifts that leave too little in common.
///
/// ```
/// use noctule::analysis::register::{Image, register};
/// let atom = |x: f64, y: f64| (-(x * x + y * y) / 18.0).exp();
/// let scene = |dx: f64, dy: f64| -> Vec<f64> {
///     (0..48 * 48)
///         .map(|i| {
///             let (x, y) = ((i % 48) as f64 - dx, (i / 48) as f64 - dy);
///             atom(x - 20.0, y - 17.0) + 0.7 * atom(x - 31.0, y - 28.0)
///         })
///         .collect()
/// };
/// let (a, b) = (scene(0.0, 0.0), scene(2.3, -1.6));
/// let shift = register(Image::new(48, 48, &a).unwrap(), Image::new(48, 48, &b).unwrap()).unwrap();
/// assert!((shift.x - 2.3).abs() < 0.02 && (shift.y + 1.6).abs() < 0.02);
/// ```
pub fn register(reference: Image, moved: Image) -> Result<Shift, Unusable> {
    let (w, h) = (reference.width(), reference.height());
    if (w, h) != (moved.width(), moved.height()) {
        return Err(Unusable::LengthMismatch {
            left: "points of the first image",
            left_len: w * h,
            right: "points of the second image",
            right_len: moved.width() * moved.height(),
        });
    }
    let a = unit(level_plane(reference).1)?;
    let b = unit(level_plane(moved).1)?;
    let (x, y) = coarse(&a, &b, w, h);
    refine(&a, &b, w, h, (x as f64, y as f64))
}

/// Scales to unit variance, so that the size of the signal does not matter.
fn unit(mut values: Vec<f64>) -> Result<Vec<f64>, Unusable> {
    let largest = values.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    let power = values.iter().map(|v| (v / largest).powi(2)).sum::<f64>() / values.len() as f64;
    if !(largest > 0.0 && power.is_finite() && power > 0.0) {
        return Err(Unusable::Constant { what: "image points" });
    }
    let scale = largest * power.sqrt();
    values.iter_mut().for_each(|v| *v /= scale);
    Ok(values)
}

/// The whole-point shift at the maximum of the windowed cross-correlation. Both images travel as real and
/// imaginary part of one transform.
fn coarse(a: &[f64], b: &[f64], w: usize, h: usize) -> (i64, i64) {
    let window = |i: usize, n: usize| (std::f64::consts::PI * (i as f64 + 0.5) / n as f64).sin();
    let (wx, wy): (Vec<f64>, Vec<f64>) =
        ((0..w).map(|i| window(i, w)).collect(), (0..h).map(|i| window(i, h)).collect());
    let mut field: Vec<Complex<f64>> = (0..w * h)
        .map(|i| {
            let weight = wx[i % w] * wy[i / w];
            Complex::new(a[i] * weight, b[i] * weight)
        })
        .collect();
    let mut planner = FftPlanner::new();
    let (row, column) = (planner.plan_fft_forward(w), planner.plan_fft_forward(h));
    row.process(&mut field);
    let mut turned = transpose(&field, w, h);
    column.process(&mut turned);
    // turned[x * h + y]: separate the two spectra by their symmetry and multiply one with the other's conjugate.
    let mut product: Vec<Complex<f64>> = (0..w * h)
        .map(|i| {
            let (x, y) = (i / h, i % h);
            let mirror = turned[((w - x) % w) * h + (h - y) % h].conj();
            let fa = (turned[i] + mirror) * 0.5;
            let fb = (turned[i] - mirror) * Complex::new(0.0, -0.5);
            fb * fa.conj()
        })
        .collect();
    let (row, column) = (planner.plan_fft_inverse(w), planner.plan_fft_inverse(h));
    column.process(&mut product);
    let mut back = transpose(&product, h, w);
    row.process(&mut back);
    let best = (0..w * h).max_by(|i, j| back[*i].re.total_cmp(&back[*j].re)).unwrap_or(0);
    let wrap = |k: usize, n: usize| if 2 * k > n { k as i64 - n as i64 } else { k as i64 };
    (wrap(best % w, w), wrap(best / w, h))
}

fn transpose(values: &[Complex<f64>], w: usize, h: usize) -> Vec<Complex<f64>> {
    let mut turned = vec![Complex::new(0.0, 0.0); w * h];
    // Blocks keep both sides of the copy in the cache.
    for y0 in (0..h).step_by(16) {
        for x0 in (0..w).step_by(16) {
            for y in y0..(y0 + 16).min(h) {
                for x in x0..(x0 + 16).min(w) {
                    turned[x * h + y] = values[y * w + x];
                }
            }
        }
    }
    turned
}

/// Weights of the four points around a place that lies `t` behind the second (cubic convolution).
fn cubic(t: f64) -> [f64; 4] {
    [
        t * (-0.5 + t * (1.0 - 0.5 * t)),
        1.0 + t * t * (-2.5 + 1.5 * t),
        t * (0.5 + t * (2.0 - 1.5 * t)),
        t * t * (-0.5 + 0.5 * t),
    ]
}

/// Sums of one round over the overlap.
#[derive(Default)]
struct Sums {
    n: f64,
    gx: f64,
    gy: f64,
    r: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    xr: f64,
    yr: f64,
    rr: f64,
    ab: f64,
    aa: f64,
    bb: f64,
}

/// Gauss–Newton on the difference of the images; an offset between them is free.
fn refine(a: &[f64], b: &[f64], w: usize, h: usize, start: (f64, f64)) -> Result<Shift, Unusable> {
    let (mut x, mut y) = start;
    let mut sums = Sums::default();
    let mut cov = [0.0; 2];
    let lost = Unusable::NotDetermined { what: "The shift between the images" };
    for _ in 0..ROUNDS {
        sums = accumulate(a, b, w, h, (x, y)).ok_or(lost.clone())?;
        let n = sums.n;
        let (xx, xy, yy) = (
            sums.xx - sums.gx * sums.gx / n,
            sums.xy - sums.gx * sums.gy / n,
            sums.yy - sums.gy * sums.gy / n,
        );
        let (xr, yr) = (sums.xr - sums.gx * sums.r / n, sums.yr - sums.gy * sums.r / n);
        let det = xx * yy - xy * xy;
        if !(det > 1e-12 * xx * yy) {
            return Err(lost);
        }
        // Too large a step means that the correlation led to the wrong place; it is held to a point.
        let (dx, dy) = ((yy * xr - xy * yr) / det, (xx * yr - xy * xr) / det);
        x += dx.clamp(-1.0, 1.0);
        y += dy.clamp(-1.0, 1.0);
        let noise = (sums.rr - sums.r * sums.r / n) / (n - 3.0);
        cov = [noise * yy / det, noise * xx / det];
        if dx.abs().max(dy.abs()) < 1e-4 {
            break;
        }
    }
    if (x - start.0).abs() > 3.0 || (y - start.1).abs() > 3.0 {
        return Err(lost);
    }
    Ok(Shift {
        x,
        y,
        x_error: cov[0].sqrt(),
        y_error: cov[1].sqrt(),
        correlation: sums.ab / (sums.aa * sums.bb).sqrt(),
        overlap: sums.n as usize,
    })
}

/// Compares the second image at every point with the first at the shifted place. The gradient is that of the first.
fn accumulate(a: &[f64], b: &[f64], w: usize, h: usize, (x, y): (f64, f64)) -> Option<Sums> {
    // a is read at (column − x, row − y) = whole part plus a fraction that is the same everywhere.
    let (ix, iy) = ((-x).floor(), (-y).floor());
    let (fx, fy) = (cubic(-x - ix), cubic(-y - iy));
    let (ix, iy) = (ix as i64, iy as i64);
    let columns = (2 - ix).max(0)..(w as i64 - 3 - ix).min(w as i64);
    let rows = (2 - iy).max(0)..(h as i64 - 3 - iy).min(h as i64);
    if columns.end - columns.start < 6 || rows.end - rows.start < 6 {
        return None;
    }
    let mut s = Sums::default();
    // Each row of the first image mixed down to the shifted row, then along it.
    let mut mixed = vec![0.0; w];
    let width = (columns.end - columns.start) as usize + 2;
    let mut window: [Vec<f64>; 3] = [vec![0.0; width], vec![0.0; width], vec![0.0; width]];
    let shifted = |row: i64, mixed: &mut Vec<f64>, out: &mut Vec<f64>| {
        let top = ((row + iy - 1) as usize) * w;
        for c in 0..w {
            mixed[c] = fy[0] * a[top + c]
                + fy[1] * a[top + w + c]
                + fy[2] * a[top + 2 * w + c]
                + fy[3] * a[top + 3 * w + c];
        }
        for (k, o) in out.iter_mut().enumerate() {
            let left = (columns.start - 1 + k as i64 + ix - 1) as usize;
            *o = fx[0] * mixed[left]
                + fx[1] * mixed[left + 1]
                + fx[2] * mixed[left + 2]
                + fx[3] * mixed[left + 3];
        }
    };
    let first = rows.start - 1;
    for k in 0..2 {
        shifted(first + k, &mut mixed, &mut window[k as usize]);
    }
    for row in rows.clone() {
        shifted(row + 1, &mut mixed, &mut window[2]);
        for k in 0..width - 2 {
            let column = (columns.start + k as i64) as usize;
            let here = window[1][k + 1];
            // d a(r − s)/ds is minus the gradient.
            let gx = -0.5 * (window[1][k + 2] - window[1][k]);
            let gy = -0.5 * (window[2][k + 1] - window[0][k + 1]);
            let there = b[row as usize * w + column];
            let r = there - here;
            s.gx += gx;
            s.gy += gy;
            s.r += r;
            s.xx += gx * gx;
            s.xy += gx * gy;
            s.yy += gy * gy;
            s.xr += gx * r;
            s.yr += gy * r;
            s.rr += r * r;
            s.ab += here * there;
            s.aa += here * here;
            s.bb += there * there;
        }
        s.n += (width - 2) as f64;
        window.rotate_left(1);
    }
    Some(s)
}
