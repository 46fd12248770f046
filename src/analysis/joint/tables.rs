//! For each place of each spectrum: how much a line there would explain.

use super::clean::Bases;
use super::combs::Pattern;
use super::evidence::{line_log_e, over_mean};
use super::remembered::Remembered;
use super::spectra::Ready;
use crate::analysis::order::middle;
use std::rc::Rc;

/// Prior spread of the two amplitudes of a line, in units of the noise of a point.
const TAU: f64 = 5.0;
/// Log score of a place beyond which it counts no further.
const CAP: f64 = 10.0;
/// Largest log score of a place of a comb.
const COMB_CAP: f64 = 25.0;
/// Part of the spectra that may show nothing where the law has its line.
const FLOOR: f64 = 0.05;
/// Places for each width.
pub(super) const PLACES_PER_WIDTH: f64 = 4.0;
/// Part of the usual information below which a place tells nothing.
const TELLING: f64 = 0.7;
/// The same for combs, of which some lines may lie outside.
const COMB_TELLING: f64 = 0.45;
/// Scores beyond this many standard deviations count no further where a height is looked for: glitches are larger.
const HELD: f64 = 12.0;

/// Excess of noise that is looked into, and gain over it from which a line is taken out first.
const CLEAN: f64 = 1.15;
const STRONG: f64 = 10.0;
/// Most lines taken out.
const MOST_LINES: usize = 8;

/// Score and information of both parts of a line at one place.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Place {
    pub n: [f64; 2],
    pub g: [f64; 3],
}

impl Place {
    /// With noise of so many times the variance.
    fn over(&self, inflation: f64) -> Place {
        Place { n: self.n.map(|v| v / inflation), g: self.g.map(|v| v / inflation) }
    }

    /// The best two amplitudes.
    fn amplitudes(&self) -> [f64; 2] {
        let (a, b, d) = (self.g[0] + 1e-6, self.g[1], self.g[2] + 1e-6);
        let det = (a * d - b * b).max(1e-12);
        [(d * self.n[0] - b * self.n[1]) / det, (a * self.n[1] - b * self.n[0]) / det]
    }
}

/// Both parts of a line: symmetric and dispersive.
pub(super) fn shape(f: f64, centre: f64, width: f64) -> [f64; 2] {
    let d = 2.0 * (f - centre) / width;
    let s = 1.0 / (1.0 + d * d);
    [s, d * s]
}

/// What one piece of a spectrum says about its places, `step` apart; it depends on nothing else.
#[derive(Debug)]
pub(super) struct Scores {
    /// What tells them from those of all other pieces, widths and patterns.
    pub number: u64,
    pub low: f64,
    pub step: f64,
    pub places: Vec<Place>,
    /// Log evidence of a line there against none.
    pub score: Vec<f64>,
    /// Log e-value of a line there against any place of the window, this spectrum alone.
    pub log_e: Vec<f64>,
    /// Places that tell too little.
    closed: Vec<bool>,
}

impl Scores {
    pub fn index(&self, f: f64) -> Option<usize> {
        let k = ((f - self.low) / self.step).round();
        (k >= 0.0 && (k as usize) < self.places.len()).then_some(k as usize)
    }
    pub fn place(&self, k: usize) -> f64 {
        self.low + self.step * k as f64
    }
}

/// The same with what other spectra explain.
#[derive(Debug, Clone)]
pub(super) struct Table {
    scores: Rc<Scores>,
    /// Places that something else explains.
    pub masked: Vec<bool>,
}

impl std::ops::Deref for Table {
    type Target = Scores;
    fn deref(&self) -> &Scores {
        &self.scores
    }
}

/// All tables of one width.
#[derive(Debug, Clone)]
pub(super) struct Tables {
    pub width: f64,
    pub pattern: Pattern,
    pub all: Vec<Table>,
}

/// Widths that are tried, Hz: what the grids resolve.
pub(super) fn widths(spectra: &[Ready]) -> Vec<f64> {
    let step = middle(spectra.iter().map(Ready::step).collect());
    let span = middle(spectra.iter().map(Ready::span).collect());
    let tried = [7e6, 12e6, 21e6, 36e6].into_iter().filter(|w| *w >= 2.2 * step && *w <= span / 6.0);
    let tried: Vec<f64> = tried.collect();
    if tried.is_empty() { vec![(2.5 * step).min(span / 4.0)] } else { tried }
}

/// Places that are summed up together: the sums of one wait for nothing of the others.
const TOGETHER: usize = 8;
/// Both parts of lines at so many places, a row for each point.
type Block = Vec<[[f64; 2]; TOGETHER]>;

/// Lines at all places of one grid, which spectra with the same basis share: both parts point by point, and information.
#[derive(Debug)]
pub(super) struct Templates {
    number: u64,
    /// Those of even and of odd number.
    shapes: [Vec<Block>; 2],
    information: Vec<[f64; 3]>,
}

impl Templates {
    /// Both parts of the line at one place.
    fn line(&self, place: usize) -> impl Iterator<Item = [f64; 2]> + '_ {
        let at = place / 2;
        self.shapes[place % 2][at / TOGETHER].iter().map(move |row| row[at % TOGETHER])
    }

    /// The first places, or every second one of them.
    fn places(&self, y: &[f64], count: usize, every: usize) -> Vec<Place> {
        let mut all = vec![Place::default(); count.min(self.information.len()).div_ceil(every)];
        for (odd, blocks) in self.shapes.iter().enumerate().take(3 - every) {
            for (b, block) in blocks.iter().enumerate() {
                let mut sums = [[0.0; 2]; TOGETHER];
                for (row, y) in block.iter().zip(y) {
                    for (sum, part) in sums.iter_mut().zip(row) {
                        sum[0] += part[0] * y;
                        sum[1] += part[1] * y;
                    }
                }
                for (k, n) in sums.into_iter().enumerate() {
                    let place = 2 * (TOGETHER * b + k) + odd;
                    if let Some(p) = all.get_mut(place / every) {
                        *p = Place { n, g: self.information[place] };
                    }
                }
            }
        }
        all
    }
}

/// How many times the variance at the width of a line is that of white noise, one at least: with all that is there, and
/// with strong lines taken out, since what they leave all over a window of which the background was taken is no noise.
fn inflation(s: &Ready, bases: &Bases, templates: &Templates, places: &[Place]) -> (f64, f64) {
    // The median of a chi-square of two is 2 ln 2.
    let of = |gains: &[f64]| 2.0 * middle(gains.to_vec()) / (2.0 * 2f64.ln());
    let mut gains: Vec<f64> = places.iter().map(line_log_e_plain).collect();
    let all = of(&gains);
    let (mut found, mut every, mut rest) = (all, 1, s.y.clone());
    let mut now = places.to_vec();
    for _ in 0..MOST_LINES {
        let strongest = (0..gains.len()).max_by(|a, b| gains[*a].total_cmp(&gains[*b]));
        let Some(k) = strongest.filter(|k| found > CLEAN && gains[*k] > STRONG * found) else { break };
        let [a, d] = now[k].amplitudes();
        let mut line: Vec<f64> = templates.line(k * every).map(|[p, q]| a * p + d * q).collect();
        bases.clean(s.basis, &mut line);
        rest.iter_mut().zip(&line).for_each(|(r, l)| *r -= l);
        // Half of the places tell as well what is left.
        every = 2;
        now = templates.places(&rest, places.len(), every);
        gains = now.iter().map(line_log_e_plain).collect();
        found = of(&gains);
    }
    (all.clamp(1.0, 25.0), found.clamp(1.0, 25.0))
}

pub(super) fn tables(
    spectra: &[Ready],
    bases: &Bases,
    width: f64,
    pattern: Pattern,
    remembered: &mut Remembered,
) -> Tables {
    let mut grids: Vec<(usize, Rc<Templates>)> = Vec::new();
    let mut table = |s: &Ready| {
        let shared = grids.iter().find(|(basis, _)| bases.even(*basis) && *basis == s.basis);
        let templates = shared.map(|(_, t)| Rc::clone(t)).unwrap_or_else(|| {
            let key = (s.number, width.to_bits(), pattern.lines, pattern.spacing.to_bits());
            let asking = remembered.asking;
            let of = remembered.templates.known(asking, &key).unwrap_or_else(|| {
                let new = templates(s, bases, (width, pattern), remembered.number());
                remembered.templates.keep(asking, key, new)
            });
            grids.push((s.basis, Rc::clone(&of)));
            of
        });
        let (asking, key) = (remembered.asking, (s.number, templates.number));
        let scores = remembered.tables.known(asking, &key).unwrap_or_else(|| {
            let number = remembered.number();
            remembered.tables.keep(asking, key, scores(s, bases, (width, pattern), (&templates, number)))
        });
        Table { masked: scores.closed.clone(), scores }
    };
    Tables { width, pattern, all: spectra.iter().map(&mut table).collect() }
}

/// First place of a grid, distance and number of places.
fn grid(s: &Ready, width: f64) -> (f64, f64, usize) {
    let step = width / PLACES_PER_WIDTH;
    (s.f[0] + 0.5 * width, step, ((s.span() - width) / step + 1e-6).floor().max(0.0) as usize + 1)
}

fn scores(
    s: &Ready,
    bases: &Bases,
    (width, pattern): (f64, Pattern),
    (templates, number): (&Templates, u64),
) -> Scores {
    let (low, step, count) = grid(s, width);
    let mut places = templates.places(&s.y, count, 1);
    let (all, noise) = inflation(s, bases, templates, &places);
    // Strong lines temper the scores of their window, so that not too many places beside them reach the largest one.
    let score: Vec<f64> = places.iter().map(|p| p.over(all)).map(|p| line_log_e(p.n, p.g, TAU)).collect();
    places.iter_mut().for_each(|p| *p = p.over(noise));
    // Towards the ends of a window the background takes most of a line; what is left there would only pose as evidence.
    let usual = middle(places.iter().map(|p| p.g[0]).collect());
    let telling = if pattern.lines > 1 { COMB_TELLING } else { TELLING };
    let closed = places.iter().map(|p| p.g[0] < telling * usual).collect();
    let log_e = e_values(&score, pattern);
    Scores { number, low, step, places, score, log_e, closed }
}

/// Log e-values of places from their scores. A comb that is put off by one distance still meets most of its lines: its scores
/// are made smaller all together, so that the best place stays the best.
fn e_values(score: &[f64], pattern: Pattern) -> Vec<f64> {
    if pattern.lines > 1 {
        let top = score.iter().copied().fold(COMB_CAP, f64::max);
        let score: Vec<f64> = score.iter().map(|s| s * COMB_CAP / top).collect();
        return over_mean(&score, COMB_CAP, (0.5 * PLACES_PER_WIDTH) as usize, FLOOR);
    }
    over_mean(score, CAP, (0.5 * PLACES_PER_WIDTH) as usize, FLOOR)
}

/// Half the gain in chi-square by the best two amplitudes.
fn line_log_e_plain(p: &Place) -> f64 {
    let [a, d] = p.amplitudes();
    0.5 * (a * p.n[0] + d * p.n[1])
}

fn templates(s: &Ready, bases: &Bases, (width, pattern): (f64, Pattern), number: u64) -> Templates {
    let (low, step, count) = grid(s, width);
    let mut information = vec![[0.0; 3]; count];
    let block = |first: usize, information: &mut [[f64; 3]]| {
        let place = |k: usize| low + step * (first + 2 * k) as f64;
        let line = |f: f64, centre: f64| {
            let add = |sum: [f64; 2], line: [f64; 2]| [sum[0] + line[0], sum[1] + line[1]];
            let lines = pattern.ranks().map(|rank| shape(f, centre + rank * pattern.spacing, width));
            lines.fold([0.0; 2], add)
        };
        let block: Block = s.f.iter().map(|f| std::array::from_fn(|k| line(*f, place(k)))).collect();
        let mut cleaned: Vec<[f64; 2 * TOGETHER]> =
            block.iter().map(|row| std::array::from_fn(|j| row[j / 2][j % 2])).collect();
        bases.clean_all(s.basis, &mut cleaned);
        let mut sums = [[0.0; 3]; TOGETHER];
        for row in &cleaned {
            for (k, sum) in sums.iter_mut().enumerate() {
                let (a, d) = (row[2 * k], row[2 * k + 1]);
                *sum = [sum[0] + a * a, sum[1] + a * d, sum[2] + d * d];
            }
        }
        information.iter_mut().skip(first).step_by(2).zip(sums).for_each(|(to, sum)| *to = sum);
        block
    };
    let shapes = [0, 1].map(|odd| {
        let firsts = (odd..count).step_by(2 * TOGETHER);
        firsts.map(|first| block(first, &mut information)).collect()
    });
    Templates { number, shapes, information }
}

/// All that was measured at one field: spectra that were taken under the same field are no independent witnesses of where a
/// line lies, so their scores are added before they become one e-value.
#[derive(Debug, Clone)]
pub(super) struct Group {
    pub low: f64,
    pub step: f64,
    pub field_t: f64,
    pub log_e: Vec<f64>,
    /// Scores of the two parts of a line, and their information.
    pub sums: [Vec<f64>; 4],
    /// One where a place was measured and is not masked, else zero.
    pub open: Vec<u16>,
}

impl Group {
    pub fn index(&self, f: f64) -> Option<usize> {
        let k = ((f - self.low) / self.step).round();
        (k >= 0.0 && (k as usize) < self.open.len()).then_some(k as usize).filter(|k| self.open[*k] > 0)
    }
}

/// One group for each field.
pub(super) fn groups(spectra: &[Ready], tables: &Tables, numbers: &[usize], fields: usize) -> Vec<Group> {
    (0..fields).map(|n| group(spectra, tables, numbers, n)).collect()
}

fn group(spectra: &[Ready], tables: &Tables, numbers: &[usize], number: usize) -> Group {
    let members: Vec<usize> = (0..spectra.len()).filter(|k| numbers[*k] == number).collect();
    let of = |k: &usize| &tables.all[*k];
    let step = tables.width / PLACES_PER_WIDTH;
    let low = members.iter().map(|k| of(k).low).fold(f64::INFINITY, f64::min);
    let start = |k: &usize| ((of(k).low - low) / step).round() as usize;
    let count = members.iter().map(|k| start(k) + of(k).places.len()).max().unwrap_or(0);
    let mut score = vec![0.0; count];
    let mut group = Group {
        low,
        step,
        field_t: spectra[members[0]].field_t.abs(),
        log_e: vec![0.0; count],
        sums: std::array::from_fn(|_| vec![0.0; count]),
        open: vec![0; count],
    };
    for k in &members {
        let (t, start) = (of(k), start(k));
        for i in (0..t.places.len()).filter(|i| !t.masked[*i]) {
            score[start + i] += t.score[i];
            let Place { n, g } = t.places[i];
            let held = |n: f64, g: f64| n.clamp(-HELD * g.sqrt(), HELD * g.sqrt());
            let add = [held(n[0], g[0]), held(n[1], g[2]), g[0], g[2]];
            group.sums.iter_mut().zip(add).for_each(|(sum, v)| sum[start + i] += v);
            group.open[start + i] = 1;
        }
    }
    let open: Vec<usize> = (0..count).filter(|i| group.open[*i] > 0).collect();
    if !open.is_empty() {
        let log_e = e_values(&open.iter().map(|i| score[*i]).collect::<Vec<_>>(), tables.pattern);
        open.iter().zip(log_e).for_each(|(i, e)| group.log_e[*i] = e);
    }
    group
}
