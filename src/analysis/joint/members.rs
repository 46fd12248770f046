//! How many lines share the moment, once a law is known.
//!
//! In the frame of the law all spectra lie on top of each other: a line of the same moment stands at one distance from the
//! one that was found, and everything else is at another place in each spectrum. So combs are asked of all spectra at once,
//! one of their lines where the sum of all shows most.

use super::centres::{Centre, Shape, explained};
use super::clean::Bases;
use super::combs::{MOST, Pattern};
use super::ends::{SURE, UNSEEN, ends};
use super::spectra::{Ready, dot};

/// Places in a width, and the least distance of two lines, in widths.
const PLACES: f64 = 5.0;
const NEAREST: f64 = 0.8;
/// Spectra that are looked at.
const LOOKED_AT: usize = 8;
/// Widths that are tried, as parts of the one that was found, and the farthest that neighbours may be apart then, in these
/// widths: a line that was found twice as wide lies over two that are close.
const WIDTHS: [(f64, f64); 2] = [(1.0, f64::INFINITY), (0.5, 4.0)];
/// Log probability of each further line beforehand.
const FURTHER: f64 = -2.0;
/// By how much a comb has to explain more than its best line alone: a factor, and a gain in half chi-square.
const EXPLAINS: (f64, f64) = (1.1, 15.0);
/// Part of what is explained by which combs may differ because shapes are never quite those of the model.
const SHAPES: f64 = 0.005;
/// Part of the spectra that must have a line in their window if it is to be asked for.
const HELD: f64 = 0.3;

/// A comb that shares the moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Members {
    pub pattern: Pattern,
    /// Full width of its lines, Hz.
    pub width: f64,
    /// How far its middle lies from the given centres, Hz.
    pub off: f64,
    /// Standard error of that as long as it is not settled which lines there are, Hz.
    pub error: f64,
    /// Another number of lines that is not excluded.
    pub other: Option<usize>,
}

impl Members {
    /// The shape of these lines.
    pub fn of(self, shape: Shape) -> Shape {
        Shape {
            width: self.width,
            pattern: self.pattern,
            middle_error: self.error,
            other_lines: self.other,
            ..shape
        }
    }
}

/// One place in the frame of the law, in all spectra: how much of a line there is in each, and whether its window holds it.
#[derive(Debug, Clone, Copy, Default)]
struct Held {
    n: [f64; LOOKED_AT],
    held: [f64; LOOKED_AT],
}

/// All spectra in the frame of the law.
struct Frame {
    places: Vec<Held>,
    /// How many spectra there are, and which of the tables of what lines have in common is that of each.
    count: usize,
    of: [usize; LOOKED_AT],
    /// What two lines have in common, by their distance in places, for each grid of frequencies.
    lags: Vec<Vec<f64>>,
    /// Places to each side of the centre, and their distance, Hz.
    half: usize,
    step: f64,
}

impl Frame {
    fn new(spectra: &[Ready], bases: &Bases, shape: Shape, seen: &[Centre]) -> Self {
        assert!(seen.len() <= LOOKED_AT, "so many are looked at side by side");
        let step = shape.width / PLACES;
        let reach = |c: &Centre| {
            let s = &spectra[c.index];
            (c.f - s.f[0]).max(s.f[s.f.len() - 1] - c.f)
        };
        let half = (seen.iter().map(reach).fold(0.0, f64::max) / step) as usize;
        let places = vec![Held::default(); 2 * half + 1];
        let (count, of) = (seen.len(), [0; LOOKED_AT]);
        let mut frame = Frame { places, count, of, lags: Vec::new(), half, step };
        let mut grids = Vec::new();
        for (k, c) in seen.iter().enumerate() {
            let s = &spectra[c.index];
            for (place, held) in frame.places.iter_mut().enumerate() {
                let at = c.f + step * (place as f64 - half as f64);
                if s.f[0] < at && at < s.f[s.f.len() - 1] {
                    // The background was taken out of the spectrum, which is as good as taking it out of the line.
                    held.n[k] = s.f.iter().zip(&s.y).map(|(f, y)| shape.at(*f, at) * y).sum();
                    held.held[k] = 1.0;
                }
            }
            frame.of[k] = grids.iter().position(|basis| *basis == s.basis).unwrap_or_else(|| {
                frame.lags.push(lags(s, bases, shape, (2 * half + 1, step)));
                grids.push(s.basis);
                grids.len() - 1
            });
        }
        frame
    }

    /// For each grid and each number of equal lines so many places apart: what they have of one line in all.
    fn own(&self, lines: usize, spacing: f64) -> Vec<[f64; MOST + 1]> {
        let of = |lags: &Vec<f64>| {
            let mut lag = [0.0; MOST];
            (0..lines)
                .for_each(|k| lag[k] = lags[((k as f64 * spacing).round() as usize).min(lags.len() - 1)]);
            std::array::from_fn(|seen| {
                let beyond = (1..seen.min(lines)).map(|k| 2.0 * (seen - k) as f64 * lag[k]).sum::<f64>();
                seen as f64 * lag[0] + beyond
            })
        };
        self.lags.iter().map(of).collect()
    }

    /// What equal lines at these places explain, half chi-square, those negative that would have to go down: nearly, since
    /// two lines at the end of a window have less in common than in its middle.
    fn explains(&self, places: &[usize], own: &[[f64; MOST + 1]]) -> f64 {
        let mut sum = Held::default();
        for place in places {
            let held = &self.places[*place];
            (0..LOOKED_AT).for_each(|k| sum.n[k] += held.n[k]);
            (0..LOOKED_AT).for_each(|k| sum.held[k] += held.held[k]);
        }
        let of = |k: usize| {
            let own = own[self.of[k]][sum.held[k] as usize];
            if own > 1e-9 { 0.5 * sum.n[k] * sum.n[k].abs() / own } else { 0.0 }
        };
        (0..self.count).map(of).sum()
    }

    /// Whether enough windows hold a place.
    fn holds(&self, place: usize) -> bool {
        self.places[place].held.iter().sum::<f64>() > HELD * self.count as f64
    }
}

/// What two lines have in common, by their distance in places, about the middle of a window.
fn lags(s: &Ready, bases: &Bases, shape: Shape, (count, step): (usize, f64)) -> Vec<f64> {
    let middle = s.f[0] + 0.5 * s.span();
    let line = |centre: f64| s.f.iter().map(|f| shape.at(*f, centre)).collect::<Vec<f64>>();
    let mut cleaned = line(middle);
    bases.clean(s.basis, &mut cleaned);
    let lag = |k: usize| {
        let off = step * k as f64;
        // Farther off, the other line would lie outside of the window.
        if off < 0.45 * s.span() { dot(&cleaned, &line(middle + off)) } else { 0.0 }
    };
    (0..count).map(lag).collect()
}

/// The best comb with so many lines, the one of this rank at the given place.
#[derive(Clone, Copy)]
struct Best {
    explains: f64,
    /// Log of how likely it is.
    likely: f64,
    pattern: Pattern,
    off: f64,
    width: f64,
}

/// The comb about given centres; nothing where one line alone does as well.
pub(super) fn members(spectra: &[Ready], bases: &Bases, shape: Shape, seen: &[Centre]) -> Option<Members> {
    let every = seen.len().div_ceil(LOOKED_AT).max(1);
    let seen: Vec<Centre> = seen.iter().step_by(every).copied().collect();
    let (mut all, mut single) = (Vec::new(), 0.0f64);
    for (part, farthest) in WIDTHS {
        let shape = Shape { width: part * shape.width, pattern: Pattern::ONE, ..shape };
        let frame = Frame::new(spectra, bases, shape, &seen);
        let (alone, mut combs) = at_one_width(&frame, farthest)?;
        let pattern = |one: &Best| (Shape { pattern: one.pattern, ..shape }, one.off);
        let asked: Vec<_> = combs.iter().map(pattern).chain([(shape, alone)]).collect();
        let mut explains = explained(spectra, bases, seen.iter().map(|c| (c.index, c.f)), &asked);
        single = single.max(explains.pop()?);
        for (one, explains) in combs.iter_mut().zip(explains) {
            one.likely += explains - one.explains;
            (one.explains, one.width) = (explains, shape.width);
        }
        all.append(&mut combs);
    }
    let top = *all.iter().max_by(|a, b| a.likely.total_cmp(&b.likely))?;
    (top.explains > EXPLAINS.0 * single + EXPLAINS.1)
        .then(|| ends(spectra, bases, shape, &seen, settled(&all, top)))
}

/// The best comb, and how far it is settled that it is this one.
fn settled(all: &[Best], top: Best) -> Members {
    let unit = 1.0 + SHAPES * top.explains;
    let weights: Vec<f64> = all.iter().map(|one| ((one.likely - top.likely) / unit).exp()).collect();
    let total: f64 = weights.iter().sum();
    // Lines at the same distance are the same comb: where that ends is asked later.
    let far = |one: &Best| (one.pattern.spacing / top.pattern.spacing - 1.0).abs() > 0.1;
    let spread = all.iter().zip(&weights).filter(|(one, _)| far(one));
    let variance = spread.map(|(one, w)| w * (one.off - top.off).powi(2)).sum::<f64>() / total;
    let of = |lines: usize| {
        let others = all.iter().zip(&weights).filter(|(one, _)| far(one) && one.pattern.lines == lines);
        others.map(|(_, w)| w).sum::<f64>() / total
    };
    let other = (2..=MOST).max_by(|a, b| of(*a).total_cmp(&of(*b))).filter(|lines| of(*lines) > 1.0 - SURE);
    Members { pattern: top.pattern, width: top.width, off: top.off, error: variance.sqrt(), other }
}

/// Where one line explains most, and the best comb of each kind that has a line there.
fn at_one_width(frame: &Frame, farthest: f64) -> Option<(f64, Vec<Best>)> {
    let count = 2 * frame.half + 1;
    let held: Vec<bool> = (0..count).map(|k| frame.holds(k)).collect();
    let one = frame.own(1, 0.0);
    let singles = (0..count).filter(|k| held[*k]).map(|k| (k, frame.explains(&[k], &one)));
    let (anchor, _) = singles.max_by(|a, b| a.1.total_cmp(&b.1))?;
    let kinds = (2..=MOST).flat_map(|lines| (0..lines).map(move |rank| (lines, rank)));
    let combs = kinds.filter_map(|kind| best(frame, &held, (anchor, farthest), kind)).collect();
    Some((frame.step * (anchor as f64 - frame.half as f64), combs))
}

/// Over all distances of the lines, and a place either way.
fn best(
    frame: &Frame,
    held: &[bool],
    (anchor, farthest): (usize, f64),
    (lines, rank): (usize, usize),
) -> Option<Best> {
    // Distances in parts of a place, so that the far end of the comb moves by one.
    let fine = lines - 1;
    let nearest = (NEAREST * PLACES * fine as f64).ceil() as usize;
    let mut top: Option<Best> = None;
    let mut places = [0; MOST];
    let most = (farthest * PLACES * fine as f64).min(2.0 * frame.half as f64) as usize;
    for apart in nearest..=most {
        let spacing = apart as f64 / fine as f64;
        let own = frame.own(lines, spacing);
        for shift in [-1.0, 0.0, 1.0] {
            let place = |j: usize| anchor as f64 + shift + spacing * (j as f64 - rank as f64);
            let (first, last) = (place(0), place(lines - 1));
            if first < 0.0 || last > (held.len() - 1) as f64 {
                continue;
            }
            (0..lines).for_each(|j| places[j] = place(j).round() as usize);
            let seen = places[..lines].iter().filter(|k| held[**k]).count();
            // Of a comb that the windows cut off half has to be seen, and of two lines both.
            if 2 * seen < lines || seen < 2 {
                continue;
            }
            let explains = frame.explains(&places[..lines], &own);
            let likely = explains + FURTHER * lines as f64 + UNSEEN * (lines - seen) as f64;
            if top.is_none_or(|best| likely > best.likely) {
                let pattern = Pattern { lines, spacing: spacing * frame.step };
                let off = (0.5 * (first + last) - frame.half as f64) * frame.step;
                top = Some(Best { explains, likely, pattern, off, width: 0.0 });
            }
        }
    }
    top
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::joint::remembered::Remembered;
    use crate::analysis::joint::spectra::{SpectrumAt, ready};

    fn found(lines: usize, spacing: f64, rank: usize, half_hz: f64) -> Option<Members> {
        through_a_line(lines, spacing, rank, half_hz, 0.0)
    }

    /// Lines of one width in windows that are put off each time, with a little noise; the law finds the one of this rank. An
    /// RF line of 4.7 ns takes such a part of the height, here more and there less.
    fn through_a_line(lines: usize, spacing: f64, rank: usize, half_hz: f64, ripple: f64) -> Option<Members> {
        let (width, mut state) = (16e6, 7u64);
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / 16_777_216.0 - 0.5
        };
        let at = |k: usize, rank: f64| 14e9 + 1e9 * k as f64 + spacing * (rank - 0.5 * (lines - 1) as f64);
        let f: Vec<Vec<f64>> = (0..9)
            .map(|k| {
                let middle = at(k, 0.5 * (lines - 1) as f64) + 0.3 * half_hz * (k as f64 / 4.0 - 1.0);
                (0..151).map(|i| middle + half_hz * (f64::from(i) / 75.0 - 1.0)).collect()
            })
            .collect();
        let y: Vec<Vec<f64>> = f
            .iter()
            .enumerate()
            .map(|(k, f)| {
                let line = |f: f64, j: usize| 1.0 / (1.0 + (2.0 * (f - at(k, j as f64)) / width).powi(2));
                let height = |f: f64| 3.0 * (1.0 + ripple * (std::f64::consts::TAU * f * 4.7e-9).sin());
                f.iter()
                    .map(|f| height(*f) * (0..lines).map(|j| line(*f, j)).sum::<f64>() + noise())
                    .collect()
            })
            .collect();
        let spectra: Vec<SpectrumAt<'_>> = (0..9)
            .map(|k| SpectrumAt {
                field_t: 0.5,
                start_s: 0.0,
                upward: true,
                tip: 0,
                setpoint_a: None,
                f_hz: &f[k],
                y: &y[k],
            })
            .collect();
        let (ready, bases) = ready(&spectra.iter().collect::<Vec<_>>(), &mut Remembered::default());
        let shape = Shape {
            width,
            asymmetry: 0.0,
            sign: 1.0,
            pattern: Pattern::ONE,
            spacing_error: 0.0,
            middle_error: 0.0,
            other_lines: None,
        };
        let seen: Vec<Centre> = (0..9)
            .map(|index| Centre {
                index,
                f: at(index, rank as f64),
                error: 1e6,
                common: [0.0; 3],
                height: 10.0,
                height_error: 1.0,
            })
            .collect();
        members(&ready, &bases, shape, &seen)
    }

    #[test]
    fn the_others_are_found_from_any_line_of_a_comb() {
        for (lines, spacing) in [(2, 30e6), (3, 45e6), (4, 25e6), (6, 40e6), (8, 30e6)] {
            for rank in [0, lines / 2, lines - 1] {
                let of = format!("{lines} lines, {spacing} Hz apart, from number {rank}");
                let said = found(lines, spacing, rank, 200e6).expect(&of);
                assert_eq!(said.pattern.lines, lines, "{of}");
                assert!((said.pattern.spacing - spacing).abs() < 2e6, "{of}: {said:?}");
                let middle = spacing * (0.5 * (lines - 1) as f64 - rank as f64);
                assert!((said.off - middle).abs() < 4e6, "{of}: {said:?}");
                assert!(said.error < 1e6, "{of}: {said:?}");
            }
        }
    }

    #[test]
    fn dips_of_the_rf_line_take_no_line_away() {
        for (lines, spacing, rank) in [(8, 45e6, 0), (8, 45e6, 6), (6, 40e6, 5), (2, 45e6, 1)] {
            let of = format!("{lines} lines, {spacing} Hz apart, from number {rank}");
            let said = through_a_line(lines, spacing, rank, 250e6, 0.6).expect(&of);
            assert_eq!((said.pattern.lines, said.other), (lines, None), "{of}: {said:?}");
            let middle = spacing * (0.5 * (lines - 1) as f64 - rank as f64);
            assert!((said.off - middle).abs() < 4e6 && said.error < 1e6, "{of}: {said:?}");
        }
    }

    #[test]
    fn a_line_alone_has_no_members() {
        assert_eq!(found(1, 0.0, 0, 150e6), None);
    }

    #[test]
    fn what_the_windows_cut_off_is_in_the_error() {
        // Eight lines over 315 MHz in windows of 260 MHz: which are missing can't be known.
        let said = found(8, 45e6, 4, 130e6).expect("a comb");
        assert!(said.error > 5e6 || said.pattern.lines == 8, "{said:?}");
    }
}
