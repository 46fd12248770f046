//! Lines of one moment at equal distances, as a nuclear spin makes them.
//!
//! Each line of such a comb is also a place where the others might be, so a single line of it hardly stands out in its
//! window. The whole comb does. How many lines it has and how far apart they are is read from each spectrum without regard
//! to the field, so that asking for such a comb instead of a line keeps what [`evidence`](super::evidence) promises.

use super::clean::Bases;
use super::remembered::Remembered;
use super::spectra::{Ready, dot};
use super::tables::{PLACES_PER_WIDTH, Place, Table, Tables, shape as line};

/// Equal lines at equal distances about a middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pattern {
    pub lines: usize,
    /// Distance of neighbours, Hz; nothing for one line.
    pub spacing: f64,
}

impl Pattern {
    pub const ONE: Pattern = Pattern { lines: 1, spacing: 0.0 };

    /// How far a nucleus of as many states shifts the middle of its lines in second order at a frequency, Hz: they lie at
    /// `ν + A m + A² (I(I + 1) − m²) / 2ν` (textbook, high-field limit of an isotropic coupling). It falls with the field, so
    /// that along a straight law it goes into the tip field twice.
    pub fn second_order(self, frequency: f64) -> f64 {
        let spin = 0.5 * (self.lines - 1) as f64;
        self.spacing.powi(2) * (2.0 / 3.0) * spin * (spin + 1.0) / (2.0 * frequency)
    }

    /// Where the lines lie from their middle, in distances.
    pub fn ranks(self) -> impl Iterator<Item = f64> {
        (0..self.lines).map(move |j| j as f64 - 0.5 * (self.lines - 1) as f64)
    }
}

/// Most lines of a comb, and the least distance in places.
pub(super) const MOST: usize = 8;
const NEAREST: usize = 5;
/// What a comb has to explain more than one line does: a factor, and half chi-square for each spectrum.
const MORE: (f64, f64) = (1.15, 1.0);
/// No spectrum counts for more than this: one alone may be spoilt.
const TOP: f64 = 300.0;
/// Spectra that are looked at, and patterns that are asked.
const LOOKED_AT: usize = 8;
const ASKED: usize = 2;

/// The likeliest patterns, with the number of the width that the lines have.
pub(super) fn patterns(
    spectra: &[Ready],
    bases: &Bases,
    all: &[&Tables],
    remembered: &mut Remembered,
) -> Vec<(usize, Pattern)> {
    let mut found: Vec<(f64, usize, Pattern)> = Vec::new();
    let mut one = 0.0f64;
    for (number, tables) in all.iter().enumerate() {
        let looked = strong(&tables.all);
        let longest = looked.iter().map(|t| t.places.len()).max().unwrap_or(0);
        let known = Known::new(spectra, bases, tables.width);
        let of = spectra.first().map_or(0, |s| s.number);
        let mut sums = vec![0.0; asked(longest).count() + 1];
        for table in looked {
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
    let least = MORE.0 * one + MORE.1 * spectra.len().min(LOOKED_AT) as f64;
    found.retain(|(sum, _, _)| *sum > least);
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.truncate(ASKED);
    found.into_iter().map(|(_, number, pattern)| (number, pattern)).collect()
}

/// The spectra in which something stands out most, wherever it is.
fn strong(all: &[Table]) -> Vec<&Table> {
    let height = |t: &Table| t.score.iter().copied().fold(0.0, f64::max);
    let mut all: Vec<(f64, &Table)> = all.iter().map(|t| (height(t), t)).collect();
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    all.truncate(LOOKED_AT);
    all.into_iter().map(|(_, table)| table).collect()
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

/// The most that lines with these scores explain. Several places side by side, which the machine does at once.
fn highest(n0: &[f64], n1: &[f64], information: [f64; 2], usual: f64) -> f64 {
    const LANES: usize = 4;
    let [a, d] = information.map(|v| 0.5 / f64::max(v * usual, 1e-9));
    let more = |most: f64, x: f64, y: f64| {
        let explains = a * x * x + d * y * y;
        if explains > most { explains } else { most }
    };
    let (mut chunks0, mut chunks1) = (n0.chunks_exact(LANES), n1.chunks_exact(LANES));
    let mut most = [0.0; LANES];
    for (x, y) in chunks0.by_ref().zip(chunks1.by_ref()) {
        (0..LANES).for_each(|k| most[k] = more(most[k], x[k], y[k]));
    }
    let rest = chunks0.remainder().iter().zip(chunks1.remainder());
    rest.fold(most.into_iter().fold(0.0, f64::max), |most, (x, y)| more(most, *x, *y))
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
