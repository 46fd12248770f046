//! How slow the noise of a spectrum is, from what a fit leaves over.
//!
//! The residuals, in the order of x, are taken apart into cosines. For stationary noise these are next to independent,
//! each with the power of the noise at its frequency. A family of spectra is tried: white; white with a share of
//! 1/f^a, a = 1 or 2; and noise that forgets by a factor from point to point, as behind a low-pass filter. Each
//! counts by its restricted likelihood (common practice), which allows for the parameters that were fitted: what they took away
//! is not mistaken for quiet. Only the slowest cosines are worked out one by one; the rest enters as one sum.
//!
//! With the spectrum of the noise, least squares keep their values but get the errors they have in such noise,
//! `(JᵀJ)⁻¹ JᵀCJ (JᵀJ)⁻¹`, and a line is weighed against slow noise that needs no line.

use std::cell::RefCell;
use std::rc::Rc;

use nalgebra::DMatrix;

use wide::f64x4;

use super::cosines::Cosines;

/// Fewest points from which the colour of noise can be told.
pub(super) const FEWEST: usize = 36;

/// Up to so many points it is always looked for: too few for a quick test.
const SHORT: usize = 260;

/// Points of a stretch whose mean is looked at.
const BLOCK: usize = 8;

/// Slowest cosines that are worked out one by one.
const MODES: usize = 160;

/// Shares of slow noise in the variance, over that of the white part.
const SHARES: [f64; 7] = [0.1, 0.25, 0.6, 1.5, 4.0, 12.0, 60.0];

/// Part of the last point that is still in the next.
const MEMORIES: [f64; 6] = [0.15, 0.3, 0.45, 0.6, 0.75, 0.9];

/// Whether residuals in the order of x could be anything but white. Meant to be asked often: it lets through white noise in
/// most cases, and hardly ever noise whose colour would matter.
pub(super) fn suspected(r: &[f64], parameters: usize) -> bool {
    let n = r.len();
    if n <= SHORT {
        return n >= FEWEST;
    }
    let squares: f64 = r.iter().map(|v| v * v).sum();
    if squares <= 0.0 {
        return false;
    }
    let taken = parameters as f64 / n as f64;
    let neighbours: f64 = r.windows(2).map(|w| w[0] * w[1]).sum();
    let close = (neighbours / squares + taken) * (n as f64).sqrt();
    // Means of stretches: slow noise is small in each point and large in these. Fits take away their share.
    let means: f64 = r.chunks_exact(BLOCK).map(|c| c.iter().sum::<f64>().powi(2) / BLOCK as f64).sum();
    let blocks = (n / BLOCK) as f64;
    let expected = (blocks - parameters as f64).max(2.0);
    let slow = (means / (squares / (n - parameters) as f64) - expected) / (2.0 * expected).sqrt();
    close > 1.3 || slow > 0.9
}

/// Gain in log likelihood of the best slow noise of the family over white noise, both on a straight line.
pub(crate) fn slow_noise_gain(y: &[f64]) -> f64 {
    let n = y.len() as f64;
    if y.len() < FEWEST {
        return 0.0;
    }
    let line = [
        vec![1.0 / n.sqrt(); y.len()],
        (0..y.len()).map(|i| (2.0 * i as f64 / n - 1.0) / n.sqrt()).collect(),
    ];
    let all = Apart::new(y, &line).weighed();
    let white = all.iter().find(|u| u.white()).map_or(f64::NEG_INFINITY, |u| u.plain);
    // White noise alone, without a line, is what others are compared with.
    let mean = y.iter().sum::<f64>() / n;
    let flat = -0.5 * n * y.iter().map(|v| (v - mean).powi(2)).sum::<f64>().ln();
    (Apart::likelihood(&all) - white.min(flat)).max(0.0)
}

/// Weighted residuals and derivatives taken apart: products of columns in each group of cosines.
pub(super) struct Apart {
    family: Rc<Family>,
    /// For each group, the products of all columns with each other, the residuals last: lower triangles, row by row, one
    /// behind the other.
    products: Vec<f64>,
    parameters: usize,
}

/// Place of a product in a lower triangle.
fn at(a: usize, b: usize) -> usize {
    let (row, column) = (a.max(b), a.min(b));
    row * (row + 1) / 2 + column
}

/// Lower triangle of a symmetric table.
fn triangle(side: usize, of: impl Fn(usize, usize) -> f64) -> Vec<f64> {
    let mut values = Vec::with_capacity(side * (side + 1) / 2);
    for a in 0..side {
        for b in 0..=a {
            values.push(of(a, b));
        }
    }
    values
}

/// Adds the products of all values with each other to a lower triangle.
fn add_products(triangle: &mut [f64], values: &[f64]) {
    let mut row = 0;
    for (a, value) in values.iter().enumerate() {
        let places = &mut triangle[row..=row + a];
        places.iter_mut().zip(values).for_each(|(sum, other)| *sum += value * other);
        row += a + 1;
    }
}

/// Sum of products, several side by side.
pub(super) fn dot(u: &[f64], v: &[f64]) -> f64 {
    let (u, v) = (u.chunks_exact(8), v.chunks_exact(8));
    let rest: f64 = u.remainder().iter().zip(v.remainder()).map(|(u, v)| u * v).sum();
    let mut sums = [f64x4::ZERO; 2];
    for (u, v) in u.zip(v) {
        sums[0] += f64x4::new([u[0], u[1], u[2], u[3]]) * f64x4::new([v[0], v[1], v[2], v[3]]);
        sums[1] += f64x4::new([u[4], u[5], u[6], u[7]]) * f64x4::new([v[4], v[5], v[6], v[7]]);
    }
    (sums[0] + sums[1]).reduce_add() + rest
}

impl Apart {
    /// Takes apart residuals and columns of derivatives, all in the order of x.
    pub(super) fn new(r: &[f64], columns: &[Vec<f64>]) -> Self {
        let (n, p) = (r.len(), columns.len());
        let modes = MODES.min(n / 2);
        let all: Vec<&[f64]> = columns.iter().map(Vec::as_slice).chain([r]).collect();
        let tables = Cosines::of(n, modes);
        let cosines: Vec<Vec<f64>> = all.iter().map(|column| tables.in_column(column)).collect();
        let family = Family::of(n, modes);
        let mut rest = triangle(p + 1, |a, b| dot(all[a], all[b]));
        let mut products = vec![0.0; family.groups.len() * rest.len()];
        let mut here = vec![0.0; p + 1];
        for ((first, last), group) in family.groups.iter().zip(products.chunks_exact_mut(rest.len())) {
            if *first == modes {
                group.copy_from_slice(&rest);
                break;
            }
            for k in *first..=*last {
                here.iter_mut().zip(&cosines).for_each(|(here, column)| *here = column[k]);
                add_products(group, &here);
            }
            rest.iter_mut().zip(group.iter()).for_each(|(r, g)| *r -= g);
        }
        Self { family, products, parameters: p }
    }

    /// The same with some of the columns alone, and with so much of each column put into the residuals.
    pub(super) fn with(&self, kept: &[usize], put_in: &[f64]) -> Self {
        let factors: Vec<f64> = put_in.iter().copied().chain([1.0]).collect();
        let mut along = vec![0.0; factors.len()];
        let mut products = Vec::with_capacity(self.family.groups.len() * at(kept.len() + 1, 0));
        for group in self.in_groups() {
            for (a, along) in along.iter_mut().enumerate() {
                *along = factors.iter().enumerate().map(|(b, f)| f * group[at(a, b)]).sum();
            }
            for (row, a) in kept.iter().enumerate() {
                products.extend(kept[..=row].iter().map(|b| group[at(*a, *b)]));
            }
            products.extend(kept.iter().map(|a| along[*a]));
            products.push(factors.iter().zip(&along).map(|(f, along)| f * along).sum());
        }
        Self { family: Rc::clone(&self.family), products, parameters: kept.len() }
    }

    /// Products of each group.
    fn in_groups(&self) -> impl Iterator<Item = &[f64]> {
        self.products.chunks_exact(at(self.parameters + 1, 0))
    }

    fn sum(&self, weights: &[f64]) -> Vec<f64> {
        let mut sum = vec![0.0; at(self.parameters + 1, 0)];
        self.add(weights, &mut sum);
        sum
    }

    /// Products of all groups with their weights.
    fn add(&self, weights: &[f64], sum: &mut [f64]) {
        sum.fill(0.0);
        for (group, w) in self.in_groups().zip(weights) {
            sum.iter_mut().zip(group).for_each(|(s, g)| *s += w * g);
        }
    }

    /// What one noise says; `None` where the columns can't be told apart in it.
    fn under(&self, which: usize, l: &mut [f64]) -> Option<Under> {
        let member = &self.family.members[which];
        let p = self.parameters;
        self.add(&member.inverse, l);
        // Triangular factor in place; the last pivot is what the columns leave of the residuals.
        let mut determinant = 0.0;
        for i in 0..=p {
            for j in 0..=i {
                let mut rest = l[at(i, j)];
                for k in 0..j {
                    rest -= l[at(i, 0) + k] * l[at(j, 0) + k];
                }
                if i == j {
                    let sound = rest > 1e-14 * l[at(i, i)];
                    if !sound {
                        return None;
                    }
                    l[at(i, i)] = rest.sqrt();
                    determinant += if i < p { rest.ln() } else { 0.0 };
                } else {
                    l[at(i, j)] = rest / l[at(j, j)];
                }
            }
        }
        let left = l[at(p, p)].powi(2);
        let points = self.family.points as f64;
        let freedom = points - p as f64;
        let restricted = -0.5 * (member.logs + determinant + freedom * left.ln());
        let plain = -0.5 * (member.logs + points * left.ln());
        let variance = left / freedom;
        Some(Under { which, noise: member.noise, variance, restricted, plain, weight: 0.0 })
    }

    /// Every noise of the family with its weight by restricted likelihood; the weights add to one.
    pub(super) fn weighed(&self) -> Vec<Under> {
        let count = self.family.members.len();
        let mut room = vec![0.0; at(self.parameters + 1, 0)];
        let mut all: Vec<Under> = (0..count).filter_map(|which| self.under(which, &mut room)).collect();
        // As likely white as not; the others share the rest.
        let share = ((count - 1) as f64).ln();
        let of = |u: &Under| u.restricted - if u.white() { 0.0 } else { share };
        let largest = all.iter().map(of).fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = all.iter().map(|u| (of(u) - largest).exp()).sum();
        for under in &mut all {
            under.weight = (of(under) - largest).exp() / total;
        }
        all
    }

    /// The largest likelihood of the family, logarithm.
    pub(super) fn likelihood(all: &[Under]) -> f64 {
        all.iter().map(|u| u.plain).fold(f64::NEG_INFINITY, f64::max)
    }

    /// `JᵀCJ`, averaged over the noises with their weights. Where the size of the noise is given, only its colour counts.
    pub(super) fn mean_spread(&self, all: &[Under], sized_by_residuals: bool) -> DMatrix<f64> {
        let mut sum = DMatrix::zeros(self.parameters, self.parameters);
        for under in all {
            let unit = if sized_by_residuals { 1.0 } else { self.mean_power(under) };
            sum += self.spread(under) * (under.weight / unit);
        }
        sum
    }

    /// `JᵀCJ` for a noise.
    fn spread(&self, under: &Under) -> DMatrix<f64> {
        self.square(self.sum(&self.family.members[under.which].power)) * under.variance
    }

    /// `JᵀJ`.
    pub(super) fn normal(&self) -> DMatrix<f64> {
        self.square(self.sum(&vec![1.0; self.family.groups.len()]))
    }

    fn square(&self, sum: Vec<f64>) -> DMatrix<f64> {
        DMatrix::from_fn(self.parameters, self.parameters, |a, b| sum[at(a, b)])
    }

    /// Mean of the power over all cosines.
    fn mean_power(&self, under: &Under) -> f64 {
        let power = &self.family.members[under.which].power;
        let sum: f64 = self.family.groups.iter().zip(power).map(|(g, s)| size(g) * s).sum();
        sum * under.variance / self.family.points as f64
    }
}

/// What one noise says about the residuals.
pub(super) struct Under {
    which: usize,
    noise: Noise,
    variance: f64,
    restricted: f64,
    plain: f64,
    /// Its probability among all of the family.
    pub(super) weight: f64,
}

impl Under {
    /// Whether this is noise without memory.
    pub(super) fn white(&self) -> bool {
        self.noise == Noise::White
    }
}

/// All noises that are tried on so many points.
struct Family {
    /// First and last cosine of each group.
    groups: Vec<(usize, usize)>,
    members: Vec<Member>,
    points: usize,
}

struct Member {
    noise: Noise,
    /// Power in each group, in units of the variance.
    power: Vec<f64>,
    /// One over it.
    inverse: Vec<f64>,
    /// Sum of the logarithms of the power over all cosines.
    logs: f64,
}

/// Number of cosines of a group.
fn size((first, last): &(usize, usize)) -> f64 {
    (last - first + 1) as f64
}

thread_local! {
    static LAST: RefCell<Option<Rc<Family>>> = const { RefCell::new(None) };
}

impl Family {
    /// For so many points; the last one of this thread is used again where it fits.
    fn of(points: usize, modes: usize) -> Rc<Self> {
        let last = LAST.with_borrow(Clone::clone).filter(|last| last.points == points);
        last.unwrap_or_else(|| {
            let made = Rc::new(Self::new(groups(modes, points), points));
            LAST.set(Some(Rc::clone(&made)));
            made
        })
    }

    fn new(groups: Vec<(usize, usize)>, points: usize) -> Self {
        // A long group is sampled, its mean needs no more.
        let sampled = |(first, last): &(usize, usize)| {
            let count = (last - first + 1).min(5);
            let place = |i: usize| first + (last - first) * (2 * i + 1) / (2 * count);
            (0..count).map(|i| (place(i), cosine(place(i), points))).collect::<Vec<_>>()
        };
        let places: Vec<Vec<(usize, f64)>> = groups.iter().map(sampled).collect();
        let member = |noise: Noise| {
            let scale = noise.scale(points);
            let mean = |places: &Vec<(usize, f64)>| {
                let power = places.iter().map(|(k, cosine)| noise.power(*k, *cosine, scale));
                power.sum::<f64>() / places.len() as f64
            };
            let power: Vec<f64> = places.iter().map(mean).collect();
            let inverse = power.iter().map(|s| 1.0 / s).collect();
            let logs = groups.iter().zip(&power).map(|(g, s)| size(g) * s.ln()).sum();
            Member { noise, power, inverse, logs }
        };
        let members = Noise::all().map(member).collect();
        Self { groups, members, points }
    }
}

fn cosine(k: usize, n: usize) -> f64 {
    (std::f64::consts::PI * k as f64 / n as f64).cos()
}

/// A spectrum of noise.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Noise {
    White,
    /// Share and exponent.
    Slow(f64, f64),
    /// What is left from point to point.
    Forgetting(f64),
}

impl Noise {
    fn all() -> impl Iterator<Item = Noise> {
        let slow = [1.0, 2.0].into_iter().flat_map(|a| SHARES.map(|share| Noise::Slow(share, a)));
        [Noise::White].into_iter().chain(slow).chain(MEMORIES.map(Noise::Forgetting))
    }

    /// Power of the slow part at the first cosine of `n`. Over all cosines it has `share` times the power of the white one.
    fn scale(self, n: usize) -> f64 {
        let n = n as f64;
        match self {
            Noise::Slow(share, a) => share * n / if a < 1.5 { n.ln() + 0.577 } else { 1.645 },
            Noise::White | Noise::Forgetting(_) => 0.0,
        }
    }

    /// Power of cosine `k`, which goes by so much from the first point to the next.
    fn power(self, k: usize, cosine: f64, scale: f64) -> f64 {
        match self {
            Noise::White => 1.0,
            Noise::Slow(_, a) => {
                // The mean has no power of its own in such noise; the slowest cosine stands for it.
                let k = k.max(1) as f64;
                1.0 + scale / if a < 1.5 { k } else { k * k }
            }
            Noise::Forgetting(left) => (1.0 - left * left) / (1.0 - 2.0 * left * cosine + left * left),
        }
    }
}

/// Groups of cosines: the slowest alone, then ever more of them together, and all fast ones in one.
fn groups(modes: usize, n: usize) -> Vec<(usize, usize)> {
    let mut groups = Vec::new();
    let mut first = 0;
    while first < modes {
        let last = (first + first / 6).min(modes - 1);
        groups.push((first, last));
        first = last + 1;
    }
    groups.push((modes, n - 1));
    groups
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_hold_every_cosine_once() {
        let groups = groups(64, 401);
        let mut next = 0;
        for (first, last) in groups {
            assert!(first == next && last >= first);
            next = last + 1;
        }
        assert_eq!(next, 401);
    }
}
