//! The shape that all spectra share, fitted together with each centre and height.
//!
//! An asymmetric line hardly differs from a symmetric one a little beside it, the more so once the background is taken
//! out. An error of the common asymmetry therefore moves all centres together: it hardly touches the moment, but goes
//! into the tip field in full. Here it is carried along: the covariance of two centres is their own variance, where they
//! are the same one, and what the errors of the common width and asymmetry do to both (common practice: elimination of the
//! inner unknowns of a least-squares problem by blocks).

use super::centres::{Centre, Shape, TOGETHER};
use super::clean::Bases;
use super::spectra::Ready;
use crate::analysis::order::middle;
use nalgebra::{SMatrix, SVector};

/// Prior standard error of the asymmetry about zero, and of the width relative to itself.
const ASYMMETRY: f64 = 1.0;
const WIDTH: f64 = 0.7;
/// The same of the distance of lines about where it was found, in widths.
const SPACING: f64 = 1.0;
const TURNS: usize = 8;
/// Places at which noise is looked at, in all spectra together.
const MOST_PLACES: usize = 240;
/// Median of chi-square with one degree of freedom.
const MEDIAN: f64 = 0.4549;
/// A step smaller than this part of a width is none.
const STANDS: f64 = 1e-4;

/// What one spectrum says about its centre and height (own) and about width, asymmetry and distance of lines (shared).
struct Block {
    own: SMatrix<f64, 2, 2>,
    mixed: SMatrix<f64, 2, SHARED>,
    shared: SMatrix<f64, SHARED, SHARED>,
    own_right: SVector<f64, 2>,
    shared_right: SVector<f64, SHARED>,
    chi_square: f64,
}

const SHARED: usize = 3;

/// The inverse of a matrix of normal equations; none where a pivot is lost in rounding.
fn inverse<const N: usize>(m: SMatrix<f64, N, N>) -> Option<SMatrix<f64, N, N>>
where
    nalgebra::Const<N>: nalgebra::DimName + nalgebra::DimMin<nalgebra::Const<N>>,
{
    let root = m.cholesky()?;
    let kept = |i: usize| root.l_dirty()[(i, i)].powi(2) > 1e-12 * m[(i, i)];
    (0..N).all(kept).then(|| root.inverse())
}

/// Lengths in widths of the shape, so that all unknowns are of the order of one.
fn block(s: &Ready, bases: &Bases, shape: Shape, centre: f64, height: f64) -> Block {
    let row = |f: &f64| {
        let mut values = [0.0; 2 + SHARED];
        for rank in shape.pattern.ranks() {
            let z = 2.0 * (f - centre - rank * shape.pattern.spacing) / shape.width;
            let l = 1.0 / (1.0 + z * z);
            let bent = shape.sign * height * (shape.asymmetry * (1.0 - z * z) - 2.0 * z) * l * l;
            let own = shape.sign * (1.0 + shape.asymmetry * z) * l;
            let line = [-2.0 * bent, own, -z * bent, shape.sign * height * z * l, -2.0 * rank * bent];
            values.iter_mut().zip(line).for_each(|(sum, v)| *sum += v);
        }
        values
    };
    let mut rows: Vec<[f64; 2 + SHARED]> = s.f.iter().map(row).collect();
    bases.clean_all(s.basis, &mut rows);
    let (mut pairs, mut right) = ([[0.0; 2 + SHARED]; 2 + SHARED], [0.0; 2 + SHARED]);
    let mut chi_square = 0.0;
    for (row, y) in rows.iter().zip(&s.y) {
        let rest = y - height * row[1];
        chi_square += rest * rest;
        for i in 0..2 + SHARED {
            right[i] += row[i] * rest;
            for j in 0..2 + SHARED {
                pairs[i][j] += row[i] * row[j];
            }
        }
    }
    Block {
        own: SMatrix::from_fn(|a, b| pairs[a][b]),
        mixed: SMatrix::from_fn(|a, b| pairs[a][2 + b]),
        shared: SMatrix::from_fn(|a, b| pairs[2 + a][2 + b]),
        own_right: SVector::from_fn(|a, _| right[a]),
        shared_right: SVector::from_fn(|a, _| right[2 + a]),
        chi_square,
    }
}

/// The problem at one set of unknowns, the own ones of each spectrum eliminated.
struct Reduced {
    blocks: Vec<Block>,
    /// Inverse of the reduced matrix of what is shared.
    covariance: SMatrix<f64, SHARED, SHARED>,
    step: SVector<f64, SHARED>,
    chi_square: f64,
}

fn reduced(
    spectra: &[Ready],
    bases: &Bases,
    (shape, first): (Shape, Shape),
    seen: &[Centre],
) -> Option<Reduced> {
    let of = |c: &Centre| block(&spectra[c.index], bases, shape, c.f, c.height);
    let blocks: Vec<Block> = seen.iter().map(of).collect();
    let prior =
        SVector::from([(first.width / shape.width * WIDTH).powi(-2), ASYMMETRY.powi(-2), SPACING.powi(-2)]);
    let apart = first.pattern.spacing - shape.pattern.spacing;
    let off =
        SVector::from([(first.width - shape.width) / shape.width, -shape.asymmetry, apart / shape.width]);
    let mut matrix = SMatrix::from_diagonal(&prior);
    let mut right = prior.component_mul(&off);
    let mut chi_square = right.dot(&off);
    for b in &blocks {
        let across = b.mixed.transpose() * inverse(b.own)?;
        matrix += b.shared - across * b.mixed;
        right += b.shared_right - across * b.own_right;
        chi_square += b.chi_square;
    }
    // The products are symmetric but for rounding, of which only one half is read.
    let covariance = inverse(matrix)?;
    Some(Reduced { blocks, covariance, step: covariance * right, chi_square })
}

/// All unknowns a part of a step further on.
fn moved(shape: Shape, seen: &[Centre], r: &Reduced, part: f64) -> Option<(Shape, Vec<Centre>)> {
    let step = r.step * part;
    let mut moved = Vec::with_capacity(seen.len());
    for (c, b) in seen.iter().zip(&r.blocks) {
        let own = inverse(b.own)? * (b.own_right * part - b.mixed * step);
        moved.push(Centre {
            f: c.f + shape.width * own[0].clamp(-0.3, 0.3),
            height: (c.height + own[1]).max(0.1 * c.height),
            ..*c
        });
    }
    let width = shape.width * (1.0 + step[0].clamp(-0.3, 0.3));
    let asymmetry = shape.asymmetry + step[1].clamp(-0.5, 0.5);
    let mut pattern = shape.pattern;
    pattern.spacing += shape.width * step[2].clamp(-0.3, 0.3);
    Some((Shape { width, asymmetry, pattern, ..shape }, moved))
}

/// Improves shape, centres and heights together, and gives the centres their errors.
pub(super) fn refine(
    spectra: &[Ready],
    bases: &Bases,
    start: Shape,
    seen: &[Centre],
) -> Option<(Shape, Vec<Centre>)> {
    let (mut shape, mut centres) = (start, seen.to_vec());
    let first = start;
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
    let root = now.covariance.cholesky()?.l();
    for (c, b) in centres.iter_mut().zip(&now.blocks) {
        let own = inverse(b.own)?;
        c.error = scale * own[(0, 0)].sqrt();
        c.height_error = (noise * own[(1, 1)]).sqrt();
        // How the centre goes with what is shared, by the square root of its covariance.
        c.common = ((own * b.mixed).row(0) * root * scale).into();
    }
    shape.spacing_error = if shape.pattern.lines > 1 { scale * now.covariance[(2, 2)].sqrt() } else { 0.0 };
    Some((shape, centres))
}

/// How many times the variance at the width of the line is that of white noise, one at least: from lines fitted to what is
/// left, at places a width apart.
fn noise(spectra: &[Ready], bases: &Bases, shape: Shape, seen: &[Centre]) -> f64 {
    let each = (MOST_PLACES / seen.len().max(1)).max(2);
    let mut gains = Vec::with_capacity(MOST_PLACES);
    for c in seen {
        let s = &spectra[c.index];
        let many = ((s.span() / shape.width - 2.0).floor().max(1.0) as usize).min(each);
        let apart = (s.span() - 2.0 * shape.width) / many as f64;
        let places: Vec<f64> = (0..many).map(|k| s.f[0] + shape.width + apart * (k as f64 + 0.5)).collect();
        let mut own: Vec<f64> = s.f.iter().map(|f| shape.at(*f, c.f)).collect();
        bases.clean(s.basis, &mut own);
        let rest: Vec<f64> = s.y.iter().zip(&own).map(|(y, m)| y - c.height * m).collect();
        for some in places.chunks(TOGETHER) {
            let at = |f: &f64| std::array::from_fn(|j| shape.at(*f, some[j.min(some.len() - 1)]));
            let mut rows: Vec<[f64; TOGETHER]> = s.f.iter().map(at).collect();
            bases.clean_all(s.basis, &mut rows);
            let (mut along, mut own) = ([0.0; TOGETHER], [0.0; TOGETHER]);
            for (row, rest) in rows.iter().zip(&rest) {
                for j in 0..TOGETHER {
                    along[j] += row[j] * rest;
                    own[j] += row[j] * row[j];
                }
            }
            gains.extend((0..some.len()).map(|j| along[j].powi(2) / f64::max(own[j], 1e-9)));
        }
    }
    (middle(gains) / MEDIAN).max(1.0)
}
