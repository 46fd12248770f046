//! Places that stand out in an image.
//!
//! An image may show several terraces, so no plane is its ground. The ground under a pixel is what a square of a few
//! nanometres meets from below, wherever it is pushed to so that it still covers the pixel (an opening, textbook). A straight
//! edge of any direction, and a slope, are their own ground to the last digit; what is narrower than the square is not.

use crate::analysis::order::middle;
use std::collections::VecDeque;
use std::f64::consts::PI;

/// Scatter of a normal distribution in units of its median absolute deviation.
const NORMAL_PER_MAD: f64 = 1.4826;
/// A spot rises so many times the scatter of the surface above it.
const LEAST_RISE: f64 = 8.0;
/// It falls off by this part of its height on all sides: a rim or a ridge does not along itself.
const FALLS: f64 = 0.5;
/// A neighbour of the top is taken to be at least this part as high.
const LEAST_PART: f64 = 0.02;
/// Sides that are looked at.
const SIDES: u32 = 16;

/// A place that stands out, in pixels from the first one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Along x, in pixels, between pixels if the top lies there.
    pub column: f64,
    /// Along y, in pixels.
    pub row: f64,
    /// Height of the top over the ground, in the unit of the image.
    pub height: f64,
}

/// Local maxima of a square image that rise well above the ground and fall off on all sides within `reach` pixels, highest
/// first. What is wider than twice the reach is ground.
///
/// The image is given row by row; one that is not square, or not finite, has no spots.
///
/// ```
/// let mut image = vec![0.0; 64];
/// for (i, v) in image.iter_mut().enumerate() { *v = 0.01 * ((i * 7919) % 101 % 13) as f64; }
/// image[3 * 8 + 4] = 5.0;
/// let spots = noctule::analysis::spots::find(&image, 8, 2);
/// assert_eq!(spots.len(), 1);
/// assert!((spots[0].column - 4.0).abs() < 0.5 && (spots[0].row - 3.0).abs() < 0.5);
/// ```
pub fn find(image: &[f64], pixels: usize, reach: usize) -> Vec<Spot> {
    if pixels < 4 || image.len() != pixels * pixels || image.iter().any(|v| !v.is_finite()) {
        return Vec::new();
    }
    let level = without_slope(image, pixels);
    let reach = reach.max(2);
    let ground = ground_of(&level, pixels, reach);
    let rises: Vec<f64> = level.iter().zip(&ground).map(|(v, ground)| v - ground).collect();
    let scatter = NORMAL_PER_MAD * middle(rises.iter().map(|v| v.abs()).collect());
    let mut spots = Vec::new();
    for row in 1..pixels - 1 {
        for column in 1..pixels - 1 {
            let here = row * pixels + column;
            let height = rises[here];
            if height > LEAST_RISE * scatter
                && height > 0.0
                && is_highest(&level, pixels, here)
                && falls_off(&level, pixels, here, FALLS * height, reach)
                && height > unevenness(&ground, pixels, here, reach / 3)
            {
                let ((dx, x_gain), (dy, y_gain)) = (top(&rises, here, 1), top(&rises, here, pixels));
                spots.push(Spot {
                    column: column as f64 + dx,
                    row: row as f64 + dy,
                    height: height * x_gain * y_gain,
                });
            }
        }
    }
    spots.sort_by(|a, b| b.height.total_cmp(&a.height));
    spots
}

/// Whether a pixel is higher than the eight round it; of equal ones the first.
fn is_highest(level: &[f64], pixels: usize, here: usize) -> bool {
    (0..9)
        .filter(|k| *k != 4)
        .map(|k| here + k % 3 + k / 3 * pixels - 1 - pixels)
        .all(|other| level[other] < level[here] || (level[other] == level[here] && other > here))
}

/// Whether there is a pixel lower by `fall` on each side, within reach and within the image.
fn falls_off(level: &[f64], pixels: usize, here: usize, fall: f64, reach: usize) -> bool {
    let (row, column) = ((here / pixels) as f64, (here % pixels) as f64);
    let inside = |at: f64| (at >= 0.0 && at < pixels as f64).then_some(at as usize);
    (0..SIDES).all(|side| {
        let (sin, cos) = (2.0 * PI * f64::from(side) / f64::from(SIDES)).sin_cos();
        (1..=reach).any(|way| {
            let at = |from: f64, part: f64| inside((from + part * way as f64).round());
            let lower = |(c, r): (usize, usize)| level[r * pixels + c] <= level[here] - fall;
            at(column, cos).zip(at(row, sin)).is_some_and(lower)
        })
    })
}

/// Where the top lies between pixels along one axis, and how much higher it is: by a parabola through the logarithms of three
/// heights, which is exact for the Gaussian outline of an atom (common practice).
fn top(rises: &[f64], here: usize, step: usize) -> (f64, f64) {
    // What is lost in the noise beside a narrow top has no logarithm.
    let ln = |rise: f64| (rise / rises[here]).max(LEAST_PART).ln();
    let (before, behind) = (ln(rises[here - step]), ln(rises[here + step]));
    let bend = before + behind;
    let way = (before - behind) / (2.0 * bend);
    if bend < 0.0 && way.abs() <= 1.0 { (way, (-0.5 * bend * way * way).exp()) } else { (0.0, 1.0) }
}

/// Heights without the slope that most neighbours agree on.
fn without_slope(image: &[f64], pixels: usize) -> Vec<f64> {
    let columns = (0..image.len()).filter(|i| i % pixels + 1 < pixels);
    let along_x = middle(columns.map(|i| image[i + 1] - image[i]).collect());
    let along_y = middle((pixels..image.len()).map(|i| image[i] - image[i - pixels]).collect());
    let level =
        |(i, value): (usize, &f64)| value - along_x * (i % pixels) as f64 - along_y * (i / pixels) as f64;
    image.iter().enumerate().map(level).collect()
}

/// The ground under each pixel. Where there is noise the square meets the deepest of many pixels, everywhere by about as much.
fn ground_of(level: &[f64], pixels: usize, reach: usize) -> Vec<f64> {
    let negative = |values: Vec<f64>| -> Vec<f64> { values.into_iter().map(|v| -v).collect() };
    let ground = negative(least(&negative(least(level, pixels, reach)), pixels, reach));
    let noise = middle(level.iter().zip(&ground).map(|(v, ground)| v - ground).collect());
    ground.into_iter().map(|ground| ground + noise).collect()
}

/// By how much the ground changes so near to a pixel: half way up an edge an atom shows neither its place nor its height.
fn unevenness(ground: &[f64], pixels: usize, here: usize, near: usize) -> f64 {
    let round = |at: usize| at.saturating_sub(near)..=(at + near).min(pixels - 1);
    let (mut low, mut high) = (ground[here], ground[here]);
    for at in
        round(here / pixels).flat_map(|row| round(here % pixels).map(move |column| row * pixels + column))
    {
        (low, high) = (low.min(ground[at]), high.max(ground[at]));
    }
    high - low
}

/// The least value within the reach along both axes, for each pixel.
fn least(image: &[f64], pixels: usize, reach: usize) -> Vec<f64> {
    // Rows become columns, so that a second time goes along the other axis and turns them back.
    let along = |image: &[f64]| {
        let mut turned = vec![0.0; image.len()];
        for (row, line) in image.chunks_exact(pixels).enumerate() {
            // Places that may be the least one later, their values rising.
            let mut window: VecDeque<usize> = VecDeque::new();
            for last in 0..pixels + reach {
                if last < pixels {
                    while window.back().is_some_and(|k| line[*k] >= line[last]) {
                        window.pop_back();
                    }
                    window.push_back(last);
                }
                let Some(at) = last.checked_sub(reach) else { continue };
                while window.front().is_some_and(|k| k + reach < at) {
                    window.pop_front();
                }
                turned[at * pixels + row] = line[window[0]];
            }
        }
        turned
    };
    along(&along(image))
}

/// What is wider than twice this is no place but ground, m: atoms and small molecules are seen a nanometre wide.
const REACH_M: f64 = 1.5e-9;

/// The same in pixels of so many m.
pub fn reach(step_m: f64) -> usize {
    (REACH_M / step_m).clamp(2.0, 4096.0).ceil() as usize
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
    let all: Vec<[f64; 3]> = find(heights_m, pixels, reach(step_m)).into_iter().map(place).collect();
    let beside = |one: &[f64; 3]| {
        all.iter().filter(|other| (one[0] - other[0]).hypot(one[1] - other[1]) < BESIDE_M).count() - 1
    };
    all.iter().filter(|one| beside(one) < 2).copied().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// Step edges (a point, the direction uphill, height, all in nm and degrees), as a tip half a nanometre wide sees them.
    fn edges(at: [f64; 2], edges: &[(f64, f64, f64)]) -> f64 {
        let over = |&(off, uphill_deg, height): &(f64, f64, f64)| {
            let (sin, cos) = f64::to_radians(uphill_deg).sin_cos();
            height / (1.0 + (-8.0 * (at[0] * cos + at[1] * sin - off)).exp())
        };
        edges.iter().map(over).sum()
    }

    fn atoms(at: [f64; 2], atoms: &[(f64, f64, f64, f64)]) -> f64 {
        let over = |&(x, y, height, width): &(f64, f64, f64, f64)| {
            height * (-0.5 * ((at[0] - x).powi(2) + (at[1] - y).powi(2)) / (width * width)).exp()
        };
        atoms.iter().map(over).sum()
    }

    /// An image about the origin: a surface in nm, on a slope, with the sample moving while it is taken, and with noise.
    fn taken(size: f64, pixels: usize, seed: u64, surface: impl Fn([f64; 2]) -> f64) -> Vec<f64> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut noise = |size: f64| -> f64 {
            let normal: f64 = StandardNormal.sample(&mut rng);
            size * normal
        };
        let step = size / pixels as f64;
        let mut image = Vec::new();
        let mut line = 0.0;
        for row in 0..pixels {
            line += noise(0.0003);
            for column in 0..pixels {
                let [x, y] = [column, row].map(|k| (k as f64 + 0.5) * step - 0.5 * size);
                let late = row as f64 / pixels as f64;
                let moved = [x - 0.03 * late, y + 0.02 * late];
                image.push(1e-9 * (surface(moved) + 0.004 * x - 0.007 * y + line + noise(0.0008)));
            }
        }
        image
    }

    const FRAMES: [(f64, usize); 4] = [(14.0, 56), (26.0, 84), (48.0, 154), (100.0, 250)];

    /// `NOCTULE_CAMPAIGN=full` takes all frames and directions.
    #[test]
    fn an_edge_alone_has_no_spots() {
        let full = std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full");
        let (frames, turns) = if full { (4, 36_u32) } else { (2, 7) };
        for (size, pixels) in FRAMES.into_iter().take(frames) {
            for turn in 0..turns {
                let direction = 360.0 / f64::from(turns) * f64::from(turn);
                // In the middle, beside it, and just within the image.
                for (seed, part) in [(0, 0.0), (1, 0.31), (2, 0.46), (3, 0.49)] {
                    let seen = |which: &[(f64, f64, f64)]| {
                        let image = taken(size, pixels, u64::from(100 * turn + seed), |at| edges(at, which));
                        find(&image, pixels, reach(1e-9 * size / pixels as f64))
                    };
                    let one = (part * size, direction, 0.24);
                    assert_eq!(seen(&[one]), [], "{size} nm, {one:?}");
                    let other = (part * size - 2.2, direction, 0.24);
                    assert_eq!(seen(&[one, other]), [], "{size} nm, two terraces, {one:?}");
                    let other = (-0.2 * size, direction + 52.0, 0.28);
                    assert_eq!(seen(&[one, other]), [], "{size} nm, two edges that cross, {one:?}");
                }
            }
        }
    }

    #[test]
    fn atoms_on_terraces_have_their_places_and_heights() {
        let lie = [
            (3.2, -1.85, 0.16, 0.28),
            (-4.6, 5.3, 0.16, 0.28),
            (8.9, 6.4, 0.16, 0.28),
            (-9.1, -3.7, 0.16, 0.28),
            (-2.7, -7.4, 0.21, 0.42),
            (6.3, 10.7, 0.21, 0.42),
            (5.7, -5.6, -0.09, 0.22),
        ];
        let (mut seen, mut missed) = (0, 0);
        for (seed, direction) in (0..12_u32).map(|turn| (turn, 31.0 * f64::from(turn))) {
            let edge = (f64::from(seed % 7) - 3.0, direction, 0.24);
            let image = taken(26.0, 104, u64::from(seed), |at| edges(at, &[edge]) + atoms(at, &lie));
            let found = places(&image, 104, [0.0; 2], 26e-9);
            let (sin, cos) = direction.to_radians().sin_cos();
            for &(x, y, height, _) in lie.iter().filter(|atom| atom.2 > 0.0) {
                // Half way up an edge nothing stands alone.
                let from_edge = (x * cos + y * sin - edge.0).abs();
                let here = found.iter().find(|f| (f[0] * 1e9 - x).hypot(f[1] * 1e9 - y) < 0.5);
                match here {
                    Some([fx, fy, fh]) => {
                        let off = (fx * 1e9 - x).hypot(fy * 1e9 - y);
                        // Within the drift of an image and a part of a pixel; higher by what an edge adds.
                        let near = if from_edge < 1.2 { 0.15 } else { 0.05 };
                        assert!(
                            off < near,
                            "{direction}: {off} nm beside ({x}, {y}), {from_edge} from the edge"
                        );
                        let high = 1e9 * fh / height;
                        let close = if from_edge < 1.2 { 0.2 } else { 0.04 };
                        assert!((high - 1.0).abs() < close, "{direction}: {high} of ({x}, {y}), {from_edge}");
                        seen += 1;
                    }
                    None => {
                        assert!(
                            from_edge < 0.8,
                            "{direction}: none at ({x}, {y}), {from_edge} from the edge"
                        );
                        missed += 1;
                    }
                }
            }
            let strange =
                found.iter().filter(|f| lie.iter().all(|l| (f[0] * 1e9 - l.0).hypot(f[1] * 1e9 - l.1) > 0.5));
            assert_eq!(strange.count(), 0, "{direction}: {found:?}");
        }
        println!("{seen} seen, {missed} half way up an edge");
    }
}
