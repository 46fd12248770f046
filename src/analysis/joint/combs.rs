//! Lines of one moment at equal distances, as a nuclear spin makes them.
//!
//! Each line of such a comb is also a place where the others might be, so a single line of it hardly stands out in its
//! window. The whole comb does. How many lines it has and how far apart they are is read from each spectrum without regard
//! to the field, so that asking for such a comb instead of a line keeps what [`evidence`](super::evidence) promises.

use super::centres::{Centre, Shape, all_gains};
use super::clean::Bases;
use super::remembered::Remembered;
use super::spectra::{Ready, dot};
use super::tables::{PLACES_PER_WIDTH, Place, Tables, shape as line};

/// Equal lines at equal distances about a middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pattern {
    pub lines: usize,
    /// Distance of neighbours, Hz; nothing for one line.
    pub spacing: f64,
}

impl Pattern {
    pub const ONE: Pattern = Pattern { lines: 1, spacing: 0.0 };

    /// Where the lines lie from their middle, in distances.
    pub fn ranks(self) -> impl Iterator<Item = f64> {
        (0..self.lines).map(move |j| j as f64 - 0.5 * (self.lines - 1) as f64)
    }
}

/// Most lines of a comb, and the least distance in places.
const MOST: usize = 8;
const NEAREST: usize = 5;
/// What a comb has to explain more than one line does: a factor, and half chi-square for each spectrum.
const MORE: (f64, f64) = (1.25, 3.0);
/// No spectrum counts for more than this: one alone may be spoilt.
const TOP: f64 = 300.0;
/// Spectra that are looked at, and patterns that are asked.
const LOOKED_AT: usize = 8;
const ASKED: usize = 2;
/// By how much a comb has to explain more than its best line alone: a factor, and a gain in half chi-square.
const EXPLAINS: (f64, f64) = (1.3, 15.0);

/// The likeliest patterns, with the number of the width that the lines have.
pub(super) fn patterns(
    spectra: &[Ready],
    bases: &Bases,
    all: &[&Tables],
    remembered: &mut Remembered,
) -> Vec<(usize, Pattern)> {
    let every = spectra.len().div_ceil(LOOKED_AT).max(1);
    let mut found: Vec<(f64, usize, Pattern)> = Vec::new();
    let mut one = 0.0f64;
    for (number, tables) in all.iter().enumerate() {
        let looked = || tables.all.iter().step_by(every);
        let longest = looked().map(|t| t.places.len()).max().unwrap_or(0);
        let known = Known::new(spectra, bases, tables.width);
        let of = spectra.first().map_or(0, |s| s.number);
        let mut sums = vec![0.0; asked(longest).count() + 1];
        for table in looked() {
            let (asking, key) = (remembered.asking, (of, table.number, longest));
            let each = remembered.combs.known(asking, &key).unwrap_or_else(|| {
                remembered.combs.keep(asking, key, strongest(&table.places, &known, longest))
            });
            sums.iter_mut().zip(each.iter()).for_each(|(sum, v)| *sum += v.min(TOP));
        }
        one = one.max(sums[0]);
        for lines in 2..=MOST {
            let of_lines = asked(longest).zip(&sums[1..]).filter(|((of, _), _)| *of == lines);
            let best = of_lines.max_by(|a, b| a.1.total_cmp(b.1));
            let Some(((_, spacing), sum)) = best else { continue };
            let spacing = tables.width / PLACES_PER_WIDTH * spacing as f64;
            found.push((*sum, number, Pattern { lines, spacing }));
        }
    }
    let least = MORE.0 * one + MORE.1 * spectra.len().div_ceil(every) as f64;
    found.retain(|(sum, _, _)| *sum > least);
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.truncate(ASKED);
    found.into_iter().map(|(_, number, pattern)| (number, pattern)).collect()
}

/// Number of lines and distance in places of all combs that are tried, distance by distance.
fn asked(longest: usize) -> impl Iterator<Item = (usize, usize)> {
    (NEAREST..=longest.max(NEAREST)).flat_map(move |spacing| {
        (2..=MOST)
            .filter(move |lines| spacing <= (longest / (lines - 1)).max(NEAREST))
            .map(move |lines| (lines, spacing))
    })
}

/// What two lines of one window have in common, by their distance in places, in units of the information about one.
struct Known {
    /// Symmetric with symmetric, dispersive with dispersive part: the two have nothing in common with each other.
    lags: Vec<[f64; 2]>,
}

impl Known {
    fn new(spectra: &[Ready], bases: &Bases, width: f64) -> Self {
        let Some(s) = spectra.first() else { return Known { lags: Vec::new() } };
        let from = s.f[0] + width;
        let parts = |centre: f64| {
            let both: Vec<[f64; 2]> = s.f.iter().map(|f| line(*f, centre, width)).collect();
            [0, 1].map(|i| both.iter().map(|p| p[i]).collect::<Vec<f64>>())
        };
        // About the middle of the window, where the background takes as much as anywhere.
        let middle = s.f[0] + 0.5 * s.span();
        let mut cleaned = parts(middle);
        cleaned.iter_mut().for_each(|part| bases.clean(s.basis, part));
        let own = dot(&cleaned[0], &parts(middle)[0]).max(1e-9);
        let many = (0.9 * (s.span() - 2.0 * width) / width * PLACES_PER_WIDTH).max(1.0) as usize;
        let lag = |k: usize| {
            let off = width / PLACES_PER_WIDTH * k as f64;
            // To the side where there is room.
            let [up, down] = [middle + off, middle - off].map(parts);
            let beside = if middle - off > from { &down } else { &up };
            [dot(&cleaned[0], &beside[0]), dot(&cleaned[1], &beside[1])].map(|v| v / own)
        };
        Known { lags: (0..many.min(MOST * 40)).map(lag).collect() }
    }

    /// Information about a comb of which so many lines lie in the window, for each number of them up to all.
    fn comb(&self, lines: usize, spacing: usize) -> Vec<[f64; 2]> {
        let lag = |k: usize| self.lags.get(k * spacing).copied().unwrap_or([0.0; 2]);
        let of = |seen: usize| {
            let mut sum = lag(0).map(|v| v * seen as f64);
            for k in 1..seen {
                let both = lag(k);
                (0..2).for_each(|i| sum[i] += 2.0 * (seen - k) as f64 * both[i]);
            }
            sum
        };
        (1..=lines).map(of).collect()
    }
}

/// The most that one line anywhere in a window explains, half chi-square, and then what each comb does of which at least half
/// of the lines lie inside.
fn strongest(places: &[Place], known: &Known, longest: usize) -> Vec<f64> {
    let mut most = vec![0.0; asked(longest).count() + 1];
    let Some(usual) = places.get(places.len() / 2).map(|p| p.g[0]) else { return most };
    let n = [0, 1].map(|part| places.iter().map(|p| p.n[part]).collect::<Vec<f64>>());
    most[0] = highest(&n[0], &n[1], known.comb(1, 0)[0], usual);
    let (count, mut sums, mut before, mut done) = (places.len() as i64, [vec![], vec![]], 0, (0, 0));
    for ((lines, spacing), most) in asked(longest).zip(&mut most[1..]) {
        if done.1 != spacing {
            // Sums over more and more lines, by the place of the first of them, which may lie before the window.
            before = MOST / 2 * spacing;
            sums = [0, 1].map(|_| vec![0.0; before + places.len()]);
            done = (0, spacing);
        }
        for rank in done.0..lines {
            let off = rank * spacing;
            for (sum, n) in sums.iter_mut().zip(&n) {
                let (sum, n) = (
                    sum.iter_mut().skip(before.saturating_sub(off)),
                    n.iter().skip(off.saturating_sub(before)),
                );
                sum.zip(n).for_each(|(s, v)| *s += v);
            }
        }
        done.0 = lines;
        let comb = known.comb(lines, spacing);
        let (half, spacing) = ((lines / 2) as i64, spacing as i64);
        let (from, to) = (-half * spacing, count - (half - 1 + lines as i64 % 2) * spacing);
        let inside =
            |first: i64| (0..lines as i64).filter(|j| (0..count).contains(&(first + j * spacing))).count();
        // Between these places of the first line as many lines lie inside.
        let ends = (0..lines as i64).flat_map(|j| [-j * spacing, count - j * spacing]);
        let mut ends: Vec<i64> = ends.chain([from, to]).filter(|e| (from..=to).contains(e)).collect();
        ends.sort_unstable();
        for part in ends.windows(2).filter(|part| part[0] < part[1]) {
            let seen = inside(part[0]);
            if 2 * seen >= lines && seen > 0 {
                let at = (part[0] + before as i64) as usize..(part[1] + before as i64) as usize;
                *most = f64::max(*most, highest(&sums[0][at.clone()], &sums[1][at], comb[seen - 1], usual));
            }
        }
    }
    most
}

/// The most that lines with these scores explain.
fn highest(n0: &[f64], n1: &[f64], information: [f64; 2], usual: f64) -> f64 {
    let [a, d] = information.map(|v| f64::max(v * usual, 1e-9));
    n0.iter().zip(n1).map(|(x, y)| 0.5 * (x * x / a + y * y / d)).fold(0.0, |m, v| if v > m { v } else { m })
}

/// The number of lines that explains most about given middles, with how far its middle lies from the given one; nothing
/// where one line alone does as well.
pub(super) fn count(spectra: &[Ready], bases: &Bases, shape: Shape, seen: &[Centre]) -> Option<(Shape, f64)> {
    let every = seen.len().div_ceil(LOOKED_AT).max(1);
    let Pattern { lines, spacing } = shape.pattern;
    let (first, many) = (-(lines as i64) / 2 - 2, lines as i64 + 2);
    let with = |lines: usize| Shape { pattern: Pattern { lines, spacing }, ..shape };
    let single = (first..first + many + 4)
        .map(|i| (with(1), spacing * (i as f64 + if lines % 2 == 0 { 0.5 } else { 0.0 })));
    let combs = (2.max(lines.saturating_sub(2))..=(lines + 2).min(MOST)).flat_map(|count| {
        // Lines stay on the lines that were found.
        let half = if (count + lines) % 2 == 1 { 0.5 } else { 0.0 };
        (-2..=2i64).map(move |shift| (with(count), spacing * (shift as f64 + half)))
    });
    let asked: Vec<(Shape, f64)> = single.chain(combs).collect();
    let mut totals = vec![0.0; asked.len()];
    for c in seen.iter().step_by(every) {
        let lines: Vec<(Shape, f64)> = asked.iter().map(|(shape, off)| (*shape, c.f + off)).collect();
        let each = all_gains(&spectra[c.index], bases, &lines);
        totals.iter_mut().zip(each).for_each(|(sum, gain)| *sum += gain.half_chi_square);
    }
    let (mut single, mut best) = (0.0f64, (0.0, shape, 0.0));
    for ((shape, off), total) in asked.into_iter().zip(totals) {
        if shape.pattern.lines == 1 {
            single = single.max(total);
        } else if total > best.0 {
            best = (total, shape, off);
        }
    }
    (best.0 > EXPLAINS.0 * single + EXPLAINS.1).then_some((best.1, best.2))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comb_adds_up_and_a_wrong_distance_does_not() {
        let mut places = vec![Place { n: [0.0; 2], g: [1.0, 0.0, 1.0] }; 120];
        (0..4).for_each(|j| places[30 + 9 * j].n[0] = 6.0);
        let apart = Known { lags: vec![[1.0; 2]] };
        let each = strongest(&places, &apart, places.len());
        let of = |lines: usize, spacing: usize| {
            each[1 + asked(places.len()).position(|comb| comb == (lines, spacing)).unwrap()]
        };
        // Four lines of height six with nothing in common: half of 4 × 6².
        assert!((of(4, 9) - 72.0).abs() < 1e-9);
        assert!(of(4, 8) < 40.0);
        assert_eq!(Pattern { lines: 4, spacing: 1.0 }.ranks().collect::<Vec<_>>(), [-1.5, -0.5, 0.5, 1.5]);
    }
}
