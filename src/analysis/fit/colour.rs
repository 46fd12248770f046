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

use nalgebra::DMatrix;

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
    /// First and last cosine of each group.
    groups: Vec<(usize, usize)>,
    /// For each group, the products of all columns with each other, the residuals last; square, row by row.
    products: Vec<Vec<f64>>,
    parameters: usize,
    points: usize,
}

impl Apart {
    /// Takes apart residuals and columns of derivatives, all in the order of x.
    pub(super) fn new(r: &[f64], columns: &[Vec<f64>]) -> Self {
        let (n, p) = (r.len(), columns.len());
        let modes = MODES.min(n / 2);
        let all: Vec<&[f64]> = columns.iter().map(Vec::as_slice).chain([r]).collect();
        let cosines = cosines(&all, modes);
        let groups = groups(modes, n);
        let square = |product: &dyn Fn(usize, usize) -> f64| {
            let mut values = vec![0.0; (p + 1) * (p + 1)];
            for a in 0..=p {
                for b in 0..=a {
                    let v = product(a, b);
                    values[a * (p + 1) + b] = v;
                    values[b * (p + 1) + a] = v;
                }
            }
            values
        };
        let dot = |u: &[f64], v: &[f64]| u.iter().zip(v).map(|(u, v)| u * v).sum::<f64>();
        let mut rest = square(&|a, b| dot(all[a], all[b]));
        let mut products = Vec::with_capacity(groups.len());
        for (first, last) in &groups[..groups.len() - 1] {
            let group = square(&|a, b| dot(&cosines[a][*first..=*last], &cosines[b][*first..=*last]));
            rest.iter_mut().zip(&group).for_each(|(r, g)| *r -= g);
            products.push(group);
        }
        products.push(rest);
        Self { groups, products, parameters: p, points: n }
    }

    /// Mean power of a noise in each group; a long group is sampled, its mean needs no more.
    fn powers(&self, noise: Noise) -> Vec<f64> {
        let mean = |(first, last): &(usize, usize)| {
            let count = (last - first + 1).min(5);
            let at = |i: usize| first + (last - first) * (2 * i + 1) / (2 * count);
            (0..count).map(|i| noise.power(at(i), self.points)).sum::<f64>() / count as f64
        };
        self.groups.iter().map(mean).collect()
    }

    fn sum(&self, weights: impl Iterator<Item = f64>) -> Vec<f64> {
        let side = self.parameters + 1;
        let mut sum = vec![0.0; side * side];
        for (group, w) in self.products.iter().zip(weights) {
            sum.iter_mut().zip(group).for_each(|(s, g)| *s += w * g);
        }
        sum
    }

    /// What one noise says; `None` where the columns can't be told apart in it.
    fn under(&self, noise: Noise) -> Option<Under> {
        let power = self.powers(noise);
        let p = self.parameters;
        let mut l = self.sum(power.iter().map(|s| 1.0 / s));
        let side = p + 1;
        // Triangular factor in place; the last pivot is what the columns leave of the residuals.
        let mut determinant = 0.0;
        for i in 0..side {
            for j in 0..=i {
                let taken: f64 = (0..j).map(|k| l[i * side + k] * l[j * side + k]).sum();
                let rest = l[i * side + j] - taken;
                if i == j {
                    let sound = rest > 1e-14 * l[i * side + i];
                    if !sound {
                        return None;
                    }
                    l[i * side + i] = rest.sqrt();
                    determinant += if i < p { rest.ln() } else { 0.0 };
                } else {
                    l[i * side + j] = rest / l[j * side + j];
                }
            }
        }
        let left = l[side * side - 1].powi(2);
        let freedom = (self.points - p) as f64;
        let size = |(first, last): &(usize, usize)| (last - first + 1) as f64;
        let logs: f64 = self.groups.iter().zip(&power).map(|(g, s)| size(g) * s.ln()).sum();
        let restricted = -0.5 * (logs + determinant + freedom * left.ln());
        let plain = -0.5 * (logs + self.points as f64 * left.ln());
        Some(Under { noise, power, variance: left / freedom, restricted, plain, weight: 0.0 })
    }

    /// Every noise of the family with its weight by restricted likelihood; the weights add to one.
    pub(super) fn weighed(&self) -> Vec<Under> {
        let mut all: Vec<Under> = Noise::all().filter_map(|noise| self.under(noise)).collect();
        let others = (Noise::all().count() - 1) as f64;
        // As likely white as not; the others share the rest.
        let of = |u: &Under| u.restricted + if u.noise == Noise::White { 0.0 } else { -others.ln() };
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
        let sum = self.sum(under.power.iter().map(|s| s * under.variance));
        let p = self.parameters;
        DMatrix::from_fn(p, p, |a, b| sum[a * (p + 1) + b])
    }

    /// `JᵀJ`.
    pub(super) fn normal(&self) -> DMatrix<f64> {
        let sum = self.sum(self.groups.iter().map(|_| 1.0));
        let p = self.parameters;
        DMatrix::from_fn(p, p, |a, b| sum[a * (p + 1) + b])
    }

    /// Mean of the power over all cosines.
    fn mean_power(&self, under: &Under) -> f64 {
        let size = |(first, last): &(usize, usize)| (last - first + 1) as f64;
        let sum: f64 = self.groups.iter().zip(&under.power).map(|(g, s)| size(g) * s).sum();
        sum * under.variance / self.points as f64
    }
}

/// What one noise says about the residuals.
pub(super) struct Under {
    noise: Noise,
    /// Power in each group, in units of `variance`.
    power: Vec<f64>,
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

    /// Power of cosine `k` of `n`.
    fn power(self, k: usize, n: usize) -> f64 {
        match self {
            Noise::White => 1.0,
            Noise::Slow(share, a) => {
                // Over all cosines the slow part has `share` times the power of the white one. The mean has no power
                // of its own in such noise; the slowest cosine stands for it.
                let n = n as f64;
                let norm = if a < 1.5 { n.ln() + 0.577 } else { 1.645 };
                let k = k.max(1) as f64;
                1.0 + share * n / norm / if a < 1.5 { k } else { k * k }
            }
            Noise::Forgetting(left) => {
                let angle = std::f64::consts::PI * k as f64 / n as f64;
                (1.0 - left * left) / (1.0 - 2.0 * left * angle.cos() + left * left)
            }
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

/// The slowest cosines of each column, of unit length as vectors.
fn cosines(columns: &[&[f64]], modes: usize) -> Vec<Vec<f64>> {
    let n = columns[0].len();
    let angle = |k: usize| std::f64::consts::PI * k as f64 / n as f64;
    // cos(k (i + 1/2)) for all k at once, from point to point by the recurrence of cosines.
    let twice: Vec<f64> = (0..modes).map(|k| 2.0 * angle(k).cos()).collect();
    let mut here: Vec<f64> = (0..modes).map(|k| (0.5 * angle(k)).cos()).collect();
    let mut before = here.clone();
    let mut sums = vec![vec![0.0; modes]; columns.len()];
    for i in 0..n {
        for (sum, column) in sums.iter_mut().zip(columns) {
            let value = column[i];
            for (s, c) in sum.iter_mut().zip(&here) {
                *s += value * c;
            }
        }
        for k in 0..modes {
            let next = twice[k] * here[k] - before[k];
            before[k] = here[k];
            here[k] = next;
        }
    }
    for sum in &mut sums {
        for (k, s) in sum.iter_mut().enumerate() {
            *s *= (if k == 0 { 1.0 } else { 2.0 } / n as f64).sqrt();
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cosines_keep_lengths_and_agree_with_their_definition() {
        let values: Vec<f64> = (0..40).map(|i| ((i * 7919) % 101) as f64 - 50.0).collect();
        let all = cosines(&[&values], 40);
        let direct: f64 = values
            .iter()
            .enumerate()
            .map(|(i, v)| v * (std::f64::consts::PI * 7.0 * (i as f64 + 0.5) / 40.0).cos())
            .sum();
        assert!((all[0][7] - direct * (2.0_f64 / 40.0).sqrt()).abs() < 1e-9);
        let (length, kept): (f64, f64) =
            (values.iter().map(|v| v * v).sum(), all[0].iter().map(|v| v * v).sum());
        assert!((length / kept - 1.0).abs() < 1e-12);
    }

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
