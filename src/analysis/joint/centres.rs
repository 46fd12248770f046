//! The centre of the line in each spectrum, close to where the law has it.

use super::clean::Bases;
use super::combs::{Pattern, count};
use super::shape::refine;
use super::spectra::Ready;
use super::tables::{Tables, shape};

/// One centre with its error, Hz.
#[derive(Debug, Clone, Copy)]
pub(super) struct Centre {
    /// Number of the piece.
    pub index: usize,
    pub f: f64,
    /// Of its own, Hz.
    pub error: f64,
    /// What errors of the shape do to it, Hz: such a part of one centre and of another go together.
    pub common: [f64; 3],
    /// Height in units of the noise, with its error.
    pub height: f64,
    pub height_error: f64,
}

/// A shape that all spectra share: width in Hz and asymmetry, with the symmetric part going up.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shape {
    pub width: f64,
    pub asymmetry: f64,
    pub sign: f64,
    /// How many such lines, about the centre.
    pub pattern: Pattern,
    /// Standard error of their distance, Hz.
    pub spacing_error: f64,
}

impl Shape {
    pub fn at(self, f: f64, centre: f64) -> f64 {
        let line = |rank: f64| {
            let p = shape(f, centre + rank * self.pattern.spacing, self.width);
            p[0] + self.asymmetry * p[1]
        };
        self.sign * self.pattern.ranks().map(line).sum::<f64>()
    }
}

/// Spectra in which the law has its line well inside, not masked: number of the piece and place.
pub(super) fn inside(spectra: &[Ready], tables: &Tables, at: impl Fn(f64) -> f64) -> Vec<(usize, f64)> {
    let one = |k: usize| {
        let place = at(spectra[k].field_t.abs());
        let t = &tables.all[k];
        let i = t.index(place).filter(|i| !t.masked[*i])?;
        (i > 0 && i + 1 < t.places.len()).then_some((k, place))
    };
    (0..spectra.len()).filter_map(one).collect()
}

/// Half the gain in chi-square by this shape at a place, its height and the information about it.
pub(super) fn gain(s: &Ready, bases: &Bases, shape: Shape, centre: f64) -> (f64, f64, f64) {
    let mut m: Vec<f64> = s.f.iter().map(|f| shape.at(*f, centre)).collect();
    bases.clean(s.basis, &mut m);
    let n: f64 = m.iter().zip(&s.y).map(|(m, y)| m * y).sum();
    let g: f64 = m.iter().map(|m| m * m).sum::<f64>().max(1e-9);
    (0.5 * n * n.abs() / g, n / g, g)
}

/// Fits the shape that the spectra share, then each centre; a line that is not seen by itself gives none.
pub(super) fn centres(
    spectra: &[Ready],
    bases: &Bases,
    places: &[(usize, f64)],
    (first, pattern): (f64, Pattern),
) -> (Shape, Vec<Centre>) {
    let mut at: Vec<(usize, f64)> = places.to_vec();
    let mut best = Shape { width: first, asymmetry: 0.0, sign: 1.0, pattern, spacing_error: 0.0 };
    let mut found = Vec::new();
    for turn in 0..2 {
        best = common_shape(spectra, bases, &at, best, turn);
        found = at.iter().filter_map(|(k, place)| centre(&spectra[*k], *k, bases, best, *place)).collect();
        if turn == 0 {
            at = found.iter().map(|c: &Centre| (c.index, c.f)).collect();
        }
        if at.len() < 3 {
            break;
        }
    }
    if pattern.lines > 1 {
        // A comb that explains no more than one of its lines is none.
        let Some((shape, off)) = count(spectra, bases, best, &found) else { return (best, Vec::new()) };
        best = shape;
        found.iter_mut().for_each(|c| c.f += off);
    }
    if let Some((shape, better)) = refine(spectra, bases, best, &found) {
        let known = better.into_iter().filter(|c| c.error < shape.width);
        return (shape, known.collect());
    }
    (best, found)
}

/// The width and asymmetry that explain most at given places, each spectrum with a height of its own.
fn common_shape(spectra: &[Ready], bases: &Bases, at: &[(usize, f64)], from: Shape, turn: usize) -> Shape {
    // Twelve spectra tell a shape well enough.
    let every = at.len().div_ceil(12).max(1);
    let total = |shape: Shape| -> f64 {
        at.iter().step_by(every).map(|(k, place)| gain(&spectra[*k], bases, shape, *place).0).sum()
    };
    let (widths, asymmetries): (&[f64], &[f64]) = if turn == 0 {
        (&[0.7, 1.0, 1.4], &[-1.2, -0.6, -0.25, 0.0, 0.25, 0.6, 1.2])
    } else {
        (&[0.8, 0.9, 1.0, 1.1, 1.25], &[-0.2, -0.1, 0.0, 0.1, 0.2])
    };
    let centre = if turn == 0 { 0.0 } else { from.asymmetry };
    let mut best = (f64::NEG_INFINITY, from);
    for w in widths {
        for q in asymmetries {
            for sign in [1.0, -1.0] {
                if turn > 0 && sign != from.sign {
                    continue;
                }
                let shape = Shape { width: from.width * w, asymmetry: centre + q, sign, ..from };
                let value = total(shape);
                if value > best.0 {
                    best = (value, shape);
                }
            }
        }
    }
    best.1
}

fn centre(s: &Ready, index: usize, bases: &Bases, shape: Shape, place: f64) -> Option<Centre> {
    let (reach, fine) = (shape.width, shape.width / 6.0);
    let low = (place - reach).max(s.f[0]);
    let high = (place + reach).min(s.f[s.f.len() - 1]);
    let many = ((high - low) / fine).floor() as usize;
    let gains: Vec<f64> = (0..=many).map(|k| gain(s, bases, shape, low + fine * k as f64).0).collect();
    let k = (1..many).max_by(|a, b| gains[*a].total_cmp(&gains[*b]))?;
    let top = low + fine * k as f64;
    if k == 1 || k + 1 == many || gains[k] < 2.0 {
        return None;
    }
    // A finer parabola at the top: the curvature of the log likelihood is the inverse variance.
    let h = (0.5 * shape.width / (2.0 * gains[k]).sqrt()).clamp(0.02 * shape.width, fine);
    let mut middle = top;
    let mut error = f64::INFINITY;
    for _ in 0..2 {
        let [a, b, c] = [-h, 0.0, h].map(|d| gain(s, bases, shape, middle + d).0);
        let bend = (2.0 * b - a - c) / (h * h);
        if bend <= 0.0 {
            return None;
        }
        middle += (0.5 * (c - a) / h / bend).clamp(-fine, fine);
        error = 1.0 / bend.sqrt();
    }
    let (_, height, information) = gain(s, bases, shape, middle);
    ((middle - place).abs() < 1.2 * reach && error < shape.width).then_some(Centre {
        index,
        f: middle,
        error,
        common: [0.0; 3],
        height,
        height_error: 1.0 / information.sqrt(),
    })
}
