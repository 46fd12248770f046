//! The shape that all spectra share, fitted together with each centre and height.
//!
//! An asymmetric line hardly differs from a symmetric one a little beside it, the more so once the background is taken
//! out. An error of the common asymmetry therefore moves all centres together: it hardly touches the moment, but goes
//! into the tip field in full. Here it is carried along: the covariance of two centres is their own variance, where they
//! are the same one, and what the errors of the common width and asymmetry do to both (common practice: elimination of the
//! inner unknowns of a least-squares problem by blocks).

use super::centres::{Centre, Shape};
use super::clean::Bases;
use super::spectra::Ready;
use crate::analysis::order::middle;

/// Prior standard error of the asymmetry about zero, and of the width relative to itself.
const ASYMMETRY: f64 = 1.0;
const WIDTH: f64 = 0.7;
const TURNS: usize = 8;
/// Places at which noise is looked at, in all spectra together.
const MOST_PLACES: usize = 240;
/// Median of chi-square with one degree of freedom.
const MEDIAN: f64 = 0.4549;
/// A step smaller than this part of a width is none.
const STANDS: f64 = 1e-4;

/// What one spectrum says about its centre and height (own) and about width and asymmetry (shared).
struct Block {
    own: [[f64; 2]; 2],
    mixed: [[f64; 2]; 2],
    shared: [[f64; 2]; 2],
    own_right: [f64; 2],
    shared_right: [f64; 2],
    chi_square: f64,
}

fn inverse(m: [[f64; 2]; 2]) -> Option<[[f64; 2]; 2]> {
    let det = m[0][0] * m[1][1] - m[0][1] * m[1][0];
    let [[a, b], [c, d]] = m;
    (det > 1e-12 * a * d && det > 0.0).then(|| [[d / det, -b / det], [-c / det, a / det]])
}

fn times(m: [[f64; 2]; 2], v: [f64; 2]) -> [f64; 2] {
    [0, 1].map(|i| m[i][0] * v[0] + m[i][1] * v[1])
}

/// Lengths in widths of the shape, so that all unknowns are of the order of one.
fn block(s: &Ready, bases: &Bases, shape: Shape, centre: f64, height: f64) -> Block {
    let mut columns: [Vec<f64>; 4] = std::array::from_fn(|_| Vec::with_capacity(s.f.len()));
    for f in &s.f {
        let z = 2.0 * (f - centre) / shape.width;
        let l = 1.0 / (1.0 + z * z);
        let bent = shape.sign * height * (shape.asymmetry * (1.0 - z * z) - 2.0 * z) * l * l;
        let own = shape.sign * (1.0 + shape.asymmetry * z) * l;
        let values = [-2.0 * bent, own, -z * bent, shape.sign * height * z * l];
        columns.iter_mut().zip(values).for_each(|(c, v)| c.push(v));
    }
    columns.iter_mut().for_each(|c| bases.clean(s.basis, c));
    let rest: Vec<f64> = s.y.iter().zip(&columns[1]).map(|(y, m)| y - height * m).collect();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(p, q)| p * q).sum::<f64>();
    let pair = |i: usize, j: usize| {
        [0, 1].map(|a: usize| [0, 1].map(|b: usize| dot(&columns[i + a], &columns[j + b])))
    };
    let right = |i: usize| [0, 1].map(|a: usize| dot(&columns[i + a], &rest));
    Block {
        own: pair(0, 0),
        mixed: pair(0, 2),
        shared: pair(2, 2),
        own_right: right(0),
        shared_right: right(2),
        chi_square: dot(&rest, &rest),
    }
}

/// The problem at one set of unknowns, the own ones of each spectrum eliminated.
struct Reduced {
    blocks: Vec<Block>,
    /// Inverse of the reduced matrix of width and asymmetry.
    covariance: [[f64; 2]; 2],
    step: [f64; 2],
    chi_square: f64,
}

fn reduced(
    spectra: &[Ready],
    bases: &Bases,
    (shape, first): (Shape, f64),
    seen: &[Centre],
) -> Option<Reduced> {
    let of = |c: &Centre| block(&spectra[c.index], bases, shape, c.f, c.height);
    let blocks: Vec<Block> = seen.iter().map(of).collect();
    let prior = [(first / shape.width).powi(-2) * WIDTH.powi(-2), ASYMMETRY.powi(-2)];
    let off = [(first - shape.width) / shape.width, -shape.asymmetry];
    let mut matrix = [[prior[0], 0.0], [0.0, prior[1]]];
    let mut right = [0, 1].map(|i| prior[i] * off[i]);
    let mut chi_square: f64 = (0..2).map(|i| prior[i] * off[i] * off[i]).sum();
    for b in &blocks {
        let own = inverse(b.own)?;
        let solved = times(own, b.own_right);
        for i in 0..2 {
            let across = times(own, [b.mixed[0][i], b.mixed[1][i]]);
            for j in 0..2 {
                matrix[j][i] += b.shared[j][i] - b.mixed[0][j] * across[0] - b.mixed[1][j] * across[1];
            }
            right[i] += b.shared_right[i] - b.mixed[0][i] * solved[0] - b.mixed[1][i] * solved[1];
        }
        chi_square += b.chi_square;
    }
    let covariance = inverse(matrix)?;
    Some(Reduced { blocks, covariance, step: times(covariance, right), chi_square })
}

/// All unknowns a part of a step further on.
fn moved(shape: Shape, seen: &[Centre], r: &Reduced, part: f64) -> Option<(Shape, Vec<Centre>)> {
    let step = r.step.map(|s| part * s);
    let mut moved = Vec::with_capacity(seen.len());
    for (c, b) in seen.iter().zip(&r.blocks) {
        let mixed = times(b.mixed, step);
        let own =
            times(inverse(b.own)?, [part * b.own_right[0] - mixed[0], part * b.own_right[1] - mixed[1]]);
        moved.push(Centre {
            f: c.f + shape.width * own[0].clamp(-0.3, 0.3),
            height: (c.height + own[1]).max(0.1 * c.height),
            ..*c
        });
    }
    let width = shape.width * (1.0 + step[0].clamp(-0.3, 0.3));
    Some((Shape { width, asymmetry: shape.asymmetry + step[1].clamp(-0.5, 0.5), ..shape }, moved))
}

/// Improves shape, centres and heights together, and gives the centres their errors.
pub(super) fn refine(
    spectra: &[Ready],
    bases: &Bases,
    start: Shape,
    seen: &[Centre],
) -> Option<(Shape, Vec<Centre>)> {
    let (mut shape, mut centres) = (start, seen.to_vec());
    let first = start.width;
    let mut now = reduced(spectra, bases, (shape, first), &centres)?;
    for _ in 0..TURNS {
        let mut better = None;
        for part in [1.0, 0.3, 0.1] {
            let (s, c) = moved(shape, &centres, &now, part)?;
            let next = reduced(spectra, bases, (s, first), &c)?;
            if next.chi_square < now.chi_square {
                better = Some((s, c, next));
                break;
            }
        }
        let Some((s, c, next)) = better else { break };
        let gained = now.chi_square - next.chi_square;
        (shape, centres, now) = (s, c, next);
        if gained < STANDS {
            break;
        }
    }
    let noise = noise(spectra, bases, shape, &centres);
    let scale = shape.width * noise.sqrt();
    let [root, below] = lower(now.covariance);
    for (c, b) in centres.iter_mut().zip(&now.blocks) {
        let own = inverse(b.own)?;
        c.error = scale * own[0][0].sqrt();
        c.height_error = (noise * own[1][1]).sqrt();
        // How the centre goes with width and asymmetry, by the square root of their covariance.
        let with = [0, 1].map(|i| times(own, [b.mixed[0][i], b.mixed[1][i]])[0]);
        c.common = [scale * (with[0] * root[0] + with[1] * below[0]), scale * with[1] * below[1]];
    }
    Some((shape, centres))
}

/// How many times the variance at the width of the line is that of white noise, one at least: from lines fitted to what is
/// left, at places a width apart.
fn noise(spectra: &[Ready], bases: &Bases, shape: Shape, seen: &[Centre]) -> f64 {
    let each = (MOST_PLACES / seen.len().max(1)).max(2);
    let mut gains = Vec::with_capacity(MOST_PLACES);
    for c in seen {
        let s = &spectra[c.index];
        let line = |centre: f64| {
            let mut m: Vec<f64> = s.f.iter().map(|f| shape.at(*f, centre)).collect();
            bases.clean(s.basis, &mut m);
            m
        };
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(p, q)| p * q).sum::<f64>();
        let own = line(c.f);
        let rest: Vec<f64> = s.y.iter().zip(&own).map(|(y, m)| y - c.height * m).collect();
        let many = ((s.span() / shape.width - 2.0).floor().max(1.0) as usize).min(each);
        let apart = (s.span() - 2.0 * shape.width) / many as f64;
        for k in 0..many {
            let m = line(s.f[0] + shape.width + apart * (k as f64 + 0.5));
            gains.push(dot(&m, &rest).powi(2) / dot(&m, &m).max(1e-9));
        }
    }
    (middle(gains) / MEDIAN).max(1.0)
}

/// Lower triangular square root of a symmetric matrix, by rows.
fn lower(m: [[f64; 2]; 2]) -> [[f64; 2]; 2] {
    let a = m[0][0].max(0.0).sqrt();
    let b = if a > 0.0 { m[0][1] / a } else { 0.0 };
    [[a, 0.0], [b, (m[1][1] - b * b).max(0.0).sqrt()]]
}
