//! All laws of the prior at once.

use super::spectra::{Prior, Ready};
use super::tables::{Group, PLACES_PER_WIDTH};
use crate::analysis::realness::MU_B_PER_H_HZ_PER_T;
use std::ops::Range;

/// Slopes differ by so many places at the ends of the fields.
const CLOSE: f64 = 1.4;
/// Asymmetries with which a line of the height asked for is looked for.
const ASYMMETRIES: [f64; 3] = [-0.6, 0.0, 0.6];
/// Log e-value of a single law from which it is worth another look.
const SUSPECTED: f64 = 1.5;
/// The same for its log likelihood: the best of ten thousand places of noise has less.
const STRONG: f64 = 12.0;
/// Different fields that a proof needs.
pub(super) const FEWEST_FIELDS: usize = 4;
/// Log likelihood below which a line of the height asked for is excluded.
const EXCLUDED: f64 = -6.0;
/// Log likelihood that a line of the height asked for would have on average. Without a line it is as far below zero, give or
/// take the root of twice that, so that of noise alone one law in ten thousand is not excluded; a line of the height is
/// excluded by a deviation of five times that.
const STANDS_OUT: f64 = 40.0;
/// Laws with so much less log evidence than the best are left out of the sum: what all of them might add is less than a
/// thousandth, and without it there is less evidence, not more.
const LOST: f64 = -23.0;
/// Laws that are looked at together.
const TOGETHER: usize = 8;
/// Fields closer than this are one, T.
pub(super) const SAME_FIELD_T: f64 = 3e-4;

/// The best law found.
#[derive(Debug, Clone, Copy)]
pub(super) struct Found {
    pub slope: f64,
    pub tip_t: f64,
    pub log_e: f64,
    /// Log likelihood ratio of a line of the best height along it against none.
    pub likelihood: f64,
}

/// What a scan says.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Scanned {
    pub best: Option<Found>,
    /// The likeliest law that any field holds: nothing is claimed of it, but that is where to look next. In one window a strong
    /// line has many places with the largest score, and so a smaller e-value than a single lucky place.
    pub suspect: Option<Found>,
    /// Log of the e-values averaged over all laws of the prior.
    pub log_e: f64,
    /// Laws along which a line of the height asked for would stand out.
    pub looked_at: usize,
    /// Of them those along which a line of the height asked for may still lie.
    pub open: usize,
    /// All laws.
    pub laws: usize,
    /// Smallest and largest g, without tip field, that was looked at.
    pub g: Option<(f64, f64)>,
}

/// Number of the field of each spectrum, equal ones the same.
pub(super) fn field_numbers(spectra: &[Ready]) -> (Vec<usize>, usize) {
    let mut fields: Vec<f64> = spectra.iter().map(|s| s.field_t.abs()).collect();
    fields.sort_by(f64::total_cmp);
    fields.dedup_by(|a, b| (*a - *b).abs() < SAME_FIELD_T);
    let number = |s: &Ready| fields.partition_point(|b| *b + SAME_FIELD_T <= s.field_t.abs());
    (spectra.iter().map(number).collect(), fields.len())
}

/// Goes through g (`slopes` in Hz/T) and tip field.
pub(super) fn scan(groups: &[Group], width: f64, slopes: (f64, f64), prior: &Prior) -> Scanned {
    let fields: Vec<f64> = groups.iter().map(|g| g.field_t).collect();
    let low = fields.iter().copied().fold(f64::INFINITY, f64::min);
    let range = (fields.iter().copied().fold(0.0, f64::max) - low).max(1e-3);
    let place_step = width / PLACES_PER_WIDTH;
    let count = ((slopes.1 - slopes.0) * range / (CLOSE * place_step)).ceil() as usize + 1;
    let mut said = Scanned::default();
    let (mut top, mut sum, mut suspected) = (0.0f64, 0.0, f64::NEG_INFINITY);
    let most = 2 * (prior.tip_field_t * slopes.1 / place_step).ceil() as usize + 2;
    let mut row = Row::new(most);
    for i in 0..count {
        let slope = slopes.0 + (slopes.1 - slopes.0) * i as f64 / (count - 1).max(1) as f64;
        let half = (prior.tip_field_t * slope / place_step).floor() as i64;
        let tips = (2 * half + 1) as usize;
        said.laws += tips;
        row.clear();
        for group in groups {
            row.add(group, slope * group.field_t - half as f64 * place_step, tips);
        }
        let (looked_at, open) = row.looked_at(prior.height);
        said.looked_at += looked_at;
        said.open += open;
        if row.fields.get(half as usize).is_some_and(|fields| *fields > 0) {
            let g = slope / MU_B_PER_H_HZ_PER_T;
            said.g = said.g.map_or(Some((g, g)), |(a, b)| Some((a.min(g), b.max(g))));
        }
        let mut next = row.touched.start;
        while next < row.touched.end {
            let some = next..(next + TOGETHER).min(row.touched.end);
            next = some.end;
            let best = said.best.map_or(f64::NEG_INFINITY, |b| b.log_e);
            let worth = if sum < 1.0 { f64::NEG_INFINITY } else { best.min(top + LOST) };
            // Most laws say nothing.
            if !row.any_tells(&some, worth, suspected) {
                continue;
            }
            for t in some.filter(|t| row.fields[*t] > 0) {
                let log_e = row.log_e[t];
                let tip_t = || (t as i64 - half) as f64 * place_step / slope;
                let found = || Found { slope, tip_t: tip_t(), log_e, likelihood: row.likelihood(t) };
                if row.likelier(t, suspected) {
                    // Among equals the one with the smallest tip field.
                    let likely = row.likelihood(t) - (tip_t() / prior.tip_field_t).powi(2);
                    if likely > suspected {
                        (suspected, said.suspect) = (likely, Some(found()));
                    }
                }
                if log_e > top {
                    sum *= (top - log_e).exp();
                    top = log_e;
                }
                if sum < 1.0 || log_e - top > LOST {
                    sum += (log_e - top).exp();
                }
                if said.best.is_none_or(|b| log_e > b.log_e) {
                    said.best = Some(found());
                }
            }
        }
    }
    // Where no law could be asked, nothing was learned.
    said.log_e = if sum > 0.0 { top + sum.ln() - (said.laws.max(1) as f64).ln() } else { 0.0 };
    said
}

/// All tip fields of one slope.
struct Row {
    log_e: Vec<f64>,
    sums: [Vec<f64>; 4],
    fields: Vec<u16>,
    /// Tip fields to which anything was added.
    touched: Range<usize>,
}

impl Row {
    fn new(most: usize) -> Self {
        Row {
            log_e: vec![0.0; most],
            sums: std::array::from_fn(|_| vec![0.0; most]),
            fields: vec![0; most],
            touched: 0..0,
        }
    }

    fn clear(&mut self) {
        let touched = std::mem::take(&mut self.touched);
        self.log_e[touched.clone()].fill(0.0);
        self.sums.iter_mut().for_each(|sum| sum[touched.clone()].fill(0.0));
        self.fields[touched].fill(0);
    }

    /// Adds what one field says about the laws that lie in its windows: at `first` for tip field number zero, and each
    /// next one a place further.
    fn add(&mut self, group: &Group, first: f64, tips: usize) {
        let start = ((first - group.low) / group.step).round() as i64;
        let (from, to) = ((-start).max(0), (group.open.len() as i64 - start).min(tips as i64));
        if from >= to {
            return;
        }
        let (laws, places) = (from as usize..to as usize, (start + from) as usize..(start + to) as usize);
        let add = |to: &mut [f64], from: &[f64]| to.iter_mut().zip(from).for_each(|(t, f)| *t += f);
        add(&mut self.log_e[laws.clone()], &group.log_e[places.clone()]);
        for (to, from) in self.sums.iter_mut().zip(&group.sums) {
            add(&mut to[laws.clone()], &from[places.clone()]);
        }
        self.fields[laws.clone()].iter_mut().zip(&group.open[places]).for_each(|(t, f)| *t += f);
        self.touched = if self.touched.is_empty() {
            laws
        } else {
            self.touched.start.min(laws.start)..self.touched.end.max(laws.end)
        };
    }

    /// Laws along which a line of this height, of either sign and some asymmetry, would stand out, and those of them along
    /// which it is not excluded.
    fn looked_at(&self, height: f64) -> (usize, usize) {
        let [a, d, aa, dd] = [0, 1, 2, 3].map(|i| &self.sums[i][self.touched.clone()]);
        let half_square = 0.5 * height * height;
        let (mut looked_at, mut open) = (0u32, 0u32);
        for (((a, d), aa), dd) in a.iter().zip(d).zip(aa).zip(dd) {
            // Where such a line would hardly stand out, nothing was looked at.
            let stands_out = half_square * aa > STANDS_OUT;
            // Log likelihood ratio against none.
            let with = |q: f64| height * (a + q * d).abs() - half_square * (aa + q * q * dd) > EXCLUDED;
            let [x, y, z] = ASYMMETRIES.map(with);
            looked_at += u32::from(stands_out);
            open += u32::from(stands_out & (x | y | z));
        }
        (looked_at as usize, open as usize)
    }

    /// Whether any of some laws has more evidence than is `worth` looking at, or may be likelier than what is suspected.
    fn any_tells(&self, laws: &Range<usize>, worth: f64, suspected: f64) -> bool {
        let [a, d, aa, dd] = [0, 1, 2, 3].map(|i| &self.sums[i][laws.clone()]);
        let mut tells = false;
        for ((((log_e, a), d), aa), dd) in self.log_e[laws.clone()].iter().zip(a).zip(d).zip(aa).zip(dd) {
            tells |= (*log_e > worth) & (*aa > 0.0) | likelier(*log_e, [*a, *d, *aa, *dd], suspected);
        }
        tells
    }

    /// Whether that of [`Row::likelihood`] is larger than that of the law that is suspected so far.
    fn likelier(&self, t: usize, suspected: f64) -> bool {
        likelier(self.log_e[t], [0, 1, 2, 3].map(|i| self.sums[i][t]), suspected)
    }

    /// Log likelihood ratio of a line of the best height and asymmetry, the same in all windows, against none.
    fn likelihood(&self, t: usize) -> f64 {
        let [a, d, aa, dd] = [0, 1, 2, 3].map(|i| self.sums[i][t]);
        0.5 * (a * a / aa.max(1e-9) + d * d / dd.max(1e-9))
    }
}

/// Without a division: most are not.
fn likelier(log_e: f64, [a, d, aa, dd]: [f64; 4], suspected: f64) -> bool {
    let least = if log_e > SUSPECTED { 0.0 } else { STRONG };
    let least = if suspected > least { suspected } else { least };
    a * a * dd + d * d * aa > 2.0 * least * aa * dd
}
