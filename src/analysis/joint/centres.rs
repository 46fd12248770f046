//! The centre of the line in each spectrum, close to where the law has it.

use super::answers::USUAL;
use super::clean::Bases;
use super::combs::Pattern;
use super::members::members;
use super::shape::refine;
use super::spectra::Ready;
use super::tables::{Tables, shape};
use crate::analysis::order::middle;

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
    /// The same of where their middle is, as long as it is not settled which lines there are.
    pub middle_error: f64,
    /// Another number of lines that is not excluded.
    pub other_lines: Option<usize>,
}

impl Shape {
    pub fn at(self, f: f64, centre: f64) -> f64 {
        let line = |centre: f64| {
            let p = shape(f, centre, self.width);
            p[0] + self.asymmetry * p[1]
        };
        if self.pattern.lines == 1 {
            return self.sign * line(centre);
        }
        self.sign * self.pattern.ranks().map(|rank| line(centre + rank * self.pattern.spacing)).sum::<f64>()
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

/// What a line at a place explains.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Gain {
    /// Half the gain in chi-square, negative where the line would have to go down.
    pub half_chi_square: f64,
    pub height: f64,
    /// About the height.
    pub information: f64,
}

/// Lines that are looked at together.
pub(super) const TOGETHER: usize = 8;

/// What each of some lines explains by itself.
pub(super) fn gains<const N: usize>(s: &Ready, bases: &Bases, lines: [(Shape, f64); N]) -> [Gain; N] {
    let mut rows: Vec<[f64; N]> = s.f.iter().map(|f| lines.map(|(shape, at)| shape.at(*f, at))).collect();
    bases.clean_all(s.basis, &mut rows);
    let (mut n, mut g) = ([0.0; N], [0.0; N]);
    for (row, y) in rows.iter().zip(&s.y) {
        for j in 0..N {
            n[j] += row[j] * y;
            g[j] += row[j] * row[j];
        }
    }
    std::array::from_fn(|j| {
        let (n, g) = (n[j], f64::max(g[j], 1e-9));
        Gain { half_chi_square: 0.5 * n * n.abs() / g, height: n / g, information: g }
    })
}

/// The same for any number of lines.
pub(super) fn all_gains(s: &Ready, bases: &Bases, lines: &[(Shape, f64)]) -> Vec<Gain> {
    let mut all = Vec::with_capacity(lines.len() + TOGETHER);
    for some in lines.chunks(TOGETHER) {
        all.extend(gains::<TOGETHER>(s, bases, std::array::from_fn(|j| some[j.min(some.len() - 1)])));
    }
    all.truncate(lines.len());
    all
}

/// What lines of some shapes, each so far from the places, explain in all these spectra, half chi-square.
pub(super) fn explained(
    spectra: &[Ready],
    bases: &Bases,
    places: impl Iterator<Item = (usize, f64)>,
    asked: &[(Shape, f64)],
) -> Vec<f64> {
    let mut totals = vec![0.0; asked.len()];
    for (k, place) in places {
        let lines: Vec<(Shape, f64)> = asked.iter().map(|(shape, off)| (*shape, place + off)).collect();
        let each = all_gains(&spectra[k], bases, &lines);
        totals.iter_mut().zip(each).for_each(|(sum, gain)| *sum += gain.half_chi_square);
    }
    totals
}

/// Fits the shape that the spectra share, then each centre; a line that is not seen by itself gives none.
pub(super) fn centres(
    spectra: &[Ready],
    bases: &Bases,
    places: &[(usize, f64)],
    (first, pattern): (f64, Pattern),
) -> (Shape, Vec<Centre>) {
    let mut at: Vec<(usize, f64)> = places.to_vec();
    let mut best = Shape {
        width: first,
        asymmetry: 0.0,
        sign: 1.0,
        pattern,
        spacing_error: 0.0,
        middle_error: 0.0,
        other_lines: None,
    };
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
    match members(spectra, bases, best, &found) {
        Some(comb) => {
            best = comb.of(best);
            found.iter_mut().for_each(|c| c.f += comb.off);
        }
        // A comb that explains no more than one of its lines is none.
        None if pattern.lines > 1 => return (best, Vec::new()),
        None => {}
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
    let (widths, asymmetries): (&[f64], &[f64]) = if turn == 0 {
        (&[0.7, 1.0, 1.4], &[-1.2, -0.6, -0.25, 0.0, 0.25, 0.6, 1.2])
    } else {
        (&[0.8, 0.9, 1.0, 1.1, 1.25], &[-0.2, -0.1, 0.0, 0.1, 0.2])
    };
    let centre = if turn == 0 { 0.0 } else { from.asymmetry };
    let of = |w: &f64| {
        let width = from.width * w;
        asymmetries.iter().map(move |q| Shape { width, asymmetry: centre + q, ..from })
    };
    let shapes: Vec<Shape> = widths.iter().flat_map(of).collect();
    let asked: Vec<(Shape, f64)> = shapes.iter().map(|shape| (*shape, 0.0)).collect();
    let totals = explained(spectra, bases, at.iter().step_by(every).copied(), &asked);
    let mut best = (f64::NEG_INFINITY, from);
    for (shape, total) in shapes.iter().zip(totals) {
        // What a line turned round explains is the same with the other sign.
        let signs = if turn == 0 { &[1.0, -1.0][..] } else { &[1.0][..] };
        for sign in signs {
            if sign * total > best.0 {
                best = (sign * total, Shape { sign: sign * from.sign, ..*shape });
            }
        }
    }
    best.1
}

/// Widths either way within which a line is looked for across another gap, and half chi-square that it has to explain there:
/// the best of so many places of noise does in one of a thousand.
const FAR: f64 = 5.0;
const CLEAR: f64 = 8.0;

/// Centres in the spectra that were taken across other gaps, where the field of the tip may be quite another one. Errors of the
/// shape do to them what they do to those that are known. `aligned` is how far full alignment takes the line beforehand, Hz: a
/// line that lies much farther off has to explain more.
pub(super) fn across_other_gaps(
    spectra: &[Ready],
    bases: &Bases,
    shape: Shape,
    (law, aligned): (impl Fn(f64) -> f64, f64),
    known: &[Centre],
) -> Vec<Centre> {
    if known.is_empty() {
        return Vec::new();
    }
    let mean = |k: usize| known.iter().map(|c| c.common[k]).sum::<f64>() / known.len() as f64;
    // The law may have been found by one line of a comb, and centres are those of its middle.
    let off = middle(known.iter().map(|c| c.f - law(spectra[c.index].field_t.abs())).collect());
    let common = [0, 1, 2].map(mean);
    let beside = spectra.iter().enumerate().filter(|(_, s)| s.beside());
    // A comb looks like itself one line further.
    let apart = if shape.pattern.lines > 1 { 0.45 * shape.pattern.spacing } else { f64::INFINITY };
    let reach = (FAR * shape.width).min(apart);
    let of = |(index, s): (usize, &Ready)| {
        let typical = (0.5 * shape.width).hypot(aligned * s.log_setpoint / USUAL);
        let within = Within { place: law(s.field_t.abs()) + off, reach, least: CLEAR, typical };
        let found = centre_within(s, index, bases, shape, &within)?;
        Some(Centre { common, ..found })
    };
    beside.filter_map(of).collect()
}

fn centre(s: &Ready, index: usize, bases: &Bases, shape: Shape, place: f64) -> Option<Centre> {
    let within = Within { place, reach: shape.width, least: 2.0, typical: f64::INFINITY };
    centre_within(s, index, bases, shape, &within)
}

/// Where a centre is looked for: so far from a place, Hz, if it explains so much, half chi-square; and how far off it lies
/// beforehand, standard deviation, Hz.
#[derive(Clone, Copy)]
struct Within {
    place: f64,
    reach: f64,
    least: f64,
    typical: f64,
}

fn centre_within(s: &Ready, index: usize, bases: &Bases, shape: Shape, within: &Within) -> Option<Centre> {
    let (fine, Within { place, reach, least, typical }) = (shape.width / 6.0, *within);
    let low = (place - reach).max(s.f[0]);
    let high = (place + reach).min(s.f[s.f.len() - 1]);
    let many = ((high - low) / fine).floor() as usize;
    let tried: Vec<(Shape, f64)> = (0..=many).map(|k| (shape, low + fine * k as f64)).collect();
    let each: Vec<f64> = all_gains(s, bases, &tried).iter().map(|g| g.half_chi_square).collect();
    let likely = |k: usize| each[k] - 0.5 * ((low + fine * k as f64 - place) / typical).powi(2);
    let k = (1..many).max_by(|a, b| likely(*a).total_cmp(&likely(*b)))?;
    let top = low + fine * k as f64;
    if k == 1 || k + 1 == many || each[k] < least {
        return None;
    }
    // A finer parabola at the top: the curvature of the log likelihood is the inverse variance.
    let h = (0.5 * shape.width / (2.0 * each[k]).sqrt()).clamp(0.02 * shape.width, fine);
    let mut middle = top;
    let mut error = f64::INFINITY;
    for _ in 0..2 {
        let lines = [-h, 0.0, h].map(|d| (shape, middle + d));
        let [a, b, c] = gains(s, bases, lines).map(|g| g.half_chi_square);
        let bend = (2.0 * b - a - c) / (h * h);
        if bend <= 0.0 {
            return None;
        }
        middle += (0.5 * (c - a) / h / bend).clamp(-fine, fine);
        error = 1.0 / bend.sqrt();
    }
    let [Gain { height, information, .. }] = gains(s, bases, [(shape, middle)]);
    ((middle - place).abs() < 1.2 * reach && error < shape.width).then_some(Centre {
        index,
        f: middle,
        error,
        common: [0.0; 3],
        height,
        height_error: 1.0 / information.sqrt(),
    })
}
