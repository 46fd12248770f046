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

/// Parameters of one round: shift along x and y, then gain, offset and tilt between the images.
const TERMS: usize = 6;

/// Sums of one round over the overlap.
struct Sums {
    n: f64,
    normal: [[f64; TERMS]; TERMS],
    right: [f64; TERMS],
    rr: f64,
    /// Sums of the first, the second, their squares and their product, for the correlation.
    both: [f64; 5],
    /// By how much reading between points lowers the variance of the first image's noise.
    kept: f64,
}

/// Gauss–Newton on the difference of the images; gain, offset and tilt between them are free, because features that
/// enter or leave at the edges change the plane and the variance that were taken out.
fn refine(a: &[f64], b: &[f64], w: usize, h: usize, start: (f64, f64)) -> Result<Shift, Unusable> {
    let (mut x, mut y) = start;
    let slopes = slopes(b, w, h);
    let lost = Unusable::NotDetermined { what: "The shift between the images" };
    let mut found = None;
    for _ in 0..ROUNDS {
        let sums = accumulate(a, b, &slopes, w, h, (x, y)).ok_or(lost.clone())?;
        let normal = nalgebra::SMatrix::<f64, TERMS, TERMS>::from_fn(|i, j| sums.normal[i.max(j)][i.min(j)]);
        let right = nalgebra::SVector::<f64, TERMS>::from(sums.right);
        let inverse = normal.cholesky().ok_or(lost.clone())?.inverse();
        let step = inverse * right;
        // Too large a step means that the correlation led to the wrong place; it is held to a point.
        x += step[0].clamp(-1.0, 1.0);
        y += step[1].clamp(-1.0, 1.0);
        // Between points the first image's noise is smoother, not smaller, for a slowly varying gradient.
        let noise = (sums.rr - right.dot(&step)).max(0.0) / (sums.n - TERMS as f64) * 2.0 / (1.0 + sums.kept);
        let [sa, sb, saa, sbb, sab] = sums.both;
        let spread = ((saa - sa * sa / sums.n) * (sbb - sb * sb / sums.n)).sqrt();
        found = Some(Shift {
            x,
            y,
            x_error: (noise * inverse[(0, 0)]).sqrt(),
            y_error: (noise * inverse[(1, 1)]).sqrt(),
            correlation: (sab - sa * sb / sums.n) / spread,
            overlap: sums.n as usize,
        });
        if step[0].abs().max(step[1].abs()) < 1e-4 {
            break;
        }
    }
    let shift = found.ok_or(lost.clone())?;
    let all = [shift.x, shift.y, shift.x_error, shift.y_error, shift.correlation];
    if (x - start.0).abs() > 3.0 || (y - start.1).abs() > 3.0 || all.iter().any(|v| !v.is_finite()) {
        return Err(lost);
    }
    Ok(shift)
}

/// Minus the gradient of the second image, smoothed across. The kernels are antisymmetric, so the noise of a point does
/// not enter its own gradient and the estimate is not pulled by noise.
fn slopes(b: &[f64], w: usize, h: usize) -> (Vec<f64>, Vec<f64>) {
    const ALONG: [f64; 5] = [0.125, 0.25, 0.0, -0.25, -0.125];
    const ACROSS: [f64; 5] = [0.0625, 0.25, 0.375, 0.25, 0.0625];
    let rows = |source: &[f64], kernel: &[f64; 5]| {
        let mut out = vec![0.0; w * h];
        for (line, from) in out.chunks_exact_mut(w).zip(source.chunks_exact(w)) {
            for (o, near) in line[2..w - 2].iter_mut().zip(from.windows(5)) {
                *o = near.iter().zip(kernel).map(|(v, k)| v * k).sum();
            }
        }
        out
    };
    let columns = |source: &[f64], kernel: &[f64; 5]| {
        let mut out = vec![0.0; w * h];
        for y in 2..h - 2 {
            let line = &mut out[y * w..(y + 1) * w];
            for (k, factor) in kernel.iter().enumerate().filter(|(_, f)| **f != 0.0) {
                let from = &source[(y + k - 2) * w..(y + k - 1) * w];
                for (o, v) in line.iter_mut().zip(from) {
                    *o += factor * v;
                }
            }
        }
        out
    };
    (columns(&rows(b, &ALONG), &ACROSS), columns(&rows(b, &ACROSS), &ALONG))
}

/// Compares the second image at every point with the first at the shifted place.
fn accumulate(
    a: &[f64],
    b: &[f64],
    slopes: &(Vec<f64>, Vec<f64>),
    w: usize,
    h: usize,
    (x, y): (f64, f64),
) -> Option<Sums> {
    // a is read at (column − x, row − y) = whole part plus a fraction that is the same everywhere.
    let (ix, iy) = ((-x).floor(), (-y).floor());
    let (fx, fy) = (cubic(-x - ix), cubic(-y - iy));
    let (ix, iy) = (ix as i64, iy as i64);
    let columns = (1 - ix).max(2)..(w as i64 - 2 - ix).min(w as i64 - 2);
    let rows = (1 - iy).max(2)..(h as i64 - 2 - iy).min(h as i64 - 2);
    if columns.end - columns.start < 4 || rows.end - rows.start < 4 {
        return None;
    }
    let kept = |f: &[f64; 4]| f.iter().map(|v| v * v).sum::<f64>();
    let kept = kept(&fx) * kept(&fy);
    let normal = [[0.0; TERMS]; TERMS];
    let mut s = Sums { n: 0.0, normal, right: [0.0; TERMS], rr: 0.0, both: [0.0; 5], kept };
    // Each row of the first image mixed down to the shifted row, then along it.
    let mut mixed = vec![0.0; w];
    for row in rows {
        let top = ((row + iy - 1) as usize) * w;
        for (c, m) in mixed.iter_mut().enumerate() {
            *m = fy[0] * a[top + c]
                + fy[1] * a[top + w + c]
                + fy[2] * a[top + 2 * w + c]
                + fy[3] * a[top + 3 * w + c];
        }
        let start = row as usize * w;
        for column in columns.clone() {
            let left = (column + ix - 1) as usize;
            let here = fx[0] * mixed[left]
                + fx[1] * mixed[left + 1]
                + fx[2] * mixed[left + 2]
                + fx[3] * mixed[left + 3];
            let at = start + column as usize;
            let there = b[at];
            let r = there - here;
            let term = [
                slopes.0[at],
                slopes.1[at],
                here,
                1.0,
                column as f64 / w as f64 - 0.5,
                row as f64 / h as f64 - 0.5,
            ];
            for p in 0..TERMS {
                s.right[p] += term[p] * r;
                for q in 0..=p {
                    s.normal[p][q] += term[p] * term[q];
                }
            }
            s.rr += r * r;
            for (sum, v) in s.both.iter_mut().zip([here, there, here * here, there * there, here * there]) {
                *sum += v;
            }
        }
        s.n += (columns.end - columns.start) as f64;
    }
    Some(s)
}
