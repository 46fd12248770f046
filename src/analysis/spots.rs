//! Places that stand out in an image.

use super::register::recentre;
use crate::analysis::order::middle;

/// Scatter of a normal distribution in units of its median absolute deviation.
const NORMAL_PER_MAD: f64 = 1.4826;
/// A spot rises so many times the scatter of the surface above it.
const LEAST_RISE: f64 = 6.0;

/// A place that stands out, in pixels from the first one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Along x, in pixels, between pixels if the top lies there.
    pub column: f64,
    /// Along y, in pixels.
    pub row: f64,
    /// Height over the surface, in the unit of the image.
    pub height: f64,
}

/// Local maxima of a square image that rise well above its median, highest first.
///
/// A plane is taken off first. The image is given row by row; one that is not square, or not finite, has no spots.
///
/// ```
/// let mut image = vec![0.0; 64];
/// for (i, v) in image.iter_mut().enumerate() { *v = 0.01 * ((i * 7919) % 13) as f64; }
/// image[3 * 8 + 4] = 5.0;
/// let spots = noctule::analysis::spots::find(&image, 8);
/// assert_eq!(spots.len(), 1);
/// assert!((spots[0].column - 4.0).abs() < 0.5 && (spots[0].row - 3.0).abs() < 0.5);
/// ```
pub fn find(image: &[f64], pixels: usize) -> Vec<Spot> {
    if pixels < 4 || image.len() != pixels * pixels || image.iter().any(|v| !v.is_finite()) {
        return Vec::new();
    }
    let level = without_plane(image, pixels);
    let ground = middle(level.clone());
    let scatter = NORMAL_PER_MAD * middle(level.iter().map(|v| (v - ground).abs()).collect());
    let at = |column: usize, row: usize| level[row * pixels + column];
    let mut spots = Vec::new();
    for row in 1..pixels - 1 {
        for column in 1..pixels - 1 {
            let here = at(column, row);
            let rises = here - ground > LEAST_RISE * scatter && here > ground;
            let around = (0..9).filter(|k| *k != 4).map(|k| (column + k % 3 - 1, row + k / 3 - 1));
            if rises
                && around
                    .into_iter()
                    .all(|(c, r)| at(c, r) < here || (at(c, r) == here && (r, c) > (row, column)))
            {
                let pattern: Vec<(f64, f64)> =
                    (0..9).map(|k| ((k % 3) as f64 - 1.0, (k / 3) as f64 - 1.0)).collect();
                let heights: Vec<f64> = (0..9).map(|k| at(column + k % 3 - 1, row + k / 3 - 1)).collect();
                // The top between pixels, where the heights around show one.
                let (dx, dy) = recentre(&pattern, &heights, None).map_or((0.0, 0.0), |top| (top.x, top.y));
                spots.push(Spot {
                    column: column as f64 + dx.clamp(-1.0, 1.0),
                    row: row as f64 + dy.clamp(-1.0, 1.0),
                    height: here - ground,
                });
            }
        }
    }
    spots.sort_by(|a, b| b.height.total_cmp(&a.height));
    spots
}

fn without_plane(image: &[f64], pixels: usize) -> Vec<f64> {
    let middle = (pixels as f64 - 1.0) / 2.0;
    let mean = image.iter().sum::<f64>() / image.len() as f64;
    let (mut sx, mut sy, mut sxx) = (0.0, 0.0, 0.0);
    for (i, value) in image.iter().enumerate() {
        let (x, y) = ((i % pixels) as f64 - middle, (i / pixels) as f64 - middle);
        sx += x * (value - mean);
        sy += y * (value - mean);
        sxx += x * x;
    }
    let level = |(i, value): (usize, &f64)| {
        let (x, y) = ((i % pixels) as f64 - middle, (i / pixels) as f64 - middle);
        value - mean - (sx * x + sy * y) / sxx
    };
    image.iter().enumerate().map(level).collect()
}

/// Others nearer than this make a place part of something larger, m: the edge of a terrace, an island.
const BESIDE_M: f64 = 1.6e-9;

/// What stands alone in an image of `pixels` × `pixels` heights, m, with its places, m: x, y and height of each. What has
/// two others close by is left out: such a chain is an edge, and shows no place.
///
/// ```
/// let mut image = vec![0.0; 1600];
/// for (i, v) in image.iter_mut().enumerate() { *v = 1e-14 * ((i * 7919) % 13) as f64; }
/// image[10 * 40 + 20] = 2e-10;
/// for k in 0..6 { image[30 * 40 + 10 + 3 * k] = 2e-10; }
/// let alone = noctule::analysis::spots::places(&image, 40, [0.0, 0.0], 8e-9);
/// assert_eq!(alone.len(), 1);
/// assert!((alone[0][0] - 0.1e-9).abs() < 0.1e-9 && (alone[0][1] + 1.9e-9).abs() < 0.1e-9);
/// ```
pub fn places(heights_m: &[f64], pixels: usize, centre_m: [f64; 2], size_m: f64) -> Vec<[f64; 3]> {
    let step_m = size_m / pixels.max(1) as f64;
    let at = |pixel: f64, centre_m: f64| centre_m + (pixel + 0.5) * step_m - 0.5 * size_m;
    let place = |spot: Spot| [at(spot.column, centre_m[0]), at(spot.row, centre_m[1]), spot.height];
    let all: Vec<[f64; 3]> = find(heights_m, pixels).into_iter().map(place).collect();
    let beside = |one: &[f64; 3]| {
        all.iter().filter(|other| (one[0] - other[0]).hypot(one[1] - other[1]) < BESIDE_M).count() - 1
    };
    all.iter().filter(|one| beside(one) < 2).copied().collect()
}
