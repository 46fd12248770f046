//! Taking out the tilt of the sample and the jumps between lines.

use serde::Serialize;

use super::image::Image;
use crate::analysis::order::median;

/// A plane `offset + slope_x · column + slope_y · row`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Plane {
    /// Value at the first point.
    pub offset: f64,
    /// Change from column to column.
    pub slope_x: f64,
    /// Change from row to row.
    pub slope_y: f64,
}

/// Fits a plane by least squares and gives the image less the plane.
///
/// ```
/// use noctule::analysis::register::{Image, level_plane};
/// let tilted: Vec<f64> = (0..256).map(|i| 3.0 + 0.5 * (i % 16) as f64 - 0.25 * (i / 16) as f64).collect();
/// let (plane, flat) = level_plane(Image::new(16, 16, &tilted).unwrap());
/// assert!((plane.slope_x - 0.5).abs() < 1e-12 && flat.iter().all(|v| v.abs() < 1e-9));
/// ```
pub fn level_plane(image: Image) -> (Plane, Vec<f64>) {
    let (w, h) = (image.width(), image.height());
    let (cx, cy) = ((w - 1) as f64 / 2.0, (h - 1) as f64 / 2.0);
    let mean = image.values().iter().sum::<f64>() / (w * h) as f64;
    let (mut sx, mut sy) = (0.0, 0.0);
    for (row, line) in image.values().chunks_exact(w).enumerate() {
        for (column, v) in line.iter().enumerate() {
            sx += (column as f64 - cx) * (v - mean);
            sy += (row as f64 - cy) * (v - mean);
        }
    }
    // Rows and columns are orthogonal on a full grid: Σ(x − x̄)² over one line is n(n² − 1)/12.
    let square = |n: usize| (n * (n * n - 1)) as f64 / 12.0;
    let (slope_x, slope_y) = (sx / (square(w) * h as f64), sy / (square(h) * w as f64));
    let plane = Plane { offset: mean - slope_x * cx - slope_y * cy, slope_x, slope_y };
    let flat = image
        .values()
        .iter()
        .enumerate()
        .map(|(i, v)| v - plane.offset - slope_x * (i % w) as f64 - slope_y * (i / w) as f64)
        .collect();
    (plane, flat)
}

/// Takes the jumps between lines out: each row is shifted so that the median of its differences to the row above
/// vanishes, and the whole image keeps its mean.
///
/// ```
/// use noctule::analysis::register::{Image, level_lines};
/// // A bump on rows that jump.
/// let bump = |x: usize, y: usize| if (5..9).contains(&x) && (6..11).contains(&y) { 1.0 } else { 0.0 };
/// let jumpy: Vec<f64> = (0..256).map(|i| bump(i % 16, i / 16) + ((i / 16) * 7 % 5) as f64).collect();
/// let flat = level_lines(Image::new(16, 16, &jumpy).unwrap());
/// assert!((flat[8 * 16 + 6] - flat[8 * 16] - 1.0).abs() < 1e-12 && (flat[0] - flat[240]).abs() < 1e-12);
/// ```
pub fn level_lines(image: Image) -> Vec<f64> {
    let w = image.width();
    let mut flat = image.values().to_vec();
    let mut shift = 0.0;
    for row in 1..image.height() {
        let (above, here) =
            (&image.values()[(row - 1) * w..row * w], &image.values()[row * w..(row + 1) * w]);
        let mut steps: Vec<f64> = here.iter().zip(above).map(|(a, b)| a - b).collect();
        shift += median(&mut steps);
        for v in &mut flat[row * w..(row + 1) * w] {
            *v -= shift;
        }
    }
    let n = flat.len() as f64;
    let back = (image.values().iter().sum::<f64>() - flat.iter().sum::<f64>()) / n;
    flat.iter_mut().for_each(|v| *v += back);
    flat
}
